"""`ridgepost send`: one message, and if asked what became of it."""

import asyncio
import contextlib
import math
import secrets
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import aiomqtt
import click
import msgspec

from ridgepost.aprs.text import MAX_TEXT
from ridgepost.broker import why_not_connected
from ridgepost.bus.payloads import OutboundPayload, PresencePayload
from ridgepost.cli import event_loop
from ridgepost.cli.lines import Answer, clock_time
from ridgepost.cli.output import FAILED, INTERRUPTED, complain, fail, plain
from ridgepost.cli.target import (
    MAX_PAYLOAD_OCTETS,
    MAX_QUEUED,
    Target,
    stations_there,
    target,
    target_options,
)
from ridgepost.cli.waiting import Waiting
from ridgepost.radio.callsign import CallsignError
from ridgepost.settings import typed_callsign
from ridgepost.station.records import Precedence, State
from ridgepost.station.tuning import Tuning

OUTCOMES = {State.ACKNOWLEDGED: 0, State.REJECTED: 3, State.EXPIRED: 4, State.CANCELLED: 5}
"""Exit status of --wait by how the message ended."""

UNKNOWN = 6
"""Exit status if contact was lost: the message may be on its way all the same."""

PRESENCE_TIMEOUT_S = 2.0
ANSWER_TIMEOUT_S = 10.0

_TUNING = Tuning()

News = PresencePayload | Answer | OutboundPayload


def _callsign(_context: click.Context, _parameter: click.Parameter, value: str) -> str:
    try:
        return typed_callsign(value)
    except CallsignError as error:
        raise click.BadParameter(f"expected a callsign such as QZ1SAG-9: {error.detail}") from None


def _joined(_context: click.Context, _parameter: click.Parameter, value: tuple[str, ...]) -> str:
    text = " ".join(value)
    try:
        text.encode()
    except UnicodeEncodeError:
        raise click.BadParameter("not UTF-8 text") from None
    if len(text) > MAX_TEXT:
        raise click.BadParameter(f"{len(text)} characters, at most {MAX_TEXT} may be sent")
    return text


def _seconds(
    _context: click.Context, _parameter: click.Parameter, value: str | None
) -> float | None:
    if value is None:
        return None
    try:
        seconds = float(value)
    except ValueError:
        seconds = math.nan
    if not 1 <= seconds <= _TUNING.max_lifetime_s:  # which a NaN is not either
        raise click.BadParameter(f"expected 1 to {_TUNING.max_lifetime_s:.0f} seconds")
    return seconds


@click.command()
@click.argument("to", callback=_callsign)
@click.argument("text", nargs=-1, required=True, callback=_joined)
@click.option("--wait", is_flag=True, help="Stay and print each change until it is settled.")
@click.option(
    "--precedence",
    type=click.Choice([precedence.value.lower() for precedence in Precedence], False),
    default=Precedence.ROUTINE.value.lower(),
    show_default=True,
    help="How urgent it is; more urgent messages go first.",
)
@click.option(
    "--lifetime",
    "lifetime_s",
    callback=_seconds,
    metavar="SECONDS",
    help=f"Give up after this long, at most {_TUNING.max_lifetime_s:.0f} (a day).  "
    f"[default: {_TUNING.message_lifetime_s:.0f}, two hours]",
)
@target_options
def command(
    to: str,
    text: str,
    wait: bool,
    precedence: str,
    lifetime_s: float | None,
    settings: Path | None,
    broker: str | None,
    station: str | None,
) -> None:
    """Hand a message to the running station: TEXT (67 characters at most) to the callsign TO.

    A callsign may be typed in small letters. TEXT is best put in quotes, since the shell takes some
    characters for itself; words without quotes are joined with one blank between.

    The exit status is 0 if the station has accepted the message, or with --wait if the addressee
    has acknowledged it; with --wait 3 if it was rejected, 4 expired, 5 cancelled; 1 if it was not
    accepted; 6 if contact was lost, when the message may be on its way all the same.
    """
    ask: dict[str, Any] = {
        "request": secrets.token_hex(8),
        "to": to,
        "text": text,
        "precedence": precedence.upper(),
    }
    if lifetime_s is not None:
        ask["lifetime_s"] = lifetime_s
    where = target(settings, broker, station)
    conversation = _Conversation(where, ask)
    try:
        status = event_loop.run(conversation.run(wait=wait))
    except KeyboardInterrupt:
        if conversation.key:
            fail("stopped waiting; the message stays with the station", INTERRUPTED)
        fail("stopped", INTERRUPTED)
    raise SystemExit(status)


class _Conversation:
    """One ask, its answer, and what follows."""

    def __init__(self, where: Target, ask: dict[str, Any]) -> None:
        self._where = where
        self._ask = ask
        self._asked = False
        self.key = ""
        """The station's name for the message, once it has accepted it."""

    async def run(self, *, wait: bool) -> int:
        """Ask, and return the exit status."""
        where = self._where
        try:
            async with contextlib.AsyncExitStack() as stack:
                waiting = await stack.enter_async_context(Waiting(f"the broker at {where.address}"))
                client = await stack.enter_async_context(
                    where.broker.client(max_queued_incoming_messages=MAX_QUEUED)
                )
                return await self._talk(client, waiting, wait=wait)
        except (aiomqtt.MqttError, OSError) as error:
            if isinstance(error, BrokenPipeError):
                raise
            why = f"the broker at {where.address}: {why_not_connected(error)}"
            if not self._asked:
                fail(f"no connection to {why}")
            fail(f"lost {why}; {self._where_it_is()}", UNKNOWN)

    async def _talk(self, client: aiomqtt.Client, waiting: Waiting, *, wait: bool) -> int:
        topics = self._where.topics
        self._answer_topic = topics.answer(self._ask["request"])
        for topic in (topics.presence, self._answer_topic, topics.all_traffic_out):
            await client.subscribe(topic, qos=1)
        news = self._news(client)
        waiting.begin(f"the presence of {self._where.station}")
        await self._look_for_station(news)
        await client.publish(topics.ask("send"), msgspec.json.encode(self._ask), qos=1)
        self._asked = True
        waiting.begin(f"the answer of {self._where.station}")
        early = await self._answered(news)
        waiting.say(f"accepted as {plain(self.key)}")
        if not wait:
            return 0
        for change in early:
            if (status := self._change(change, waiting)) is not None:
                return status
        async for item in news:
            if (status := self._change(item, waiting)) is not None:
                return status
        return UNKNOWN

    async def _look_for_station(self, news: AsyncIterator[News]) -> None:
        """End here if the station is not there: the broker would keep the ask for it, and the
        message would go out when nobody expects it any more."""
        name = self._where.station
        try:
            async with asyncio.timeout(PRESENCE_TIMEOUT_S):
                async for item in news:
                    if isinstance(item, PresencePayload):
                        if item.online:
                            return
                        since = f", it stopped at {item.at}" if item.at else ""
                        fail(f"station {name} is not running{since}")
        except TimeoutError:
            pass
        fail(f"no station {name} on this broker: {await stations_there(self._where)}")

    async def _answered(self, news: AsyncIterator[News]) -> list[News]:
        """Wait for the station to accept; returns what came before it, such as the message's own
        first change."""
        early: list[News] = []
        try:
            async with asyncio.timeout(ANSWER_TIMEOUT_S):
                while not isinstance(item := await anext(news), Answer):
                    early.append(item)
        except TimeoutError:
            fail(f"no answer in {ANSWER_TIMEOUT_S:.0f} s; {self._where_it_is()}", UNKNOWN)
        if not item.accepted:
            fail(f"refused: {': '.join(part for part in (item.field, item.why) if part)}", FAILED)
        self.key = item.message or ""
        return early

    def _where_it_is(self) -> str:
        if self.key:
            return "the message stays with the station, and 'ridgepost follow' shows it"
        return "the station may have taken the message: see 'ridgepost follow' before sending again"

    async def _news(self, client: aiomqtt.Client) -> AsyncIterator[News]:
        """What comes in, without what is not by a station: anybody may publish."""
        kinds: dict[str, type[News]] = {
            self._where.topics.presence: PresencePayload,
            self._answer_topic: Answer,
        }
        async for message in client.messages:
            octets = message.payload if isinstance(message.payload, bytes) else b""
            if len(octets) > MAX_PAYLOAD_OCTETS:
                continue
            try:
                kind = kinds.get(str(message.topic), OutboundPayload)
                item: News = msgspec.json.decode(octets, type=kind)
            except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
                continue
            yield item

    def _change(self, item: News, waiting: Waiting) -> int | None:
        """Print a change of the message; the exit status if it is settled."""
        if isinstance(item, PresencePayload):
            if not item.online:
                complain(["the station has stopped; the message waits until it runs again"])
            return None
        if not isinstance(item, OutboundPayload) or item.message != self.key:
            return None
        tries = f" ({item.attempts})" if item.attempts else ""
        waiting.say(f"{clock_time(item.at)}  {item.state}{tries}  {plain(item.why)}")
        waiting.begin(f"{item.to} to acknowledge ({item.state})")
        return OUTCOMES.get(item.state)

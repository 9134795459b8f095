"""One ask to a running station, and its answer."""

import asyncio
import contextlib
import secrets
from collections.abc import AsyncIterator, Callable
from typing import Any

import aiomqtt
import msgspec

from ridgepost.broker import why_not_connected
from ridgepost.bus.payloads import OutboundPayload, PresencePayload
from ridgepost.cli import event_loop
from ridgepost.cli.lines import Answer
from ridgepost.cli.output import FAILED, INTERRUPTED, fail
from ridgepost.cli.target import MAX_PAYLOAD_OCTETS, MAX_QUEUED, Target, stations_there
from ridgepost.cli.waiting import Waiting

UNKNOWN = 6
"""Exit status if contact was lost: the station may have taken the ask all the same."""

PRESENCE_TIMEOUT_S = 2.0
ANSWER_TIMEOUT_S = 10.0

News = PresencePayload | Answer | OutboundPayload

Accepted = Callable[[Answer, Waiting], None]
"""Says that the ask was accepted."""

Change = Callable[[News, Waiting], int | None]
"""Takes what comes after the answer; the exit status if that is the end."""


class Asking:
    """An ask of `verb` with `content`, which is about a `what` (message, bulletin)."""

    def __init__(self, where: Target, verb: str, content: dict[str, Any], what: str) -> None:
        self._where = where
        self._verb = verb
        self._content = {"request": secrets.token_hex(8), **content}
        self._what = what
        self._asked = False
        self._accepted = False

    def run(self, accepted: Accepted, change: Change | None = None) -> int:
        """Ask, and return the exit status. With `change` it stays until that says how it ended."""
        try:
            return event_loop.run(self._run(accepted, change))
        except KeyboardInterrupt:
            if self._accepted:
                fail(f"stopped waiting; the {self._what} stays with the station", INTERRUPTED)
            fail("stopped", INTERRUPTED)

    async def _run(self, accepted: Accepted, change: Change | None) -> int:
        where = self._where
        try:
            async with contextlib.AsyncExitStack() as stack:
                waiting = await stack.enter_async_context(Waiting(f"the broker at {where.address}"))
                client = await stack.enter_async_context(
                    where.broker.client(max_queued_incoming_messages=MAX_QUEUED)
                )
                return await self._talk(client, waiting, accepted, change)
        except (aiomqtt.MqttError, OSError) as error:
            if isinstance(error, BrokenPipeError):
                raise
            why = f"the broker at {where.address}: {why_not_connected(error)}"
            if not self._asked:
                fail(f"no connection to {why}")
            fail(f"lost {why}; {self._where_it_is()}", UNKNOWN)

    async def _talk(
        self,
        client: aiomqtt.Client,
        waiting: Waiting,
        accepted: Accepted,
        change: Change | None,
    ) -> int:
        topics = self._where.topics
        self._answer_topic = topics.answer(self._content["request"])
        followed = [topics.all_traffic_out] if change else []
        for topic in (topics.presence, self._answer_topic, *followed):
            await client.subscribe(topic, qos=1)
        news = self._news(client)
        waiting.begin(f"the presence of {self._where.station}")
        await self._look_for_station(news)
        # In the name of whoever logs in, where the broker's access rules hold people to it.
        topic = topics.ask(self._verb, self._where.broker.user)
        await client.publish(topic, msgspec.json.encode(self._content), qos=1)
        self._asked = True
        waiting.begin(f"the answer of {self._where.station}")
        answer, early = await self._answered(news)
        self._accepted = True
        accepted(answer, waiting)
        if change is None:
            return 0
        for item in early:
            if (status := change(item, waiting)) is not None:
                return status
        async for item in news:
            if (status := change(item, waiting)) is not None:
                return status
        return UNKNOWN

    async def _look_for_station(self, news: AsyncIterator[News]) -> None:
        """End here if the station is not there: the broker would keep the ask for it, and it would
        be carried out when nobody expects it any more."""
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

    async def _answered(self, news: AsyncIterator[News]) -> tuple[Answer, list[News]]:
        """Wait for the station to accept; what came before that is returned too, such as a
        message's own first change."""
        early: list[News] = []
        try:
            async with asyncio.timeout(ANSWER_TIMEOUT_S):
                while not isinstance(item := await anext(news), Answer):
                    early.append(item)
        except TimeoutError:
            fail(f"no answer in {ANSWER_TIMEOUT_S:.0f} s; {self._where_it_is()}", UNKNOWN)
        if not item.accepted:
            fail(f"refused: {': '.join(part for part in (item.field, item.why) if part)}", FAILED)
        return item, early

    def _where_it_is(self) -> str:
        if self._accepted:
            return f"the {self._what} stays with the station, and 'ridgepost follow' shows it"
        return (
            f"the station may have taken the {self._what}: see 'ridgepost follow' before asking "
            "again"
        )

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

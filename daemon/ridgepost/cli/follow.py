"""`ridgepost follow`: the bus, readable, as it happens."""

import asyncio
import contextlib
import random
from pathlib import Path

import aiomqtt
import click
import msgspec

from ridgepost.broker import why_not_connected
from ridgepost.cli import event_loop
from ridgepost.cli.lines import line
from ridgepost.cli.output import complain, fail, json_line
from ridgepost.cli.target import (
    MAX_PAYLOAD_OCTETS,
    MAX_QUEUED,
    Target,
    stations_there,
    target,
    target_options,
)
from ridgepost.cli.waiting import Waiting
from ridgepost.radio.backoff import Backoff

BACKOFF = Backoff(first_s=1.0, max_s=15.0)

PRESENCE_S = 2.0
"""The broker hands out a station's presence at once, if there is one."""


@click.command()
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line, for other tools.")
@target_options
def command(as_json: bool, settings: Path | None, broker: str | None, station: str | None) -> None:
    """Show reports, messages and links of a running station, live, until Ctrl-C.

    Columns: time (UTC), what, who, and the rest. What came off the air is shown with everything
    escaped that a terminal would act on. If the broker goes away later it is tried again.

    The exit status is 0 after Ctrl-C, 1 if the broker cannot be reached, 78 for bad settings.
    """
    where = target(settings, broker, station)
    # After Ctrl-C this is how it ends.
    with contextlib.suppress(KeyboardInterrupt):
        event_loop.run(_follow(where, as_json=as_json))


async def _follow(where: Target, *, as_json: bool) -> None:
    delays = BACKOFF.delays(random.Random())  # noqa: S311 - no secret
    was_connected = False
    while True:
        try:
            async with contextlib.AsyncExitStack() as stack:
                async with Waiting(f"the broker at {where.address}"):
                    client = await stack.enter_async_context(
                        where.broker.client(max_queued_incoming_messages=MAX_QUEUED)
                    )
                    await client.subscribe(f"{where.topics.base}/#", qos=1)
                was_connected = True
                delays = BACKOFF.delays(random.Random())  # noqa: S311
                complain([f"following {where.station} on {where.address}, Ctrl-C ends it"])
                await _show_all(where, client, as_json=as_json)
        except (aiomqtt.MqttError, OSError) as error:
            if isinstance(error, BrokenPipeError):
                raise
            why = f"no connection to the broker at {where.address}: {why_not_connected(error)}"
            if not was_connected:
                fail(why)
            delay_s = next(delays)
            complain([f"{why}; again in {delay_s:.0f} s"])
            await asyncio.sleep(delay_s)


async def _show_all(where: Target, client: aiomqtt.Client, *, as_json: bool) -> None:
    seen = asyncio.Event()
    doubting = asyncio.create_task(_doubt(where, seen))
    try:
        async for message in client.messages:
            topic = str(message.topic)
            if topic == where.topics.presence:
                seen.set()
            if message.retain and topic.startswith(where.topics.traffic) and not as_json:
                continue  # it has happened before: 'ridgepost traffic' shows it
            text = _shown(where, topic, message.payload, as_json=as_json)
            if text:
                click.echo(text)
    finally:
        doubting.cancel()
        await asyncio.gather(doubting, return_exceptions=True)


async def _doubt(where: Target, seen: asyncio.Event) -> None:
    """Say so if no such station ever was on this broker: a name is easily mistyped."""
    try:
        async with asyncio.timeout(PRESENCE_S):
            await seen.wait()
    except TimeoutError:
        complain([f"no station {where.station} on this broker yet: {await stations_there(where)}"])


def _shown(where: Target, topic: str, payload: object, *, as_json: bool) -> str | None:
    octets = payload if isinstance(payload, bytes) else b""
    if len(octets) > MAX_PAYLOAD_OCTETS:
        return None
    try:
        content = msgspec.json.decode(octets)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None  # anybody may publish below the station's name
    if as_json:
        return json_line({"topic": topic, "payload": content})
    return line(topic.removeprefix(f"{where.topics.base}/"), content)

"""What a broker keeps for a station: read once, as any client would, from whatever machine."""

import asyncio
import contextlib
import textwrap
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, TypeVar

import aiomqtt
import msgspec

from ridgepost.broker import why_not_connected
from ridgepost.cli import event_loop
from ridgepost.cli.output import fail, json_line, plain
from ridgepost.cli.target import MAX_PAYLOAD_OCTETS, MAX_QUEUED, Target, stations_there
from ridgepost.cli.waiting import Waiting

PATIENCE_S = 5.0
"""For how long nothing more may come before the broker counts as having said everything."""

COLUMNS = 80

T = TypeVar("T")


class Kept(msgspec.Struct, frozen=True):
    """A retained message."""

    topic: str
    content: Any


def read_kept(where: Target, kinds: Mapping[str, type[T]]) -> list[tuple[Kept, T]]:
    """What is retained on these topics (which may have wildcards), each as its kind; what is not
    of that kind is left out, since anybody may publish. Ends the program if that cannot be."""
    kept = event_loop.run(_read(where, list(kinds)))
    found: list[tuple[Kept, T]] = []
    for item in kept:
        for topic, kind in kinds.items():
            if aiomqtt.Topic(item.topic).matches(topic):
                with contextlib.suppress(msgspec.ValidationError):
                    found.append((item, msgspec.convert(item.content, kind)))
    return found


def as_json(found: Sequence[tuple[Kept, Any]]) -> list[str]:
    """A line for each, as `ridgepost follow --json` has it."""
    return [json_line({"topic": item.topic, "payload": item.content}) for item, _ in found]


def columns(first: str, text: str) -> str:
    """One row of a table, safe for a terminal of 80 columns: what does not fit of `text` goes on
    in further lines below it."""
    head = f"{plain(first)}  "
    width = max(20, COLUMNS - len(head))
    lines = textwrap.wrap(plain(text), width, break_long_words=True) or [""]
    return f"\n{' ' * len(head)}".join([f"{head}{lines[0]}".rstrip(), *lines[1:]])


def age(at: str, now: datetime | None = None) -> str:
    """How long ago a time was, in one short word; '?' if that cannot be told."""
    try:
        then = datetime.fromisoformat(at)
        passed_s = ((now or datetime.now(UTC)) - then).total_seconds()
    except (ValueError, TypeError):
        return "?"
    if passed_s < 0:
        return "now"
    for unit, seconds in (("d", 86400), ("h", 3600), ("min", 60)):
        if passed_s >= 2 * seconds:
            return f"{passed_s // seconds:.0f} {unit}"
    return f"{passed_s:.0f} s"


async def _read(where: Target, topics: list[str]) -> list[Kept]:
    try:
        async with contextlib.AsyncExitStack() as stack:
            await stack.enter_async_context(Waiting(f"the broker at {where.address}"))
            client = await stack.enter_async_context(
                where.broker.client(max_queued_incoming_messages=MAX_QUEUED)
            )
            # In order, and presence last: a station that ever was on this broker has left one.
            for topic in (*topics, where.topics.presence):
                await client.subscribe(topic, qos=0)
            return await _until_presence(where, client)
    except (aiomqtt.MqttError, OSError) as error:
        if isinstance(error, BrokenPipeError):
            raise
        fail(f"no connection to the broker at {where.address}: {why_not_connected(error)}")


async def _until_presence(where: Target, client: aiomqtt.Client) -> list[Kept]:
    kept: list[Kept] = []
    while True:
        try:
            async with asyncio.timeout(PATIENCE_S):
                message = await anext(client.messages)
        except TimeoutError:
            break
        topic = str(message.topic)
        if topic == where.topics.presence:
            return kept
        octets = message.payload if isinstance(message.payload, bytes) else b""
        if message.retain and len(octets) <= MAX_PAYLOAD_OCTETS:
            with contextlib.suppress(msgspec.DecodeError, UnicodeDecodeError, RecursionError):
                kept.append(Kept(topic, msgspec.json.decode(octets)))
    if not kept:
        fail(f"no station {where.station} on this broker: {await stations_there(where)}")
    return kept

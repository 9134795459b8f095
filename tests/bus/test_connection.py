"""The bus against mosquitto, and against a scripted broker where mosquitto is too well-behaved.

QoS 1 is MQTT 5, 4.3.2; order 4.6; sessions 3.1.2.4 and 4.1; request and response 4.10 (from
memory).
"""

import asyncio
import json
import random
import sqlite3
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
import structlog
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from bus.scripted import ScriptedBroker
from harness import Broker, require_tool
from ridgepost.bus.connection import BACKOFF, READER, BrokerOptions, Bus
from ridgepost.bus.payloads import PresencePayload
from ridgepost.bus.topics import Topics
from ridgepost.logbook.book import Logbook
from ridgepost.station.asks import Ask, Send
from ridgepost.station.moment import Moment
from ridgepost.station.records import AnyRecord, Entry, Heard, LinkChanged, Noticed, Started

BOUND_S = 10.0
BASE = "ridgepost/QZ1HUB-10"
STATES = [f"{BASE}/unread", f"{BASE}/notices", f"{BASE}/published"]
NOW = Moment(1000.0, 1_800_000_000.0)
SEND = {"request": "r-1", "to": "QZ1SAG-9", "text": "Water at post 2"}


class Bench:
    """A bus, its log, and what came of it."""

    def __init__(self, options: BrokerOptions, logbook: Logbook, sleep: Any) -> None:
        self.logbook = logbook
        self.asks: list[Ask] = []
        self.room = True
        self.bus = Bus(
            options,
            Topics("QZ1HUB-10"),
            logbook,
            on_ask=self._take,
            presence=lambda online: PresencePayload(
                online=online,
                at="2027-01-15T08:00:00.000Z",
                since="2027-01-15T08:00:00.000Z",
                version="1",
                callsign="QZ1HUB-10",
                transmit=True,
            ),
            now=lambda: NOW,
            rng=random.Random(1),
            sleep=sleep,
        )

    def _take(self, ask: Ask) -> bool:
        self.asks.append(ask)
        return self.room

    async def log(self, *records: AnyRecord) -> None:
        first = self.logbook.last_seq + 1
        entries = [Entry(first + place, 1, NOW, record) for place, record in enumerate(records)]
        await self.logbook.append(entries)

    async def until(self, condition: Callable[[], object]) -> None:
        async with asyncio.timeout(BOUND_S):
            while not condition():  # noqa: ASYNC110  most of this has no event
                await asyncio.sleep(0)  # gives way, does not wait

    async def published(self) -> None:
        async with asyncio.timeout(BOUND_S):
            await self.bus.wait_published(self.logbook.last_seq)


@asynccontextmanager
async def running(
    folder: Path, port: int, *, sleep: Any = asyncio.sleep, connected: bool = True, **more: Any
) -> AsyncIterator[Bench]:
    logbook = await Logbook.open(folder / "log")
    bench = Bench(BrokerOptions(host="127.0.0.1", port=port, **more), logbook, sleep)
    task = asyncio.create_task(bench.bus.run())
    try:
        if connected:
            await bench.until(lambda: bench.bus.connected)
        yield bench
    finally:
        task.cancel()
        async with asyncio.timeout(BOUND_S):
            await asyncio.gather(task, return_exceptions=True)
        await logbook.close()


@asynccontextmanager
async def watching(port: int, topic: str = "#") -> AsyncIterator[aiomqtt.Client]:
    async with aiomqtt.Client("127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V5) as client:
        await client.subscribe(topic, qos=1)
        yield client


async def events(client: aiomqtt.Client, count: int) -> list[tuple[str, Any]]:
    """What is published, without the states that follow from it."""
    seen: list[tuple[str, Any]] = []
    async with asyncio.timeout(BOUND_S):
        while len(seen) < count:
            message = await anext(client.messages)
            if str(message.topic) not in STATES:
                seen.append((str(message.topic), json.loads(bytes(message.payload))))
    return seen


def notices(count: int) -> list[Noticed]:
    return [Noticed(kind="test", text=str(number)) for number in range(count)]


# --- out ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("mqtt5", [True, False])
async def test_log_to_broker(tmp_path: Path, mosquitto: Broker, mqtt5: bool) -> None:
    """All of it, in order, each entry under its own id, presence first; and what only the log
    needs is passed over."""
    async with (
        watching(mosquitto.port) as client,
        running(tmp_path, mosquitto.port, mqtt5=mqtt5) as bench,
    ):
        started = Started(version="1", callsign="QZ1HUB-10", transmit=True)
        await bench.log(started, *notices(300), LinkChanged(tnc="vhf", up=True))
        seen = await events(client, 302)
        await bench.published()
        log = bench.logbook.log
    assert seen[0][0] == f"{BASE}/presence"
    assert [payload["id"] for _, payload in seen[1:]] == [f"{log}.1.{n}" for n in range(2, 303)]
    assert [payload["text"] for topic, payload in seen if topic == f"{BASE}/notice/test"] == [
        str(number) for number in range(300)
    ]
    assert bench.bus.counts.published == 302  # presence is not from the log, the start not for it


async def test_place_is_kept(tmp_path: Path, mosquitto: Broker) -> None:
    """The next run goes on where this one ended, and repeats nothing that was acknowledged."""
    async with running(tmp_path, mosquitto.port) as bench:
        await bench.log(*notices(5))
        await bench.published()
    logbook = await Logbook.open(tmp_path / "log")
    assert await logbook.reader_at(READER) == 5
    await logbook.close()
    async with watching(mosquitto.port) as client, running(tmp_path, mosquitto.port) as bench:
        await bench.log(Noticed(kind="test", text="new"))
        await bench.published()
        seen = await events(client, 3)
    assert [topic for topic, _ in seen].count(f"{BASE}/notice/test") == 1
    assert seen[-1][1]["text"] == "new"


async def test_in_flight_when_the_connection_breaks(tmp_path: Path) -> None:
    """What was not acknowledged comes again, from the first such entry on, in order."""
    async with ScriptedBroker() as broker:
        broker.holding = True
        async with running(tmp_path, broker.port, connected=False) as bench:
            await broker.until_held(1)
            broker.release()  # presence
            await broker.until_held(2)
            broker.release(2)  # what nobody has seen: nothing
            await bench.log(*[LinkChanged(tnc=f"t{number}", up=True) for number in range(30)])
            await broker.until_held(20)
            broker.release(5)
            await broker.until_held(20)
            await bench.until(lambda: bench.bus.published_to == 5)
            first = list(broker.topics)
            broker.drop()
            broker.holding = False
            await bench.published()
    again = broker.topics[len(first) :]
    links = [f"{BASE}/link/t{number}" for number in range(30)]
    greeting = [f"{BASE}/presence", f"{BASE}/unread", f"{BASE}/notices"]
    assert first == [*greeting, *links[:25]]
    # This broker keeps nothing: what it was to keep comes first, then what it has not had.
    assert again == [*greeting, *links]
    assert broker.most_in_flight == 20


async def test_refused_by_the_rules_of_the_broker(tmp_path: Path) -> None:
    """mosquitto with an access list: a refusal is counted and said once, and the rest goes on."""
    rules = tmp_path / "rules"
    rules.write_text(f"topic readwrite #\ntopic deny {BASE}/notice/#\n", encoding="ascii")
    broker = Broker(require_tool("mosquitto"), tmp_path / "broker", f"acl_file {rules}\n")
    broker.start()
    try:
        with structlog.testing.capture_logs() as log:
            async with running(tmp_path, broker.port) as bench:
                await bench.log(*notices(3), LinkChanged(tnc="vhf", up=True), *notices(2))
                await bench.published()
                assert bench.bus.counts.refused == 5
                assert bench.bus.counts.published == 2
        told = [line for line in log if line["event"] == "refused by the broker"]
        assert [(line["room"], line["reason"]) for line in told] == [("notice", "Not authorized")]
    finally:
        broker.stop()


async def test_refused_for_now_is_tried_again(tmp_path: Path) -> None:
    """MQTT 5, 3.4.2.1: Quota exceeded (0x97) may pass; the entry is not given up."""
    async with ScriptedBroker() as broker:
        topic = f"{BASE}/notice/test"
        broker.reasons[topic] = 0x97
        async with running(tmp_path, broker.port, sleep=lambda _: asyncio.sleep(0)) as bench:
            await bench.log(*notices(1))
            await bench.until(lambda: broker.topics.count(topic) >= 2)
            assert bench.bus.published_to == 0
            del broker.reasons[topic]
            await bench.published()
        assert bench.bus.counts.refused == 0


async def test_subscription_refused_is_said(tmp_path: Path) -> None:
    """MQTT 5, 3.9.3: 0x87 in a SUBACK. The station goes on, but nobody can ask it anything."""
    async with ScriptedBroker() as broker:
        broker.granted = 0x87
        with structlog.testing.capture_logs() as log:
            async with running(tmp_path, broker.port) as bench:
                await bench.log(*notices(1))
                await bench.published()
    assert any("lets no asks through" in line["event"] for line in log)


async def test_entry_that_no_payload_can_be_made_of(tmp_path: Path, mosquitto: Broker) -> None:
    """A fault must not stop everything after it, over every restart."""
    with structlog.testing.capture_logs() as log:
        async with watching(mosquitto.port) as client, running(tmp_path, mosquitto.port) as bench:
            broken = Heard(tnc="vhf", port=0, frame=b"no frame")
            await bench.log(*notices(1), broken, Noticed(kind="test", text="after"))
            await bench.published()
            seen = await events(client, 3)
        assert bench.bus.counts.unpublishable == 1
    assert seen[-1][1]["text"] == "after"
    assert [line["entry"] for line in log if "no payload" in line["event"]] == [2]


class FailingReads(Logbook):
    """Its disk answers every other read with an error."""

    reads = 0

    async def read(self, after: int, limit: int) -> list[Entry]:
        entries = await super().read(after, limit)
        self.reads += 1
        if self.reads % 2:
            raise sqlite3.OperationalError("disk I/O error")
        return entries


async def test_log_that_cannot_be_read_now(tmp_path: Path, mosquitto: Broker) -> None:
    """The bus waits for the disk and goes on; nothing is left out."""
    waits: list[float] = []

    async def sleep(seconds: float) -> None:
        waits.append(seconds)
        await asyncio.sleep(0)

    logbook = await FailingReads.open(tmp_path / "log")
    bench = Bench(BrokerOptions(host="127.0.0.1", port=mosquitto.port), logbook, sleep)
    with structlog.testing.capture_logs():
        task = asyncio.create_task(bench.bus.run())
        try:
            await bench.until(lambda: bench.bus.connected)
            for number in range(4):
                await bench.log(Noticed(kind="test", text=str(number)))
                await bench.published()
            assert bench.bus.counts.connects == 1
            assert bench.bus.counts.published == 5
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
            await logbook.close()


# --- connecting ---------------------------------------------------------------------------------


async def test_backoff(tmp_path: Path, mosquitto: Broker) -> None:
    """Full jitter under a ceiling that doubles: no broker is hammered, and none waited for long."""
    mosquitto.stop()
    waits: list[float] = []

    async def sleep(seconds: float) -> None:
        waits.append(seconds)
        if len(waits) == 12:
            mosquitto.start()
        await asyncio.sleep(0)

    async with running(tmp_path, mosquitto.port, sleep=sleep):
        pass
    ceilings = [min(BACKOFF.first_s * 2.0**number, BACKOFF.max_s) for number in range(12)]
    assert all(0 <= wait <= most for wait, most in zip(waits[:12], ceilings, strict=True))
    assert max(waits) > BACKOFF.first_s


async def test_connection_that_fails_at_once_is_no_success(tmp_path: Path) -> None:
    """A broker that lets us in and hangs up each time is not tried faster and faster."""
    waits: list[float] = []

    async def sleep(seconds: float) -> None:
        waits.append(seconds)
        await asyncio.sleep(0)

    async with ScriptedBroker() as broker:
        broker.drop_on_publish = True
        async with running(tmp_path, broker.port, sleep=sleep, connected=False) as bench:
            await bench.until(lambda: len(waits) >= 10)
    assert max(waits) > 2 * BACKOFF.first_s


async def test_fault_of_the_listener_does_not_end_the_bus(
    tmp_path: Path, mosquitto: Broker
) -> None:
    """Said as a fault, and connected again."""
    with structlog.testing.capture_logs() as log:
        async with watching(mosquitto.port) as client, running(tmp_path, mosquitto.port) as bench:
            bench.asks = None  # type: ignore[assignment]  # so that taking an ask fails
            await client.publish(f"{BASE}/ask/send", json.dumps(SEND), qos=1)
            await bench.until(lambda: bench.bus.counts.connects >= 2)
            bench.asks = []
            await bench.log(*notices(1))
            await bench.published()
    assert any(line["event"] == "fault in the bus" for line in log)


async def test_cancelled_without_a_farewell(tmp_path: Path, mosquitto: Broker) -> None:
    """Nobody has said that the station is gone, so the last will has to (MQTT 5, 3.1.2.5)."""
    async with watching(mosquitto.port, f"{BASE}/presence") as client:
        async with running(tmp_path, mosquitto.port):
            pass
        seen = await events(client, 2)
    assert [(payload["online"], payload["at"]) for _, payload in seen] == [
        (True, "2027-01-15T08:00:00.000Z"),
        (False, None),
    ]


async def test_cancelled_after_a_farewell(tmp_path: Path, mosquitto: Broker) -> None:
    """Then the will is not spoken on top of it."""
    async with watching(mosquitto.port) as client:
        async with running(tmp_path, mosquitto.port) as bench:
            await bench.bus.farewell()
        await client.publish("end", b"{}", qos=1)
        seen = await events(client, 3)
    assert [payload.get("online") for _, payload in seen] == [True, False, None]


async def test_cancelled_while_connecting(tmp_path: Path) -> None:
    async with (
        ScriptedBroker(silent=True) as broker,
        running(tmp_path, broker.port, connected=False) as bench,
    ):
        await bench.until(lambda: broker.connections)
        assert not bench.bus.connected


async def test_password_is_not_shown() -> None:
    options = BrokerOptions(host="b", port=1883, user="u", password="secret", tls=True)
    assert repr(options) == "BrokerOptions(mqtts://b:1883)"


# --- in -----------------------------------------------------------------------------------------


def reply_to(topic: str, correlation: bytes) -> Any:
    properties: Any = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.ResponseTopic = topic
    properties.CorrelationData = correlation
    return properties


async def test_ask(tmp_path: Path, mosquitto: Broker) -> None:
    async with watching(mosquitto.port) as client, running(tmp_path, mosquitto.port) as bench:
        wish = reply_to("desk/7", b"\x00\xff")
        await client.publish(f"{BASE}/ask/send", json.dumps(SEND), qos=1, properties=wish)
        await bench.until(lambda: bench.asks)
        assert bench.bus.counts.asks_taken == 1
    assert bench.asks == [
        Send(
            request="r-1",
            to="QZ1SAG-9",
            text="Water at post 2",
            reply_topic="desk/7",
            correlation=b"\x00\xff",
        )
    ]


async def test_refusal_goes_where_it_was_wanted(tmp_path: Path, mosquitto: Broker) -> None:
    async with (
        watching(mosquitto.port, "desk/7") as client,
        running(tmp_path, mosquitto.port) as bench,
    ):
        wish = reply_to("desk/7", b"\x00\xff")
        await client.publish(f"{BASE}/ask/send", b"{", qos=1, properties=wish)
        async with asyncio.timeout(BOUND_S):
            message = await anext(client.messages)
        refusal = json.loads(bytes(message.payload))
        assert bench.bus.counts.asks_refused == 1
    assert message.properties is not None
    assert getattr(message.properties, "CorrelationData", b"") == b"\x00\xff"
    assert (refusal["accepted"], refusal["request"], refusal["at"]) == (
        False,
        None,
        "2027-01-15T08:00:00.000Z",
    )


async def test_no_room_for_an_ask(tmp_path: Path, mosquitto: Broker) -> None:
    """Refused by its request id: the asker may try again, and knows it."""
    async with (
        watching(mosquitto.port, f"{BASE}/answer/#") as client,
        running(tmp_path, mosquitto.port) as bench,
    ):
        bench.room = False
        await client.publish(f"{BASE}/ask/send", json.dumps(SEND), qos=1)
        ((topic, refusal),) = await events(client, 1)
    assert topic == f"{BASE}/answer/r-1"
    assert refusal["why"] == "too many asks at once; try again later"


@pytest.mark.parametrize("mqtt5", [True, False])
async def test_session(tmp_path: Path, mosquitto: Broker, mqtt5: bool) -> None:
    """Asks that come while the station is away are kept for it; without a session they are not
    (the embedded broker ends with the station anyway)."""
    async with watching(mosquitto.port) as client:
        for keep, expected in ((True, 1), (False, 0)):
            async with running(tmp_path, mosquitto.port, mqtt5=mqtt5, keep_session=keep):
                pass
            await client.publish(f"{BASE}/ask/send", json.dumps(SEND), qos=1)
            async with running(tmp_path, mosquitto.port, mqtt5=mqtt5, keep_session=keep) as bench:
                await bench.log(*notices(1))
                await bench.published()  # by then what was kept has come
                assert len(bench.asks) == expected

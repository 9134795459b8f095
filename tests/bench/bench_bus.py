"""How fast the log reaches the broker, as rates and as ratios to publishing without a log.

    PYTHONPATH=daemon:tests python tests/bench/bench_bus.py [events]

All of it at QoS 1 with 20 in flight against a mosquitto on this machine, in the same minute, so the
ratio carries over and the rate does not. The events are position reports of 500 stations.
"""

import asyncio
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable
from pathlib import Path

import aiomqtt
import structlog

from harness import Broker, require_tool
from ridgepost.bus.client import IN_FLIGHT
from ridgepost.bus.connection import BrokerOptions, Bus
from ridgepost.bus.payloads import PresencePayload, Publication, publication
from ridgepost.bus.topics import Topics
from ridgepost.logbook.book import Logbook
from ridgepost.radio import ax25
from ridgepost.station.moment import Moment
from ridgepost.station.records import Entry, Heard

RUNS = 5
STATIONS = 500
BATCH = 50
NOW = Moment(1000.0, 1_800_000_000.0)
TOPICS = Topics("QZ1HUB-10")


def entries_of(count: int) -> list[Entry]:
    rng = random.Random(1)
    calls = [f"QZ{rng.randrange(10)}{rng.choice('ABC')}{n:02d}-{n % 16}" for n in range(STATIONS)]
    entries = []
    for number in range(count):
        info = f"!{4900 + number % 100:04d}.{number % 100:02d}N/07201.75W>088/036 bench {number}"
        source = calls[number % STATIONS][:6].rstrip("-")
        frame = ax25.Frame(source, "APZ001", ("QZ1RDG", "WIDE2-1"), (True, False), info.encode())
        record = Heard(tnc="vhf", port=0, frame=ax25.encode(frame))
        entries.append(Entry(number + 1, 1, NOW, record))
    return entries


def bus_for(logbook: Logbook, port: int) -> Bus:
    return Bus(
        BrokerOptions(host="127.0.0.1", port=port),
        TOPICS,
        logbook,
        on_ask=lambda _: False,
        presence=lambda online: PresencePayload(
            online=online, at="", since="", version="", callsign="QZ1HUB-10", transmit=False
        ),
        now=lambda: NOW,
        rng=random.Random(1),
    )


async def from_the_log(entries: list[Entry], port: int, *, live: bool) -> float:
    """Seconds until the broker has everything; `live` counts committing it as well."""
    with tempfile.TemporaryDirectory() as folder:
        logbook = await Logbook.open(Path(folder))
        bus = bus_for(logbook, port)
        batches = [entries[start : start + BATCH] for start in range(0, len(entries), BATCH)]
        if not live:
            for batch in batches:
                await logbook.append(batch)
        start_s = time.perf_counter()
        task = asyncio.create_task(bus.run())
        if live:
            for batch in batches:
                await logbook.append(batch)
        await bus.wait_published(len(entries))
        took_s = time.perf_counter() - start_s
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        await logbook.close()
        return took_s


async def without_a_log(messages: list[Publication], port: int) -> float:
    """Seconds for the same messages, by aiomqtt as it is: 20 workers on one queue."""
    client = aiomqtt.Client(
        "127.0.0.1",
        port,
        protocol=aiomqtt.ProtocolVersion.V5,
        max_inflight_messages=IN_FLIGHT,
    )
    client.pending_calls_threshold = 2 * IN_FLIGHT
    start_s = time.perf_counter()
    async with client:
        waiting = iter(messages)

        async def work() -> None:
            for message in waiting:
                await client.publish(message.topic, message.payload, qos=1)

        await asyncio.gather(*(work() for _ in range(IN_FLIGHT)))
        return time.perf_counter() - start_s


async def measure(count: int, port: int) -> None:
    entries = entries_of(count)
    messages = [made for entry in entries if (made := publication(entry, "bench", TOPICS))]
    start_s = time.perf_counter()
    for entry in entries:
        publication(entry, "bench", TOPICS)
    payloads_s = time.perf_counter() - start_s
    ways: dict[str, Callable[[], Awaitable[float]]] = {
        "the client library alone": lambda: without_a_log(messages, port),
        "a backlog, read from the log": lambda: from_the_log(entries, port, live=False),
        "live: committed and published": lambda: from_the_log(entries, port, live=True),
    }
    took: dict[str, list[float]] = {name: [] for name in ways}
    for _ in range(RUNS):
        for name, way in ways.items():
            took[name].append(await way())
    baseline_s = statistics.median(took["the client library alone"])
    for name, times in took.items():
        took_s = statistics.median(times)
        print(f"{name:32s} {count / took_s:10,.0f} events/s   ratio {baseline_s / took_s:5.2f}")
    print(f"{'(making the payloads, alone)':32s} {count / payloads_s:10,.0f} events/s")


def main() -> None:
    structlog.configure(logger_factory=structlog.ReturnLoggerFactory())
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 5_000
    with tempfile.TemporaryDirectory() as folder:
        broker = Broker(require_tool("mosquitto"), Path(folder))
        broker.start()
        try:
            asyncio.run(measure(count, broker.port))
        finally:
            broker.stop()


if __name__ == "__main__":
    main()

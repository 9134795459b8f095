"""How fast the log reaches the broker, as rates and as ratios to publishing without a log.

    PYTHONPATH=daemon:tests python tests/bench/bench_bus.py [events]

All of it at QoS 1 with 20 in flight against a mosquitto on this machine, in the same minute, so the
ratio carries over and the rate does not. The processor time of this process stands beside the time
that it took, since others may be using the machine. The events are position reports of 500
stations.
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

RUNS = 7
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


Cost = tuple[float, float]
"""Seconds, and seconds of processor time."""


async def from_the_log(entries: list[Entry], port: int, *, live: bool) -> Cost:
    """Until the broker has everything; `live` counts committing it as well."""
    with tempfile.TemporaryDirectory() as folder:
        logbook = await Logbook.open(Path(folder))
        bus = bus_for(logbook, port)
        batches = [entries[start : start + BATCH] for start in range(0, len(entries), BATCH)]
        if not live:
            for batch in batches:
                await logbook.append(batch)
        start = now()
        task = asyncio.create_task(bus.run())
        if live:
            for batch in batches:
                await logbook.append(batch)
        await bus.wait_published(len(entries))
        took = since(start)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        await logbook.close()
        return took


def now() -> Cost:
    return time.perf_counter(), time.process_time()


def since(start: Cost) -> Cost:
    end = now()
    return end[0] - start[0], end[1] - start[1]


async def without_a_log(messages: list[Publication], port: int) -> Cost:
    """For the same messages, by aiomqtt as it is: 20 workers on one queue."""
    client = aiomqtt.Client(
        "127.0.0.1",
        port,
        protocol=aiomqtt.ProtocolVersion.V5,
        max_inflight_messages=IN_FLIGHT,
    )
    client.pending_calls_threshold = 2 * IN_FLIGHT
    start = now()
    async with client:
        waiting = iter(messages)

        async def work() -> None:
            for message in waiting:
                await client.publish(message.topic, message.payload, qos=1)

        await asyncio.gather(*(work() for _ in range(IN_FLIGHT)))
        return since(start)


async def measure(count: int, port: int) -> None:
    entries = entries_of(count)
    messages = [made for entry in entries if (made := publication(entry, "bench", TOPICS))]
    start_s = time.process_time()
    for entry in entries:
        publication(entry, "bench", TOPICS)
    payloads_s = time.process_time() - start_s
    ways: dict[str, Callable[[], Awaitable[Cost]]] = {
        "the client library alone": lambda: without_a_log(messages, port),
        "a backlog, read from the log": lambda: from_the_log(entries, port, live=False),
        "live: committed and published": lambda: from_the_log(entries, port, live=True),
    }
    took: dict[str, list[Cost]] = {name: [] for name in ways}
    for _ in range(RUNS):
        for name, way in ways.items():
            took[name].append(await way())
    alone = took["the client library alone"]
    print(f"{'(medians; ratios of runs side by side)':38s} events/s  ratio  CPU/event  ratio")
    for name, times in took.items():
        took_s, cpu_s = (statistics.median(each) for each in zip(*times, strict=True))
        ratio, cpu_ratio = (
            statistics.median(base[at] / each[at] for base, each in zip(alone, times, strict=True))
            for at in (0, 1)
        )
        print(
            f"{name:38s} {count / took_s:8,.0f}  {ratio:5.2f}  {1e6 * cpu_s / count:6.0f} us"
            f"  {cpu_ratio:5.2f}"
        )
    print(f"{'(making the payloads, alone)':38s} {count / payloads_s:8,.0f}")


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

"""The bus in use: latency from a KISS octet to a subscriber, a broker that dies, a long backlog.

    PYTHONPATH=daemon:tests python tests/bench/bench_bus_live.py [seconds [latency]]

Against a mosquitto on this machine. The latency stands beside that of the client library alone,
measured in the same minute from another process at the same rate, so the ratio carries over and the
milliseconds do not. The other figures are a time and memory, which stand for themselves.
"""

import asyncio
import json
import os
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import aiomqtt
import structlog

from bench.bench_bus import BATCH, bus_for, entries_of
from harness import Broker, require_tool
from ridgepost.logbook.book import Logbook
from ridgepost.radio import ax25, kiss

RATE = 50.0
"""Reports a second: far more than a channel of 9600 baud brings."""

BACKLOG = 100_000
SOURCE_ROOT = Path(__file__).parents[2] / "daemon"


def percentile(times_s: list[float], share: float) -> float:
    return sorted(times_s)[min(len(times_s) - 1, round(share * len(times_s)))]


def tell(what: str, times_s: list[float]) -> None:
    p50, p99 = (1000 * percentile(times_s, share) for share in (0.5, 0.99))
    print(f"{what:44s} p50 {p50:6.2f} ms   p99 {p99:6.2f} ms")


async def arrivals(port: int, count: int, ready: Callable[[], None]) -> dict[str, tuple[int, dict]]:
    """The texts of `count` reports, each with the nanosecond at which it came and its payload."""
    found: dict[str, tuple[int, dict]] = {}
    async with aiomqtt.Client("127.0.0.1", port) as client:
        await client.subscribe("ridgepost/+/heard/status", qos=1)
        ready()
        async for message in client.messages:
            now_ns = time.monotonic_ns()
            content = json.loads(bytes(message.payload))
            found[content["report"]["text"]] = (now_ns, content)
            if len(found) == count:
                return found
    raise AssertionError("the broker is gone")


async def through_the_station(port: int, count: int) -> list[float]:
    """Seconds from the last octet of a KISS frame on its way to the station to the subscriber."""
    sent_ns: dict[str, int] = {}
    loop = asyncio.get_running_loop()
    hosts: asyncio.Queue[asyncio.StreamWriter] = asyncio.Queue()
    server = await asyncio.start_server(lambda _, writer: hosts.put_nowait(writer), "127.0.0.1", 0)
    tnc_port = server.sockets[0].getsockname()[1]
    with tempfile.TemporaryDirectory() as folder:
        settings = Path(folder) / "ridgepost.toml"
        settings.write_text(
            f'[[tnc]]\nname = "vhf"\nlink = "tcp://127.0.0.1:{tnc_port}"\n'
            f'[bus]\nbroker = "mqtt://127.0.0.1:{port}"\n[logbook]\nfolder = "{folder}/log"\n',
            encoding="utf-8",
        )
        station = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "ridgepost", "run", str(settings)),
            env={**os.environ, "PYTHONPATH": str(SOURCE_ROOT)},
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.DEVNULL,
        )
        writer = await hosts.get()
        writer.get_extra_info("socket").setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        listening = asyncio.Event()
        hearing = asyncio.create_task(arrivals(port, count, listening.set))
        await listening.wait()
        begin_s = loop.time()
        for number in range(count):
            await asyncio.sleep(begin_s + number / RATE - loop.time())
            text = f"report {number}"
            frame = ax25.Frame("QZ1SAG-9", "APZ001", ("QZ1RDG",), (True,), f">{text}".encode())
            writer.write(kiss.frame(0, kiss.DATA, ax25.encode(frame)))
            sent_ns[text] = time.monotonic_ns()
        found = await hearing
        station.terminate()
        await station.wait()
        writer.close()
        server.close()
    return [(came_ns - sent_ns[text]) / 1e9 for text, (came_ns, _) in found.items()]


async def by_the_library_alone(port: int, count: int) -> list[float]:
    """Seconds from the call of publish in another process to the subscriber."""
    listening = asyncio.Event()
    hearing = asyncio.create_task(arrivals(port, count, listening.set))
    await listening.wait()
    publisher = await asyncio.create_subprocess_exec(
        *(sys.executable, __file__, "publish", str(port), str(count)), env=os.environ
    )
    found = await hearing
    await publisher.wait()
    return [(came_ns - content["sent_ns"]) / 1e9 for came_ns, content in found.values()]


async def publish(port: int, count: int) -> None:
    """The other process of `by_the_library_alone`."""
    loop = asyncio.get_running_loop()
    async with aiomqtt.Client("127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V5) as client:
        begin_s = loop.time()
        for number in range(count):
            await asyncio.sleep(begin_s + number / RATE - loop.time())
            content = {"sent_ns": time.monotonic_ns(), "report": {"text": f"report {number}"}}
            payload = json.dumps({**content, "filler": "x" * 330})
            await client.publish("ridgepost/X/heard/status", payload, qos=1)


async def until_it_is_noticed(broker: Broker, entries: int) -> float:
    """Seconds from the death of the broker until every publisher has been stopped over it."""
    with tempfile.TemporaryDirectory() as folder:
        logbook = await Logbook.open(Path(folder))
        for start in range(0, entries, BATCH):
            await logbook.append(entries_of(entries)[start : start + BATCH])
        bus = bus_for(logbook, broker.port)
        task = asyncio.create_task(bus.run())
        await bus.wait_published(entries // 4)  # so that publishes are on their way
        assert bus.connected
        broker._process.kill()  # type: ignore[union-attr]
        start_s = time.perf_counter()
        while bus.connected:  # noqa: ASYNC110 - the question is when
            await asyncio.sleep(0)
        took_s = time.perf_counter() - start_s
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        await logbook.close()
        return took_s


async def backlog(port: int, folder: str) -> None:
    """A process of its own: publishes a log and says what memory it took, in MB."""
    logbook = await Logbook.open(Path(folder))
    bus = bus_for(logbook, port)
    before = memory_mb("VmRSS")
    start_s = time.perf_counter()
    task = asyncio.create_task(bus.run())
    await bus.wait_published(logbook.last_seq)
    took_s = time.perf_counter() - start_s
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    await logbook.close()
    print(json.dumps({"before": before, "after": memory_mb("VmRSS"), "s": took_s,
                      "most": memory_mb("VmHWM"), "events": logbook.last_seq}))  # fmt: skip


def memory_mb(key: str) -> float:
    for line in Path("/proc/self/status").read_text("ascii").splitlines():
        if line.startswith(f"{key}:"):
            return int(line.split()[1]) / 1024
    raise LookupError(key)


async def fill(folder: str, count: int) -> None:
    logbook = await Logbook.open(Path(folder))
    entries = entries_of(count)
    for start in range(0, count, 1000):
        await logbook.append(entries[start : start + 1000])
    await logbook.close()


async def measure(broker: Broker, seconds: float, *, latency_only: bool) -> None:
    count = int(RATE * seconds)
    alone: list[float] = []
    station: list[float] = []
    for _ in range(3):
        alone += await by_the_library_alone(broker.port, count)
        station += await through_the_station(broker.port, count)
    tell(f"the client library alone, {RATE:.0f}/s", alone)
    tell(f"KISS octet to subscriber, {RATE:.0f}/s", station)
    p50, p99 = (percentile(station, share) / percentile(alone, share) for share in (0.5, 0.99))
    print(f"{'ratio':44s} p50 {p50:6.2f}      p99 {p99:6.2f}")
    if latency_only:
        return
    noticed: list[float] = []
    for _ in range(5):
        noticed.append(await until_it_is_noticed(broker, 4000))
        broker.kill()
        broker.start()
    median_ms, slowest_ms = (1000 * pick(noticed) for pick in (statistics.median, max))
    what = "broker killed, until every publisher knows"
    print(f"{what:44s} {median_ms:.2f} ms (slowest {slowest_ms:.2f} ms)")
    for events in (1000, BACKLOG):
        with tempfile.TemporaryDirectory() as folder:
            await fill(folder, events)
            done = subprocess.run(  # noqa: ASYNC221 - nothing else is to be measured meanwhile
                [sys.executable, __file__, "backlog", str(broker.port), folder],
                capture_output=True,
                text=True,
                check=True,
            )
        said = json.loads(done.stdout.splitlines()[-1])
        print(
            f"{f'memory over a backlog of {events:,} events':44s} {said['before']:.1f} MB before, "
            f"{said['most']:.1f} at most, {said['after']:.1f} after, {said['s']:.1f} s"
        )


def main() -> None:
    structlog.configure(logger_factory=structlog.ReturnLoggerFactory())
    if sys.argv[1:2] == ["publish"]:
        asyncio.run(publish(int(sys.argv[2]), int(sys.argv[3])))
    elif sys.argv[1:2] == ["backlog"]:
        asyncio.run(backlog(int(sys.argv[2]), sys.argv[3]))
    else:
        with tempfile.TemporaryDirectory() as folder:
            broker = Broker(require_tool("mosquitto"), Path(folder))
            broker.start()
            try:
                seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
                asyncio.run(measure(broker, seconds, latency_only="latency" in sys.argv))
            finally:
                broker.stop()


if __name__ == "__main__":
    main()

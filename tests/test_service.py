"""The service in this process: commit, then act; and what it does when something breaks.

The TNC is a server of a few lines that speaks KISS over TCP (KISS paper, from memory), the broker
is mosquitto. Looking into the log from outside uses SQLite's own library.
"""

import asyncio
import json
import os
import random
import sqlite3
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, closing
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
import structlog

from harness import Broker
from ridgepost.bus.connection import BrokerOptions
from ridgepost.clock import Clock, SteppedClock, SystemClock
from ridgepost.logbook.book import Logbook
from ridgepost.logbook.storage import DATABASE, LogbookError
from ridgepost.radio import ax25, kiss
from ridgepost.radio.link import FrameHeard
from ridgepost.service import (
    COMMIT_RETRY_S,
    MAX_ASKS_WAITING,
    MAX_FRAMES_WAITING,
    NEW_LOG_AFTER_S,
    Service,
)
from ridgepost.settings import BusTable, LogbookTable, Settings, StationTable, TncTable
from ridgepost.station.asks import Send
from ridgepost.station.moment import Moment

BOUND_S = 10.0
HUB = "QZ1HUB-10"
SAG = "QZ1SAG-9"
ASK = {"request": "r-1", "to": SAG, "text": "Water at post 2"}


class TcpTnc:
    """The far end of the station's link, and who it hears."""

    def __init__(self) -> None:
        self.sent: list[str] = []
        self.on_frame: Callable[[str], None] = lambda _info: None
        self.writer: asyncio.StreamWriter | None = None
        self._server: asyncio.Server | None = None

    @property
    def port(self) -> int:
        assert self._server is not None
        return int(self._server.sockets[0].getsockname()[1])

    async def start(self) -> None:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)

    async def close(self) -> None:
        assert self._server is not None
        self._server.close()
        await self._server.wait_closed()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.writer = writer
        deframer = kiss.Deframer()
        while octets := await reader.read(4096):
            for frame in deframer.feed(octets):
                if frame.command == kiss.DATA:
                    info = ax25.decode(frame.payload).info.decode()
                    self.on_frame(info)
                    self.sent.append(info)
        self.writer = None
        writer.close()

    def heard(self, monitor: str) -> None:
        assert self.writer is not None
        frame = ax25.encode(ax25.from_monitor(monitor))
        self.writer.write(kiss.frame(0, kiss.DATA, frame))


class Rig:
    """A service with its surroundings."""

    def __init__(self, folder: Path, tnc: TcpTnc, broker: Broker, clock: Clock) -> None:
        self.folder = folder
        self.tnc = tnc
        settings = Settings(
            station=StationTable(callsign=HUB, transmit=True),
            tnc=(TncTable(name="vhf", link=f"tcp://127.0.0.1:{tnc.port}"),),
            bus=BusTable(broker=f"mqtt://127.0.0.1:{broker.port}"),
            logbook=LogbookTable(folder=str(folder)),
        )
        options = BrokerOptions(host="127.0.0.1", port=broker.port)
        self.service = Service(settings, options, clock, random.Random(1))

    def rows(self, query: str) -> list[Any]:
        """What another program finds in the log file now."""
        with closing(sqlite3.connect(f"file:{self.folder / DATABASE}?mode=ro", uri=True)) as log:
            return log.execute(query).fetchall()

    def change(self, script: str) -> None:
        """Meddle with the log file."""
        with closing(sqlite3.connect(self.folder / DATABASE)) as log:
            log.executescript(script)

    def logged(self) -> list[str]:
        return [what for (what,) in self.rows("SELECT what FROM log ORDER BY seq")]

    async def until(self, condition: Callable[[], object]) -> None:
        async with asyncio.timeout(BOUND_S):
            while not condition():  # noqa: ASYNC110  most of this has no event
                await asyncio.sleep(0)  # gives way, does not wait


@asynccontextmanager
async def running(folder: Path, broker: Broker, clock: Clock | None = None) -> AsyncIterator[Rig]:
    tnc = TcpTnc()
    await tnc.start()
    rig = Rig(folder, tnc, broker, clock or SystemClock())
    task = asyncio.create_task(rig.service.run())
    try:
        await rig.until(lambda: rig.service.ready.is_set() or task.done())
        await rig.until(lambda: (tnc.writer and rig.service.bus.connected) or task.done())
        yield rig
    finally:
        rig.service.stop("test over")
        async with asyncio.timeout(BOUND_S):
            await task
        await tnc.close()


@asynccontextmanager
async def watching(broker: Broker) -> AsyncIterator[aiomqtt.Client]:
    async with aiomqtt.Client("127.0.0.1", broker.port) as client:
        await client.subscribe(f"ridgepost/{HUB}/#", qos=1)
        yield client


async def event(client: aiomqtt.Client, below: str) -> Any:
    """The next event on a topic below the station's name."""
    async with asyncio.timeout(BOUND_S):
        while True:
            message = await anext(client.messages)
            if str(message.topic).startswith(f"ridgepost/{HUB}/{below}"):
                return json.loads(bytes(message.payload))


async def ask(client: aiomqtt.Client, content: object = ASK) -> None:
    await client.publish(f"ridgepost/{HUB}/ask/send", json.dumps(content), qos=1)


# --- commit, then act ---------------------------------------------------------------------------


async def test_nothing_leaves_before_it_is_in_the_log(tmp_path: Path, mosquitto: Broker) -> None:
    """Whoever sees a frame, an event or an answer finds it in the log file already."""
    async with watching(mosquitto) as client, running(tmp_path, mosquitto) as rig:
        seen: list[list[str]] = []
        rig.tnc.on_frame = lambda _info: seen.append(rig.logged())
        rig.tnc.heard(f"{SAG}>APZ001::{HUB}:Hello" + "{1")
        await rig.until(lambda: rig.tnc.sent)
        assert {"heard", "received", "ack"} <= set(seen[0])
        await event(client, "traffic/in/")

        await ask(client)
        answer = await event(client, "answer/r-1")
        assert "answer" in rig.logged()
        (body,) = rig.rows("SELECT body FROM log WHERE what = 'answer'")[0]
        assert json.loads(body)["message"] == answer["message"]
        await rig.until(lambda: len(rig.tnc.sent) == 2)
        states = [
            json.loads(body)["state"]
            for (body,) in rig.rows("SELECT body FROM log WHERE what = 'outbound' ORDER BY seq")
        ]
        assert states == ["queued", "sending"]


FULL = """
    CREATE TRIGGER full BEFORE INSERT ON log
    BEGIN SELECT RAISE(ABORT, 'database or disk is full'); END
"""


async def test_while_commits_fail_nothing_is_sent_or_answered(
    tmp_path: Path, mosquitto: Broker
) -> None:
    """SQLite itself refuses the rows (a trigger that raises, lang_createtrigger of its manual)."""
    clock = SteppedClock(Moment(1000.0, 1.8e9), "boot")
    with structlog.testing.capture_logs() as log:
        async with watching(mosquitto) as client, running(tmp_path, mosquitto, clock) as rig:
            service = rig.service
            rig.change(FULL)
            rig.tnc.heard(f"{SAG}>APZ001::{HUB}:Hello" + "{1")
            await rig.until(lambda: service.commit_failures == 1)
            await ask(client)
            await rig.until(lambda: service.bus.counts.asks_taken == 1)
            for failures in range(2, 6):
                await rig.until(lambda: clock.next_deadline_s() is not None)
                clock.advance(clock.now().mono_s + COMMIT_RETRY_S)
                await rig.until(lambda failures=failures: service.commit_failures == failures)
            assert rig.tnc.sent == []
            assert set(rig.logged()) == {"started", "link"}
            assert not service.idle

            rig.change("DROP TRIGGER full")
            clock.advance(clock.now().mono_s + COMMIT_RETRY_S)
            await rig.until(lambda: len(rig.tnc.sent) == 2)
            assert rig.tnc.sent[0] == f":{SAG} :ack1"
            assert rig.tnc.sent[1].startswith(f":{SAG} :Water at post 2")
            assert (await event(client, "answer/r-1"))["accepted"]
            await rig.until(lambda: service.idle)
            numbers = [seq for (seq,) in rig.rows("SELECT seq FROM log ORDER BY seq")]
            assert numbers == list(range(1, len(numbers) + 1))
    assert sum("cannot write the log" in line["event"] for line in log) == 5


async def test_stop_while_commits_fail(tmp_path: Path, mosquitto: Broker) -> None:
    """It ends, and has promised nothing that it could not keep."""
    with structlog.testing.capture_logs():
        async with running(tmp_path, mosquitto) as rig:
            rig.change(FULL)
            rig.tnc.heard(f"{SAG}>APZ001::{HUB}:Hello" + "{1")
            await rig.until(lambda: rig.service.commit_failures)
    assert rig.tnc.sent == []
    assert set(rig.logged()) == {"started", "link"}


# --- bounds -------------------------------------------------------------------------------------


def service_alone() -> Service:
    """One that is not running, so that nothing is taken out of its inbox."""
    options = BrokerOptions(host="127.0.0.1", port=1)
    return Service(Settings(), options, SystemClock(), random.Random(1))


def test_frames_that_wait_are_bounded() -> None:
    service = service_alone()
    for _ in range(MAX_FRAMES_WAITING + 10):
        service._on_link_event(FrameHeard("vhf", 0, b"frame"))
    assert service.frames_dropped == 10


def test_asks_that_wait_are_bounded() -> None:
    service = service_alone()
    taken = [
        service._on_ask(Send(request=str(number), to=SAG, text="x"))
        for number in range(MAX_ASKS_WAITING + 10)
    ]
    assert taken == [True] * MAX_ASKS_WAITING + [False] * 10


def test_no_ask_is_taken_while_stopping() -> None:
    service = service_alone()
    service.stop("test")
    assert not service._on_ask(Send(request="r-1", to=SAG, text="x"))


# --- when something breaks ----------------------------------------------------------------------


async def test_fault_in_a_decision(tmp_path: Path, mosquitto: Broker) -> None:
    """What the station trips over is passed over and said; it works on."""
    with structlog.testing.capture_logs() as log:
        async with running(tmp_path, mosquitto) as rig:

            def trip(_now: Moment) -> Any:
                raise ZeroDivisionError

            rig.service._put(trip)
            rig.tnc.heard(f"{SAG}>APZ001::{HUB}:Hello" + "{1")
            await rig.until(lambda: rig.tnc.sent == [f":{SAG} :ack1"])
            assert rig.service.faults == 1
    assert [line["event"] for line in log if line["log_level"] == "error"] == [
        "fault: what came in is passed over"
    ]


async def test_damaged_log_is_set_aside_and_the_work_goes_on(
    tmp_path: Path, mosquitto: Broker
) -> None:
    """The schema is made to point past the end of the file: SQLITE_CORRUPT on the next write."""
    clock = SteppedClock(Moment(1000.0, 1.8e9), "boot")
    with structlog.testing.capture_logs() as log:
        async with watching(mosquitto) as client, running(tmp_path, mosquitto, clock) as rig:
            service = rig.service
            first_log = service.logbook.log
            rig.change(
                "PRAGMA writable_schema = ON;"
                "UPDATE sqlite_master SET rootpage = 999999 WHERE name = 'log';"
                "PRAGMA schema_version = 1000;"
            )
            rig.tnc.heard(f"{SAG}>APZ001::{HUB}:Lost with the log" + "{1")
            await rig.until(lambda: not service.bus.connected)
            await rig.until(lambda: clock.next_deadline_s() is not None)
            clock.advance(clock.now().mono_s + NEW_LOG_AFTER_S)
            await rig.until(lambda: service.logbook.log != first_log)
            await rig.until(lambda: rig.tnc.writer and service.bus.connected)

            rig.tnc.heard(f"{SAG}>APZ001::{HUB}:Hello again" + "{2")
            await rig.until(lambda: rig.tnc.sent == [f":{SAG} :ack2"])
            assert (await event(client, "traffic/in/"))["text"] == "Hello again"
    names = [name for name in os.listdir(tmp_path) if name.startswith("damaged-")]  # noqa: PTH208
    assert any(DATABASE in name for name in names)
    told = [line["event"] for line in log if line["log_level"] == "error"]
    assert told == [
        "the logbook is damaged; beginning a new one",
        "damaged logbook set aside, new one begun",
    ]


async def test_log_in_use_by_another(tmp_path: Path, mosquitto: Broker) -> None:
    """One line for people, not a group of exceptions."""
    logbook = await Logbook.open(tmp_path)
    tnc = TcpTnc()
    await tnc.start()
    try:
        with pytest.raises(LogbookError, match="in use by another"):
            await Rig(tmp_path, tnc, mosquitto, SystemClock()).service.run()
    finally:
        await logbook.close()
        await tnc.close()


async def test_log_that_cannot_be_written_at_the_start(tmp_path: Path, mosquitto: Broker) -> None:
    """Said in one line with the folder in it, so that the service manager tries again."""
    await (await Logbook.open(tmp_path)).close()
    tnc = TcpTnc()
    await tnc.start()
    rig = Rig(tmp_path, tnc, mosquitto, SystemClock())
    rig.change(FULL.replace("ON log", "ON run"))
    try:
        with pytest.raises(LogbookError, match=f"{tmp_path}: database or disk is full"):
            await rig.service.run()
    finally:
        await tnc.close()


async def test_stopped_before_it_began(tmp_path: Path, mosquitto: Broker) -> None:
    """A signal during the start is not lost."""
    tnc = TcpTnc()
    await tnc.start()
    rig = Rig(tmp_path, tnc, mosquitto, SystemClock())
    rig.service.stop("SIGTERM")
    async with asyncio.timeout(BOUND_S):
        await rig.service.run()
    await tnc.close()
    assert rig.logged() == ["started", "stopped"]


async def test_stop_is_the_last_word(tmp_path: Path, mosquitto: Broker) -> None:
    """In the log, and on the bus, where it says when; the last will could not (MQTT 5, 3.1.2.5)."""
    async with watching(mosquitto) as client:
        async with running(tmp_path, mosquitto) as rig:
            assert (await event(client, "presence"))["online"]
        assert rig.logged()[-1] == "stopped"
        presence = await event(client, "presence")
    assert presence["online"] is False
    assert presence["at"] >= presence["since"]


async def test_idle_says_that_everything_has_been_done(tmp_path: Path, mosquitto: Broker) -> None:
    """What a rehearsal steps its clock by."""
    async with running(tmp_path, mosquitto) as rig:
        service = rig.service
        await rig.until(lambda: service.idle)
        before = service.frames_decided
        for number in range(100):
            service._on_link_event(
                FrameHeard("vhf", 0, ax25.encode(ax25.from_monitor(f"QZ1PST-1>APZ001:>n{number}")))
            )
            assert not service.idle
        await rig.until(lambda: service.idle)
        assert service.frames_decided - before == 100
        assert rig.logged().count("heard") == 100

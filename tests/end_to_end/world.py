"""What surrounds a station: its TNCs, its broker's clients and the commands people type.

Everything here is the other side. The station runs as a process of its own, its serial lines are
real pseudo-terminals whose far end the test holds, and the bus is watched with mosquitto's own
programs rather than with any code of ours.

Nothing sleeps. `World.until` looks at its condition whenever an octet has arrived from anywhere
(and now and then besides), and fails after a bound, with all that was said, and by whom.
"""

import contextlib
import json
import os
import selectors
import signal
import subprocess
import sys
import time
import tty
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple, Protocol, TypeVar

import pytest

from harness import Broker, require_tool
from ridgepost.radio import ax25, kiss

T = TypeVar("T")

BOUND_S = 10.0
"""For what should take milliseconds, on a machine that is busy with other things."""

LOOK_AGAIN_S = 0.05
"""Some conditions change without a word to us, such as the state of a socket."""

STOP_S = 5.0
"""Within which a station told to stop has stopped."""

FAST = "bit_rate = 1000000\ntxdelay_ms = 0\ntx_tail_ms = 0\n"
"""A channel on which a frame takes a millisecond, so that nothing waits for airtime."""

HUB = "QZ1HUB-10"
SAG = "QZ1SAG-9"
SOURCE_ROOT = Path(__file__).parents[2] / "daemon"


class Source(Protocol):
    """Something that says things."""

    def fileno(self) -> int: ...

    def take(self) -> bool:
        """Read what is there; False once nothing more can come."""
        ...

    def all_said(self) -> str: ...


class World:
    """All sources of one test, waited for together."""

    def __init__(self) -> None:
        self._selector = selectors.DefaultSelector()
        self._sources: list[Source] = []

    def watch(self, source: Source) -> None:
        self._selector.register(source, selectors.EVENT_READ, source)
        self._sources.append(source)

    def forget(self, source: Source) -> None:
        with contextlib.suppress(KeyError, ValueError):  # not there, or closed already
            self._selector.unregister(source)

    def until(self, condition: Callable[[], T | None], what: str, bound_s: float = BOUND_S) -> T:
        """The first value of `condition` that is true; fails the test if none comes in time."""
        deadline_s = time.monotonic() + bound_s
        while True:
            if value := condition():
                return value
            left_s = deadline_s - time.monotonic()
            if left_s <= 0:
                said = "\n".join(source.all_said() for source in self._sources)
                pytest.fail(f"waited {bound_s:g} s for {what}\n{said}", pytrace=False)
            self._take(min(left_s, LOOK_AGAIN_S))

    def catch_up(self) -> None:
        """Take what has arrived by now."""
        while self._take(0.0):
            pass

    def _take(self, bound_s: float) -> bool:
        ready = self._selector.select(bound_s)
        for key, _ in ready:
            if not key.data.take():
                self.forget(key.data)
        return bool(ready)


# --- programs ---------------------------------------------------------------------------------


class Program:
    """A process whose lines on standard output and error are collected."""

    def __init__(
        self, world: World, command: Sequence[str | Path], env: dict[str, str] | None = None
    ) -> None:
        self.lines: list[str] = []
        self._world = world
        self._command = [str(word) for word in command]
        self._rest = b""
        self._all_said = False
        self._process = subprocess.Popen(
            self._command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            env={**os.environ, **(env or {})},
        )
        assert self._process.stdout is not None
        self._out = self._process.stdout
        world.watch(self)

    def fileno(self) -> int:
        return self._out.fileno()

    def take(self) -> bool:
        octets = os.read(self.fileno(), 65536)
        *ended, self._rest = (self._rest + octets).split(b"\n")
        if not octets and self._rest:
            ended.append(self._rest)
        for line in ended:
            self.lines.append(line.decode("utf-8", "backslashreplace"))
            self.on_line(self.lines[-1])
        self._all_said = not octets
        return bool(octets)

    def on_line(self, line: str) -> None:
        """A line has come."""

    def all_said(self) -> str:
        said = "\n".join(f"    {line}" for line in self.lines[-40:])
        return f"{' '.join(self._command)} (status {self._process.poll()}):\n{said}"

    @property
    def pid(self) -> int:
        return self._process.pid

    @property
    def running(self) -> bool:
        return self._process.poll() is None

    def signal(self, number: signal.Signals) -> None:
        self._process.send_signal(number)

    def ended(self, bound_s: float = BOUND_S) -> int:
        """Wait for the end, and return the exit status with every line read."""
        began_s = time.monotonic()
        self._world.until(lambda: self._all_said, "the end of its output", bound_s)
        left_s = bound_s - (time.monotonic() - began_s)
        try:
            return self._process.wait(max(0.1, left_s))
        except subprocess.TimeoutExpired:
            pytest.fail(f"runs on after {bound_s:g} s: {self.all_said()}", pytrace=False)

    def put_away(self) -> None:
        """Ends it whatever it does, when the test is over."""
        if self.running:
            self._process.kill()
        self._process.wait()
        self._world.forget(self)
        self._out.close()
        if self._process.stdin is not None:
            self._process.stdin.close()


class Command(Program):
    """A `ridgepost` command, run by the same Python from the same source."""

    def __init__(self, world: World, *words: str | Path) -> None:
        super().__init__(
            world,
            # A shell starts what it runs in the background deaf to Ctrl-C; env(1) mends that.
            # Warnings, such as of a socket that nobody closed, are said and then found as noise.
            [
                require_tool("env"),
                "--default-signal=INT",
                sys.executable,
                "-W",
                "default",
                "-m",
                "ridgepost",
                *words,
            ],
            {"PYTHONPATH": str(SOURCE_ROOT), "PYTHONUNBUFFERED": "1", "NO_COLOR": "1"},
        )


class Station(Command):
    """The daemon. Its own log is one JSON object a line, since nobody watches a terminal."""

    def __init__(self, world: World, settings: Path) -> None:
        self.log: list[dict[str, Any]] = []
        self.noise: list[str] = []
        """Lines that are no log lines: there should be none."""
        super().__init__(world, "run", settings)

    def on_line(self, line: str) -> None:
        try:
            self.log.append(json.loads(line))
        except ValueError:
            self.noise.append(line)

    def said(self, event: str, **details: Any) -> dict[str, Any] | None:
        """The first log line with this event and these details."""
        for line in self.log:
            if line.get("event") == event and details.items() <= line.items():
                return line
        return None

    @property
    def errors(self) -> list[dict[str, Any]]:
        return [line for line in self.log if line.get("level") == "error"]

    def stop(self) -> int:
        """Tell it to stop as the service manager does, and return the exit status."""
        self.signal(signal.SIGTERM)
        return self.ended(STOP_S)

    def kill(self) -> None:
        """End it without warning, as a power cut would."""
        self.signal(signal.SIGKILL)
        self.ended()


# --- the bus ----------------------------------------------------------------------------------


class Event(NamedTuple):
    topic: str
    payload: Any
    retained: bool

    def __str__(self) -> str:
        said = json.dumps(self.payload, ensure_ascii=False)
        return f"{self.topic}{' (retained)' if self.retained else ''} {said[:200]}"


class Listener(Program):
    """mosquitto_sub. `keep` names a session that the broker keeps while it is away."""

    def __init__(self, world: World, port: int, topic: str = "#", keep: str = "") -> None:
        self.events: list[Event] = []
        session = ["-c", "-i", keep] if keep else []
        where = ["-h", "127.0.0.1", "-p", str(port), "-V", "311"]
        # -d says when the subscription is granted, and stdbuf lets it say so at once.
        unbuffered = [require_tool("stdbuf"), "-oL", require_tool("mosquitto_sub")]
        command = [*unbuffered, *where, *session, "-q", "1", "-t", topic]
        super().__init__(world, [*command, "-d", "-F", "%j"])

    def subscribed(self) -> bool:
        return any("Subscribed" in line for line in self.lines)

    def on_line(self, line: str) -> None:
        if not line.startswith("{"):
            return
        try:
            message = json.loads(line)
        except ValueError:
            return  # mosquitto_sub passes on octets that are no text as they are
        try:
            payload = json.loads(message["payload"])
        except (TypeError, ValueError, RecursionError):
            payload = message["payload"]
        self.events.append(Event(message["topic"], payload, bool(message["retain"])))

    def all_said(self) -> str:
        said = "\n".join(f"    {event}" for event in self.events[-20:])
        return f"on the bus:\n{said}"

    def find(self, below: str, **content: Any) -> Event | None:
        """The first event of `all`."""
        return next(iter(self.all(below, **content)), None)

    def all(self, below: str, **content: Any) -> list[Event]:
        """The station's events on a topic below its name, and with these values in the payload.

        A topic that ends in a slash, or '', stands for all below it.
        """
        topic = f"ridgepost/{HUB}/{below}"
        return [
            event
            for event in self.events
            if (event.topic.startswith(topic) if topic.endswith("/") else event.topic == topic)
            and isinstance(event.payload, dict)
            and content.items() <= event.payload.items()
        ]


# --- the air ----------------------------------------------------------------------------------


class Tnc:
    """A TNC on a serial line, and the channel behind it. `station` is whoever is on the air.

    The path to the device stays the same when it is unplugged and plugged in again, as udev rules
    make it; behind it is a new pseudo-terminal each time.
    """

    def __init__(self, world: World, path: Path) -> None:
        self.path = path
        self.commands: list[kiss.KissFrame] = []
        self.sent: list[tuple[int, ax25.Frame]] = []
        """Frames that the station sent, each with its KISS port."""
        self._world = world
        self._ends: tuple[int, int] | None = None
        self._deframer = kiss.Deframer()

    @property
    def link(self) -> str:
        return f"serial://{self.path}?baud=115200"

    @property
    def plugged(self) -> bool:
        return self._ends is not None

    def plug(self) -> None:
        self._ends = os.openpty()
        theirs = self._ends[1]
        tty.setraw(theirs)
        self.path.symlink_to(os.ttyname(theirs))
        self.commands.clear()
        self._deframer = kiss.Deframer()
        self._world.watch(self)

    def unplug(self) -> None:
        if self._ends is None:
            return
        self._world.forget(self)
        for end in self._ends:
            os.close(end)
        self._ends = None
        self.path.unlink()

    def put_away(self) -> None:
        self.unplug()

    def fileno(self) -> int:
        assert self._ends is not None
        return self._ends[0]

    def take(self) -> bool:
        for frame in self._deframer.feed(os.read(self.fileno(), 4096)):
            if frame.command == kiss.DATA:
                self.sent.append((frame.port, ax25.decode(frame.payload)))
            else:
                self.commands.append(frame)
        return True

    def all_said(self) -> str:
        said = "\n".join(f"    {port} {ax25.to_monitor(frame)}" for port, frame in self.sent)
        return f"sent by {self.path.name} (after {len(self.commands)} parameters):\n{said}"

    def greeted(self) -> bool:
        """The station has opened the line and told the TNC its parameters."""
        return len(self.commands) >= 5

    def raw(self, octets: bytes) -> None:
        os.write(self.fileno(), octets)

    def heard(self, monitor: str, port: int = 0) -> None:
        """The TNC hears a frame, written SOURCE>DESTINATION,PATH:information."""
        self.raw(kiss.frame(port, kiss.DATA, ax25.encode(ax25.from_monitor(monitor))))

    def infos(self) -> list[str]:
        """The information fields of what the station sent."""
        return [frame.info.decode("utf-8", "backslashreplace") for _, frame in self.sent]


# --- all together -----------------------------------------------------------------------------


class Site:
    """A field site: a folder, a broker, TNCs, and a station that is started when told to.

    `bus` is a listener to everything on the broker, there from the beginning.
    """

    def __init__(self, world: World, folder: Path, broker: Broker) -> None:
        self.world = world
        self.folder = folder
        self.broker = broker
        self.settings = folder / "ridgepost.toml"
        self.logbook = folder / "logbook"
        self.errors_expected = False
        self._tncs: list[Tnc] = []
        self._programs: list[Program] = []
        self._stations: list[Station] = []
        self.bus = self.listen(keep="watcher")

    def tnc(self, name: str = "vhf", *, plugged: bool = True) -> Tnc:
        tnc = Tnc(self.world, self.folder / name)
        self._tncs.append(tnc)
        if plugged:
            tnc.plug()
        return tnc

    def configure(
        self,
        *tncs: Tnc | tuple[Tnc, str],
        station: str = "transmit = true",
        bus: str = "",
        broker: str | None = None,
        more: str = "",
    ) -> None:
        """Write the settings, and `more` tables; a TNC may come with more lines for its table."""
        url = f"mqtt://127.0.0.1:{self.broker.port}" if broker is None else broker
        tables = ""
        for item in tncs:
            tnc, keys = (item, "") if isinstance(item, Tnc) else item
            tables += f'[[tnc]]\nname = "{tnc.path.name}"\nlink = "{tnc.link}"\n{FAST}{keys}\n'
        self.settings.write_text(
            f'[station]\ncallsign = "{HUB}"\n{station}\n{tables}'
            f'[bus]\nbroker = "{url}"\n{bus}\n[logbook]\nfolder = "{self.logbook}"\n{more}',
            encoding="utf-8",
        )

    def listen(self, topic: str = "#", keep: str = "", port: int | None = None) -> Listener:
        listener = Listener(self.world, port or self.broker.port, topic, keep)
        self._programs.append(listener)
        self.until(listener.subscribed, "the subscription")
        return listener

    def start(self) -> Station:
        """Start the station; it may take a while until it is there."""
        station = Station(self.world, self.settings)
        self._programs.append(station)
        self._stations.append(station)
        return station

    def start_up(self) -> Station:
        """Start the station and return once it is on the bus and has its TNCs."""
        before = len(self.bus.all("presence", online=True))
        station = self.start()
        self.until(
            lambda: len(self.bus.all("presence", online=True)) > before, "the station on the bus"
        )
        for tnc in self._tncs:
            if tnc.plugged:
                self.until(tnc.greeted, f"parameters for {tnc.path.name}")
        return station

    @property
    def broker_pid(self) -> int:
        assert self.broker._process is not None
        return self.broker._process.pid

    @contextlib.contextmanager
    def paused(self, pid: int) -> Iterator[None]:
        """While this lasts the process does nothing, but is not gone either."""
        os.kill(pid, signal.SIGSTOP)
        try:
            yield
        finally:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGCONT)

    def command(self, *words: str | Path) -> Command:
        command = Command(self.world, *words)
        self._programs.append(command)
        return command

    def until(self, condition: Callable[[], T | None], what: str, bound_s: float = BOUND_S) -> T:
        return self.world.until(condition, what, bound_s)

    def ask(self, verb: str, content: object, *options: str) -> None:
        """Put an ask on the bus and return when the broker has it."""
        payload = content if isinstance(content, bytes) else json.dumps(content).encode()
        where = ["-h", "127.0.0.1", "-p", str(self.broker.port), "-V", "5", "-q", "1"]
        topic = f"ridgepost/{HUB}/ask/{verb}"
        subprocess.run(
            [
                require_tool("mosquitto_pub"),
                *where,
                *options,
                "-t",
                topic,
                "-s" if payload else "-n",
            ],
            input=payload,
            check=True,
            timeout=BOUND_S,
        )

    def send(self, request: str, text: str, to: str = SAG, **more: Any) -> dict[str, Any]:
        """Ask for a message to be sent, and return the answer."""
        self.ask("send", {"request": request, "to": to, "text": text, **more})
        answered = self.until(lambda: self.bus.find(f"answer/{request}"), "the answer")
        answer: dict[str, Any] = answered.payload
        return answer

    def hears(self, tnc: Tnc, mark: str, port: int = 0) -> None:
        """Let the station hear a status report, and return when the bus has it.

        The station decides in order, so everything before it has been decided by then.
        """
        tnc.heard(f"QZ1PST-1>APZ001:>{mark}", port)
        self.until(
            lambda: any(
                event.payload["report"].get("text") == mark
                for event in self.bus.all("heard/status")
            ),
            f"the status {mark}",
        )

    def put_away(self) -> None:
        for thing in [*reversed(self._programs), *self._tncs]:
            thing.put_away()

    def check(self) -> None:
        """What must hold of every station that was run here."""
        for station in self._stations:
            mistakes = station.noise or ([] if self.errors_expected else station.errors)
            if mistakes:
                pytest.fail(f"the station has said:\n{station.all_said()}", pytrace=False)


def number_of(frame: ax25.Frame) -> str:
    """The message number in a frame (APRS 1.2 ch. 14): after the last brace that opens.

    A brace that closes behind it offers reply-acks, and one may follow it.
    """
    return frame.info.decode("utf-8").rpartition("{")[2].partition("}")[0]

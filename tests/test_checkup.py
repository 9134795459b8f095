"""The look around before an event, at real sockets, pseudo-terminals, folders and brokers.

What is good or bad is common practice: a station that could not work as set up must not be called
good, and what is wrong comes with a way to mend it.
"""

import asyncio
import os
import shutil
import socket
import time
import tty
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import aiomqtt
import msgspec
import pytest
from serial.tools import list_ports

from harness import Broker, free_port, missing
from ridgepost import checkup
from ridgepost.broker import broker_options
from ridgepost.bus.connection import BrokerOptions
from ridgepost.bus.payloads import LinkPayload
from ridgepost.checkup import Finding, Grade, check_surroundings
from ridgepost.logbook.book import Logbook
from ridgepost.logbook.storage import DATABASE, LOCK
from ridgepost.radio import ax25, kiss
from ridgepost.settings import Settings, parse_settings

# No callsign begins with 0, and `check` doubts those that begin with Q.
STATION = """
[station]
callsign = "0QZ1AB"
transmit = true
position = { latitude_deg = 61.5, longitude_deg = -149.2 }
"""


def tnc(link: str, more: str = "") -> str:
    return f'[[tnc]]\nname = "vhf"\nlink = "{link}"\n{more}\n'


def bus(broker: Broker, more: str = "") -> str:
    return f'[bus]\nbroker = "mqtt://127.0.0.1:{broker.port}"\n{more}\n'


async def look(settings: Settings, options: BrokerOptions | None = None) -> list[Finding]:
    findings = [
        finding
        async for finding in check_surroundings(settings, options or broker_options(settings))
    ]
    for finding in findings:
        assert finding.says
        assert bool(finding.mend) == (finding.grade is not Grade.GOOD), finding
    return findings


async def about(what: str, text: str, folder: Path) -> Finding:
    """The one finding about `what`."""
    settings = parse_settings(f'{text}\n[logbook]\nfolder = "{folder}"\n')
    # Where the text says nothing of a broker, the embedded one has a port of its own.
    options = None
    if not settings.bus.broker:
        options = BrokerOptions(host="127.0.0.1", port=free_port(), mqtt5=False)
    (finding,) = [found for found in await look(settings, options) if found.about == what]
    return finding


# --- TNCs -----------------------------------------------------------------------------------------


class Server:
    """A TCP server that notes what it is sent, and sends `greeting` first."""

    def __init__(self, greeting: bytes, *, hangs_up: bool) -> None:
        self.greeting = greeting
        self.hangs_up = hangs_up
        self.octets = b""
        self.clients = 0
        self.gone = asyncio.Event()
        self.url = ""

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.clients += 1
        writer.write(self.greeting)
        while not self.hangs_up and (octets := await reader.read(1024)):
            self.octets += octets
        writer.close()
        self.gone.set()


@asynccontextmanager
async def server(greeting: bytes = b"", *, hangs_up: bool = False) -> AsyncIterator[Server]:
    served = Server(greeting, hangs_up=hangs_up)
    listening = await asyncio.start_server(served.serve, "127.0.0.1", 0)
    served.url = f"tcp://127.0.0.1:{listening.sockets[0].getsockname()[1]}"
    async with listening:
        yield served
    if served.clients:
        async with asyncio.timeout(10.0):
            await served.gone.wait()


async def test_a_tcp_tnc_is_opened_and_told_nothing(tmp_path: Path) -> None:
    async with server() as served:
        finding = await about("tnc", tnc(served.url), tmp_path)
    assert finding.grade is Grade.GOOD
    assert "vhf" in finding.says
    assert served.url in finding.says
    assert (served.clients, served.octets) == (1, b"")


async def test_a_tnc_that_hears_something_is_said_to(tmp_path: Path) -> None:
    heard = kiss.frame(0, kiss.DATA, ax25.encode(ax25.Frame("QZ1SAG", "APZTST", info=b">hi")))
    async with server(heard) as served:
        finding = await about("tnc", tnc(served.url), tmp_path)
    assert finding.grade is Grade.GOOD
    assert "heard" in finding.says


async def test_a_tnc_that_hangs_up_at_once_is_bad(tmp_path: Path) -> None:
    """Such as a server that takes one client only and has one."""
    async with server(hangs_up=True) as served:
        finding = await about("tnc", tnc(served.url), tmp_path)
    assert finding.grade is Grade.BAD
    assert "closed the connection" in finding.says


async def test_nobody_behind_the_port_is_bad(tmp_path: Path) -> None:
    finding = await about("tnc", tnc(f"tcp://127.0.0.1:{free_port()}"), tmp_path)
    assert finding.grade is Grade.BAD
    assert "connection refused" in finding.says
    assert "running" in finding.mend


async def test_a_host_that_never_answers_is_bad_after_a_while(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(checkup, "LINK_TIMEOUT_S", 0.1)
    with socket.socket() as full:
        # Its backlog is taken, so that the kernel answers no further SYN: listen(2), tcp(7).
        full.bind(("127.0.0.1", 0))
        full.listen(0)
        with socket.create_connection(full.getsockname()):
            link = f"tcp://127.0.0.1:{full.getsockname()[1]}"
            finding = await about("tnc", tnc(link), tmp_path)
    assert finding.grade is Grade.BAD
    assert "does not answer" in finding.says


@pytest.fixture
def pty() -> Iterator[tuple[int, str]]:
    """The TNC's end of a pseudo-terminal, and the name of ours."""
    far, near = os.openpty()
    tty.setraw(far)
    tty.setraw(near)
    yield far, os.ttyname(near)
    os.close(far)
    os.close(near)


async def test_a_serial_tnc_is_opened_and_told_nothing(
    pty: tuple[int, str], tmp_path: Path
) -> None:
    far, device = pty
    finding = await about("tnc", tnc(f"serial://{device}?baud=9600"), tmp_path)
    assert finding.grade is Grade.GOOD
    os.set_blocking(far, False)
    with pytest.raises(BlockingIOError):
        os.read(far, 1)


async def test_an_absent_device_is_bad_and_the_present_ones_are_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Port:
        device = "/dev/ttyUSB7"

    for ports, mend in (
        ([], "no serial port is here"),
        ([Port()], "serial ports here: /dev/ttyUSB7"),
    ):
        monkeypatch.setattr(list_ports, "comports", ports.copy)
        finding = await about("tnc", tnc("serial:///dev/ttyNONE0"), tmp_path)
        assert (finding.grade, finding.mend) == (Grade.BAD, mend)
        assert "no such device" in finding.says


@pytest.mark.parametrize("device", ["/dev/null", "/etc/passwd", "/tmp"])
async def test_what_is_no_serial_port_is_bad(device: str, tmp_path: Path) -> None:
    finding = await about("tnc", tnc(f"serial://{device}"), tmp_path)
    assert finding.grade is Grade.BAD
    assert "not a serial port" in finding.says


async def test_a_busy_device_is_bad(pty: tuple[int, str], tmp_path: Path) -> None:
    import fcntl

    _, device = pty
    other = os.open(device, os.O_RDWR | os.O_NOCTTY)
    try:
        fcntl.flock(other, fcntl.LOCK_EX)  # as pyserial's `exclusive` does
        finding = await about("tnc", tnc(f"serial://{device}"), tmp_path)
    finally:
        os.close(other)
    assert finding.grade is Grade.BAD
    assert "busy" in finding.says


async def test_no_tnc_is_bad(tmp_path: Path) -> None:
    finding = await about("tnc", STATION, tmp_path)
    assert (finding.grade, finding.mend) == (Grade.BAD, "add a [[tnc]] table")


# --- settings -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "grade", "part"),
    [
        ("", Grade.DOUBTFUL, "off"),
        (STATION, Grade.DOUBTFUL, "no TNC may transmit"),
        (STATION + tnc("tcp://h:1", "receive_only = true"), Grade.DOUBTFUL, "no TNC may transmit"),
        (STATION + tnc("tcp://127.0.0.1:1"), Grade.GOOD, "licensed control operator"),
        # ITU Radio Regulations, appendix 42: the series QAA to QZZ is kept for the Q code.
        (
            STATION.replace("0QZ1AB", "qz1hub-10") + tnc("tcp://127.0.0.1:1"),
            Grade.DOUBTFUL,
            "begin with Q",
        ),
    ],
)
async def test_transmitting(tmp_path: Path, text: str, grade: Grade, part: str) -> None:
    finding = await about("transmit", text, tmp_path)
    assert finding.grade is grade
    assert part in finding.says


@pytest.mark.parametrize(
    ("path", "hops"),
    [
        # APRS 1.2c ch. 3 and ch. 2: WIDEn-N is repeated N times, a digipeater by name once.
        ([], 0),
        (["WIDE1-1", "WIDE2-1"], 2),
        (["WIDE1-1", "WIDE2-2"], 3),
        (["WIDE2-2", "WIDE3-3"], 5),
        (["WIDE7-7"], 7),
        (["QZ1AAA", "QZ1BBB-11", "QZ1CCC-7", "QZ1DDD"], 4),
    ],
)
async def test_a_path_that_crowds_the_channel_is_doubtful(
    tmp_path: Path, path: list[str], hops: int
) -> None:
    text = STATION + f"path = {path}\n" + tnc("tcp://127.0.0.1:1")
    finding = await about("transmit", text, tmp_path)
    # Three at most: common practice.
    assert finding.grade is (Grade.DOUBTFUL if hops > 3 else Grade.GOOD)
    assert (f"{hops} digipeaters" in finding.says) == (hops > 3)


@pytest.mark.parametrize(
    ("position", "grade"),
    [
        ("", Grade.DOUBTFUL),
        ("latitude_deg = 0, longitude_deg = 0.0", Grade.DOUBTFUL),  # what a cold GPS receiver says
        ("latitude_deg = 0, longitude_deg = 32.6", Grade.GOOD),
    ],
)
async def test_position(tmp_path: Path, position: str, grade: Grade) -> None:
    text = f"[station]\nposition = {{ {position} }}" if position else ""
    assert (await about("position", text, tmp_path)).grade is grade


async def test_who_looks(tmp_path: Path) -> None:
    finding = await about("user", "", tmp_path)
    assert finding.grade is (Grade.GOOD if os.geteuid() else Grade.DOUBTFUL)


@pytest.mark.parametrize(
    ("at_s", "grade"),
    [
        (0.0, Grade.BAD),  # a small computer without a battery clock that has not been told
        (1_700_000_000.0, Grade.BAD),  # 2023, before this program was written
        (1_900_000_000.0, Grade.GOOD),
    ],
)
async def test_clock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at_s: float, grade: Grade
) -> None:
    monkeypatch.setattr(time, "time", lambda: at_s)
    assert (await about("clock", "", tmp_path)).grade is grade


# --- folders --------------------------------------------------------------------------------------


def times(folder: Path) -> dict[str, int]:
    """When each file was last written."""
    return {file.name: file.stat().st_mtime_ns for file in folder.iterdir()}


async def test_a_folder_that_is_there(tmp_path: Path) -> None:
    assert (await about("logbook", "", tmp_path)).grade is Grade.GOOD
    assert times(tmp_path) == {}, "a look leaves nothing behind"


async def test_a_folder_that_can_be_made_is_not_made(tmp_path: Path) -> None:
    """It would belong to whoever looked, root perhaps, and not to the station."""
    finding = await about("logbook", "", tmp_path / "in" / "use")
    assert (finding.grade, finding.says) == (Grade.GOOD, f"{tmp_path}/in/use will be made")
    assert times(tmp_path) == {}


async def test_a_file_in_place_of_the_folder_is_bad(tmp_path: Path) -> None:
    file = tmp_path / "in use"  # not a station's, whatever the name
    file.touch()
    for folder in (file, file / "below"):
        finding = await about("logbook", "", folder)
        assert (finding.grade, finding.says) == (Grade.BAD, f"{file} is not a folder")


def read_only_folder() -> Path:
    """A folder of a file system that even root cannot write."""
    mounts = map(str.split, Path("/proc/mounts").read_text(encoding="utf-8").splitlines())
    found = [
        Path(point)
        for _, point, kind, choices, *_ in mounts
        if "ro" in choices.split(",") and kind != "proc" and Path(point).is_dir()
    ]
    return found[0] if found else missing("a file system that is mounted read-only")


async def test_a_file_system_that_cannot_be_written_is_bad() -> None:
    finding = await about("logbook", "", read_only_folder() / "log")
    assert finding.grade is Grade.BAD
    assert "cannot be written" in finding.says


@pytest.mark.parametrize(("free", "grade"), [(1_000_000, Grade.BAD), (10_000_000_000, Grade.GOOD)])
async def test_room_on_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, free: int, grade: Grade
) -> None:
    class Usage:
        def __init__(self, _path: Path) -> None:
            self.free = free

    monkeypatch.setattr(shutil, "disk_usage", Usage)
    assert (await about("disk", "", tmp_path)).grade is grade


# --- brokers --------------------------------------------------------------------------------------


async def test_a_broker_that_lets_the_station_in(mosquitto: Broker, tmp_path: Path) -> None:
    for protocol in ("5", "3.1.1"):
        text = bus(mosquitto, f'protocol = "{protocol}"')
        finding = await about("broker", text, tmp_path)
        assert (finding.grade, finding.about) == (Grade.GOOD, "broker")


async def test_a_broker_that_is_down_is_bad_and_good_again_later(
    mosquitto: Broker, tmp_path: Path
) -> None:
    mosquitto.stop()
    finding = await about("broker", bus(mosquitto), tmp_path)
    assert finding.grade is Grade.BAD
    assert str(mosquitto.port) in finding.says
    assert "refused" in finding.says
    mosquitto.start()
    assert (await about("broker", bus(mosquitto), tmp_path)).grade is Grade.GOOD


async def test_a_broker_that_keeps_asks_from_the_station_is_bad(tmp_path: Path) -> None:
    # MQTT 3.1.1: CONNACK "accepted" (3.2), and a SUBACK whose return code is 0x80, failure (3.9.3);
    # the SUBSCRIBE has its packet identifier in octets 3 and 4 (3.8.2).
    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while octets := await reader.read(1024):
            if octets[0] == 0x10:
                writer.write(b"\x20\x02\x00\x00")
            elif octets[0] == 0x82:
                writer.write(b"\x90\x03" + octets[2:4] + b"\x80")
        writer.close()
        closed.set()

    closed = asyncio.Event()
    listening = await asyncio.start_server(serve, "127.0.0.1", 0)
    port = listening.sockets[0].getsockname()[1]
    async with listening:
        text = f'[bus]\nbroker = "mqtt://127.0.0.1:{port}"\nprotocol = "3.1.1"'
        finding = await about("broker", text, tmp_path)
        async with asyncio.timeout(10.0):
            await closed.wait()
    assert finding.grade is Grade.BAD
    assert "ridgepost/LISTENER/ask/#" in finding.mend


async def test_a_password_for_everybody_to_read(mosquitto: Broker, tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("correct horse", encoding="utf-8")
    text = bus(mosquitto, f'user = "station"\npassword_file = "{secret}"')
    secret.chmod(0o604)
    finding = await about("password", text, tmp_path)
    assert finding.grade is Grade.DOUBTFUL
    assert finding.mend == f"chmod o-r {secret}"
    secret.chmod(0o600)
    findings = await look(parse_settings(text))
    assert "password" not in [found.about for found in findings]
    assert "correct horse" not in str(findings)


@pytest.mark.parametrize(
    ("broker", "in_the_clear"),
    [
        ("mqtt://127.0.0.1:1", False),
        ("mqtt://localhost:1", False),
        ("mqtt://[::1]:1", False),
        ("mqtts://broker.invalid", False),
        ("mqtt://broker.invalid", True),
    ],
)
async def test_a_password_in_the_clear(tmp_path: Path, broker: str, in_the_clear: bool) -> None:
    text = f'[bus]\nbroker = "{broker}"\nuser = "u"\n[logbook]\nfolder = "{tmp_path}"'
    findings = await look(parse_settings(text))
    assert [f.says for f in findings if f.about == "password"] == (
        ["it goes to broker.invalid in the clear"] if in_the_clear else []
    )


async def test_the_embedded_broker_is_tried(tmp_path: Path) -> None:
    pytest.importorskip("amqtt")
    finding = await about("broker", "", tmp_path)
    assert finding.grade is Grade.GOOD
    assert "embedded" in finding.says


async def test_no_room_for_the_embedded_broker_is_bad(mosquitto: Broker, tmp_path: Path) -> None:
    """A broker runs there already, as Debian's does after installation; `run` would fail."""
    settings = parse_settings(f'[logbook]\nfolder = "{tmp_path}"')
    options = BrokerOptions(host="127.0.0.1", port=mosquitto.port, mqtt5=False)
    (finding,) = [found for found in await look(settings, options) if found.about == "broker"]
    assert finding.grade is Grade.BAD
    assert f'set bus.broker = "mqtt://127.0.0.1:{mosquitto.port}"' in finding.mend


# --- a station that runs --------------------------------------------------------------------------


@asynccontextmanager
async def running_station(folder: Path) -> AsyncIterator[None]:
    """As far as others can see it in the folder."""
    book = await Logbook.open(folder)
    try:
        yield
    finally:
        await book.close()


async def say(broker: Broker, topic: str, payload: bytes) -> None:
    async with aiomqtt.Client("127.0.0.1", broker.port) as client:
        await client.publish(f"ridgepost/LISTENER/{topic}", payload, qos=1, retain=True)


def link_payload(*, up: bool, reason: str = "") -> bytes:
    payload = LinkPayload(
        id="x",
        seq=1,
        at="2026-06-13T08:00:00Z",
        clock_trusted=True,
        tnc="vhf",
        up=up,
        reason=reason,
    )
    return msgspec.json.encode(payload)


@pytest.mark.parametrize(
    ("payload", "grade", "part"),
    [
        (link_payload(up=True), Grade.GOOD, "is open, says the running station"),
        (link_payload(up=False, reason="gone (unplugged?)"), Grade.BAD, "gone, says the running"),
        (b"", Grade.DOUBTFUL, "not opened"),
        (b"not by a station", Grade.DOUBTFUL, "not opened"),
        (b"[" * 50_000, Grade.DOUBTFUL, "not opened"),
    ],
    ids=["up", "down", "nothing", "noise", "nested"],
)
async def test_what_a_running_station_holds_is_asked_for_and_not_opened(
    mosquitto: Broker, tmp_path: Path, payload: bytes, grade: Grade, part: str
) -> None:
    await say(mosquitto, "link/vhf", payload)
    async with server() as served, running_station(tmp_path):
        text = tnc(served.url) + bus(mosquitto)
        finding = await about("tnc", text, tmp_path)
        assert (await about("logbook", text, tmp_path)).says.endswith("by a running station")
        assert served.clients == 0
    assert finding.grade is grade
    assert part in finding.says
    assert (await about("logbook", text, tmp_path)).says.endswith("can be written")


async def test_a_look_does_not_keep_a_station_from_its_folder(tmp_path: Path) -> None:
    async with running_station(tmp_path):
        pass
    assert {LOCK, DATABASE} <= times(tmp_path).keys()
    before = times(tmp_path)
    assert (await about("logbook", "", tmp_path)).grade is Grade.GOOD
    assert times(tmp_path) == before
    async with running_station(tmp_path):
        pass


# --- all of it ------------------------------------------------------------------------------------


async def test_everything_is_looked_at_and_what_takes_long_is_announced(
    mosquitto: Broker, tmp_path: Path
) -> None:
    announced: list[str] = []
    async with server() as served:
        text = STATION + tnc(served.url) + bus(mosquitto) + f'[logbook]\nfolder = "{tmp_path}"'
        settings = parse_settings(text)
        options = broker_options(settings)
        findings = [f async for f in check_surroundings(settings, options, announced.append)]
    assert [finding.about for finding in findings] == [
        "user",
        "transmit",
        "position",
        "logbook",
        "disk",
        "clock",
        "broker",
        "tnc",
    ]
    assert {finding.grade for finding in findings[1:]} == {Grade.GOOD}
    assert announced == [
        f"the broker at 127.0.0.1:{mosquitto.port}",
        f"the TNC vhf at {served.url}",
    ]

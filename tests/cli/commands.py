"""Running commands as a person does, and what they need around them."""

import contextlib
import os
import select
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

from click.testing import CliRunner

from harness import Broker, missing, require_tool
from ridgepost import cli
from ridgepost.radio import ax25, kiss

BOUND_S = 20.0
"""For what should take a second at most."""


def unprivileged() -> list[str]:
    """Words in front of a command that make the system keep even root to file permissions."""
    if os.geteuid() != 0:
        return []
    return [str(require_tool("setpriv")), "--bounding-set=-dac_override,-dac_read_search"]


def command_line(*arguments: str | bytes) -> list[str | bytes]:
    return [sys.executable, "-m", "ridgepost", *arguments]


SET_BY_SOME = ("RIDGEPOST", "COLUMNS", "NO_COLOR", "FORCE_COLOR")


def environment(**more: str) -> dict[str, str]:
    """The environment of a person who has set nothing, in a terminal of 80 columns."""
    kept = {k: v for k, v in os.environ.items() if not k.startswith(SET_BY_SOME)}
    # Found from any folder, installed or not.
    source = str(Path(cli.__file__).parent.parent.parent)
    return kept | {"PYTHONUNBUFFERED": "1", "PYTHONPATH": source} | more


def ridgepost(
    *arguments: str | bytes,
    before: list[str] | None = None,
    folder: Path | None = None,
    **more: str,
) -> subprocess.CompletedProcess[str]:
    """A command in a process of its own, with nothing to read and no terminal."""
    return subprocess.run(
        [*(before or []), *command_line(*arguments)],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=BOUND_S,
        check=False,
        cwd=folder,
        env=environment(**more),
    )


def invoke(*arguments: str) -> subprocess.CompletedProcess[str]:
    """A command in this process; quicker, where nothing depends on the process."""
    result = CliRunner(env={"RIDGEPOST_SETTINGS": None, "COLUMNS": None}).invoke(
        cli.main, list(arguments)
    )
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exc_info
    return subprocess.CompletedProcess(
        arguments, result.exit_code, stdout=result.stdout, stderr=result.stderr
    )


def one_line(text: str) -> str:
    """The only line of an error; fails if there are more or it is no clear one."""
    (line,) = text.splitlines()
    assert line.startswith("ridgepost: ")
    assert "Traceback" not in line
    return line.removeprefix("ridgepost: ")


class Tnc:
    """A TNC of a few lines behind a TCP port: it notes what it is to transmit, and hears what it
    is told to. A context manager."""

    def __init__(self) -> None:
        self.transmitted: list[str] = []
        self.octets = b""
        self._arrived = threading.Condition()
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._server.getsockname()[1]
        self._hosts: list[socket.socket] = []
        self._thread = threading.Thread(target=self._serve)

    @property
    def url(self) -> str:
        return f"tcp://127.0.0.1:{self.port}"

    def __enter__(self) -> "Tnc":
        self._thread.start()
        return self

    def __exit__(self, *_error: object) -> None:
        # Wakes the thread out of accept() or recv().
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        with self._arrived:
            for host in self._hosts:
                with contextlib.suppress(OSError):
                    host.shutdown(socket.SHUT_RDWR)
        self._thread.join(BOUND_S)
        self._server.close()

    def hear(self, source: str, info: bytes, path: tuple[str, ...] = ()) -> None:
        """A frame arrives by radio."""
        frame = ax25.encode(ax25.Frame(source, "APZTST", path=path, info=info))
        with self._arrived:
            assert self._arrived.wait_for(lambda: self._hosts, BOUND_S), "no host is connected"
            for host in self._hosts:
                host.sendall(kiss.frame(0, kiss.DATA, frame))

    def wait_for_host(self) -> None:
        with self._arrived:
            assert self._arrived.wait_for(lambda: self._hosts, BOUND_S)

    def wait_for(self, text: str) -> str:
        """The first frame to be transmitted that holds `text`, in text form."""
        with self._arrived:

            def found() -> str:
                return next((frame for frame in self.transmitted if text in frame), "")

            self._arrived.wait_for(found, BOUND_S)
            assert found(), self.transmitted
            return found()

    def _serve(self) -> None:
        while True:
            try:
                host, _ = self._server.accept()
            except OSError:
                return
            with self._arrived:
                self._hosts.append(host)
                self._arrived.notify_all()
            with host:
                self._talk(host)
            with self._arrived:
                self._hosts.remove(host)

    def _talk(self, host: socket.socket) -> None:
        deframer = kiss.Deframer()
        while True:
            try:
                octets = host.recv(4096)
            except OSError:
                return
            if not octets:
                return
            with self._arrived:
                self.octets += octets
                self.transmitted += [
                    ax25.to_monitor(ax25.decode(frame.payload))
                    for frame in deframer.feed(octets)
                    if frame.command == kiss.DATA
                ]
                self._arrived.notify_all()


class Process:
    """A command that runs until it is ended. Its output can be waited for."""

    def __init__(self, *arguments: str, **more: str) -> None:
        self.process = subprocess.Popen(
            command_line(*arguments),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            env=environment(**more),
        )
        self.output = ""

    def wait_for(self, text: str, times: int = 1) -> str:
        """Read on until the output holds `text` so many times, and return all of it."""
        assert self.process.stdout is not None
        while self.output.count(text) < times:
            ready, _, _ = select.select([self.process.stdout], [], [], BOUND_S)
            octets = os.read(self.process.stdout.fileno(), 65536) if ready else b""
            if not octets:
                raise AssertionError(f"{text!r} did not come:\n{self.output}")
            self.output += octets.decode("utf-8")
        return self.output

    def end(self, by_signal: int) -> int:
        """End it; the exit status."""
        self.process.send_signal(by_signal)
        rest, _ = self.process.communicate(timeout=BOUND_S)
        self.output += rest.decode("utf-8")
        return self.process.returncode

    def put_away(self) -> None:
        """Whatever state it is in."""
        self.process.kill()
        self.process.communicate()


@contextlib.contextmanager
def running(*arguments: str, **more: str) -> Iterator[Process]:
    process = Process(*arguments, **more)
    try:
        yield process
    finally:
        process.put_away()


def write_station(
    folder: Path, tnc: str, broker: Broker | None, more: str = "", name: str = "ridgepost.toml"
) -> Path:
    """The settings of a station that may transmit."""
    path = folder / name
    bus = f'[bus]\nbroker = "mqtt://127.0.0.1:{broker.port}"\n' if broker else ""
    path.write_text(
        '[station]\ncallsign = "QZ1HUB-10"\ntransmit = true\n'
        "position = { latitude_deg = 61.5, longitude_deg = -149.2 }\n"
        f'[[tnc]]\nname = "vhf"\nlink = "{tnc}"\n'
        f'{bus}{more}[logbook]\nfolder = "log"\n',
        encoding="utf-8",
    )
    return path


def pseudo_terminal() -> tuple[int, int]:
    """Both ends of a terminal of 80 columns."""
    if sys.platform != "linux":
        missing("Linux")
    import fcntl
    import struct
    import termios

    ours, theirs = os.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    return ours, theirs

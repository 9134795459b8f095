"""What tests need from the world outside: tools that may be missing, and a real MQTT broker."""

import os
import select
import shutil
import socket
import subprocess
from pathlib import Path
from typing import NoReturn

import pytest

START_S = 10.0
"""How long a broker may take until it accepts connections (it takes about 20 ms)."""
STOP_S = 10.0
"""How long it may take to end when asked to."""


def missing(what: str) -> NoReturn:
    """Skips the test because `what` is missing, and fails it in CI, which must have everything."""
    if os.environ.get("CI"):
        pytest.fail(f"missing in CI: {what}", pytrace=False)
    pytest.skip(f"missing: {what}")


def require_tool(name: str) -> Path:
    """The path of a program; without it the test is skipped, and fails in CI."""
    # Debian keeps servers in /usr/sbin, which is not on the path of an ordinary user.
    found = shutil.which(name, path=f"{os.environ.get('PATH', os.defpath)}:/usr/sbin")
    return Path(found) if found else missing(f"the program {name} (./tests/run installs it)")


def free_port() -> int:
    """A TCP port of 127.0.0.1 that nobody listened on a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Broker:
    """A mosquitto on a port of 127.0.0.1 that stays the same when it is stopped and started again.

    Anyone may connect, nothing is kept on disk. `settings` are lines for its configuration file.
    """

    def __init__(self, program: Path, folder: Path, settings: str = "") -> None:
        self.port = free_port()
        self.program = program
        folder.mkdir(exist_ok=True)
        self._log = folder / "mosquitto.log"
        self._config = folder / "mosquitto.conf"
        self._config.write_text(
            f"listener {self.port} 127.0.0.1\n"
            "allow_anonymous true\n"
            "persistence false\n"
            "log_dest stderr\n"
            # As root it would change to a user of its own, who may not read this folder.
            "user root\n" + settings,
            encoding="utf-8",
        )
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def log(self) -> str:
        """What it has said so far, over all its starts."""
        return self._log.read_text(encoding="utf-8") if self._log.exists() else ""

    def start(self) -> None:
        """Starts it and returns once it accepts connections; RuntimeError when it does not."""
        if self._process is not None:
            raise RuntimeError("the broker runs already")
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ready, self._log.open("ab") as log:
            # It tells a supervisor that it is ready, as sd_notify(3) describes; binding to no name
            # gets an abstract address from the kernel, see unix(7).
            ready.bind("")
            address = ready.getsockname()
            self._process = subprocess.Popen(
                [self.program, "-c", self._config],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                env={**os.environ, "NOTIFY_SOCKET": "@" + address[1:].decode("ascii")},
            )
            ended = os.pidfd_open(self._process.pid)
            try:
                told, _, _ = select.select([ready.fileno(), ended], [], [], START_S)
            finally:
                os.close(ended)
            if ready.fileno() in told and ready.recv(4096).startswith(b"READY=1"):
                self._wait_until_served()
                return
        self.kill()
        raise RuntimeError(f"mosquitto did not start:\n{self.log}")

    def _wait_until_served(self) -> None:
        """Connects and waits for the answer.

        mosquitto 2.0 says that it is ready just before it enters its loop, and forgets a request to
        end that comes in between.
        """
        # MQTT 3.1.1, 3.1: CONNECT, clean session, keep alive 60 s, no client identifier.
        connect = b"\x10\x0c\x00\x04MQTT\x04\x02\x00\x3c\x00\x00"
        disconnect = b"\xe0\x00"
        with socket.create_connection(("127.0.0.1", self.port), timeout=START_S) as client:
            client.sendall(connect)
            if client.recv(1) != b"\x20":  # CONNACK
                raise RuntimeError(f"mosquitto does not answer:\n{self.log}")
            client.sendall(disconnect)

    def stop(self) -> None:
        """Ends it in an orderly way, as an administrator would."""
        self._end(by_force=False)

    def kill(self) -> None:
        """Ends it without warning, as a power cut would."""
        self._end(by_force=True)

    def _end(self, *, by_force: bool) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        if by_force:
            process.kill()
        else:
            process.terminate()
        try:
            process.wait(STOP_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
            raise

"""A station that runs, for the commands that talk to one."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from cli.commands import Process, Tnc, running, write_station
from harness import Broker, require_tool


class Site:
    """A station in a process of its own, its TNC and its broker."""

    def __init__(self, settings: Path, tnc: Tnc, broker: Broker, process: Process) -> None:
        self.settings = settings
        self.tnc = tnc
        self.broker = broker
        self.process = process

    @property
    def url(self) -> str:
        return f"mqtt://127.0.0.1:{self.broker.port}"

    @property
    def options(self) -> tuple[str, ...]:
        """How a command finds the station without its settings."""
        return ("--broker", self.url, "--station", "QZ1HUB-10")


def make_site(folder: Path) -> Iterator[Site]:
    broker = Broker(require_tool("mosquitto"), folder / "broker")
    broker.start()
    try:
        with Tnc() as tnc:
            settings = write_station(folder, tnc.url, broker)
            with running("run", str(settings)) as process:
                tnc.wait_for_host()
                process.wait_for("bus up")
                yield Site(settings, tnc, broker, process)
    finally:
        broker.kill()


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """One for all tests of a file."""
    yield from make_site(tmp_path_factory.mktemp("site"))


@pytest.fixture
def own_site(tmp_path: Path) -> Iterator[Site]:
    """One that the test may stop, or take the broker from."""
    yield from make_site(tmp_path)

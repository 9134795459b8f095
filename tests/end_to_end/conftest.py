"""A site for each test, with a real broker of its own."""

import contextlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from bus.schemas import complaint
from end_to_end.world import HUB, Site, World
from harness import Broker, free_port, require_tool


@contextlib.contextmanager
def site_with(folder: Path, settings: str = "") -> Iterator[Site]:
    """A site whose broker keeps sessions on disk, as Debian's does, so that the listener of the
    test misses nothing while the broker is stopped and started again."""
    keeping = f"persistence true\npersistence_location {folder}/\nset_tcp_nodelay true\n"
    broker = Broker(require_tool("mosquitto"), folder / "broker", keeping + settings)
    broker.start()
    try:
        site = Site(World(), folder, broker)
        try:
            yield site
            site.check()
            check_contract(site)
        finally:
            site.put_away()
    finally:
        broker.kill()


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with site_with(tmp_path) as site:
        yield site


@pytest.fixture
def websockets_port() -> int:
    return free_port()


@pytest.fixture
def site_on_the_web(tmp_path: Path, websockets_port: int) -> Iterator[Site]:
    """Its broker speaks to browsers as well."""
    listener = f"listener {websockets_port} 127.0.0.1\nprotocol websockets\n"
    with site_with(tmp_path, listener) as site:
        yield site


def check_contract(site: Site) -> None:
    """Whatever the station has published in a test keeps to the shipped schemas.

    Asks are by the test; an empty payload takes away what was retained.
    """
    base = f"ridgepost/{HUB}/"
    found = [
        complaint(event.topic, event.payload)
        for event in site.bus.events
        if event.topic.startswith(base) and not event.topic.startswith(f"{base}ask/")
        if event.payload is not None
    ]
    problems = [problem for problem in found if problem]
    if problems:
        pytest.fail("against the contract:\n" + "\n".join(problems[:10]), pytrace=False)

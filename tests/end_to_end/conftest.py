"""A site for each test, with a real broker of its own."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from bus.schemas import complaint
from end_to_end.world import HUB, Site, World
from harness import Broker, require_tool


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    """Its broker keeps sessions on disk, as Debian's does, so that the listener of the test misses
    nothing while the broker is stopped and started again."""
    keeping = f"persistence true\npersistence_location {tmp_path}/\nset_tcp_nodelay true\n"
    broker = Broker(require_tool("mosquitto"), tmp_path / "broker", keeping)
    broker.start()
    try:
        site = Site(World(), tmp_path, broker)
        try:
            yield site
            site.check()
            check_contract(site)
        finally:
            site.put_away()
    finally:
        broker.kill()


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

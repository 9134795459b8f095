"""A site for each test, with a real broker of its own."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from end_to_end.world import Site, World
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
        finally:
            site.put_away()
    finally:
        broker.kill()

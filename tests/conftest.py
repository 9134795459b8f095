"""What holds for every test: no task outlives it, and no error is logged that it did not expect.

(Warnings are errors too: see filterwarnings in pyproject.toml.)
"""

import asyncio
import gc
import inspect
import logging
import os
import signal
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from harness import Broker, require_tool

# A shell has what it starts in the background ignore Ctrl-C, and all that this starts in turn; the
# commands under test are to have it as a person's shell gives it.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

# No deadline anywhere: on a busy machine it fails tests for being slow once. In CI the examples are
# the same each time, so that a change is never blamed for what chance found.
settings.register_profile("dev", deadline=None)
settings.register_profile(
    "ci", deadline=None, derandomize=True, database=None, max_examples=100, print_blob=True
)
settings.register_profile("thorough", deadline=None, max_examples=5_000)
settings.load_profile("ci" if os.environ.get("CI") else "dev")


class _Collector(logging.Handler):
    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.records: list[logging.LogRecord] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.records.append(record)


@pytest.fixture(autouse=True)
def logged_errors() -> Iterator[list[logging.LogRecord]]:
    """The records of level ERROR and above so far. Any that is left at the end fails the test.

    A test that provokes an error looks at the list and then empties it.
    """
    collector = _Collector()
    root = logging.getLogger()
    root.addHandler(collector)
    yield collector.records
    root.removeHandler(collector)
    if collector.records:
        told = "\n".join(logging.Formatter().format(record) for record in collector.records)
        pytest.fail(f"errors were logged that the test did not expect:\n{told}", pytrace=False)


@pytest.fixture(autouse=True)
def _gates(request: pytest.FixtureRequest, logged_errors: list[logging.LogRecord]) -> None:
    """Puts the gate for tasks around the tests that run in an event loop, and only those."""
    function = getattr(request, "function", None)
    # hypothesis hides an async test behind an ordinary function.
    function = getattr(getattr(function, "hypothesis", None), "inner_test", function)
    if inspect.iscoroutinefunction(function):
        request.getfixturevalue("_no_task_outlives_the_test")


@pytest.fixture
async def _no_task_outlives_the_test() -> AsyncIterator[None]:
    yield
    # Set up before the test's own fixtures, so it ends after them: what still runs has no owner.
    left = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
    # An exception that nobody asked a task for is logged when the task is collected.
    gc.collect()
    if left:
        told = "\n".join(f"    {task!r}" for task in left)
        pytest.fail(f"tasks outlive the test:\n{told}", pytrace=False)


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Broker]:
    """A real broker that is running; the test may stop, kill and start it."""
    broker = Broker(require_tool("mosquitto"), tmp_path)
    broker.start()
    yield broker
    broker.stop()

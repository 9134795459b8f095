"""Running a command's coroutine."""

import asyncio
from collections.abc import Coroutine
from typing import Any, TypeVar

from ridgepost.background import BackgroundThreads

T = TypeVar("T")


def run(main: Coroutine[Any, Any, T]) -> T:
    """As `asyncio.run`, but a name server or a host that does not answer can't hold up the end."""
    with asyncio.Runner() as runner:
        runner.get_loop().set_default_executor(BackgroundThreads())
        return runner.run(main)

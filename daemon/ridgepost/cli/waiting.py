"""Says what is being waited for, on standard error, once that takes longer than two seconds."""

import asyncio
import contextlib
import sys
from collections.abc import Awaitable, Callable
from typing import Self, TextIO

import click

from ridgepost.cli.output import plain

PATIENCE_S = 2
"""Seconds until the first word."""

LONGEST_SILENCE_S = 60
"""Where nobody watches the line change, it is said again after 2, 4, 8 s and so on up to this."""

_TO_LINE_START = "\r\x1b[K"


class Waiting:
    """An asynchronous context manager around the waiting.

    `for_what` may be changed at any time, and is what is said. A person at a terminal sees one line
    with the seconds counted; otherwise a line is added now and then. What the command itself says
    meanwhile goes through `say`.
    """

    def __init__(
        self,
        for_what: str = "",
        *,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
        stream: TextIO | None = None,
    ) -> None:
        self.for_what = for_what
        self._sleep = sleep
        self._stream = stream or sys.stderr
        self._watched = self._stream is not None and self._stream.isatty()
        self._shown = False
        self._waited_s = 0
        self._task: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Self:
        self._task = asyncio.create_task(self._count())
        return self

    async def __aexit__(self, *_error: object) -> None:
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)
        self._clear()

    def begin(self, for_what: str) -> None:
        """Something else is waited for from now on."""
        self._clear()
        self.for_what = for_what
        self._waited_s = 0

    def say(self, text: str, *, err: bool = False) -> None:
        """A line of the command's own output (already fit for a terminal)."""
        self._clear()
        click.echo(text, err=err)

    async def _count(self) -> None:
        next_s = PATIENCE_S
        while True:
            await self._sleep(1)
            self._waited_s += 1
            if self._waited_s <= 1:
                next_s = PATIENCE_S
            if self._waited_s < next_s or not self.for_what:
                continue
            if self._watched:
                self._write(f"{_TO_LINE_START}waiting for {self._text()}")
                self._shown = True
            else:
                self._write(f"waiting for {self._text()}\n")
                next_s += min(next_s, LONGEST_SILENCE_S)

    def _text(self) -> str:
        return f"{plain(self.for_what)}: {self._waited_s} s"

    def _clear(self) -> None:
        if self._shown:
            self._write(_TO_LINE_START)
            self._shown = False

    def _write(self, text: str) -> None:
        with contextlib.suppress(OSError, ValueError, AttributeError):  # nobody is there to see it
            self._stream.write(text)
            self._stream.flush()

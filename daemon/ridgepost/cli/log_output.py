"""The service's own log: readable on a terminal, one JSON object a line otherwise."""

import logging
import os
import select
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, TextIO, cast

import structlog

from ridgepost.cli.output import json_line, plain

MAX_PIECES = 1000
"""Lines that wait for a reader of the log; more are counted and lost."""

LAST_LINES_S = 1.0
"""For how long the end of the program waits for a reader."""


@contextmanager
def logging_to_stdout() -> Iterator[None]:
    """Send everything to standard output."""
    watched = sys.stdout is not None and sys.stdout.isatty()
    renderer: Any = (
        structlog.dev.ConsoleRenderer(
            # https://no-color.org
            colors=not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb",
            # The others may print local variables, passwords among them.
            exception_formatter=structlog.dev.plain_traceback,
        )
        if watched
        else structlog.processors.JSONRenderer()
    )
    output = PatientOutput(sys.stdout, _note_for_people if watched else _note_for_programs)
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            # A person sees the day on the wall; a line is to fit 80 columns.
            structlog.processors.TimeStamper(fmt="%H:%M:%S" if watched else "iso", utc=True),
            structlog.processors.StackInfoRenderer(),
            structlog.processors.format_exc_info,
            _escape,
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        logger_factory=structlog.WriteLoggerFactory(cast("TextIO", output)),
    )
    try:
        yield
    finally:
        output.finish(LAST_LINES_S)


class PatientOutput:
    """A text stream for which nobody waits.

    A reader that has stopped (a terminal after Ctrl-S, a pager) must not stop the station, nor one
    that has gone end it: a thread of its own does the writing, and what finds no room is counted.
    """

    def __init__(self, stream: TextIO | None, note: Callable[[int], str]) -> None:
        """`note` is the line that tells how many were lost."""
        self._note = note
        self._file = -1 if stream is None else stream.fileno()
        self._encoding = "utf-8" if stream is None else stream.encoding
        self._pieces: deque[str] = deque()
        self._lost = 0
        self._changed = threading.Condition()
        self._finishing = stream is None
        self._thread = threading.Thread(target=self._work, name="ridgepost-log", daemon=True)
        self._thread.start()

    def write(self, text: str) -> int:
        """Take a piece of text, whole lines as a rule."""
        with self._changed:
            if self._finishing or len(self._pieces) >= MAX_PIECES:
                self._lost += 1
            else:
                self._pieces.append(text)
            self._changed.notify_all()
        return len(text)

    def flush(self) -> None:
        """Nothing to do: what is taken is written as soon as it can be."""

    def finish(self, timeout_s: float) -> None:
        """Take no more, and wait up to `timeout_s` for the rest to be written."""
        with self._changed:
            self._finishing = True
            self._changed.notify_all()
        self._thread.join(timeout_s)

    def _work(self) -> None:
        while True:
            with self._changed:
                while not self._pieces and not self._finishing:
                    self._changed.wait()
                if not self._pieces:
                    return
                text = "".join(self._pieces)
                lost, self._lost = self._lost, 0
                self._pieces.clear()
            if lost:
                text += f"{self._note(lost)}\n"
            try:
                self._write(text.encode(self._encoding, "backslashreplace"))
            except OSError:
                with self._changed:
                    self._finishing = True
                    self._pieces.clear()
                return

    def _write(self, octets: bytes) -> None:
        # Not through the stream: its lock, held by this thread, would hang the end of the program.
        while octets:
            try:
                octets = octets[os.write(self._file, octets) :]
            except BlockingIOError:  # somebody who shares the terminal has set it so
                select.select([], [self._file], [])


_LOST = "lines of this log were lost, since nobody read them"


def _note_for_people(count: int) -> str:
    return f"({count} {_LOST})"


def _note_for_programs(count: int) -> str:
    return json_line({"event": _LOST, "lines": count, "level": "warning"})


def _escape(_logger: Any, _method: str, event: Any) -> Any:
    """Text from the air may hold what a terminal would obey, or a line end."""
    escaped = {}
    for key, value in event.items():
        if key == "exception":
            escaped[key] = "\n".join(plain(line) for line in value.split("\n"))
        else:
            # The renderers show what is no text as Python or JSON writes it, escaped.
            escaped[key] = plain(value) if isinstance(value, str) else value
    return escaped

"""What all commands share: exit statuses, one-line errors, and text made safe for a terminal."""

import contextlib
import json
import os
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

if TYPE_CHECKING:
    from ridgepost.settings import SettingsError  # takes a third of the time of --help

USAGE = 2
FAILED = 1
BAD_SETTINGS = os.EX_CONFIG
"""78 of sysexits.h: the service manager does not restart on it."""

INTERRUPTED = 130
READER_GONE = 141
"""What a shell makes of a program that ended by SIGINT or SIGPIPE (common practice)."""


SETTINGS_FILE = click.Path(path_type=Path, readable=False)
"""The type of a parameter; what is wrong with the file is for whoever reads it to say."""


def fail(message: str, status: int = FAILED) -> NoReturn:
    """One line on standard error, and the end."""
    complain([message])
    sys.exit(status)


def fail_for_settings(error: "SettingsError") -> NoReturn:
    """A line for each mistake, and the end."""
    complain(error.problems)
    sys.exit(BAD_SETTINGS)


def complain(messages: Iterable[str]) -> None:
    """A line on standard error for each message."""
    for message in messages:
        # Whoever hears errors may be gone; the exit status tells the same.
        with contextlib.suppress(OSError):
            click.echo(f"ridgepost: {plain(message)}", err=True)


def plain(text: str) -> str:
    """Text from the air or the bus without anything that a terminal would act on.

    Control and format characters, direction marks and line ends become <0xNN> or <U+NNNN>.
    """
    if text.isprintable():
        return text
    return "".join(
        character if character.isprintable() else _named(character) for character in text
    )


def json_line(content: Any) -> str:
    """JSON on one line and in ASCII alone: the terminal of whoever looks at it obeys none of it."""
    return json.dumps(content, ensure_ascii=True, separators=(",", ":"))


def make_streams_safe() -> None:
    """Let no character raise that the terminal's alphabet lacks: it comes out as \\uNNNN."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)  # None: the stream is closed
        if reconfigure is not None:
            reconfigure(errors="backslashreplace")


def let_go_of_streams() -> None:
    """Whoever read the output has gone. What is left in the buffers goes nowhere, or Python would
    complain about it as it ends."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(OSError, ValueError, AttributeError):
            stream.flush()
            continue
        with contextlib.suppress(OSError, ValueError, AttributeError):
            os.dup2(nowhere, stream.fileno())


def _named(character: str) -> str:
    code = ord(character)
    return f"<0x{code:02X}>" if code < 0x100 else f"<U+{code:04X}>"

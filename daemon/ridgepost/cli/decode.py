"""`ridgepost decode`: frames that were kept somewhere, read and told."""

import sys
from collections.abc import Callable
from io import BufferedIOBase
from typing import Any, cast

import click

from ridgepost.aprs import decode
from ridgepost.cli import frames
from ridgepost.cli.output import USAGE, fail, json_line, plain
from ridgepost.cli.report_table import table_of
from ridgepost.radio.ax25 import Frame, to_monitor
from ridgepost.station.arrival import path_list

_FORMS = {"hex": frames.of_hex, "monitor": frames.of_monitor, "kiss": frames.of_kiss}

NOT_APRS = "not_aprs"
"""The kind of a frame that is AX.25 and no more."""


@click.command()
@click.argument("file", type=click.File("rb"), required=False)
@click.option(
    "--from",
    "form",
    type=click.Choice(list(_FORMS)),
    default="monitor",
    show_default=True,
    help="What comes: a frame a line, hexadecimal without FCS or as monitors show it; or the"
    " octets of a KISS TNC.",
)
@click.option(
    "--format",
    "shown",
    type=click.Choice(["json", "text"]),
    default="json",
    show_default=True,
    help="What is printed: a JSON object a frame, or a line for people.",
)
@click.option("--strict", is_flag=True, help="Refuse what departs from the standard, too.")
def command(file: BufferedIOBase | None, form: str, shown: str, strict: bool) -> None:
    """Read frames from a file, or from standard input, and tell what is in them: a line for each,
    in the same order.

    In JSON, ok is false for what is no AX.25 frame, and error says why. A frame whose information
    breaks the standard is of kind unreadable, with the reason and the octet.

    The exit status is 0, whatever was read, 1 if the input cannot be read to its end, and 2 if
    there is none.
    """
    line: Callable[[frames.Found, bool], str] = _text if shown == "text" else _json
    try:
        for found in _FORMS[form](file or _standard_input()):
            click.echo(line(found, strict))
    except BrokenPipeError:
        raise
    except OSError as error:
        fail(f"the input or the output broke off: {error.strerror or error}")


def _standard_input() -> BufferedIOBase:
    if sys.stdin is None or sys.stdin.isatty():
        fail("no input: give a file, or send frames to standard input", USAGE)
    return cast("BufferedIOBase", sys.stdin.buffer)


def _json(found: frames.Found, strict: bool) -> str:
    if isinstance(found, str):
        return json_line({"ok": False, "error": found})
    head: dict[str, Any] = {
        "ok": True,
        "source": found.source,
        "destination": found.destination,
        "path": path_list(found),
    }
    if not found.is_aprs:
        return json_line(head | {"kind": NOT_APRS, "frame_type": found.kind, "departures": []})
    report = decode(found.info, found.source, found.destination, strict=strict)
    return json_line(head | table_of(report))


def _text(found: frames.Found, strict: bool) -> str:
    if isinstance(found, str):
        return f"{'-':9}  {'no frame':16}  {plain(found)}"
    kind, text = NOT_APRS, f"{found.kind} frame"
    if found.is_aprs:
        kind, text = _told(found, strict)
    return f"{found.source:9}  {kind:16}  {plain(text)}".rstrip()


def _told(frame: Frame, strict: bool) -> tuple[str, str]:
    from ridgepost.cli.lines import report_text

    report = decode(frame.info, frame.source, frame.destination, strict=strict)
    text = report_text(report.kind, table_of(report), to_monitor(frame))
    return report.kind, text.removeprefix(f"{report.kind}: ")

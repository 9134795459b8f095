"""What people type for the commands that ask something of a station."""

import math
from collections.abc import Callable

import click

from ridgepost.radio.callsign import CallsignError
from ridgepost.settings import typed_callsign, typed_tactical

TextCallback = Callable[[click.Context, click.Parameter, tuple[str, ...]], str]
SecondsCallback = Callable[[click.Context, click.Parameter, str | None], float | None]


def words(limit: int) -> TextCallback:
    """A text of at most `limit` characters; words without quotes are joined."""

    def joined(_context: click.Context, _parameter: click.Parameter, value: tuple[str, ...]) -> str:
        text = " ".join(value)
        try:
            text.encode()
        except UnicodeEncodeError:
            raise click.BadParameter("not UTF-8 text") from None
        if len(text) > limit:
            raise click.BadParameter(f"{len(text)} characters, at most {limit} may be sent")
        return text

    return joined


def seconds(longest_s: float) -> SecondsCallback:
    """A time from 1 second to `longest_s`."""

    def checked(
        _context: click.Context, _parameter: click.Parameter, value: str | None
    ) -> float | None:
        if value is None:
            return None
        try:
            number = float(value)
        except ValueError:
            number = math.nan
        if not 1 <= number <= longest_s:  # which a NaN is not either
            raise click.BadParameter(f"expected 1 to {longest_s:.0f} seconds")
        return number

    return checked


def callsign(_context: click.Context, _parameter: click.Parameter, value: str) -> str:
    """A callsign in its one form."""
    try:
        return typed_callsign(value)
    except CallsignError as error:
        raise click.BadParameter(f"expected a callsign such as QZ1SAG-9: {error.detail}") from None


def tactical(_context: click.Context, _parameter: click.Parameter, value: str | None) -> str:
    """A tactical call in its one form; '' for none."""
    if not value:
        return ""
    try:
        return typed_tactical(value)
    except ValueError as error:
        raise click.BadParameter(str(error)) from None


def in_capitals(_context: click.Context, _parameter: click.Parameter, value: str) -> str:
    """The name of a station, which is a callsign or a tactical call."""
    return value.upper() if value.isascii() else value

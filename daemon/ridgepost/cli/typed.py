"""What people type for the commands that ask something of a station."""

import math
from collections.abc import Callable

import click

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

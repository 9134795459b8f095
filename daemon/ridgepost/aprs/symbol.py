"""Symbols in the information field: a table or overlay, and a code from it (APRS 1.2c ch. 21)."""

import re

from ridgepost.aprs.text import is_graphic

# a-j stand for overlaid digits in compressed positions only.
_TABLE = re.compile(rb"[/\\0-9A-Z]")


def is_symbol_table(octet: bytes) -> bool:
    """Say whether `octet` is one of the two tables, or an overlay for the alternate one."""
    return bool(_TABLE.fullmatch(octet))


def is_symbol_code(octet: bytes) -> bool:
    """Say whether `octet` can name a symbol of a table."""
    return len(octet) == 1 and is_graphic(octet)

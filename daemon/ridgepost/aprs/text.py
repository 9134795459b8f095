"""Text in an information field: octets to characters without loss, and what spoils a text."""

import re
import unicodedata

from ridgepost.aprs.parts import TextEncoding
from ridgepost.aprs.report import Departure

# Characters of a message or bulletin (APRS 1.2c ch. 14). Longer ones are heard, and read.
MAX_TEXT = 67

_GRAPHIC = bytes(range(0x21, 0x7F))
_LINE_END = b"\r\n"
_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f]")

# Control characters, lone surrogates, and the two separators that end a line or a paragraph.
_UNPRINTABLE = frozenset({"Cc", "Cs", "Zl", "Zp"})


def read_text(octets: bytes) -> tuple[str, TextEncoding]:
    """Read UTF-8, or else Latin-1, in which each octet is one character."""
    try:
        return octets.decode("utf-8"), "utf-8"
    except UnicodeDecodeError:
        return octets.decode("latin-1"), "latin-1"


def without_line_end(octets: bytes) -> tuple[bytes, tuple[Departure, ...]]:
    """Take off trailing CR and LF, which must not be sent (APRS 1.2c ch. 5, Comment Field)."""
    kept = octets.rstrip(_LINE_END)
    return kept, ("trailing_line_end",) if len(kept) < len(octets) else ()


def text_departures(text: str, limit: int | None, too_long: Departure) -> tuple[Departure, ...]:
    """List what is wrong with a text for people of at most `limit` characters (None: no limit)."""
    found: tuple[Departure, ...] = ()
    if limit is not None and len(text) > limit:
        found += (too_long,)
    if not text.isprintable() and _CONTROL.search(text):
        found += ("control_characters",)
    return found


def is_printable(text: str) -> bool:
    """Say whether every character may be sent: printable ASCII or UTF-8 (APRS 1.2c ch. 14)."""
    if text.isascii():
        return text.isprintable()
    return all(unicodedata.category(character) not in _UNPRINTABLE for character in text)


def is_graphic(octets: bytes) -> bool:
    """Say whether all octets are printable ASCII other than the blank."""
    return not octets.translate(None, _GRAPHIC)

"""Base 91: numbers in the printable characters `!` to `{` (APRS 1.2c ch. 5, Base-91 Notation)."""

from typing import Final

BASE: Final = 91

_ZERO: Final = ord("!")
_LAST: Final = _ZERO + BASE - 1


def encode_base91(value: int, width: int) -> bytes:
    """Write `value` in `width` digits, the first the most significant.

    Raises ValueError for a value that does not fit.
    """
    if not 0 <= value < BASE**width:
        raise ValueError(f"{value} does not fit into {width} base-91 digits")
    digits = bytearray(width)
    for at in reversed(range(width)):
        value, digit = divmod(value, BASE)
        digits[at] = _ZERO + digit
    return bytes(digits)


def decode_base91(octets: bytes) -> int | None:
    """Read digits, the first the most significant; None if an octet is none (or there is none)."""
    if not octets:
        return None
    value = 0
    for octet in octets:
        if not _ZERO <= octet <= _LAST:
            return None
        value = value * BASE + octet - _ZERO
    return value

"""The destination address of a Mic-E packet (APRS 1.2c ch. 10, Destination Address Field).

Each of the six characters is a digit of the latitude, or a blanked one, and one bit: three bits for
the position comment, then one each for north, 100 degrees of longitude, and west.
"""

import functools
import itertools
from typing import Final, Literal

import msgspec

from ridgepost.aprs.coordinates import LATITUDE, Coordinate, read_coordinate
from ridgepost.aprs.packet import Broken
from ridgepost.aprs.writing import EncodeError

_LENGTH: Final = 6
_COMMENT_LENGTH: Final = 3

# Families of characters by what their bit is: ten digits in order, and the blanked one. A set bit
# of the position comment is a standard or a custom one, of the rest always standard.
_CLEAR, _STANDARD, _CUSTOM = "0", "S", "C"
_DIGITS: Final = "0123456789 "
_FAMILIES: Final = {_CLEAR: "0123456789L", _STANDARD: "PQRSTUVWXYZ", _CUSTOM: "ABCDEFGHIJK"}

_MEANINGS: Final = {
    character: (digit, bit)
    for bit, family in _FAMILIES.items()
    for character, digit in zip(family, _DIGITS, strict=True)
}

_UNKNOWN: Final = "UNKNOWN"

# Position Comment Types, M0 first.
_WORDS: Final = (
    "Off Duty",
    "En Route",
    "In Service",
    "Returning",
    "Committed",
    "Special",
    "Priority",
)


class PositionComment(msgspec.Struct, frozen=True, kw_only=True):
    """What the sender is doing, by three bits.

    The code is M0 to M6, C0 to C6 or EMERGENCY. Where standard and custom bits contradict each
    other it is UNKNOWN, the type is mixed, and there is no word.
    """

    code: str
    word: str | None = None
    type: Literal["standard", "custom", "emergency", "mixed"]
    bits_abc: str


class Destination(msgspec.Struct, frozen=True, kw_only=True):
    """What the six characters say.

    The longitude has as many blanked digits as the latitude.
    """

    latitude: Coordinate
    longitude_offset_deg: int
    longitude_west: bool
    position_comment: PositionComment


# Who stands still sends the same again and again; one entry takes about 600 octets.
@functools.lru_cache(maxsize=1024)
def read_destination(address: str) -> Destination:
    """Read a destination address; an SSID is left aside, being a path. Raises Broken."""
    characters, _, _ = address.partition("-")
    if len(characters) != _LENGTH:
        raise Broken("destination", 0)
    digits = bits = ""
    for character in characters:
        meaning = _MEANINGS.get(character)
        if not meaning:
            raise Broken("destination", 0)
        digits += meaning[0]
        bits += meaning[1]
    if _CUSTOM in bits[_COMMENT_LENGTH:]:
        raise Broken("destination", 0)
    letter = LATITUDE.positive if bits[3] == _STANDARD else LATITUDE.negative
    field = f"{digits[:4]}.{digits[4:]}{letter}".encode()
    return Destination(
        latitude=read_coordinate(LATITUDE, field, 0),
        longitude_offset_deg=100 if bits[4] == _STANDARD else 0,
        longitude_west=bits[5] == _STANDARD,
        position_comment=_COMMENTS[bits[:_COMMENT_LENGTH]],
    )


def write_destination(
    latitude_field: bytes, position_comment_code: str, *, longitude_offset: bool, west: bool
) -> str:
    """Write the address from a latitude as an uncoded position has it.

    Raises EncodeError for a code that there is not.
    """
    comment_bits = _BITS.get(position_comment_code)
    if not comment_bits:
        raise EncodeError("position_comment", f"one of {', '.join(_BITS)}")
    text = latitude_field.decode()
    flags = (text.endswith(LATITUDE.positive), longitude_offset, west)
    bits = comment_bits + "".join(_STANDARD if flag else _CLEAR for flag in flags)
    digits = text[:4] + text[5:7]
    return "".join(
        _FAMILIES[bit][_DIGITS.index(digit)] for digit, bit in zip(digits, bits, strict=True)
    )


def _comment(bits: str) -> PositionComment:
    kinds = set(bits) - {_CLEAR}
    plain = "".join("0" if bit == _CLEAR else "1" for bit in bits)
    if not kinds:
        return PositionComment(
            code="EMERGENCY",
            word="Emergency",
            type="emergency",
            bits_abc=plain,
        )
    if len(kinds) > 1:
        return PositionComment(code=_UNKNOWN, type="mixed", bits_abc=plain)
    # 111 is the first and 001 the last; 000 is the emergency.
    number = 0b111 - int(plain, 2)
    standard = kinds == {_STANDARD}
    return PositionComment(
        code=f"M{number}" if standard else f"C{number}",
        word=_WORDS[number] if standard else f"Custom-{number}",
        type="standard" if standard else "custom",
        bits_abc=plain,
    )


_COMMENTS: Final = {
    bits: _comment(bits)
    for bits in map("".join, itertools.product(_FAMILIES, repeat=_COMMENT_LENGTH))
}

_BITS: Final = {
    comment.code: bits for bits, comment in _COMMENTS.items() if comment.code != _UNKNOWN
}

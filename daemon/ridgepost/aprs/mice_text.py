"""What follows the ninth octet of Mic-E (APRS 1.2c ch. 10, Mic-E Status Text).

An octet for the type of sender, an altitude, a locator, then the comment of a position, and the
rest of the type. Or, long ago, telemetry.
"""

import re
from typing import Final

import msgspec

from ridgepost.aprs.base91 import BASE, decode_base91, encode_base91
from ridgepost.aprs.locator import read_locator
from ridgepost.aprs.writing import EncodeError

# The altitude counts metres from 10 km below sea level.
_ALTITUDE_DIGITS: Final = 3
_ALTITUDE_LENGTH: Final = 4
_LOWEST_ALTITUDE_M: Final = -10_000
_HIGHEST_ALTITUDE_M: Final = BASE**_ALTITUDE_DIGITS - 1 + _LOWEST_ALTITUDE_M

# What the first octet says goes on at the very end. After ` and ' these are two octets; that the
# first is no letter or digit is common practice, and keeps words whole that end without a type. The
# end of telemetry, precision or an altitude is none.
_SINGLE_SUFFIX = re.compile(rb"[=^&]\Z")
_DOUBLE_SUFFIX = re.compile(rb"[!-/:-@\[-`{-~][ \"-z~]\Z")
_SUFFIXES: Final = {
    b">": _SINGLE_SUFFIX,
    b"]": _SINGLE_SUFFIX,
    b"`": _DOUBLE_SUFFIX,
    b"'": _DOUBLE_SUFFIX,
}

# A locator with its symbol; a text after it starts with a blank.
_LOCATOR = re.compile(rb"([A-Ra-r]{2}[0-9]{2}(?:[A-Xa-x]{2})?)/G(?: |\Z)")

# Telemetry as it was before the type octets: all that there is (a type has a suffix as well), in
# hexadecimal, or for beta units in binary.
_TWO_CHANNELS = re.compile(rb"`([0-9A-F]{2})([0-9A-F]{2})")
_FIVE_CHANNELS = re.compile(rb"'([0-9A-F]{10})")
_BINARY_FLAG: Final = b"\x1d"
_CHANNELS: Final = 5


class MiceText(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The parts of the text; `rest` is what is left in the middle, the comment of a position."""

    type_prefix: str = ""
    type_suffix: str = ""
    altitude_m: int | None = None
    grid: str | None = None
    telemetry: tuple[int, ...] | None = None
    rest: bytes = b""


def read_mice_text(octets: bytes) -> MiceText:
    """Take the text apart. `octets` are all after the ninth, without a line end."""
    telemetry, length = _read_telemetry(octets)
    if telemetry:
        return MiceText(telemetry=telemetry, rest=octets[length:])
    prefix = octets[:1]
    suffix_form = _SUFFIXES.get(prefix)
    at = len(prefix) if suffix_form else 0
    altitude_m = _read_altitude(octets, at)
    if altitude_m is None and at:
        # The first digit of an altitude can look like a type.
        altitude_m = _read_altitude(octets, 0)
        if altitude_m is not None:
            suffix_form, at = None, 0
    if altitude_m is not None:
        at += _ALTITUDE_LENGTH
    end = len(octets)
    suffix = suffix_form.search(octets, max(at, end - 2)) if suffix_form else None
    if suffix:
        end = suffix.start()
    grid = None
    located = _LOCATOR.match(octets, at, end)
    locator = read_locator(located[1]) if located else None
    if located and locator:
        grid, at = locator.grid, located.end()
    return MiceText(
        type_prefix=prefix.decode() if suffix_form else "",
        type_suffix=suffix[0].decode() if suffix else "",
        altitude_m=altitude_m,
        grid=grid,
        rest=octets[at:end],
    )


def write_mice_text(text: MiceText) -> bytes:
    """Put type, altitude and rest together. Raises EncodeError, also if it reads as otherwise."""
    octets = text.rest
    if text.altitude_m is not None:
        if not _LOWEST_ALTITUDE_M <= text.altitude_m <= _HIGHEST_ALTITUDE_M:
            raise EncodeError("altitude", f"{text.altitude_m} m cannot be written")
        value = text.altitude_m - _LOWEST_ALTITUDE_M
        octets = encode_base91(value, _ALTITUDE_DIGITS) + b"}" + octets
    types = text.type_prefix + text.type_suffix
    if not types.isascii():
        raise EncodeError("illegal_character", "a type has printable ASCII characters")
    octets = text.type_prefix.encode() + octets + text.type_suffix.encode()
    read = read_mice_text(octets)
    if (read.type_prefix, read.type_suffix, read.altitude_m, read.telemetry) != (
        text.type_prefix,
        text.type_suffix,
        text.altitude_m,
        None,
    ):
        raise EncodeError("misread", "the text would be read as a type, altitude or telemetry")
    return octets


def _read_altitude(octets: bytes, at: int) -> int | None:
    digits_end = at + _ALTITUDE_DIGITS
    if octets[digits_end : digits_end + 1] != b"}":
        return None
    value = decode_base91(octets[at:digits_end])
    return None if value is None else value + _LOWEST_ALTITUDE_M


def _read_telemetry(octets: bytes) -> tuple[tuple[int, ...] | None, int]:
    """Return the values of all five channels, and how long the field is."""
    if octets.startswith(_BINARY_FLAG) and len(octets) > _CHANNELS:
        return tuple(octets[1 : 1 + _CHANNELS]), 1 + _CHANNELS
    if found := _FIVE_CHANNELS.fullmatch(octets):
        return tuple(bytes.fromhex(found[1].decode())), len(octets)
    if found := _TWO_CHANNELS.fullmatch(octets):
        return (int(found[1], 16), 0, int(found[2], 16), 0, 0), len(octets)
    return None, 0

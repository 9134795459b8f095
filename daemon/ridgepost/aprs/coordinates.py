"""Latitude and longitude in degrees, minutes and hundredths (APRS 1.2c ch. 6).

Angles are counted in whole hundredths of a minute here, so that no rounding can lose a digit.
"""

import math

import msgspec

from ridgepost.aprs.packet import Broken
from ridgepost.aprs.report import BrokenReason, Departure
from ridgepost.aprs.writing import EncodeError, EncodeReason

HUNDREDTHS_PER_DEG = 60 * 100
_MINUTE_DIGITS = 10_000  # minutes and hundredths are the last four digits

# What a blanked digit leaves open: hundredths of a minute by the number of blanked digits, and the
# radius in nautical miles that goes with it.
_SPAN = (1, 10, 100, 1000, HUNDREDTHS_PER_DEG)
AMBIGUITY_NM = (None, 0.1, 1.0, 10.0, 60.0)
MOST_BLANKS = 4

# A product with 6000 is right to this.
_FLOAT_ERROR = 1e-6


class Axis(msgspec.Struct, frozen=True, kw_only=True):
    """What differs between latitude and longitude; `limit` is in hundredths of a minute."""

    length: int  # octets of the field: degrees, mm.hh and the hemisphere letter
    degree_digits: int
    limit: int
    positive: str
    negative: str
    zero: str  # the letter of the null position
    range_reason: BrokenReason
    encode_reason: EncodeReason


LATITUDE = Axis(
    length=8,
    degree_digits=2,
    limit=90 * HUNDREDTHS_PER_DEG,
    positive="N",
    negative="S",
    zero="N",
    range_reason="latitude_range",
    encode_reason="latitude_range",
)
LONGITUDE = Axis(
    length=9,
    degree_digits=3,
    limit=180 * HUNDREDTHS_PER_DEG,
    positive="E",
    negative="W",
    zero="W",
    range_reason="longitude_range",
    encode_reason="longitude_range",
)


class Coordinate(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One field as written: the angle, its hemisphere, and how many of its digits are blanked.

    What stands in the place of blanked digits does not matter: see `degrees` and `box`.
    """

    axis: Axis
    hundredths: int
    negative: bool
    blanks: int
    departures: tuple[Departure, ...] = ()


class Box(msgspec.Struct, frozen=True, kw_only=True):
    """What blanked digits leave open, in decimal degrees, north and east positive."""

    mid_deg: float
    min_deg: float
    max_deg: float


def read_coordinate(axis: Axis, field: bytes, offset: int) -> Coordinate:
    """Read one latitude or longitude; `offset` is its place in the information field.

    Raises Broken.
    """
    if len(field) < axis.length:
        raise Broken("too_short", offset + len(field))
    point = axis.degree_digits + 2
    if field[point] != ord("."):
        raise Broken("format", offset + point)
    digits = field[:point] + field[point + 1 : -1]
    blanks = 0
    if not digits.isdigit():
        known = digits.rstrip(b" ")
        blanks = len(digits) - len(known)
        if blanks > MOST_BLANKS or b" " in known:
            raise Broken("ambiguity_not_trailing", offset)
        if not known.isdigit():
            raise Broken("format", offset)
        digits = known.ljust(len(digits), b"0")
    letter = chr(field[-1])
    hemisphere = letter.upper()
    if hemisphere not in (axis.positive, axis.negative):
        raise Broken("hemisphere_letter", offset + axis.length - 1)
    whole, minutes = divmod(int(digits), _MINUTE_DIGITS)
    if minutes >= HUNDREDTHS_PER_DEG:
        raise Broken("minutes_range", offset + axis.degree_digits)
    hundredths = whole * HUNDREDTHS_PER_DEG + minutes
    if hundredths > axis.limit:
        raise Broken(axis.range_reason, offset)
    return Coordinate(
        axis=axis,
        hundredths=hundredths,
        negative=hemisphere == axis.negative,
        blanks=blanks,
        departures=() if letter == hemisphere else ("lower_case_hemisphere",),
    )


def plain_hundredths(axis: Axis, digits: bytes) -> int | None:
    """The angle of a field with all its digits, such as b'4903.50'; None if there is none such."""
    whole, minutes = divmod(int(digits[:-3] + digits[-2:]), _MINUTE_DIGITS)
    hundredths = whole * HUNDREDTHS_PER_DEG + minutes
    return hundredths if minutes < HUNDREDTHS_PER_DEG and hundredths <= axis.limit else None


def degrees(coordinate: Coordinate, blanks: int) -> float:
    """Return decimal degrees, with the last `blanks` digits read as 0."""
    return _degrees(coordinate, _lowest(coordinate, blanks) if blanks else coordinate.hundredths)


def box(coordinate: Coordinate, blanks: int) -> Box:
    """Return what is left open when the last `blanks` digits are not known.

    The edges are the lowest and the highest hundredth that fit the digits sent; the middle is that
    of the digit range (APRS 1.2c ch. 6, Position Ambiguity). No box reaches past a pole or the date
    line.
    """
    low = _lowest(coordinate, blanks)
    limit = coordinate.axis.limit
    span = _SPAN[blanks]
    edges = sorted((_degrees(coordinate, low), _degrees(coordinate, min(low + span - 1, limit))))
    return Box(
        mid_deg=_degrees(coordinate, min(low + span / 2, (low + limit) / 2)),
        min_deg=edges[0],
        max_deg=edges[1],
    )


def write_coordinate(axis: Axis, value_deg: float, blanks: int = 0, added_min: float = 0.0) -> str:
    """Write decimal degrees, rounded to hundredths of a minute; 0 is written as north and west.

    The last `blanks` digits are left out. `added_min` is what a reader adds to the minutes, so it
    is not written. Raises EncodeError.
    """
    check_range(axis, value_deg)
    size = max(abs(value_deg) * HUNDREDTHS_PER_DEG - added_min * 100, 0.0)
    hundredths = round(size)
    letter = _letter(axis, value_deg if hundredths or added_min else 0.0)
    return _write(axis, hundredths, letter, blanks)


def write_precise_coordinate(axis: Axis, value_deg: float) -> tuple[str, float]:
    """Write decimal degrees, and return them with the minutes that are left, from 0 to 0.01.

    Raises EncodeError.
    """
    check_range(axis, value_deg)
    size = abs(value_deg) * HUNDREDTHS_PER_DEG
    hundredths = math.floor(size + _FLOAT_ERROR)
    text = _write(axis, hundredths, _letter(axis, value_deg), 0)
    return text, max(size - hundredths, 0.0) / 100


def check_range(axis: Axis, value_deg: float) -> float:
    """Return an angle in degrees if it is one on this axis. Raises EncodeError."""
    limit_deg = axis.limit // HUNDREDTHS_PER_DEG
    if not math.isfinite(value_deg) or abs(value_deg) > limit_deg:
        raise EncodeError(
            axis.encode_reason, f"{value_deg} is not from {-limit_deg} to {limit_deg}"
        )
    return value_deg


def _letter(axis: Axis, value_deg: float) -> str:
    if value_deg:
        return axis.positive if value_deg > 0 else axis.negative
    return axis.zero


def _write(axis: Axis, hundredths: int, letter: str, blanks: int) -> str:
    whole, minutes = divmod(hundredths, HUNDREDTHS_PER_DEG)
    digits = f"{whole:0{axis.degree_digits}d}{minutes:04d}"
    shown = digits[: len(digits) - blanks].ljust(len(digits))
    return f"{shown[:-2]}.{shown[-2:]}{letter}"


def _lowest(coordinate: Coordinate, blanks: int) -> int:
    return coordinate.hundredths - coordinate.hundredths % HUNDREDTHS_PER_DEG % _SPAN[blanks]


def _degrees(coordinate: Coordinate, hundredths: float) -> float:
    # "0000.00S" is 0.0 too, not -0.0.
    signed = -hundredths if coordinate.negative and hundredths else hundredths
    return signed / HUNDREDTHS_PER_DEG

"""Compressed positions: thirteen octets for place, symbol and motion (APRS 1.2c ch. 9)."""

import math
import re
from typing import Final

import msgspec

from ridgepost.aprs.base91 import BASE, decode_base91, encode_base91
from ridgepost.aprs.coordinates import LATITUDE, LONGITUDE, check_range
from ridgepost.aprs.extension import CourseSpeed, in_circle, power_code
from ridgepost.aprs.packet import Broken
from ridgepost.aprs.parts import Compression, RadioRange
from ridgepost.aprs.report import BrokenReason, Departure
from ridgepost.aprs.writing import EncodeError

LENGTH: Final = 13

# Where things are in the thirteen octets; the table is the first of them.
LATITUDE_AT: Final = 1
LONGITUDE_AT: Final = 5
CODE_AT: Final = 9
_MOTION_AT: Final = 10
_TYPE_AT: Final = 12

# A symbol table where a latitude would start. Digits of an overlay are a to j, so that they are no
# latitude (ch. 21).
_TABLE = re.compile(rb"[/\\A-Za-j]")
_LETTER_OF: Final = dict(zip("0123456789", "abcdefghij", strict=True))
_DIGIT_OF: Final = {letter: digit for digit, letter in _LETTER_OF.items()}

_LATITUDE_SCALE: Final = 380926
_LONGITUDE_SCALE: Final = 190463
_LAST: Final = 180 * _LATITUDE_SCALE  # a pole, and 360 degrees of longitude just as well

_COURSE_STEP_DEG: Final = 4.0
_COURSE_STEPS: Final = 90
_SPEED_BASE: Final = 1.08
_RANGE_BASE: Final = 1.08
_RANGE_SMALLEST_MILES: Final = 2.0
_ALTITUDE_BASE: Final = 1.002
_RANGE_CODE: Final = b"{"
_NO_MOTION: Final = b" "
_FILLED_UP: Final = b" sT"  # as the examples of ch. 9: the last two mean nothing then
_LAST_DIGIT: Final = BASE - 1

# A product with one of the scales is right to this.
_FLOAT_ERROR: Final = 1e-6

_FIX_BIT: Final = 0x20
_ORIGIN_BITS: Final = 0x07
_SOURCES: Final = ("other", "GLL", "GGA", "RMC")
_ALTITUDE_SOURCE: Final = "GGA"
_OURS: Final = Compression(
    compression_fix="current", compression_source="other", compression_origin_code=2
)


class Motion(msgspec.Struct, frozen=True, kw_only=True):
    """What the last three octets say: at most one of motion, range and altitude, and the origin."""

    course_speed: CourseSpeed | None = None
    radio_range: RadioRange | None = None
    altitude_ft: float | None = None
    compression: Compression | None = None
    departures: tuple[Departure, ...] = ()


_UNMOVED: Final = Motion()


def is_compressed(info: bytes, start: int) -> bool:
    """Say whether a place at `start` is compressed: it starts with a symbol table."""
    return bool(_TABLE.match(info, start))


def overlay_of(table: str) -> str | None:
    """Return the character over the symbol that a symbol table octet asks for, if it does."""
    return _DIGIT_OF.get(table, table) if table.isalnum() else None


def read_latitude(info: bytes, start: int) -> float:
    """Read the latitude of the compressed position at `start`, in degrees. Raises Broken."""
    at = start + LATITUDE_AT
    return 90 - _read_angle(info, at, "latitude_range") / _LATITUDE_SCALE


def read_longitude(info: bytes, start: int) -> float:
    """Read the longitude of the compressed position at `start`, in degrees. Raises Broken."""
    at = start + LONGITUDE_AT
    return _read_angle(info, at, "longitude_range") / _LONGITUDE_SCALE - 180


def read_motion(info: bytes, start: int) -> Motion:
    """Read the last three octets, csT, of the compressed position at `start`.

    They say nothing where the first is a blank, or where one of them is no base-91 digit.
    """
    if info[start + _MOTION_AT : start + _MOTION_AT + 1] == _NO_MOTION:
        return _UNMOVED
    both = info[start + _MOTION_AT : start + _TYPE_AT]
    value = decode_base91(both)
    type_value = decode_base91(info[start + _TYPE_AT : start + LENGTH])
    if value is None or type_value is None:
        return Motion(departures=("compressed_motion",))
    compression = read_type(type_value)
    if compression.compression_source == _ALTITUDE_SOURCE:
        return Motion(altitude_ft=_ALTITUDE_BASE**value, compression=compression)
    first, second = divmod(value, BASE)
    if both[:1] == _RANGE_CODE:
        miles = _RANGE_SMALLEST_MILES * _RANGE_BASE**second
        return Motion(radio_range=RadioRange(range_miles=miles), compression=compression)
    course_speed = CourseSpeed(
        course_deg=first * _COURSE_STEP_DEG,
        speed_knots=_SPEED_BASE**second - 1,
        fixed=first == 0,
    )
    return Motion(course_speed=course_speed, compression=compression)


def read_type(value: int) -> Compression:
    """Read the value of the type octet."""
    return Compression(
        compression_fix="current" if value & _FIX_BIT else "old",
        compression_source=_SOURCES[value >> 3 & 3],
        compression_origin_code=value & _ORIGIN_BITS,
    )


def write_table(table: str) -> bytes:
    """Write a symbol table, or an overlay as itself or as its letter. Raises EncodeError."""
    octet = _LETTER_OF.get(table, table)
    if not octet.isascii() or not _TABLE.fullmatch(octet.encode()):
        raise EncodeError("symbol_table", "one of / and \\, or an overlay from 0-9 and A-Z")
    return octet.encode()


def write_coordinates(latitude_deg: float, longitude_deg: float) -> bytes:
    """Write latitude and longitude in eight octets, cut off to about a foot. Raises EncodeError."""
    from_pole_deg = 90 - check_range(LATITUDE, latitude_deg)
    eastward_deg = 180 + check_range(LONGITUDE, longitude_deg)
    return _write_angle(from_pole_deg * _LATITUDE_SCALE) + _write_angle(
        eastward_deg * _LONGITUDE_SCALE
    )


def write_motion(motion: Motion) -> bytes:
    """Write the last three octets: course and speed, range or altitude, or that there is nothing.

    Rounded to what the format can tell. A `compression` that is not given says that the fix is
    current, and that a program wrote the position. Raises EncodeError.
    """
    told = (motion.course_speed, motion.radio_range, motion.altitude_ft)
    if told.count(None) < len(told) - 1:
        raise EncodeError("extension", "one of course and speed, range and altitude only")
    if motion.altitude_ft is not None:
        both = _write_altitude(motion.altitude_ft)
    elif motion.radio_range is not None:
        both = _write_range(motion.radio_range)
    elif motion.course_speed is not None:
        both = _write_course_speed(motion.course_speed)
    else:
        return _FILLED_UP
    compression = motion.compression or _OURS
    if (compression.compression_source == _ALTITUDE_SOURCE) != (motion.altitude_ft is not None):
        raise EncodeError("extension", "the source GGA goes with an altitude, and only it does")
    return both + encode_base91(type_value(compression), 1)


def type_value(compression: Compression) -> int:
    """Return the value of the type octet. Raises EncodeError."""
    origin = compression.compression_origin_code
    if not 0 <= origin <= _ORIGIN_BITS:
        raise EncodeError("value_range", f"an origin is from 0 to {_ORIGIN_BITS}, not {origin}")
    fix = _FIX_BIT if compression.compression_fix == "current" else 0
    return fix | _SOURCES.index(compression.compression_source) << 3 | origin


def _write_altitude(altitude_ft: float) -> bytes:
    last = BASE**2 - 1
    return encode_base91(power_code(altitude_ft, _ALTITUDE_BASE, 1, last, "an altitude in feet"), 2)


def _write_range(radio_range: RadioRange) -> bytes:
    code = power_code(
        radio_range.range_miles,
        _RANGE_BASE,
        _RANGE_SMALLEST_MILES,
        _LAST_DIGIT,
        "a range in miles",
    )
    return _RANGE_CODE + encode_base91(code, 1)


def _write_course_speed(course_speed: CourseSpeed) -> bytes:
    course_deg, speed_knots = course_speed.course_deg, course_speed.speed_knots
    if speed_knots is None or (course_deg is None and speed_knots):
        raise EncodeError("extension", "a compressed position has both course and speed, or none")
    course = in_circle(course_deg or 0.0, "a course")
    step = round(course / _COURSE_STEP_DEG) % _COURSE_STEPS
    speed = power_code(speed_knots + 1, _SPEED_BASE, 1, _LAST_DIGIT, "a speed in knots, and 1,")
    return encode_base91(step, 1) + encode_base91(speed, 1)


def _write_angle(value: float) -> bytes:
    return encode_base91(min(math.floor(value + _FLOAT_ERROR), _LAST), 4)


def _read_angle(info: bytes, at: int, out_of_range: BrokenReason) -> int:
    value = decode_base91(info[at : at + 4])
    if value is None:
        raise Broken("base91_range", at)
    if value > _LAST:
        raise Broken(out_of_range, at)
    return value

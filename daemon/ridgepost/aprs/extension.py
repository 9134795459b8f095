r"""Data extensions: what follows the symbol code (APRS 1.2c ch. 7, 11 and 12).

Course and speed, PHG, RNG, DFS, and by the symbol of the report an area (`\l`), or storm data (`@`)
or a bearing (`/\`) after one of the others.
"""

import math
import re
from typing import Final

import msgspec

from ridgepost.aprs.area import read_area, write_area
from ridgepost.aprs.parts import (
    Area,
    Bearing,
    DirectionFinding,
    Extension,
    PowerHeightGain,
    RadioRange,
    Storm,
)
from ridgepost.aprs.storm import read_storm
from ridgepost.aprs.writing import EncodeError

LENGTH: Final = 7

AREA_SYMBOL: Final = (b"\\", b"l")
BEARING_SYMBOL: Final = (b"/", b"\\")
STORM_CODE: Final = b"@"
WEATHER_CODE: Final = b"_"

_SEPARATOR: Final = ord("/")
_UNKNOWN: Final = frozenset({b"...", b"   "})
_FULL_CIRCLE_DEG: Final = 360

# Height codes go on through ASCII after the 9; with K the antenna is on the moon.
_PHG = re.compile(rb"PHG([0-9])([0-K])([0-9])([0-9])(?:([0-9A-Z])/)?")
_DFS = re.compile(rb"DFS([0-9])([0-K])([0-9])([0-9])")
_RNG = re.compile(rb"RNG([0-9]{4})")
_BEARING = re.compile(rb"/([0-9]{3})/([0-9])([0-9])([0-9])")

_LOWEST_ANTENNA_FT: Final = 10
_RATES: Final = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_DIRECTIVITY_STEP_DEG: Final = 45
_DIRECTIVITY_LAST: Final = 8

# Ch. 7: what Q stands for, in degrees; with 0 the bearing is useless.
_ACCURACY_DEG: Final = (None, 240.0, 120.0, 64.0, 32.0, 16.0, 8.0, 4.0, 2.0, 1.0)

# Ch. 7: what a station is assumed to have that does not tell.
DEFAULT_POWER_HEIGHT_GAIN: Final = PowerHeightGain(
    power_w=10, antenna_height_ft=20, antenna_gain_dbi=3, directivity_omni=True
)


class CourseSpeed(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Course in degrees from north (360 is north) and speed; None where unknown.

    `fixed` says what a direction finder means by it: a course of 0 that it stands still, another
    that it moves.
    """

    course_deg: float | None = None
    speed_knots: float | None = None
    fixed: bool | None = None


class Extended(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What was read after a symbol code, and its length in octets."""

    length: int = 0
    motion: CourseSpeed | None = None
    extension: Extension | None = None


_NOTHING: Final = Extended()


def read_extension(table: bytes, code: bytes, after_code: bytes) -> Extended:
    """Read what stands at the start of `after_code` in a report with this symbol.

    With the weather symbol and that of an area, digits are no course and speed.
    """
    if (table, code) == AREA_SYMBOL:
        area = read_area(after_code)
        if area:
            return Extended(extension=area[0], length=area[1])
    extension, length = _read_lettered(after_code)
    motion = None
    if extension is None:
        if code == WEATHER_CODE or (table, code) == AREA_SYMBOL:
            return _NOTHING
        motion = read_course_speed(after_code)
        if motion is None:
            return _NOTHING
        length = LENGTH
    further = read_further(table, code, after_code[length:], motion)
    if further:
        return Extended(motion=motion, extension=further[0], length=length + further[1])
    return Extended(motion=motion, extension=extension, length=length)


def read_further(
    table: bytes, code: bytes, octets: bytes, motion: CourseSpeed | None
) -> tuple[Extension, int] | None:
    """Read what may follow a data extension: storm data or a bearing, and its length.

    It is read instead of a PHG, RNG or DFS in front of it.
    """
    if code == STORM_CODE:
        return read_storm(octets)
    if (table, code) == BEARING_SYMBOL:
        return _read_bearing(octets, motion.fixed if motion else None)
    return None


def read_course_speed(field: bytes) -> CourseSpeed | None:
    """Read the course and speed at the start of `field`; None if there are none.

    Course 000 means unknown, and 000/000 that neither is known or matters.
    """
    if len(field) < LENGTH or field[3] != _SEPARATOR:
        return None
    course_field, speed_field = field[:3], field[4:LENGTH]
    if not (_is_value(course_field) and _is_value(speed_field)):
        return None
    course, speed = _value(course_field), _value(speed_field)
    if course is not None and course > _FULL_CIRCLE_DEG:
        return None
    return CourseSpeed(
        course_deg=course or None,
        speed_knots=None if course == speed == 0 else speed,
        fixed=None if course is None else course == 0,
    )


def write_extension(
    symbol: tuple[str, str],
    course_deg: float | None,
    speed_knots: float | None,
    extension: Extension | None,
) -> str:
    """Write what follows the symbol code of a position written out; "" if there is nothing to tell.

    Values are rounded to what the format can tell. Raises EncodeError, with the reason `extension`
    for what does not go together, or not with the symbol.
    """
    moving = course_deg is not None or speed_knots is not None
    if isinstance(extension, PowerHeightGain | RadioRange | DirectionFinding | Area):
        if moving:
            raise EncodeError("extension", "instead of course and speed, not beside them")
        return _write_instead(symbol, extension)
    further = write_further(symbol, extension)
    if not moving and extension is None:
        return ""
    if symbol[1] == WEATHER_CODE.decode() or symbol == _text(AREA_SYMBOL):
        raise EncodeError("extension", "with this symbol they are no course and speed")
    fixed = isinstance(extension, Bearing) and extension.df_station_fixed
    return _write_course_speed(course_deg, speed_knots, bool(fixed)) + further


def write_further(symbol: tuple[str, str], extension: Extension | None) -> str:
    """Write what follows course and speed: storm data, a bearing or nothing. Raises EncodeError."""
    if isinstance(extension, Bearing):
        if symbol != _text(BEARING_SYMBOL):
            raise EncodeError("extension", "a bearing goes with the symbol /\\ only")
        return _write_bearing(extension)
    if isinstance(extension, Storm):
        if symbol[1] != STORM_CODE.decode():
            raise EncodeError("extension", "storm data go with the symbol code @ only")
        return _write_storm(extension)
    return ""


def power_code(value: float, base: float, unit: float, last: int, name: str) -> int:
    """Return the n from 0 to `last` for which unit * base^n is nearest to `value`.

    Raises EncodeError for a value beyond the ends.
    """
    code = round(math.log(value / unit, base)) if 0 < value < math.inf else -1
    if not 0 <= code <= last:
        raise EncodeError(
            "value_range", f"{name} is from {unit:g} to {unit * base**last:g}, not {value:g}"
        )
    return code


def in_circle(angle_deg: float, name: str) -> float:
    """Return an angle from 0 to 360 degrees. Raises EncodeError for any other."""
    if not 0 <= angle_deg <= _FULL_CIRCLE_DEG:
        raise EncodeError("value_range", f"{name} is from 0 to 360 degrees, not {angle_deg:g}")
    return angle_deg


def _text(symbol: tuple[bytes, bytes]) -> tuple[str, str]:
    return symbol[0].decode(), symbol[1].decode()


def _write_course_speed(course_deg: float | None, speed_knots: float | None, fixed: bool) -> str:
    # 000/000 and .../... stand for what is unknown or does not matter, so north is 360.
    if course_deg is None:
        course = "000" if fixed or speed_knots is not None else "..."
    else:
        course = f"{round(in_circle(course_deg, 'a course')) or _FULL_CIRCLE_DEG:03d}"
    if speed_knots is None:
        return f"{course}/{'000' if course == '000' else '...'}"
    return f"{course}/{_whole(speed_knots, 999, 'a speed in knots'):03d}"


def _whole(value: float, last: int, name: str) -> int:
    if not -0.5 <= value < last + 0.5:
        raise EncodeError("value_range", f"{name} is from 0 to {last}, not {value:g}")
    return round(value)


def _write_instead(
    symbol: tuple[str, str], extension: PowerHeightGain | RadioRange | DirectionFinding | Area
) -> str:
    if isinstance(extension, RadioRange):
        return f"RNG{_whole(extension.range_miles, 9999, 'a range in miles'):04d}"
    if isinstance(extension, Area):
        if symbol != _text(AREA_SYMBOL):
            raise EncodeError("extension", "an area goes with the symbol \\l only")
        return write_area(
            extension.area_type_code,
            extension.area_color_code,
            extension.latitude_offset_deg,
            extension.longitude_offset_deg,
        )
    height = _write_height(extension.antenna_height_ft)
    direction = _write_directivity(extension.directivity_deg, extension.directivity_omni)
    if isinstance(extension, DirectionFinding):
        strength = _whole(extension.signal_strength_s, 9, "a signal strength")
        return f"DFS{strength}{height}{_write_gain(extension.antenna_gain_db)}{direction}"
    power = _write_power(extension.power_w)
    rate = extension.beacons_per_hour
    return (
        f"PHG{power}{height}{_write_gain(extension.antenna_gain_dbi)}{direction}"
        f"{'' if rate is None else _write_rate(rate)}"
    )


def _write_power(power_w: int) -> int:
    code = round(math.sqrt(power_w)) if power_w >= 0 else -1
    if not 0 <= code <= 9:
        raise EncodeError("value_range", f"a power is from 0 to 81 W, not {power_w}")
    return code


def _write_height(height_ft: int) -> str:
    last = ord("K") - ord("0")
    code = power_code(height_ft, 2, _LOWEST_ANTENNA_FT, last, "an antenna height in feet")
    return chr(ord("0") + code)


def _write_gain(gain: int) -> int:
    return _whole(gain, 9, "an antenna gain")


def _write_directivity(directivity_deg: int | None, omni: bool) -> int:
    if omni:
        return 0
    if directivity_deg is None:
        raise EncodeError("extension", "an antenna is omnidirectional, or has a directivity")
    turn = in_circle(directivity_deg, "a directivity")
    return round(turn / _DIRECTIVITY_STEP_DEG) or _DIRECTIVITY_LAST


def _write_rate(beacons_per_hour: int) -> str:
    code = _whole(beacons_per_hour, len(_RATES) - 1, "a beacon rate per hour")
    return f"{_RATES[code]}/"


def _write_bearing(bearing: Bearing) -> str:
    degrees = round(in_circle(bearing.bearing_deg, "a bearing"))
    number = _whole(bearing.nrq_number, 9, "a number of hits")
    miles, quality = bearing.nrq_range_miles, bearing.nrq_quality
    range_code = 0 if miles is None else power_code(miles, 2, 1, 9, "a range in miles")
    quality_code = 0 if quality is None else _whole(quality, 9, "a quality")
    return f"/{degrees:03d}/{number}{range_code}{quality_code}"


def _write_storm(storm: Storm) -> str:
    radius_nm = storm.radius_whole_gale_nm
    return (
        f"/{storm.storm_type_code}"
        f"/{_digits(storm.sustained_wind_knots, 3)}"
        f"^{_digits(storm.gust_knots, 3)}"
        f"/{_digits(storm.central_pressure_hpa, 4)}"
        f">{_digits(storm.radius_hurricane_nm, 3)}"
        f"&{_digits(storm.radius_tropical_storm_nm, 3)}"
        f"{'' if radius_nm is None else f'%{_digits(radius_nm, 3)}'}"
    )


def _digits(value: int | None, width: int) -> str:
    if value is None:
        return "." * width
    return f"{_whole(value, 10**width - 1, 'a value of a storm'):0{width}d}"


def _is_value(field: bytes) -> bool:
    return field.isdigit() or field in _UNKNOWN


def _value(field: bytes) -> float | None:
    return float(field) if field.isdigit() else None


def _read_lettered(field: bytes) -> tuple[Extension | None, int]:
    """Read an extension that starts with three letters, and its length."""
    start = field[:3]
    found: re.Match[bytes] | None
    if start == b"PHG" and (found := _PHG.match(field)):
        return _power_height_gain(found), found.end()
    if start == b"RNG" and (found := _RNG.match(field)):
        return RadioRange(range_miles=float(found[1])), found.end()
    if start == b"DFS" and (found := _DFS.match(field)):
        return _direction_finding(found), found.end()
    return None, 0


def _power_height_gain(found: re.Match[bytes]) -> PowerHeightGain:
    return PowerHeightGain(
        power_w=int(found[1]) ** 2,
        antenna_height_ft=_height_ft(found[2]),
        antenna_gain_dbi=int(found[3]),
        directivity_deg=_directivity_deg(found[4]),
        directivity_omni=found[4] == b"0",
        beacons_per_hour=int(found[5], 36) if found[5] else None,
    )


def _direction_finding(found: re.Match[bytes]) -> DirectionFinding:
    return DirectionFinding(
        signal_strength_s=int(found[1]),
        antenna_height_ft=_height_ft(found[2]),
        antenna_gain_db=int(found[3]),
        directivity_deg=_directivity_deg(found[4]),
        directivity_omni=found[4] == b"0",
    )


def _height_ft(code: bytes) -> int:
    return _LOWEST_ANTENNA_FT << (code[0] - ord("0"))


def _directivity_deg(code: bytes) -> int | None:
    # 0 is no direction, and 9 is not in the table.
    step = int(code)
    return step * _DIRECTIVITY_STEP_DEG if 1 <= step <= _DIRECTIVITY_LAST else None


def _read_bearing(field: bytes, fixed: bool | None) -> tuple[Bearing, int] | None:
    found = _BEARING.match(field)
    if not found or int(found[1]) > _FULL_CIRCLE_DEG:
        return None
    number = int(found[2])
    # "If N is 0, then the NRQ value is meaningless."
    meaningful = number > 0
    quality = int(found[4])
    bearing = Bearing(
        bearing_deg=int(found[1]),
        nrq_number=number,
        nrq_meaningful=meaningful,
        nrq_range_miles=1 << int(found[3]) if meaningful else None,
        nrq_quality=quality if meaningful else None,
        bearing_accuracy_deg=_ACCURACY_DEG[quality] if meaningful else None,
        df_station_fixed=fixed,
    )
    return bearing, found.end()

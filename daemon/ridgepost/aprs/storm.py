"""Tropical storms: what stands after the course and speed of one (APRS 1.2c ch. 12, Storm Data)."""

import re
from typing import Final

from ridgepost.aprs.parts import Storm

_TYPES: Final = {
    "HC": "hurricane",
    "TD": "tropical depression",
    "TS": "tropical storm",
}

# Unknown weather data may be dots or blanks; the last radius may be left out.
_STORM = re.compile(
    rb"/(HC|TD|TS)"
    rb"/([0-9]{3}|\.{3}| {3})"
    rb"\^([0-9]{3}|\.{3}| {3})"
    rb"/([0-9]{4}|\.{4}| {4})"
    rb">([0-9]{3}|\.{3}| {3})"
    rb"&([0-9]{3}|\.{3}| {3})"
    rb"(?:%([0-9]{3}|\.{3}| {3}))?"
)


def read_storm(after_course_speed: bytes) -> tuple[Storm, int] | None:
    """Read the storm data at the start of `after_course_speed`; None if there are none.

    The number is that of the octets read: the comment follows them.
    """
    found = _STORM.match(after_course_speed)
    if not found:
        return None
    code = found[1].decode()
    storm = Storm(
        storm_type=_TYPES[code],
        storm_type_code=code,
        sustained_wind_knots=_value(found[2]),
        gust_knots=_value(found[3]),
        central_pressure_hpa=_value(found[4]),
        radius_hurricane_nm=_value(found[5]),
        radius_tropical_storm_nm=_value(found[6]),
        radius_whole_gale_nm=_value(found[7]),
    )
    return storm, found.end()


def _value(field: bytes | None) -> int | None:
    return int(field) if field and field.isdigit() else None

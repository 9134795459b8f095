"""Sentences of a navigation receiver, sent as they came (APRS 1.2c ch. 6 and 8; NMEA 0183).

GGA, GLL, RMC, VTG and WPL are read, from any talker; 1.0.1 calls the last one WPT. Of all others
the name is told, and whether the checksum is right. Nothing is read from a sentence whose checksum
is wrong, and no position from one that says it has none.
"""

import datetime
import functools
import math
import operator
import re
from collections.abc import Callable
from typing import Any, TypeAlias

from ridgepost.aprs.packet import Broken, Packet
from ridgepost.aprs.report import BrokenReason, Nmea, RawWeather
from ridgepost.aprs.text import read_text, without_line_end
from ridgepost.aprs.weather import read_raw_weather

_RAW_WEATHER = b"$ULTW"

# A proprietary sentence has P and its maker's code in the place of talker and formatter.
_NAME = re.compile(rb"(P[A-Z0-9]{3,8})|([A-Z][A-Z0-9])([A-Z0-9]{3})")
_CHECKSUM = re.compile(rb"[0-9A-Fa-f]{2}")

_NUMBER = re.compile(rb"-?(?:[0-9]{1,9}(?:\.[0-9]{0,9})?|\.[0-9]{1,9})")
_WHOLE = re.compile(rb"[0-9]{1,3}")
# The second 60 is a leap second.
_TIME = re.compile(rb"([01][0-9]|2[0-3])([0-5][0-9])((?:[0-5][0-9]|60)(?:\.[0-9]{0,9})?)")
_DATE = re.compile(rb"([0-9]{2})([0-9]{2})([0-9]{2})")
_LATITUDE = re.compile(rb"([0-9]{2})([0-5][0-9](?:\.[0-9]{0,9})?)")
_LONGITUDE = re.compile(rb"([0-9]{3})([0-5][0-9](?:\.[0-9]{0,9})?)")
_STATUS = re.compile(rb"[AV]")

# A year of two digits lies in the hundred years from the start of GPS time on.
_FIRST_YEAR = 1980

_Values: TypeAlias = dict[str, Any]


def nmea_checksum(content: bytes) -> str:
    """Return the two hexadecimal digits that belong to what stands between `$` and `*`."""
    return f"{functools.reduce(operator.xor, content, 0):02X}"


def read_nmea(packet: Packet) -> Nmea | RawWeather:
    """Read what starts with `$`: a sentence, or a weather instrument. Raises Broken."""
    info, departures = without_line_end(packet.info)
    if info.startswith(_RAW_WEATHER):
        return read_raw_weather(packet)
    content, star, tail = info[1:].partition(b"*")
    checksum = tail[:2]
    if star and not _CHECKSUM.fullmatch(checksum):
        raise Broken("format", len(content) + 2)
    if tail[2:]:
        departures += ("text_after_checksum",)
    fields = _Fields(content)
    name = fields.found(0, _NAME)
    if not name:
        raise Broken("too_short", 1)
    sentence = (name[1] or name[3]).decode()
    checksum_ok = nmea_checksum(content) == checksum.upper().decode() if star else None
    read = _SENTENCES.get(sentence) if checksum_ok is not False else None
    return Nmea(
        info=packet.info,
        departures=departures,
        talker=name[2].decode() if name[2] else None,
        sentence=sentence,
        checksum_present=bool(star),
        checksum_ok=checksum_ok,
        **(read(fields) if read else {}),
    )


class _Fields:
    """The fields of a sentence, its name in place 0; missing ones are empty, and read as None."""

    def __init__(self, content: bytes) -> None:
        self._fields = content.split(b",")

    def __getitem__(self, place: int) -> bytes:
        return self._fields[place] if place < len(self._fields) else b""

    def broken(self, place: int, reason: BrokenReason = "format") -> Broken:
        # In front are the $, and each earlier field with its comma.
        offset = 1 + sum(len(field) + 1 for field in self._fields[:place])
        last = len(self._fields) - 1
        return Broken(reason, offset if place <= last else offset - 1)

    def found(self, place: int, pattern: re.Pattern[bytes]) -> re.Match[bytes] | None:
        """Match the whole field. Raises Broken if it is neither empty nor fits."""
        field = self[place]
        match = pattern.fullmatch(field)
        if field and not match:
            raise self.broken(place)
        return match

    def number(self, place: int, low: float = 0.0, high: float = math.inf) -> float | None:
        match = self.found(place, _NUMBER)
        if not match:
            return None
        value = float(match[0])
        if not low <= value <= high:
            raise self.broken(place)
        return value

    def quantity(
        self, place: int, unit: bytes, low: float = 0.0, high: float = math.inf
    ) -> float | None:
        """Read the number in `place`; the field after it must name its unit."""
        value = self.number(place, low, high)
        if value is not None and self[place + 1] != unit:
            raise self.broken(place + 1)
        return value

    def whole(self, place: int) -> int | None:
        match = self.found(place, _WHOLE)
        return int(match[0]) if match else None

    def signed(self, place: int, value: float, letters: tuple[bytes, bytes]) -> float:
        """Give `value` the sign that the letter in `place` stands for; the first is positive."""
        letter = self[place]
        if letter not in letters:
            raise self.broken(place, "hemisphere_letter")
        return value if letter == letters[0] or not value else -value


def _read_gga(fields: _Fields) -> _Values:
    quality = fields.whole(6)
    return {
        **_time(fields, 1),
        **_position(fields, 2, None if quality is None else quality > 0),
        "fix_quality": quality,
        "satellites": fields.whole(7),
        "hdop": fields.number(8),
        "altitude_m": fields.quantity(9, b"M", low=-math.inf),
        "geoid_separation_m": fields.quantity(11, b"M", low=-math.inf),
    }


def _read_gll(fields: _Fields) -> _Values:
    return {**_time(fields, 5), **_position(fields, 1, _valid(fields, status=6, mode=7))}


def _read_rmc(fields: _Fields) -> _Values:
    variation = fields.number(10, high=180.0)
    return {
        **_time(fields, 1),
        **_date(fields, 9),
        **_position(fields, 3, _valid(fields, status=2, mode=12)),
        "speed_knots": fields.number(7),
        "course_deg": fields.number(8, high=360.0),
        "magnetic_variation_deg": (
            None if variation is None else fields.signed(11, variation, (b"E", b"W"))
        ),
    }


def _read_vtg(fields: _Fields) -> _Values:
    return {
        "data_valid": _mode_valid(fields, 9),
        "course_deg": fields.quantity(1, b"T", high=360.0),
        "speed_knots": fields.quantity(5, b"N"),
        "speed_kmh": fields.quantity(7, b"K"),
    }


def _read_wpl(fields: _Fields) -> _Values:
    name, _ = read_text(fields[5])
    # The place of a waypoint is not that of the sender.
    return {
        **_position(fields, 1, None),
        "has_position": False,
        "waypoint_name": name or None,
    }


_SENTENCES: dict[str, Callable[[_Fields], _Values]] = {
    "GGA": _read_gga,
    "GLL": _read_gll,
    "RMC": _read_rmc,
    "VTG": _read_vtg,
    "WPL": _read_wpl,
    "WPT": _read_wpl,
}


def _position(fields: _Fields, place: int, valid: bool | None) -> _Values:
    """Read latitude and longitude and their letters from `place` on, unless they are not valid."""
    if valid is False:
        return {"data_valid": False}
    latitude = _angle(fields, place, _LATITUDE, (b"N", b"S"), 90, "latitude_range")
    longitude = _angle(fields, place + 2, _LONGITUDE, (b"E", b"W"), 180, "longitude_range")
    return {
        "data_valid": valid,
        "has_position": latitude is not None and longitude is not None,
        "latitude_deg": latitude,
        "longitude_deg": longitude,
    }


def _angle(
    fields: _Fields,
    place: int,
    pattern: re.Pattern[bytes],
    letters: tuple[bytes, bytes],
    limit_deg: int,
    reason: BrokenReason,
) -> float | None:
    match = fields.found(place, pattern)
    if not match:
        return None
    value = int(match[1]) + float(match[2]) / 60
    if value > limit_deg:
        raise fields.broken(place, reason)
    return fields.signed(place + 1, value, letters)


def _valid(fields: _Fields, status: int, mode: int) -> bool | None:
    """Say whether the receiver vouches for the data; None where it says nothing."""
    match = fields.found(status, _STATUS)
    if _mode_valid(fields, mode) is False:
        return False
    return match[0] == b"A" if match else None


def _mode_valid(fields: _Fields, place: int) -> bool | None:
    mode = fields[place]
    return mode != b"N" if mode else None


def _time(fields: _Fields, place: int) -> _Values:
    match = fields.found(place, _TIME)
    if not match:
        return {}
    return {"hour": int(match[1]), "minute": int(match[2]), "second": float(match[3])}


def _date(fields: _Fields, place: int) -> _Values:
    match = fields.found(place, _DATE)
    if not match:
        return {}
    day, month, short_year = int(match[1]), int(match[2]), int(match[3])
    year = _FIRST_YEAR + (short_year - _FIRST_YEAR) % 100
    try:
        datetime.date(year, month, day)
    except ValueError:
        raise fields.broken(place) from None
    return {"year": year, "month": month, "day": day}

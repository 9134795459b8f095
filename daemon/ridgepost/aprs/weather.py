"""Weather reports: fields in any order after the wind (APRS 1.2c ch. 12)."""

import math
import re
from collections.abc import Callable
from typing import Any, TypeVar

import msgspec

from ridgepost.aprs.packet import Broken, Packet
from ridgepost.aprs.parts import CommentTelemetry, Place, Readings
from ridgepost.aprs.report import Departure, Object, Position, RawWeather, Weather
from ridgepost.aprs.text import read_text, text_departures, without_line_end
from ridgepost.aprs.timestamp import MONTH_LENGTH, read_month_timestamp
from ridgepost.aprs.units import KNOTS_PER_MPH
from ridgepost.aprs.writing import EncodeError

_WEATHER_CODE = "_"

# Direction and speed in the place of a data extension: c and s, but for their letters.
_WIND = re.compile(r"([0-9]{3}|\.{3}| {3})/([0-9]{3}|\.{3}| {3})")

# A letter and a value of fixed width, in which dots or blanks stand for unknown. No field starts
# with a digit, so h100, which is not prescribed, can be nothing else.
_FIELD = re.compile(
    r"[cglLprP#][0-9]{3}"
    r"|t(?:[0-9]{3}|-[0-9]{2})"
    r"|s(?:[0-9]{3}|[0-9]\.[0-9]|\.[0-9]{2})"
    r"|h(?:100|[0-9]{2})"
    r"|b[0-9]{5}"
    r"|[cglLprPst#](?:\.{3}| {3})"
    r"|h(?:\.\.|  )"
    r"|b(?:\.{5}| {5})"
)

# "Must include at least", and in this order.
_FIRST = ("wind_direction_deg", "wind_speed_mph", "wind_gust_mph", "temperature_f")

_RAW = re.compile(rb"[0-9A-Fa-f-]+")
_RAW_HEADS = (b"!!", b"$ULTW", b"#", b"*")

_Placed = TypeVar("_Placed", Position, Object)

_Values = dict[str, Any]
"""Readings by their names, in the order of the fields; None for one that is unknown."""


def as_weather(report: _Placed) -> Weather | _Placed:
    """Make a weather report of one with the weather symbol; any other comes back as it is.

    The wind stands at the start of the comment, or where course and speed are compressed.
    """
    place = report.place
    if place.symbol_code != _WEATHER_CODE:
        return report
    values, start = _read_wind(place)
    end = _read_fields(place.comment, start, values)
    if not values:
        return report
    comment = place.comment[end:]
    named: dict[str, Any] = (
        {"name": report.name, "live": report.live, "permanent": report.permanent}
        if isinstance(report, Object)
        else {"messaging": report.messaging}
    )
    return Weather(
        info=report.info,
        departures=_without_limit(report.departures) + _missing(values),
        time=report.time,
        place=msgspec.structs.replace(
            place,
            course_deg=None,
            speed_knots=None,
            telemetry=_without_fields(place.telemetry, end),
            comment=comment,
        ),
        readings=Readings(**values),
        comment=comment,
        text_encoding=place.text_encoding,
        **named,
    )


def read_positionless_weather(packet: Packet) -> Weather:
    """Read the data type `_`: a time, and the fields. Raises Broken."""
    info, departures = without_line_end(packet.info)
    start = 1 + MONTH_LENGTH
    if len(info) <= start:
        raise Broken("too_short", len(info))
    time = read_month_timestamp(info[1:start], offset=1)
    text, encoding = read_text(info[start:])
    values: _Values = {}
    comment = text[_read_fields(text, 0, values) :]
    if not values:
        raise Broken("format", start)
    return Weather(
        info=packet.info,
        departures=(
            *departures,
            *_missing(values),
            *text_departures(comment, None, "comment_too_long"),
        ),
        time=time,
        readings=Readings(**values),
        comment=comment,
        text_encoding=encoding,
    )


def read_raw_weather(packet: Packet) -> RawWeather:
    """Read what a weather instrument sends by itself: `!!`, `#`, `*` or `$ULTW`. Raises Broken."""
    info, departures = without_line_end(packet.info)
    head = next((head for head in _RAW_HEADS if info.startswith(head)), None)
    if head is None:
        raise Broken("format", 0)
    data = info[len(head) :]
    if not data:
        raise Broken("too_short", len(info))
    text, encoding = read_text(info[1:])
    if not _RAW.fullmatch(data):
        departures += ("raw_weather_form",)
    return RawWeather(info=packet.info, departures=departures, text=text, text_encoding=encoding)


def write_readings(readings: Readings) -> str:
    """Write readings as they stand after the symbol code `_` of a position or object.

    Wind, gust and temperature are always there, as dots where unknown. Values are rounded to what
    their fields can hold: whole degrees, miles an hour and watts, hundredths of an inch of rain,
    tenths of hPa, and snow to tenths of an inch below ten. Raises EncodeError for a value that does
    not fit.
    """
    rain = (
        ("r", readings.rain_last_hour_in),
        ("p", readings.rain_last_24h_in),
        ("P", readings.rain_since_midnight_in),
    )
    fields = [
        _write("", readings.wind_direction_deg, 1, 360) + "/",
        _write("", readings.wind_speed_mph, 0, 999),
        _write("g", readings.wind_gust_mph, 0, 999),
        _write("t", readings.temperature_f, -99, 999),
        *(_write(letter, inches * 100, 0, 999) for letter, inches in rain if inches is not None),
    ]
    if readings.humidity_pct is not None:
        # 00 stands for 100.
        fields.append(_write("h", readings.humidity_pct, 1, 100, width=2).replace("h100", "h00"))
    if readings.pressure_hpa is not None:
        fields.append(_write("b", readings.pressure_hpa * 10, 0, 99999, width=5))
    if readings.luminosity_w_m2 is not None:
        # From 999.5 on three digits have no room; what it is over, rounded, is then 0.
        thousands = readings.luminosity_w_m2 >= 999.5
        over = readings.luminosity_w_m2 - (1000 if thousands else 0)
        fields.append(_write("l" if thousands else "L", over, 0, 999))
    if readings.snow_last_24h_in is not None:
        fields.append(_write_snow(readings.snow_last_24h_in))
    if readings.raw_rain_counter is not None:
        fields.append(_write("#", readings.raw_rain_counter, 0, 999))
    return "".join(fields)


def _read_wind(place: Place) -> tuple[_Values, int]:
    """Return the wind of a report at a place, and where in the comment the fields start."""
    wind = _WIND.match(place.comment)
    direction: float | None
    if wind:
        direction, speed = _known(wind[1], _direction), _known(wind[2], float)
    elif place.course_deg is not None or place.speed_knots is not None:
        direction = None if place.course_deg is None else round(place.course_deg)
        speed = None if place.speed_knots is None else place.speed_knots / KNOTS_PER_MPH
    else:
        return {}, 0
    return {"wind_direction_deg": direction, "wind_speed_mph": speed}, wind.end() if wind else 0


def _read_fields(text: str, start: int, values: _Values) -> int:
    """Add the fields from `start` on to `values`, and return where they end.

    They end where there is something else, or where one comes a second time.
    """
    at = start
    while found := _FIELD.match(text, at):
        field = found[0]
        name, read = _READERS[field[0]]
        # Speed follows direction; anywhere else this letter is snow.
        if name == "wind_speed_mph" and list(values) != ["wind_direction_deg"]:
            name = "snow_last_24h_in"
        if name in values:
            break
        values[name] = _known(field[1:], read)
        at = found.end()
    return at


def _write(letter: str, value: float | None, low: int, high: int, width: int = 3) -> str:
    if value is None:
        return letter + "." * width
    if not math.isfinite(value) or not low <= round(value) <= high:
        raise EncodeError("value_range", f"{value} is not from {low} to {high}")
    return f"{letter}{round(value):0{width}d}"


def _write_snow(inches: float) -> str:
    # Three characters: from 9.95 on a tenth has no room.
    if 0 <= inches < 9.95 and not float(inches).is_integer():
        return f"s{inches:.1f}"
    return _write("s", inches, 0, 999)


def _without_limit(departures: tuple[Departure, ...]) -> tuple[Departure, ...]:
    # The limit of a comment is not that of weather data.
    return tuple(departure for departure in departures if departure != "comment_too_long")


def _without_fields(telemetry: CommentTelemetry | None, end: int) -> CommentTelemetry | None:
    if telemetry is None:
        return None
    return msgspec.structs.replace(telemetry, comment_before=telemetry.comment_before[end:])


def _missing(values: _Values) -> tuple[Departure, ...]:
    return () if tuple(values)[: len(_FIRST)] == _FIRST else ("weather_fields_missing",)


def _known(field: str, read: Callable[[str], float | None]) -> float | None:
    return read(field) if field[-1].isdigit() else None


def _direction(field: str) -> int | None:
    # 001 to 360; 000 is no direction (ch. 7).
    direction_deg = int(field)
    return direction_deg if 1 <= direction_deg <= 360 else None


_READERS: dict[str, tuple[str, Callable[[str], float | None]]] = {
    "#": ("raw_rain_counter", int),
    "L": ("luminosity_w_m2", int),
    "P": ("rain_since_midnight_in", lambda field: int(field) / 100),
    "b": ("pressure_hpa", lambda field: int(field) / 10),
    "c": ("wind_direction_deg", _direction),
    "g": ("wind_gust_mph", float),
    "h": ("humidity_pct", lambda field: int(field) or 100),
    "l": ("luminosity_w_m2", lambda field: 1000 + int(field)),
    "p": ("rain_last_24h_in", lambda field: int(field) / 100),
    "r": ("rain_last_hour_in", lambda field: int(field) / 100),
    "s": ("wind_speed_mph", float),
    "t": ("temperature_f", float),
}

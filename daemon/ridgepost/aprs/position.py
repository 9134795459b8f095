"""Position reports with latitude and longitude written out (APRS 1.2c ch. 6 to 8 and 21)."""

import re

from ridgepost.aprs import extension
from ridgepost.aprs.coordinates import (
    AMBIGUITY_NM,
    LATITUDE,
    LONGITUDE,
    Coordinate,
    box,
    degrees,
    read_coordinate,
    write_coordinate,
)
from ridgepost.aprs.packet import Broken, Packet
from ridgepost.aprs.parts import Ambiguity, Place, Timestamp
from ridgepost.aprs.report import Departure, Position, Unread
from ridgepost.aprs.symbol import is_symbol_code, is_symbol_table
from ridgepost.aprs.text import read_text, text_departures, without_line_end
from ridgepost.aprs.timestamp import LENGTH as TIMESTAMP_LENGTH
from ridgepost.aprs.timestamp import read_timestamp
from ridgepost.aprs.writing import EncodeError, check_info, check_text

MAX_COMMENT = 43  # characters after the symbol code, a data extension included

_WITH_TIME = b"/@"
_WITH_MESSAGING = b"=@"

# A symbol table identifier where a latitude would start: compressed (ch. 9). A second ! after the
# identifier: raw weather data (ch. 12).
_COMPRESSED = re.compile(rb"[/\\A-Za-j]")
_RAW_WEATHER = b"!!"

# With these symbols the seven octets after the code are no course and speed: wind (ch. 12) and the
# size of an area (ch. 11).
_WEATHER_CODE = b"_"
_AREA_SYMBOL = (b"\\", b"l")

_ALTITUDE = re.compile(rb"/A=([0-9]{6}|-[0-9]{5})")


def read_position(packet: Packet) -> Position | Unread:
    """Read the data types `!`, `=`, `/` and `@`. Raises Broken.

    A timestamp that cannot be right is dropped when the position after it is sound.
    """
    info, departures = without_line_end(packet.info)
    identifier = info[:1]
    if info.startswith(_RAW_WEATHER):
        return Unread(info=packet.info, data_type_identifier="!")
    start = 1
    timestamp, time_error = None, None
    if identifier in _WITH_TIME:
        if len(info) < start + TIMESTAMP_LENGTH:
            raise Broken("too_short", len(info))
        timestamp, time_error = _read_time(info)
        start += TIMESTAMP_LENGTH
    if len(info) == start:
        raise Broken("too_short", start)
    if _COMPRESSED.match(info, start):
        if time_error:
            raise time_error
        return Unread(info=packet.info, data_type_identifier=identifier.decode())
    if time_error:
        departures += ("timestamp_unusable",)
    return _read_written_out(packet.info, info, start, timestamp, departures)


def encode_position(
    latitude_deg: float,
    longitude_deg: float,
    symbol_table: str,
    symbol_code: str,
    comment: str = "",
    messaging: bool = True,
) -> bytes:
    r"""Encode a position without timestamp, rounded to hundredths of a minute.

    0, 0 with the symbol `\.` is the null position of a station that does not know where it is. A
    data extension or an altitude goes into `comment`, where the standard has it. Raises
    EncodeError.
    """
    latitude = write_coordinate(LATITUDE, latitude_deg)
    longitude = write_coordinate(LONGITUDE, longitude_deg)
    if not symbol_table.isascii() or not is_symbol_table(symbol_table.encode()):
        raise EncodeError("symbol_table", "one of / and \\, or an overlay from 0-9 and A-Z")
    if not symbol_code.isascii() or not is_symbol_code(symbol_code.encode()):
        raise EncodeError("symbol_code", "one printable ASCII character")
    octets = check_text(comment, MAX_COMMENT, "comment_too_long")
    identifier = "=" if messaging else "!"
    head = f"{identifier}{latitude}{symbol_table}{longitude}{symbol_code}"
    return check_info(head.encode() + octets, "comment_too_long")


def _read_time(info: bytes) -> tuple[Timestamp | None, Broken | None]:
    try:
        return read_timestamp(info[1 : 1 + TIMESTAMP_LENGTH], offset=1), None
    except Broken as broken:
        return None, broken


def _read_written_out(
    raw: bytes,
    info: bytes,
    start: int,
    timestamp: Timestamp | None,
    departures: tuple[Departure, ...],
) -> Position:
    table_at = start + LATITUDE.length
    latitude = read_coordinate(LATITUDE, info[start:table_at], start)
    table = info[table_at : table_at + 1]
    if not table:
        raise Broken("too_short", table_at)
    if not is_symbol_table(table):
        raise Broken("symbol_table", table_at)
    code_at = table_at + 1 + LONGITUDE.length
    longitude = read_coordinate(LONGITUDE, info[table_at + 1 : code_at], table_at + 1)
    code = info[code_at : code_at + 1]
    if not code:
        raise Broken("too_short", code_at)

    found: list[Departure] = [*departures, *(latitude.departures or longitude.departures)]
    if longitude.blanks > latitude.blanks:
        found.append("longitude_more_ambiguous")
    if not is_symbol_code(code):
        found.append("symbol_code")
    blanks = max(latitude.blanks, longitude.blanks)

    after_code = info[code_at + 1 :]
    moving = _read_course_speed(table, code, after_code)
    comment, encoding = read_text(after_code[extension.LENGTH if moving else 0 :])
    comment_limit = MAX_COMMENT - (extension.LENGTH if moving else 0)
    found.extend(text_departures(comment, comment_limit, "comment_too_long"))
    return Position(
        info=raw,
        departures=tuple(found),
        messaging=info[:1] in _WITH_MESSAGING,
        time=timestamp,
        place=Place(
            latitude_deg=degrees(latitude, blanks),
            longitude_deg=degrees(longitude, blanks),
            position_known=bool(blanks or latitude.hundredths or longitude.hundredths),
            ambiguity_digits=blanks,
            ambiguity=_ambiguity(latitude, longitude, blanks),
            symbol_table=table.decode(),
            symbol_code=code.decode("latin-1"),
            overlay=table.decode() if table.isalnum() else None,
            course_deg=moving.course_deg if moving else None,
            speed_knots=moving.speed_knots if moving else None,
            altitude_ft=_read_altitude(after_code),
            comment=comment,
            text_encoding=encoding,
        ),
    )


def _ambiguity(latitude: Coordinate, longitude: Coordinate, blanks: int) -> Ambiguity | None:
    radius_nm = AMBIGUITY_NM[blanks]
    if radius_nm is None:
        return None
    north, east = box(latitude, blanks), box(longitude, blanks)
    return Ambiguity(
        ambiguity_nm=radius_nm,
        latitude_mid_deg=north.mid_deg,
        longitude_mid_deg=east.mid_deg,
        latitude_min_deg=north.min_deg,
        latitude_max_deg=north.max_deg,
        longitude_min_deg=east.min_deg,
        longitude_max_deg=east.max_deg,
    )


def _read_course_speed(table: bytes, code: bytes, field: bytes) -> extension.CourseSpeed | None:
    if code == _WEATHER_CODE or (table, code) == _AREA_SYMBOL:
        return None
    return extension.read_course_speed(field)


def _read_altitude(comment: bytes) -> float | None:
    found = _ALTITUDE.search(comment)
    return float(found[1]) if found else None

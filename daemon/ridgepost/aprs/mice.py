"""Mic-E: a position packed into destination address and information field (APRS 1.2c ch. 10).

Its coordinates are unpacked, and what follows them is read as behind those of any position.
"""

import math
from typing import Final

import msgspec

from ridgepost.aprs.coordinates import HUNDREDTHS_PER_DEG, LONGITUDE, Coordinate
from ridgepost.aprs.mice_destination import read_destination, write_destination
from ridgepost.aprs.mice_text import MiceText, read_mice_text, write_mice_text
from ridgepost.aprs.packet import Broken, Packet
from ridgepost.aprs.parts import Place
from ridgepost.aprs.place import Placed, read_behind, read_place, write_place
from ridgepost.aprs.report import Departure, MicE
from ridgepost.aprs.symbol import is_symbol_table
from ridgepost.aprs.text import read_text, without_line_end
from ridgepost.aprs.units import M_PER_FT
from ridgepost.aprs.writing import EncodeError, check_info

# Where things are in the information field.
_LONGITUDE_AT: Final = 1
_MOTION_AT: Final = 4
_CODE_AT: Final = 7
_TABLE_AT: Final = 8
_TEXT_AT: Final = 9

# Every number is sent as the octet of this value or above, up to 127.
_ZERO: Final = 28
_LAST: Final = 127
_LOWEST_DEGREES: Final = 38
_LOWEST_MINUTES, _HIGHEST_MINUTES = 38, 97

_MOST_SPEED_KNOTS: Final = 799
_FULL_CIRCLE_DEG: Final = 360

# The obsolete identifiers are those of revision 0 beta.
_CURRENT: Final = b"`\x1c"
_IDENTIFIERS: Final = {True: b"`", False: b"'"}

# A position written out in the text starts like the report of one. What could be a compressed one
# is text: nearly everything could.
_POSITION_IN_TEXT: Final = (b"!", b"=")
_FIRST_DIGITS: Final = b"0123456789"

# Where write_place puts things.
_WRITTEN_LATITUDE: Final = slice(0, 8)
_WRITTEN_TABLE: Final = slice(8, 9)
_WRITTEN_LONGITUDE: Final = slice(9, 18)
_WRITTEN_CODE: Final = slice(18, 19)
_WRITTEN_REST: Final = slice(19, None)


class _Motion(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    course_deg: float | None = None
    speed_knots: float | None = None
    departures: tuple[Departure, ...] = ()


def read_mice(packet: Packet) -> MicE:
    """Read the data types `, ', 0x1c and 0x1d, with the destination address. Raises Broken."""
    info, departures = without_line_end(packet.info)
    if len(info) < _TEXT_AT:
        raise Broken("too_short", len(info))
    destination = read_destination(packet.destination)
    longitude = _read_longitude(
        info,
        destination.longitude_offset_deg,
        destination.latitude.blanks,
        destination.longitude_west,
    )
    motion = _read_motion(info)
    table, code = info[_TABLE_AT:_TEXT_AT], info[_CODE_AT:_TABLE_AT]
    if not is_symbol_table(table):
        raise Broken("symbol_table", _TABLE_AT)

    status_text, encoding = read_text(info[_TEXT_AT:])
    said = read_mice_text(info[_TEXT_AT:])
    placed = _read_position_in_text(said.rest)
    in_text = placed is not None
    if placed is None:
        placed = read_behind(said.rest, 0, destination.latitude, longitude, table, code)
    place = placed.place
    return MicE(
        info=packet.info,
        departures=departures + motion.departures + _without_limit(placed.departures),
        gnss_current=info[:1] in _CURRENT,
        place=msgspec.structs.replace(
            place,
            course_deg=place.course_deg if in_text else motion.course_deg,
            speed_knots=place.speed_knots if in_text else motion.speed_knots,
            altitude_ft=_altitude_ft(said, place),
            comment=status_text,
            text_encoding=encoding,
        ),
        position_comment_code=destination.position_comment.code,
        position_comment=destination.position_comment.word,
        position_comment_type=destination.position_comment.type,
        comment_bits_abc=destination.position_comment.bits_abc,
        type_prefix=said.type_prefix,
        type_suffix=said.type_suffix,
        status_text=status_text,
        text=place.comment,
        altitude_m=said.altitude_m,
        grid=said.grid,
        telemetry_1_0_1=said.telemetry,
        position_in_text=in_text,
    )


def encode_mice(
    place: Place,
    *,
    position_comment: str = "M0",
    gnss_current: bool = True,
    precise: bool = False,
    type_prefix: str = "",
    type_suffix: str = "",
) -> tuple[str, bytes]:
    """Encode `place`; returns destination address and information field.

    The altitude goes in front of extension and comment, and is rounded to a metre, course and speed
    to a whole number; the rest is as with `write_place`. `position_comment` is M0 to M6, C0 to C6
    or EMERGENCY. The type octets tell what sends. Raises EncodeError, also when the text would be
    read as something else.
    """
    written = write_place(
        msgspec.structs.replace(
            place,
            compressed=False,
            compression=None,
            course_deg=None,
            speed_knots=None,
            altitude_ft=None,
        ),
        precise,
    )
    longitude, offset, west = _write_longitude(written[_WRITTEN_LONGITUDE])
    destination = write_destination(
        written[_WRITTEN_LATITUDE], position_comment, longitude_offset=offset, west=west
    )
    text = write_mice_text(
        MiceText(
            type_prefix=type_prefix,
            type_suffix=type_suffix,
            altitude_m=_altitude_m(place),
            rest=written[_WRITTEN_REST],
        )
    )
    info = (
        _IDENTIFIERS[gnss_current]
        + longitude
        + _write_motion(place.course_deg, place.speed_knots)
        + written[_WRITTEN_CODE]
        + written[_WRITTEN_TABLE]
        + text
    )
    return destination, check_info(info, "comment_too_long")


def _read_longitude(info: bytes, offset_deg: int, blanks: int, west: bool) -> Coordinate:
    """Read the longitude, of which as many digits are blanked as of the latitude."""
    degrees, minutes, hundredths = info[_LONGITUDE_AT:_MOTION_AT]
    if not _LOWEST_DEGREES <= degrees <= _LAST:
        raise Broken("longitude_range", _LONGITUDE_AT)
    if not _LOWEST_MINUTES <= minutes <= _HIGHEST_MINUTES:
        raise Broken("minutes_range", _LONGITUDE_AT + 1)
    if not _ZERO <= hundredths <= _LAST:
        raise Broken("minutes_range", _LONGITUDE_AT + 2)
    degrees += offset_deg - _ZERO
    if degrees >= 190:
        degrees -= 190
    elif degrees >= 180:
        degrees -= 80
    minutes = (minutes - _ZERO) % 60
    return Coordinate(
        axis=LONGITUDE,
        hundredths=degrees * HUNDREDTHS_PER_DEG + minutes * 100 + hundredths - _ZERO,
        negative=west,
        blanks=blanks,
    )


def _write_longitude(field: bytes) -> tuple[bytes, bool, bool]:
    """Return the three octets, whether 100 degrees are to be added, and whether it is west."""
    digits = field.replace(b" ", b"0")
    degrees, minutes, hundredths = int(digits[:3]), int(digits[3:5]), int(digits[6:8])
    if degrees == 180:
        # There is no way to say it: a hundredth of a minute less.
        degrees, minutes, hundredths = 179, 59, 99
    if degrees < 10:
        first = degrees + 90
    elif degrees < 100:
        first = degrees
    elif degrees < 110:
        first = degrees - 20
    else:
        first = degrees - 100
    second = minutes + 60 if minutes < 10 else minutes
    octets = bytes(_ZERO + value for value in (first, second, hundredths))
    return octets, degrees < 10 or degrees >= 100, field.endswith(b"W")


def _read_motion(info: bytes) -> _Motion:
    octets = info[_MOTION_AT:_CODE_AT]
    if min(octets) < _ZERO or max(octets) > _LAST:
        return _Motion(departures=("mice_motion",))
    tens, units, degrees = (octet - _ZERO for octet in octets)
    # Either may be sent with 800 or 400 more, so that its octet can be printed.
    speed = tens * 10 + units // 10
    if speed > _MOST_SPEED_KNOTS:
        speed -= 800
    course = units % 10 * 100 + degrees
    if course >= 400:
        course -= 400
    if course > _FULL_CIRCLE_DEG:
        return _Motion(departures=("mice_motion",))
    return _Motion(course_deg=float(course) if course else None, speed_knots=float(speed))


def _write_motion(course_deg: float | None, speed_knots: float | None) -> bytes:
    """Return the three octets; course 0 says that it is not known. Printable where they can be."""
    speed = round(_within(speed_knots or 0.0, _MOST_SPEED_KNOTS, "knots"))
    course = 0
    if course_deg is not None:
        course = round(_within(course_deg, _FULL_CIRCLE_DEG, "degrees")) or _FULL_CIRCLE_DEG
    tens, units = divmod(speed, 10)
    hundreds, degrees = divmod(course, 100)
    # DEL, which cannot be printed, would stand for 190 to 199 knots.
    if tens < 19:
        tens += 80
    return bytes(_ZERO + value for value in (tens, units * 10 + hundreds + 4, degrees))


def _within(value: float, last: float, unit: str) -> float:
    if not 0 <= value <= last:
        raise EncodeError("value_range", f"{value} is not from 0 to {last} {unit}")
    return value


def _read_position_in_text(rest: bytes) -> Placed | None:
    if not rest.startswith(_POSITION_IN_TEXT) or rest[1:2] not in _FIRST_DIGITS:
        return None
    try:
        return read_place(rest, 1)
    except Broken:
        return None


def _altitude_ft(said: MiceText, place: Place) -> float | None:
    return place.altitude_ft if said.altitude_m is None else said.altitude_m / M_PER_FT


def _altitude_m(place: Place) -> int | None:
    altitude_ft = place.altitude_ft
    if altitude_ft is None:
        return None
    if not math.isfinite(altitude_ft):
        raise EncodeError("altitude", f"{altitude_ft} is no altitude")
    return round(altitude_ft * M_PER_FT)


def _without_limit(departures: tuple[Departure, ...]) -> tuple[Departure, ...]:
    # The text may be as long as the information field allows.
    return tuple(found for found in departures if found != "comment_too_long")

"""Where something is, and what follows (APRS 1.2c ch. 6 to 9).

Latitude and longitude written out or compressed, symbol, data extension and comment: what
positions, objects and items have in common.
"""

import re
from typing import Final

import msgspec

from ridgepost.aprs import compressed
from ridgepost.aprs.comment import read_altitude, read_comment, write_altitude
from ridgepost.aprs.coordinates import (
    AMBIGUITY_NM,
    HUNDREDTHS_PER_DEG,
    LATITUDE,
    LONGITUDE,
    MOST_BLANKS,
    Coordinate,
    box,
    degrees,
    plain_hundredths,
    read_coordinate,
    write_coordinate,
    write_precise_coordinate,
)
from ridgepost.aprs.extension import (
    CourseSpeed,
    read_extension,
    read_further,
    write_extension,
    write_further,
)
from ridgepost.aprs.packet import Broken
from ridgepost.aprs.parts import (
    Ambiguity,
    Compression,
    Extension,
    Place,
    Precision,
    RadioRange,
    Timestamp,
)
from ridgepost.aprs.precision import LENGTH as PRECISION_LENGTH
from ridgepost.aprs.precision import read_precision, write_precision
from ridgepost.aprs.report import Departure
from ridgepost.aprs.symbol import is_symbol_code, is_symbol_table
from ridgepost.aprs.text import read_text, text_departures
from ridgepost.aprs.timestamp import LENGTH as TIMESTAMP_LENGTH
from ridgepost.aprs.timestamp import read_timestamp
from ridgepost.aprs.writing import EncodeError, check_text

# Characters after the symbol code, data extension or csT included (ch. 8 and 9). !DAO! may go
# beyond (ch. 5).
MAX_COMMENT: Final = 43

# What a station sends that does not know where it is (ch. 6, Default Null Position).
UNKNOWN_PLACE: Final = Place(
    latitude_deg=0.0, longitude_deg=0.0, position_known=False, symbol_table="\\", symbol_code="."
)

# Coordinates without departures and blanks, symbol table or overlay, and symbol code (ch. 6).
_USUAL: Final = re.compile(
    rb"([0-9]{4}\.[0-9]{2})([NS])([/\\0-9A-Z])([0-9]{5}\.[0-9]{2})([EW])(.)", re.DOTALL
)

_TABLE_AT: Final = LATITUDE.length
_LONGITUDE_AT: Final = _TABLE_AT + 1
_CODE_AT: Final = _LONGITUDE_AT + LONGITUDE.length


class Placed(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """A place, what its sender should not have done, and where in the field its comment starts."""

    place: Place
    departures: tuple[Departure, ...]
    comment_at: int


def read_place(info: bytes, start: int) -> Placed:
    """Read what stands in `info` from `start` on: coordinates in either form, and all after them.

    A trailing line end must have been taken off before. Raises Broken.
    """
    if len(info) <= start:
        raise Broken("too_short", len(info))
    usual = _USUAL.match(info, start)
    if usual:
        placed = _read_usual(info, usual)
        if placed:
            return placed
    elif compressed.is_compressed(info, start):
        return _read_compressed(info, start)
    table_at, code_at = start + _TABLE_AT, start + _CODE_AT
    latitude = read_coordinate(LATITUDE, info[start:table_at], start)
    table = info[table_at : table_at + 1]
    if not table:
        raise Broken("too_short", table_at)
    if not is_symbol_table(table):
        raise Broken("symbol_table", table_at)
    longitude = read_coordinate(LONGITUDE, info[table_at + 1 : code_at], table_at + 1)
    code = info[code_at : code_at + 1]
    if not code:
        raise Broken("too_short", code_at)
    return read_behind(info, code_at + 1, latitude, longitude, table, code)


def _read_usual(info: bytes, found: re.Match[bytes]) -> Placed | None:
    """Read a place in whose coordinates nothing is left out and nothing departs from the standard,
    as of nine stations in ten; None if it is not on the globe."""
    north, letter, table, east, side, code = found.groups()
    latitude = plain_hundredths(LATITUDE, north)
    longitude = plain_hundredths(LONGITUDE, east)
    if latitude is None or longitude is None:
        return None
    after_code = found.end()
    south, west = letter == b"S", side == b"W"
    extended = read_extension(table, code, info[after_code:])
    return _placed(
        info,
        after_code + extended.length,
        after_code,
        latitude_deg=(-latitude if south else latitude) / HUNDREDTHS_PER_DEG,
        longitude_deg=(-longitude if west else longitude) / HUNDREDTHS_PER_DEG,
        away=(south, west),
        table=table.decode(),
        code=code,
        overlay=table.decode() if table.isalnum() else None,
        motion=extended.motion,
        extension=extended.extension,
        departures=(),
    )


def read_behind(
    info: bytes,
    after_code: int,
    latitude: Coordinate,
    longitude: Coordinate,
    table: bytes,
    code: bytes,
) -> Placed:
    """Read what stands behind coordinates and symbol of a place that is not compressed: data
    extension and comment, in `info` from `after_code` on."""
    departures = latitude.departures or longitude.departures
    if longitude.blanks > latitude.blanks:
        departures += ("longitude_more_ambiguous",)
    blanks = max(latitude.blanks, longitude.blanks)
    extended = read_extension(table, code, info[after_code:])
    return _placed(
        info,
        after_code + extended.length,
        after_code,
        latitude_deg=degrees(latitude, blanks),
        longitude_deg=degrees(longitude, blanks),
        away=None if blanks else (latitude.negative, longitude.negative),
        blanks=blanks,
        ambiguity=_ambiguity(latitude, longitude, blanks),
        table=table.decode(),
        code=code,
        overlay=table.decode() if table.isalnum() else None,
        motion=extended.motion,
        extension=extended.extension,
        departures=departures,
    )


def read_time_of_place(info: bytes, start: int) -> tuple[Timestamp | None, tuple[Departure, ...]]:
    """Read the time at `start` that a place follows.

    One that cannot be right is dropped, and named as a departure, when the place is written out.
    Raises Broken.
    """
    place_at = start + TIMESTAMP_LENGTH
    if len(info) <= place_at:
        raise Broken("too_short", len(info))
    try:
        return read_timestamp(info[start:place_at], offset=start), ()
    except Broken:
        # Nearly everything can be read as a compressed position.
        if compressed.is_compressed(info, place_at):
            raise
        return None, ("timestamp_unusable",)


def write_place(place: Place, precise: bool = False) -> bytes:
    """Write a place, from the coordinates to the end of the comment. Raises EncodeError.

    Coordinates are rounded to hundredths of a minute, or cut off to a foot where `compressed`;
    `precise` adds the digits beyond as !DAO! at the end of the comment. `altitude_ft` goes in front
    of the comment if it is not told there, or into a compressed position that has it from GGA.
    Telemetry, frequency and the corridor of an area are told by the comment. What follows from
    other fields is not looked at: overlay, ambiguity, precision, position_known.
    """
    if not place.symbol_code.isascii() or not is_symbol_code(place.symbol_code.encode()):
        raise EncodeError("symbol_code", "one printable ASCII character")
    altitude_inside = place.compressed and _altitude_from_gga(place.compression)
    comment = place.comment if altitude_inside else _with_altitude(place)
    held = read_precision(_octets(comment))
    if place.compressed:
        if precise or place.ambiguity_digits:
            raise EncodeError("precision", "a compressed position is as precise as it is")
        head, rest = _write_compressed(place, place.altitude_ft if altitude_inside else None)
        digits = ""
    else:
        head, digits = _write_head(place, held, precise)
        rest = write_extension(
            (place.symbol_table, place.symbol_code),
            place.course_deg,
            place.speed_knots,
            place.extension,
        ).encode()
    limit = MAX_COMMENT - len(rest) + (PRECISION_LENGTH if held and held.dao_valid else 0)
    return head + rest + check_text(comment, limit, "comment_too_long") + digits.encode()


def _write_head(place: Place, held: Precision | None, precise: bool) -> tuple[bytes, str]:
    """Write coordinates and symbol, and what of !DAO! is still to be put behind them.

    `held` are the digits that stand in the comment: they are not written out a second time.
    """
    if not place.symbol_table.isascii() or not is_symbol_table(place.symbol_table.encode()):
        raise EncodeError("symbol_table", "one of / and \\, or an overlay from 0-9 and A-Z")
    blanks = place.ambiguity_digits
    if not 0 <= blanks <= MOST_BLANKS:
        raise EncodeError("ambiguity", f"from 0 to {MOST_BLANKS} digits can be left out")
    digits = ""
    if precise:
        if blanks or (held and held.dao_valid):
            raise EncodeError("precision", "neither with digits left out nor beside another !DAO!")
        latitude, latitude_min = write_precise_coordinate(LATITUDE, place.latitude_deg)
        longitude, longitude_min = write_precise_coordinate(LONGITUDE, place.longitude_deg)
        digits = write_precision(latitude_min, longitude_min)
    else:
        latitude_min = held.latitude_added_min if held and not blanks else 0.0
        longitude_min = held.longitude_added_min if held and not blanks else 0.0
        latitude = write_coordinate(LATITUDE, place.latitude_deg, blanks, latitude_min)
        longitude = write_coordinate(LONGITUDE, place.longitude_deg, blanks, longitude_min)
    return f"{latitude}{place.symbol_table}{longitude}{place.symbol_code}".encode(), digits


def _write_compressed(place: Place, altitude_ft: float | None) -> tuple[bytes, bytes]:
    """Write coordinates and symbol, and what follows in front of the comment."""
    moving = place.course_deg is not None or place.speed_knots is not None
    extension = place.extension
    in_range = extension if isinstance(extension, RadioRange) else None
    further = write_further((place.symbol_table, place.symbol_code), extension)
    if extension is not None and not in_range and not further:
        raise EncodeError("extension", "a compressed position cannot have it (ch. 9)")
    motion = compressed.Motion(
        course_speed=CourseSpeed(course_deg=place.course_deg, speed_knots=place.speed_knots)
        if moving
        else None,
        radio_range=in_range,
        altitude_ft=altitude_ft,
        compression=place.compression,
    )
    head = (
        compressed.write_table(place.symbol_table)
        + compressed.write_coordinates(place.latitude_deg, place.longitude_deg)
        + place.symbol_code.encode()
    )
    return head, compressed.write_motion(motion) + further.encode()


def _altitude_from_gga(compression: Compression | None) -> bool:
    return compression is not None and compression.compression_source == "GGA"


def _with_altitude(place: Place) -> str:
    if place.altitude_ft is None:
        return place.comment
    held_ft = read_altitude(_octets(place.comment))
    if held_ft is None:
        return write_altitude(place.altitude_ft) + place.comment
    if held_ft != place.altitude_ft:
        raise EncodeError("altitude", f"{held_ft:g} in the comment, {place.altitude_ft:g} beside")
    return place.comment


def _octets(comment: str) -> bytes:
    # What has no octets must not be sent: `check_text` finds it.
    return comment.encode(errors="replace")


def _read_compressed(info: bytes, start: int) -> Placed:
    after_motion = start + compressed.LENGTH
    if len(info) < after_motion:
        raise Broken("too_short", len(info))
    table = info[start : start + 1]
    code_at = start + compressed.CODE_AT
    code = info[code_at : code_at + 1]
    latitude = compressed.read_latitude(info, start)
    longitude = compressed.read_longitude(info, start)
    motion = compressed.read_motion(info, start)
    further = read_further(table, code, info[after_motion:], motion.course_speed)
    extension, length = further or (motion.radio_range, 0)
    return _placed(
        info,
        after_motion + length,
        code_at + 1,
        latitude_deg=latitude,
        longitude_deg=longitude,
        table=table.decode(),
        code=code,
        overlay=compressed.overlay_of(table.decode()),
        compression=motion.compression,
        compressed_form=True,
        motion=motion.course_speed,
        extension=extension,
        altitude_ft=motion.altitude_ft,
        departures=motion.departures,
    )


def _placed(
    info: bytes,
    comment_at: int,
    after_code: int,
    *,
    latitude_deg: float,
    longitude_deg: float,
    away: tuple[bool, bool] | None = None,
    blanks: int = 0,
    ambiguity: Ambiguity | None = None,
    table: str,
    code: bytes,
    overlay: str | None,
    compressed_form: bool = False,
    compression: Compression | None = None,
    motion: CourseSpeed | None,
    extension: Extension | None,
    altitude_ft: float | None = None,
    departures: tuple[Departure, ...],
) -> Placed:
    """Read the comment of a place of which all else is known.

    `away` says whether latitude and longitude are counted southward and westward; None if no digits
    may be added to them.
    """
    octets = info[comment_at:]
    comment, encoding = read_text(octets)
    held = read_comment(octets, comment)
    precision = held.precision
    limit = MAX_COMMENT - (comment_at - after_code)
    if precision:
        limit += PRECISION_LENGTH if precision.dao_valid else 0
        if away:
            south, west = away
            latitude_deg = _add(latitude_deg, precision.latitude_added_min, south, 90.0)
            longitude_deg = _add(longitude_deg, precision.longitude_added_min, west, 180.0)
        else:
            precision = msgspec.structs.replace(
                precision, latitude_added_min=0.0, longitude_added_min=0.0
            )
    if not is_symbol_code(code):
        departures += ("symbol_code",)
    return Placed(
        place=Place(
            latitude_deg=latitude_deg,
            longitude_deg=longitude_deg,
            position_known=bool(latitude_deg or longitude_deg or blanks),
            ambiguity_digits=blanks,
            ambiguity=ambiguity,
            symbol_table=table,
            symbol_code=code.decode("latin-1"),
            overlay=overlay,
            compressed=compressed_form,
            compression=compression,
            course_deg=motion.course_deg if motion else None,
            speed_knots=motion.speed_knots if motion else None,
            altitude_ft=altitude_ft if held.altitude_ft is None else held.altitude_ft,
            extension=extension,
            precision=precision,
            telemetry=held.telemetry,
            frequency=held.frequency,
            comment=comment,
            text_encoding=encoding,
        ),
        departures=departures + text_departures(comment, limit, "comment_too_long"),
        comment_at=comment_at,
    )


def _add(angle_deg: float, added_min: float, negative: bool, limit_deg: float) -> float:
    # Digits lengthen the minutes as written, so they lead away from 0 (ch. 5).
    if not added_min:
        return angle_deg
    size = min(abs(angle_deg) + added_min / 60, limit_deg)
    return -size if negative else size


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

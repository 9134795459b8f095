"""Objects: things with a name, a time and a place, or that are gone (APRS 1.2c ch. 11).

`;`, a name in nine octets, `*` for live or `_` for killed, a time in seven octets, then the place.
"""

import re

import msgspec

from ridgepost.aprs.frequency import read_object_frequency
from ridgepost.aprs.packet import Broken, Packet
from ridgepost.aprs.parts import Place, Timestamp
from ridgepost.aprs.place import read_place, read_time_of_place, write_place
from ridgepost.aprs.report import Departure, Object, Position, Weather
from ridgepost.aprs.signpost import read_signpost
from ridgepost.aprs.text import read_text, without_line_end
from ridgepost.aprs.timestamp import LENGTH as TIMESTAMP_LENGTH
from ridgepost.aprs.timestamp import write_timestamp
from ridgepost.aprs.weather import as_weather
from ridgepost.aprs.writing import EncodeError, check_info

MAX_NAME = 9

_FLAG_AT = 1 + MAX_NAME
_TIME_AT = _FLAG_AT + 1
_PLACE_AT = _TIME_AT + TIMESTAMP_LENGTH

_LIVE, _KILLED = b"*", b"_"
_PERMANENT = b"111111z"

# A latitude where the time belongs, as misprinted in the standard itself.
_LATITUDE = re.compile(rb"[0-9]{2}[0-9 ]{2}\.[0-9 ]{2}[NSns]")


def read_object(packet: Packet) -> Object | Position | Weather:
    """Read an object; with the weather symbol it may be a weather report. Raises Broken.

    A time that cannot be right is dropped when a place written out follows it.
    """
    info, departures = without_line_end(packet.info)
    if len(info) <= _FLAG_AT:
        raise Broken("too_short", len(info))
    flag = info[_FLAG_AT:_TIME_AT]
    if flag not in (_LIVE, _KILLED):
        raise Broken("object_live_flag", _FLAG_AT)
    name, found = read_name(info[1:_FLAG_AT].rstrip(b" "))
    departures += found
    if _LATITUDE.match(info, _TIME_AT):
        raise Broken("object_without_timestamp", _TIME_AT)
    time, found = read_time_of_place(info, _TIME_AT)
    departures += found
    placed = read_place(info, _PLACE_AT)
    place = with_named_frequency(name, placed.place)
    return as_weather(
        Object(
            info=packet.info,
            departures=departures + placed.departures,
            name=name,
            live=flag == _LIVE,
            permanent=info[_TIME_AT:_PLACE_AT] == _PERMANENT,
            signpost=read_signpost(place),
            time=time,
            place=place,
        )
    )


def encode_object(
    name: str,
    place: Place,
    *,
    time: Timestamp | None = None,
    live: bool = True,
    precise: bool = False,
) -> bytes:
    """Encode an object at `place`, as `write_place` has it. Raises EncodeError.

    `time` has a day or a second, and is better zulu than local; an object without one is permanent.
    Blanks at the end of the name are lost.
    """
    head = check_name(name, 1).ljust(MAX_NAME) + (_LIVE if live else _KILLED)
    return check_info(
        b";" + head + _write_time(time) + write_place(place, precise), "comment_too_long"
    )


def check_name(name: str, least: int) -> bytes:
    """Return the name of an object or item as octets, if it has `least` to nine characters.

    Raises EncodeError.
    """
    if not name.strip():
        raise EncodeError("blank_name", "an object or item needs a name")
    if len(name) > MAX_NAME:
        raise EncodeError("name_too_long", f"{len(name)} characters, at most {MAX_NAME} are sent")
    if len(name) < least:
        raise EncodeError("name_too_short", f"{len(name)} characters, at least {least} are sent")
    if not _is_name(name):
        raise EncodeError("illegal_character", "a name has printable ASCII characters only")
    return name.encode()


def _write_time(time: Timestamp | None) -> bytes:
    if time is None:
        return _PERMANENT
    field = write_timestamp(time).encode()
    if len(field) != TIMESTAMP_LENGTH:
        raise EncodeError("timestamp", "an object has no month (ch. 11)")
    if field == _PERMANENT:
        # The same time, told by its hour, minute and second.
        return b"111100h"
    return field


def read_name(octets: bytes) -> tuple[str, tuple[Departure, ...]]:
    """Read the name of an object or item, without filler; blanks inside are part of it.

    Raises Broken for a name of blanks only, which nothing could be told apart by.
    """
    if not octets.strip(b" "):
        raise Broken("blank_name", 1)
    name, _ = read_text(octets)
    return name, () if _is_name(name) else ("name_characters",)


def with_named_frequency(name: str, place: Place) -> Place:
    """Return `place` with the frequency that the name of its object or item may be (ch. 18)."""
    if name[3:4] != ".":
        return place
    frequency = read_object_frequency(name, place.comment)
    return msgspec.structs.replace(place, frequency=frequency) if frequency else place


def _is_name(name: str) -> bool:
    return name.isascii() and name.isprintable()

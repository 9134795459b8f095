"""Items: things with a name and a place, and no time (APRS 1.2c ch. 11).

`)`, a name of three to nine octets, `!` for live or `_` for killed, then the place.
"""

import re

from ridgepost.aprs.object import MAX_NAME, check_name, read_name, with_named_frequency
from ridgepost.aprs.packet import Broken, Packet
from ridgepost.aprs.parts import Place
from ridgepost.aprs.place import read_place, write_place
from ridgepost.aprs.report import Item
from ridgepost.aprs.signpost import read_signpost
from ridgepost.aprs.text import without_line_end
from ridgepost.aprs.writing import EncodeError, check_info

MIN_NAME = 3

_LIVE, _KILLED = b"!", b"_"
_NAME = re.compile(rb"([^!_]{%d,%d})([!_])" % (MIN_NAME, MAX_NAME))


def read_item(packet: Packet) -> Item:
    """Read an item. Raises Broken."""
    info, departures = without_line_end(packet.info)
    head = _NAME.match(info, 1)
    if not head:
        raise Broken("item_name_length", min(1 + MAX_NAME, len(info)))
    name, found = read_name(head[1])
    placed = read_place(info, head.end())
    place = with_named_frequency(name, placed.place)
    return Item(
        info=packet.info,
        departures=departures + found + placed.departures,
        name=name,
        live=head[2] == _LIVE,
        signpost=read_signpost(place),
        place=place,
    )


def encode_item(name: str, place: Place, *, live: bool = True, precise: bool = False) -> bytes:
    """Encode an item at `place`, as `write_place` has it. Raises EncodeError."""
    octets = check_name(name, MIN_NAME)
    if not _NAME.fullmatch(octets + _LIVE):
        raise EncodeError("illegal_character", "! and _ end the name of an item")
    head = b")" + octets + (_LIVE if live else _KILLED)
    return check_info(head + write_place(place, precise), "comment_too_long")

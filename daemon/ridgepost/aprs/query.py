"""Queries to all stations and to one, and the text of the answers (APRS 1.2c ch. 15)."""

import re

import msgspec

from ridgepost.aprs.distance import great_circle_miles
from ridgepost.aprs.narrowing import narrow
from ridgepost.aprs.packet import Packet
from ridgepost.aprs.report import Departure, DirectedQuery, GeneralQuery, Message
from ridgepost.aprs.text import read_text, without_line_end

GENERAL_QUERIES = frozenset({"APRS", "IGATE", "WX"})
DIRECTED_QUERIES = frozenset(
    {"APRSD", "APRSH", "APRSM", "APRSO", "APRSP", "APRSS", "APRST", "PING?"}
)
_SAME_AS = {"PING?": "APRST"}
_ABOUT_A_STATION = "APRSH"

_GENERAL = re.compile(r"\?([^?]*)\?(.*)", re.DOTALL)
_DIRECTED = re.compile(r"\?([A-Za-z?]{5})([!-~]{0,9}) *")
# What looks like a query but is none of ours. Plain words after a question mark are text.
_DIRECTED_UNKNOWN = re.compile(r"\?([A-Z]{2,5}\??) *")

# Sign or blank, degrees with decimals, twice; then the radius in whole miles.
_FOOTPRINT = re.compile(
    r" *([ -]?[0-9]{1,2}(?:\.[0-9]{0,6})?), *([ -]?[0-9]{1,3}(?:\.[0-9]{0,6})?), *([0-9]{1,5}) *"
)
_FOOTPRINT_AS_PRESCRIBED = re.compile(
    r"[ -][0-9]{1,2}(?:\.[0-9]{1,6})?,[ -][0-9]{1,3}(?:\.[0-9]{1,6})?,[0-9]{4}"
)

_HEARD_HOURS = 8


class HeardStatistics(msgspec.Struct, frozen=True, kw_only=True):
    """How often `heard_station` was heard in each of the last hours, as another station says."""

    heard_station: str
    heard_counts: tuple[int, ...]


def read_general_query(packet: Packet) -> GeneralQuery:
    """Read a query to all stations, with the circle it is meant for if there is one."""
    octets, departures = without_line_end(packet.info)
    text, _ = read_text(octets)
    found = _GENERAL.fullmatch(text)
    if not found:
        return GeneralQuery(
            info=packet.info, departures=departures, query=text[1:], recognised=False
        )
    query, rest = found[1], found[2]
    recognised = query in GENERAL_QUERIES
    if not rest.strip(" "):
        return GeneralQuery(
            info=packet.info, departures=departures, query=query, recognised=recognised
        )
    footprint = _FOOTPRINT.fullmatch(rest)
    latitude, longitude = (float(footprint[1]), float(footprint[2])) if footprint else (0.0, 0.0)
    if footprint is None or abs(latitude) > 90 or abs(longitude) > 180:
        more: tuple[Departure, ...] = ("footprint_unusable",)
        return GeneralQuery(
            info=packet.info, departures=departures + more, query=query, recognised=False
        )
    if not _FOOTPRINT_AS_PRESCRIBED.fullmatch(rest):
        departures += ("footprint_form",)
    return GeneralQuery(
        info=packet.info,
        departures=departures,
        query=query,
        recognised=recognised,
        has_footprint=True,
        footprint_latitude_deg=latitude,
        footprint_longitude_deg=longitude,
        footprint_radius_miles=int(footprint[3]),
    )


def must_answer(
    query: GeneralQuery, latitude_deg: float | None, longitude_deg: float | None
) -> bool:
    """Say whether a station at this position is among those that `query` asks.

    A station that does not know its position is outside every footprint. Whether it has what the
    query asks for (weather, a gateway) is for the station to say.
    """
    if not query.recognised:
        return False
    if not query.has_footprint:
        return True
    distance = footprint_distance_miles(query, latitude_deg, longitude_deg)
    radius = query.footprint_radius_miles
    return distance is not None and radius is not None and distance <= radius


def footprint_distance_miles(
    query: GeneralQuery, latitude_deg: float | None, longitude_deg: float | None
) -> float | None:
    """Return the statute miles from a position to the centre of a footprint; None if unknown."""
    centre_latitude, centre_longitude = query.footprint_latitude_deg, query.footprint_longitude_deg
    if (
        latitude_deg is None
        or longitude_deg is None
        or centre_latitude is None
        or centre_longitude is None
    ):
        return None
    return great_circle_miles(latitude_deg, longitude_deg, centre_latitude, centre_longitude)


def read_directed_query(message: Message) -> DirectedQuery | None:
    """Read a message as a query to its addressee; None if it is plain text.

    A query that is not known, or not written in capitals, is not `recognised` and to be ignored.
    """
    query, heard_station, recognised = message.text[1:], "", False
    found = _DIRECTED.fullmatch(message.text)
    if found and found[1].upper() in DIRECTED_QUERIES:
        query, heard_station = found[1], found[2]
        wants_station = query.upper() == _ABOUT_A_STATION
        recognised = query in DIRECTED_QUERIES and wants_station == bool(heard_station)
    else:
        found = _DIRECTED_UNKNOWN.fullmatch(message.text)
        if not found:
            return None
        query = found[1]
    departures = message.departures
    if message.message_id is not None:
        departures += ("message_id_on_query",)
    return narrow(
        DirectedQuery,
        message,
        query=query,
        recognised=recognised,
        heard_station=heard_station or None,
        same_as=_SAME_AS.get(query),
        ack_expected=False,
        departures=departures,
    )


def stations_heard_direct(text: str) -> tuple[str, ...] | None:
    """Return the callsigns in an answer to APRSD; None if `text` is no such answer."""
    if not text.startswith("Directs="):
        return None
    return tuple(text.removeprefix("Directs=").split())


def heard_statistics(text: str) -> HeardStatistics | None:
    """Return the counts in an answer to APRSH, most recent hour as sent; None if it is none."""
    station, _, counts = text.partition(" HEARD: ")
    words = counts.split()
    if not 1 <= len(words) <= _HEARD_HOURS or not 1 <= len(station) <= 9 or " " in station:
        return None
    if not all(word == "." or (word.isascii() and word.isdigit()) for word in words):
        return None
    # A dot stands for none, so that a line is quick to read.
    return HeardStatistics(
        heard_station=station,
        heard_counts=tuple(0 if word == "." else int(word) for word in words),
    )

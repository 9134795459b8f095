"""The Maidenhead locator beacon, `[IO91SX] comment`: obsolete (APRS 1.2c ch. 8)."""

from typing import Final

from ridgepost.aprs.locator import read_locator
from ridgepost.aprs.packet import Broken, Packet
from ridgepost.aprs.report import GridBeacon
from ridgepost.aprs.text import read_text, text_departures, without_line_end

_END: Final = b"]"
_LONGEST: Final = 6


def read_grid_beacon(packet: Packet) -> GridBeacon:
    """Read a locator in brackets, and the comment after it. Raises Broken."""
    info, departures = without_line_end(packet.info)
    end = info.find(_END, 1, 1 + _LONGEST + len(_END))
    if end < 0:
        if len(info) <= 1 + _LONGEST:
            raise Broken("too_short", len(info))
        raise Broken("format", 1 + _LONGEST)
    written = info[1:end]
    locator = read_locator(written)
    if not locator:
        raise Broken("format", 1)
    if written != written.upper():
        departures += ("lower_case_locator",)
    comment, encoding = read_text(info[end + 1 :])
    return GridBeacon(
        info=packet.info,
        departures=departures + text_departures(comment, None, "comment_too_long"),
        grid=locator.grid,
        center_latitude_deg=locator.center_latitude_deg,
        center_longitude_deg=locator.center_longitude_deg,
        comment=comment,
        text_encoding=encoding,
    )

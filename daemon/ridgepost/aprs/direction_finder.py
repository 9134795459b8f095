"""A bearing as a direction finder sends it: `%nnn/n` (APRS 1.2c Appendix 1, Agrelo Format)."""

import re

from ridgepost.aprs.packet import Broken, Packet
from ridgepost.aprs.report import DirectionFinder
from ridgepost.aprs.text import without_line_end

_BEARING = re.compile(rb"%([0-9]{3})/([0-9])")


def read_direction_finder(packet: Packet) -> DirectionFinder:
    """Read bearing and quality. Raises Broken."""
    info, departures = without_line_end(packet.info)
    found = _BEARING.fullmatch(info)
    if not found:
        raise Broken("format", 1)
    bearing = int(found[1])
    if bearing > 360:
        raise Broken("bearing_range", 1)
    return DirectionFinder(
        info=packet.info,
        departures=departures,
        bearing_deg=bearing,
        bearing_quality=int(found[2]),
    )

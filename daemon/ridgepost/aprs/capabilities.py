"""Station capabilities (APRS 1.2c ch. 15)."""

from ridgepost.aprs.packet import Packet
from ridgepost.aprs.report import Capabilities
from ridgepost.aprs.text import read_text, without_line_end


def read_capabilities(packet: Packet) -> Capabilities:
    """Read a list of TOKEN or TOKEN=VALUE, separated by commas."""
    octets, departures = without_line_end(packet.info[1:])
    text, encoding = read_text(octets)
    pairs = [part.partition("=") for part in text.split(",")] if text.strip() else []
    return Capabilities(
        info=packet.info,
        departures=departures,
        tokens=tuple(token.strip() for token, _, _ in pairs),
        values=tuple(value.strip() for _, _, value in pairs),
        text=text,
        text_encoding=encoding,
    )

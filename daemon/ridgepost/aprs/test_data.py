"""Invalid and test data: `,` and whatever follows (APRS 1.2c ch. 20)."""

from ridgepost.aprs.packet import Packet
from ridgepost.aprs.report import TestData
from ridgepost.aprs.text import read_text, without_line_end


def read_test_data(packet: Packet) -> TestData:
    """Read what the sender says is not to be acted on, as text."""
    octets, departures = without_line_end(packet.info[1:])
    text, encoding = read_text(octets)
    return TestData(info=packet.info, departures=departures, text=text, text_encoding=encoding)

"""The way in: an information field is read by what its first octet says it is."""

from collections.abc import Callable

from ridgepost.aprs.capabilities import read_capabilities
from ridgepost.aprs.direction_finder import read_direction_finder
from ridgepost.aprs.grid_beacon import read_grid_beacon
from ridgepost.aprs.item import read_item
from ridgepost.aprs.message import read_message
from ridgepost.aprs.mice import read_mice
from ridgepost.aprs.nmea import read_nmea
from ridgepost.aprs.object import read_object
from ridgepost.aprs.packet import Broken, Packet
from ridgepost.aprs.position import read_position
from ridgepost.aprs.query import read_general_query
from ridgepost.aprs.report import Other, Report, Unreadable
from ridgepost.aprs.status import read_status
from ridgepost.aprs.telemetry import read_telemetry
from ridgepost.aprs.test_data import read_test_data
from ridgepost.aprs.text import read_text, without_line_end
from ridgepost.aprs.third_party import MAX_DEPTH, read_third_party
from ridgepost.aprs.user_defined import read_user_defined
from ridgepost.aprs.weather import read_positionless_weather, read_raw_weather

# AX.25 stations send up to 256 octets; much more is no APRS, and is not looked into.
MAX_INFO = 2048


def decode(info: bytes, source: str = "", destination: str = "", *, strict: bool = False) -> Report:
    """Read an information field; `source` and `destination` are its AX.25 addresses.

    Never raises: what breaks the standard comes back as `Unreadable`, with the reason. With
    `strict` so does what departs from it and could be read.
    """
    return _read(Packet(info=info, source=source, destination=destination, strict=strict))


def _read(packet: Packet) -> Report:
    identifier = packet.info[:1].decode("latin-1")
    try:
        if len(packet.info) > MAX_INFO:
            raise Broken("too_long", MAX_INFO)
        if packet.depth > MAX_DEPTH:
            raise Broken("nested_too_deep", 0)
        report = _READERS.get(identifier, _read_other)(packet)
    except Broken as broken:
        return Unreadable(
            info=packet.info,
            data_type_identifier=identifier,
            reason=broken.reason,
            offset=broken.offset,
        )
    if packet.strict and report.departures:
        return Unreadable(
            info=packet.info,
            departures=report.departures,
            data_type_identifier=identifier,
            reason="departure",
            offset=0,
        )
    return report


def _read_third_party(packet: Packet) -> Report:
    return read_third_party(packet, _read)


def _read_other(packet: Packet) -> Report:
    octets, departures = without_line_end(packet.info)
    text, encoding = read_text(octets)
    return Other(
        info=packet.info,
        departures=departures,
        text=text,
        text_encoding=encoding,
        may_be_status=bool(octets),
    )


# The data type identifiers of APRS 1.2c ch. 5. Those marked there as unused, reserved or not to be
# used are missing here: such packets are no APRS (ch. 20).
_READERS: dict[str, Callable[[Packet], Report]] = {
    "\x1c": read_mice,  # Mic-E, revision 0 beta, current
    "\x1d": read_mice,  # Mic-E, revision 0 beta, old
    "!": read_position,
    "#": read_raw_weather,
    "$": read_nmea,  # and raw weather
    "%": read_direction_finder,
    "'": read_mice,  # Mic-E, old
    ")": read_item,
    "*": read_raw_weather,
    ",": read_test_data,
    "/": read_position,
    ":": read_message,
    ";": read_object,
    "<": read_capabilities,
    "=": read_position,
    ">": read_status,
    "?": read_general_query,
    "@": read_position,
    "T": read_telemetry,
    "[": read_grid_beacon,
    "_": read_positionless_weather,
    "`": read_mice,  # Mic-E, current
    "{": read_user_defined,
    "}": _read_third_party,
}

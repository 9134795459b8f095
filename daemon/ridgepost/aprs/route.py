"""The way in: an information field is read by what its first octet says it is."""

from collections.abc import Callable

from ridgepost.aprs.capabilities import read_capabilities
from ridgepost.aprs.message import read_message
from ridgepost.aprs.packet import Broken, Packet
from ridgepost.aprs.position import read_position
from ridgepost.aprs.query import read_general_query
from ridgepost.aprs.report import Other, Report, Unread, Unreadable
from ridgepost.aprs.status import read_status
from ridgepost.aprs.text import read_text, without_line_end
from ridgepost.aprs.third_party import MAX_DEPTH, read_third_party

# AX.25 stations send up to 256 octets; much more is no APRS, and is not looked into.
MAX_INFO = 2048


def decode(info: bytes, source: str = "", destination: str = "") -> Report:
    """Read an information field; `source` and `destination` are its AX.25 addresses.

    Never raises: what breaks the standard comes back as `Unreadable`, with the reason.
    """
    return _read(Packet(info=info, source=source, destination=destination))


def _read(packet: Packet) -> Report:
    identifier = packet.info[:1].decode("latin-1")
    try:
        if len(packet.info) > MAX_INFO:
            raise Broken("too_long", MAX_INFO)
        if packet.depth > MAX_DEPTH:
            raise Broken("nested_too_deep", 0)
        return _READERS.get(identifier, _read_other)(packet)
    except Broken as broken:
        return Unreadable(
            info=packet.info,
            data_type_identifier=identifier,
            reason=broken.reason,
            offset=broken.offset,
        )


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


def _unread(packet: Packet) -> Report:
    return Unread(info=packet.info, data_type_identifier=packet.info[:1].decode("latin-1"))


# The data type identifiers of APRS 1.2c ch. 5. Those marked there as unused, reserved or not to be
# used are missing here: such packets are no APRS (ch. 20).
_READERS: dict[str, Callable[[Packet], Report]] = {
    "\x1c": _unread,  # Mic-E, revision 0 beta, current
    "\x1d": _unread,  # Mic-E, revision 0 beta, old
    "!": read_position,
    "#": _unread,  # raw weather
    "$": _unread,  # NMEA, raw weather
    "%": _unread,  # direction finder
    "'": _unread,  # Mic-E, old
    ")": _unread,  # item
    "*": _unread,  # raw weather
    ",": _unread,  # invalid or test data
    "/": read_position,
    ":": read_message,
    ";": _unread,  # object
    "<": read_capabilities,
    "=": read_position,
    ">": read_status,
    "?": read_general_query,
    "@": read_position,
    "T": _unread,  # telemetry
    "[": _unread,  # Maidenhead locator beacon
    "_": _unread,  # weather without position
    "`": _unread,  # Mic-E, current
    "{": _unread,  # user-defined
    "}": _read_third_party,
}

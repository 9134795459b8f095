"""Packets from another network inside a packet of the gateway (APRS 1.2c ch. 17)."""

from collections.abc import Callable

from ridgepost.aprs.packet import Broken, Packet
from ridgepost.aprs.report import Departure, Report, ThirdParty, Unreadable
from ridgepost.aprs.text import is_graphic

# Eight digipeaters, the network and the gateway.
MAX_PATH = 10
# A gateway wraps once; a few more layers are read, and no sender can make us dig without end.
MAX_DEPTH = 3

_IDENTIFIER = "}"
_MAX_CALLSIGN = 9
_USED = b"*"

# In the path these keep a packet from the Internet: it came from there and would go round in a
# circle, or its sender does not want it there.
_NOT_GATED = frozenset({"TCPIP", "NOGATE", "RFONLY"})


def read_third_party(packet: Packet, read_inner: Callable[[Packet], Report]) -> ThirdParty:
    """Read the header after `}`, and what it holds with `read_inner`. Raises Broken."""
    info = packet.info
    if len(info) == 1:
        raise Broken("too_short", 1)
    # The source may hold any printable character but >, so that even a colon can be part of it.
    source_end = info.find(b">")
    if source_end < 0:
        raise Broken("no_destination", len(info))
    header_end = info.find(b":", source_end)
    source = _callsign(info[1:source_end], 1)
    if header_end < 0:
        raise Broken("no_colon", len(info))
    fields = info[source_end + 1 : header_end].split(b",", MAX_PATH + 1)
    if len(fields) > MAX_PATH + 1:
        raise Broken("path_too_long", source_end + 1)
    destination = _callsign(fields[0], source_end + 1)
    path: list[str] = []
    used_count = 0
    offset = source_end + 1 + len(fields[0]) + 1
    for field in fields[1:]:
        path.append(_callsign(field.removesuffix(_USED), offset))
        if field.endswith(_USED):
            used_count = len(path)
        offset += len(field) + 1
    departures: tuple[Departure, ...] = () if used_count else ("no_used_mark",)
    inner_info = info[header_end + 1 :]
    inner = read_inner(
        Packet(
            info=inner_info,
            source=source,
            destination=destination,
            depth=packet.depth + 1,
            strict=packet.strict,
        )
    )
    return ThirdParty(
        info=info,
        departures=departures,
        inner_source=source,
        inner_destination=destination,
        inner_path=tuple(path),
        inner_used_count=used_count,
        inner_info=inner_info,
        gate_to_internet=_NOT_GATED.isdisjoint(path) and _may_be_gated(inner),
        inner=inner,
    )


def _may_be_gated(inner: Report) -> bool:
    if isinstance(inner, ThirdParty):
        return inner.gate_to_internet
    # Another header that cannot be read could hold anything.
    return not (isinstance(inner, Unreadable) and inner.data_type_identifier == _IDENTIFIER)


def _callsign(field: bytes, offset: int) -> str:
    if not field:
        raise Broken("blank_callsign", offset)
    if len(field) > _MAX_CALLSIGN:
        raise Broken("callsign_too_long", offset)
    if not is_graphic(field) or _USED in field:
        raise Broken("callsign_characters", offset)
    return field.decode()

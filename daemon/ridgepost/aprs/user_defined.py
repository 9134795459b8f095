"""Data in a format of the sender's own: `{`, user, type, data (APRS 1.2c ch. 19)."""

from ridgepost.aprs.packet import Broken, Packet
from ridgepost.aprs.report import UserDefined

_HEADER = 3


def read_user_defined(packet: Packet) -> UserDefined:
    """Read the three octets of the header; the data is nobody's but the user's. Raises Broken."""
    info = packet.info
    if len(info) < _HEADER:
        raise Broken("too_short", len(info))
    return UserDefined(
        info=info,
        user_id=info[1:2].decode("latin-1"),
        user_type=info[2:_HEADER].decode("latin-1"),
        content=info[_HEADER:],
    )

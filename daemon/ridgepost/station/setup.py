"""What the operator decided about the station, as far as decisions depend on it."""

import msgspec

from ridgepost.station.channel import PortSetup

SOFTWARE_ADDRESS = "APZRGP"
"""Destination of every frame we send. APZxxx is the standard's range for software that has no
allotted address (APRS 1.2 ch. 4)."""


class Setup(msgspec.Struct, frozen=True, kw_only=True):
    """The station's identity and means. `callsign` is '' on a station that only listens."""

    callsign: str = ""
    transmit: bool = False
    path: tuple[str, ...] = ("WIDE1-1",)
    groups: tuple[str, ...] = ("ALL", "QST", "CQ")
    """Group addressees whose messages are read and never acknowledged (APRS 1.2 ch. 14)."""

    ports: tuple[PortSetup, ...] = ()

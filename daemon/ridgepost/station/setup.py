"""What the operator decided about the station, as far as decisions depend on it."""

from collections.abc import Mapping

import msgspec

from ridgepost.radio import ax25
from ridgepost.station.channel import PortSetup

SOFTWARE_ADDRESS = "APZRGP"
"""Destination of every frame we send. APZxxx is the standard's range for software that has no
allotted address (APRS 1.2 ch. 4)."""


MAX_ROLE = 24
"""Characters of what a station does at an event: 'relay driver', 'aid station 3'."""

MAX_TACTICAL = 9
"""A tactical call stands where a callsign stands in a message (APRS 1.2c ch. 14)."""


class OwnPosition(msgspec.Struct, frozen=True):
    """Where the station stands, WGS-84, degrees, north and east positive."""

    latitude_deg: float
    longitude_deg: float


class Member(msgspec.Struct, frozen=True, kw_only=True):
    """A station that takes part in the event.

    `interval_s` is the longest at which it reports by itself; None: to be learnt.
    """

    callsign: str
    tactical: str = ""
    role: str = ""
    interval_s: float | None = None


class Setup(msgspec.Struct, frozen=True, kw_only=True):
    """The station's identity and means. `callsign` is '' on a station that only listens."""

    callsign: str = ""
    transmit: bool = False
    path: tuple[str, ...] = ("WIDE1-1",)
    groups: tuple[str, ...] = ("ALL", "QST", "CQ")
    """Group addressees whose messages are read and never acknowledged (APRS 1.2 ch. 14)."""

    tactical: tuple[str, ...] = ()
    """Tactical calls that the station answers to besides its callsign: a message to one is a
    message to us. The frames that answer it bear the callsign, the only source we may give."""

    tactical_calls: Mapping[str, str] = msgspec.field(default_factory=dict)
    """Tactical calls of others, and the callsign that each stands for at this event."""

    roster: tuple[Member, ...] = ()
    """Who takes part in the event, each callsign once."""

    overdue_chance: float = 0.001
    """A silence that mere loss explains less often than this makes a station overdue."""

    position: OwnPosition | None = None
    symbol: str = "/-"
    """Symbol table identifier and symbol code (APRS 1.2c, Appendix 2)."""

    comment: str = ""
    """What follows the symbol in our position reports, at most 43 characters."""

    status: str = ""
    """Our status report, at most 62 characters; '' for none."""

    ports: tuple[PortSetup, ...] = ()

    def is_ours(self, addressee: str) -> bool:
        """Whether a message to this addressee is one to this station and no other."""
        return bool(addressee) and (addressee == self.callsign or addressee in self.tactical)

    def frame(self, info: bytes, path: tuple[str, ...] | None = None) -> bytes:
        """A frame of ours (AX.25 without FCS) with this information field; without `path` by our
        usual one."""
        way = self.path if path is None else path
        return ax25.encode(ax25.Frame(self.callsign, SOFTWARE_ADDRESS, path=way, info=info))

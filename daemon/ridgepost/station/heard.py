"""Who was heard, when, where and through whom: what the choice of a port and a path needs."""

from collections import OrderedDict

import msgspec

from ridgepost.station.channel import Port


class LastHeard(msgspec.Struct, frozen=True):
    """The latest frame of a station on a port that may answer it.

    `via` are the digipeaters that it came through, the nearest to the station first; empty both
    for a station heard direct and for one that another network brought.
    """

    at_s: float
    port: Port
    direct: bool
    via: tuple[str, ...] = ()


class HeardStations:
    """Bounded memory of stations, the one silent longest forgotten first."""

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._stations: OrderedDict[str, LastHeard] = OrderedDict()

    def note(
        self,
        callsign: str,
        port: Port,
        now_s: float,
        *,
        direct: bool,
        via: tuple[str, ...] = (),
    ) -> None:
        """A frame of this station arrived."""
        self._stations[callsign] = LastHeard(now_s, port, direct, via)
        self._stations.move_to_end(callsign)
        if len(self._stations) > self._limit:
            self._stations.popitem(last=False)

    def last(self, callsign: str) -> LastHeard | None:
        """The latest of a station, if it is remembered."""
        return self._stations.get(callsign)

    def port_of(self, callsign: str) -> Port | None:
        """Where a station was last heard, if it is remembered."""
        last = self._stations.get(callsign)
        return last.port if last else None

    def __len__(self) -> int:
        return len(self._stations)

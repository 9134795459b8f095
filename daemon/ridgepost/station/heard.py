"""Who was heard, when and where: what the choice of a port needs."""

from collections import OrderedDict

import msgspec

from ridgepost.station.channel import Port


class LastHeard(msgspec.Struct, frozen=True):
    """The latest frame of a station on a port that may answer it."""

    at_s: float
    port: Port
    direct: bool


class HeardStations:
    """Bounded memory of stations, the one silent longest forgotten first."""

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._stations: OrderedDict[str, LastHeard] = OrderedDict()

    def note(self, callsign: str, port: Port, now_s: float, *, direct: bool) -> None:
        """A frame of this station arrived."""
        self._stations[callsign] = LastHeard(now_s, port, direct)
        self._stations.move_to_end(callsign)
        if len(self._stations) > self._limit:
            self._stations.popitem(last=False)

    def port_of(self, callsign: str) -> Port | None:
        """Where a station was last heard, if it is remembered."""
        last = self._stations.get(callsign)
        return last.port if last else None

    def __len__(self) -> int:
        return len(self._stations)

"""How often each station was heard in the last hours, and which ones without a digipeater.

What two directed queries ask for (APRS 1.2c ch. 15, ?APRSH and ?APRSD). Bounded: of too many
stations the one silent longest is forgotten first.
"""

from collections import OrderedDict
from dataclasses import dataclass, field

HOURS = 8
"""APRS 1.2c ch. 15: 'heard statistics for the last 8 hours'."""

MAX_COUNT = 9999
"""More is not told apart: eight numbers of this length fit into one answer."""

_HOUR_S = 3600.0


@dataclass(slots=True)
class _Counts:
    hour: int
    by_hour: list[int] = field(default_factory=lambda: [0] * HOURS)
    """The latest first; the first one is that of `hour`."""

    def move_to(self, hour: int) -> None:
        passed = min(max(hour - self.hour, 0), HOURS)
        if passed:
            self.by_hour = [0] * passed + self.by_hour[: HOURS - passed]
            self.hour = hour


class HearingLog:
    """Counts transmissions heard of up to `limit` stations."""

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._counts: OrderedDict[str, _Counts] = OrderedDict()
        self._direct: OrderedDict[str, float] = OrderedDict()

    def __len__(self) -> int:
        return len(self._counts)

    def note(self, callsign: str, now_s: float, *, direct: bool) -> None:
        """A transmission of this station was heard; `direct` without a digipeater between."""
        hour = int(now_s // _HOUR_S)
        counts = self._counts.get(callsign)
        if counts is None:
            counts = self._counts[callsign] = _Counts(hour)
        counts.move_to(hour)
        counts.by_hour[0] = min(counts.by_hour[0] + 1, MAX_COUNT)
        self._counts.move_to_end(callsign)
        if direct:
            self._direct[callsign] = now_s
            self._direct.move_to_end(callsign)
        if len(self._counts) > self._limit:
            forgotten, _ = self._counts.popitem(last=False)
            self._direct.pop(forgotten, None)

    def counts_of(self, callsign: str, now_s: float) -> tuple[int, ...] | None:
        """How often a station was heard in each of the last eight hours, the present one first;
        None if in none of them."""
        counts = self._counts.get(callsign)
        if counts is None:
            return None
        counts.move_to(int(now_s // _HOUR_S))
        return tuple(counts.by_hour) if any(counts.by_hour) else None

    def heard_direct(self, now_s: float, within_s: float) -> list[str]:
        """Stations heard direct within the last `within_s` seconds, the latest first."""
        found: list[str] = []
        for callsign, at_s in reversed(self._direct.items()):
            if now_s - at_s > within_s:
                break
            found.append(callsign)
        return found

"""How long each addressee takes to acknowledge: smoothed as TCP smooths it (RFC 6298)."""

from collections import OrderedDict

import msgspec

STATIONS_KEPT = 1024
_GAIN_MEAN = 1 / 8
_GAIN_DEVIATION = 1 / 4
_DEVIATIONS = 4.0


class _RoundTrip(msgspec.Struct, frozen=True):
    mean_s: float
    deviation_s: float


class RoundTrips:
    """From the hand-over of a message to its acknowledgement, for each addressee. Bounded."""

    def __init__(self) -> None:
        self._known: OrderedDict[str, _RoundTrip] = OrderedDict()

    def note(self, callsign: str, took_s: float) -> None:
        """A message that was sent once was acknowledged after so long."""
        last = self._known.get(callsign)
        if last is None:
            now = _RoundTrip(took_s, took_s / 2.0)
        else:
            error_s = took_s - last.mean_s
            now = _RoundTrip(
                last.mean_s + error_s * _GAIN_MEAN,
                last.deviation_s + (abs(error_s) - last.deviation_s) * _GAIN_DEVIATION,
            )
        self._known[callsign] = now
        self._known.move_to_end(callsign)
        if len(self._known) > STATIONS_KEPT:
            self._known.popitem(last=False)

    def patience_s(self, callsign: str) -> float | None:
        """After how long an answer is late; None while nothing is known."""
        known = self._known.get(callsign)
        return known.mean_s + _DEVIATIONS * known.deviation_s if known else None

    def __len__(self) -> int:
        return len(self._known)

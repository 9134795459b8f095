"""Who else is busy with messages on the channel: how far our retries must stand back.

Beacons go out whether we wait or not, so waiting for them helps nobody. Stations that send
messages and acknowledgements retry as we do: with n of them each must leave room for the others,
or all fail together (the standard result for random access: with n contenders each should try
with a probability of the order of 1/n; L. G. Roberts, ALOHA packet system, 1975).
"""

from collections import OrderedDict

from ridgepost.station.channel import Port

STATIONS_KEPT = 64
"""More contenders than that are as good as that many."""


class Contention:
    """Counts the other stations heard with messages in the last `memory_s`, for each port."""

    def __init__(self, memory_s: float) -> None:
        self._memory_s = memory_s
        self._heard: dict[Port, OrderedDict[str, float]] = {}

    def note(self, port: Port, source: str, now_s: float) -> None:
        """A message or an acknowledgement of `source` was heard."""
        heard = self._heard.setdefault(port, OrderedDict())
        heard[source] = now_s
        heard.move_to_end(source)
        if len(heard) > STATIONS_KEPT:
            heard.popitem(last=False)

    def others(self, port: Port, peer: str, now_s: float) -> int:
        """How many there are besides the station that we talk to ourselves."""
        heard = self._heard.get(port)
        if not heard:
            return 0
        while heard:
            oldest, at_s = next(iter(heard.items()))
            if now_s - at_s < self._memory_s:
                break
            del heard[oldest]
        return len(heard) - (peer in heard)

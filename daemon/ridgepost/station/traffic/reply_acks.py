"""The latest message number from each station, to ride as a free acknowledgement on our next
message to it (APRS 1.2 ch. 14, New Message Number Format)."""

from collections import OrderedDict

STATIONS_KEPT = 1024

MAX_NUMBER = 2
"""Characters of AA in '{MM}AA'."""


class ReplyAcks:
    """Bounded; a number counts for `memory_s`."""

    def __init__(self, memory_s: float) -> None:
        self._memory_s = memory_s
        self._latest: OrderedDict[str, tuple[str, float]] = OrderedDict()

    def note(self, source: str, number: str, now_s: float) -> None:
        """A station that can take reply-acks has sent us this number.

        One that is too long to ride takes the place of the one before all the same: what rides is
        the latest or nothing.
        """
        self._latest[source] = (number if len(number) <= MAX_NUMBER else "", now_s)
        self._latest.move_to_end(source)
        if len(self._latest) > STATIONS_KEPT:
            self._latest.popitem(last=False)

    def for_addressee(self, to: str, now_s: float) -> str | None:
        """The number to acknowledge on the way, if there is one."""
        number, noted_s = self._latest.get(to, ("", 0.0))
        return number if number and now_s - noted_s < self._memory_s else None

    def __len__(self) -> int:
        return len(self._latest)

"""The outgoing messages as their latest records tell them, for asks that ask about messages."""

from collections import OrderedDict

from ridgepost.station.records import OutboundChanged

SETTLED_KEPT = 512


class Overview:
    """The latest record of each open message, and of the last `SETTLED_KEPT` settled ones."""

    def __init__(self) -> None:
        self._open: dict[str, tuple[OutboundChanged, float]] = {}
        self._settled: OrderedDict[str, tuple[OutboundChanged, float]] = OrderedDict()

    def __len__(self) -> int:
        return len(self._open) + len(self._settled)

    def apply(self, record: OutboundChanged, at_s: float) -> None:
        """A message has changed."""
        if not record.state.settled:
            self._open[record.message] = (record, at_s)
            return
        self._open.pop(record.message, None)
        self._settled[record.message] = (record, at_s)
        if len(self._settled) > SETTLED_KEPT:
            self._settled.popitem(last=False)

    def find(self, message: str) -> tuple[OutboundChanged, float] | None:
        """The latest record of a message and its time on the monotonic clock."""
        return self._open.get(message) or self._settled.get(message)

    def pending(self) -> list[tuple[OutboundChanged, float]]:
        """The open messages: the most urgent first, then in order of acceptance."""
        return sorted(self._open.values(), key=lambda item: item[0].precedence.rank)

"""How far the log has been published, while many entries are on their way at once."""

from collections import OrderedDict


class Progress:
    """Entries begin in order and end in any order; `floor` is the last of an unbroken run.

    Entries up to and including `floor` are with the broker and need not be published again.
    """

    def __init__(self, floor: int) -> None:
        self.floor = floor
        self._begun: OrderedDict[int, int] = OrderedDict()

    def begin(self, seq: int, parts: int = 1) -> None:
        """An entry goes out, in so many messages; `seq` is higher than any begun before."""
        self._begun[seq] = parts
        self._advance()

    def end(self, seq: int) -> None:
        """The broker has one of its messages."""
        self._begun[seq] -= 1
        self._advance()

    def restart(self) -> None:
        """The connection is gone: what had not ended goes out again."""
        self._begun.clear()

    def _advance(self) -> None:
        while self._begun and not self._begun[next(iter(self._begun))]:
            self.floor, _ = self._begun.popitem(last=False)

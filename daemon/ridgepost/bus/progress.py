"""How far the log has been published, while many entries are on their way at once."""

from collections import OrderedDict


class Progress:
    """Entries begin in order and end in any order; `floor` is the last of an unbroken run.

    Entries up to and including `floor` are with the broker and need not be published again.
    """

    def __init__(self, floor: int) -> None:
        self.floor = floor
        self._begun: OrderedDict[int, bool] = OrderedDict()

    def begin(self, seq: int) -> None:
        """An entry goes out; `seq` is higher than any begun before."""
        self._begun[seq] = False

    def end(self, seq: int) -> None:
        """The broker has it."""
        self._begun[seq] = True
        while self._begun and self._begun[next(iter(self._begun))]:
            self.floor, _ = self._begun.popitem(last=False)

    def restart(self) -> None:
        """The connection is gone: what had not ended goes out again."""
        self._begun.clear()

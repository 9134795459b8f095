"""What came in and waits for a person: messages until they are marked read, notices until they are
cleared. They wait over every restart; nothing but an ask takes them away."""

from collections import OrderedDict
from collections.abc import Iterator
from typing import Generic, TypeVar

MESSAGES_KEPT = 2048
"""Unread messages. A channel of 1200 baud carries some hundreds an hour; past this the oldest goes,
so that a flood costs no memory. The log has them all."""

NOTICES_KEPT = 256
SEEN_KEPT = 4096
"""Names remembered of what was seen already, so that being told twice is no mistake."""

Item = TypeVar("Item")


class Unseen(Generic[Item]):
    """Items by name, in the order in which they came; bounded by `limit`."""

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._waiting: OrderedDict[str, Item] = OrderedDict()
        self._seen: OrderedDict[str, None] = OrderedDict()

    def __len__(self) -> int:
        return len(self._waiting)

    def __contains__(self, name: str) -> bool:
        return name in self._waiting

    def __iter__(self) -> Iterator[Item]:
        """The items that wait, the latest first."""
        return reversed(self._waiting.values())

    def knows(self, name: str) -> bool:
        """It waits, or is remembered as seen."""
        return name in self._waiting or name in self._seen

    def add(self, name: str, item: Item) -> None:
        """Something came in."""
        if self.knows(name):
            return
        self._waiting[name] = item
        if len(self._waiting) > self._limit:
            self._waiting.popitem(last=False)

    def see(self, name: str) -> bool:
        """A person has seen it; False if it did not wait (any more)."""
        was_waiting = self._waiting.pop(name, None) is not None
        self._seen[name] = None
        self._seen.move_to_end(name)
        if len(self._seen) > SEEN_KEPT:
            self._seen.popitem(last=False)
        return was_waiting

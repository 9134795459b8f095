"""Keys in order of priority: what is due next, whose turn it is next."""

import heapq
from typing import Generic, TypeVar

Key = TypeVar("Key")
Priority = TypeVar("Priority", float, tuple[int, int])

_SLACK = 64
"""Dead items tolerated in any case; beyond that they never outnumber the living."""


class Agenda(Generic[Key, Priority]):
    """A priority queue with one place for each key, the lowest priority value first.

    Putting a key in again moves it. All operations cost the logarithm of the length; memory
    follows the number of keys, however often they are moved or dropped.
    """

    def __init__(self) -> None:
        self._places: dict[Key, tuple[Priority, int]] = {}
        # Deletion is lazy: an item counts only while `_places` says the same. The count breaks
        # ties in favour of who came first, and keys need no order of their own.
        self._heap: list[tuple[Priority, int, Key]] = []
        self._count = 0

    def __len__(self) -> int:
        return len(self._places)

    def __contains__(self, key: Key) -> bool:
        return key in self._places

    def put(self, key: Key, priority: Priority) -> None:
        """Give a key its place, or another one."""
        self._count += 1
        count = self._count
        self._places[key] = (priority, count)
        heapq.heappush(self._heap, (priority, count, key))
        self._tidy()

    def drop(self, key: Key) -> None:
        """Take a key out, if it is in."""
        if self._places.pop(key, None) is not None:
            self._tidy()

    def first(self) -> tuple[Priority, Key] | None:
        """The lowest priority value and its key."""
        if not self._heap:
            return None
        priority, _, key = self._heap[0]
        return priority, key

    def pop(self) -> Key:
        """Take the first key out. Raises IndexError if there is none."""
        key = self._heap[0][-1]
        del self._places[key]
        self._tidy()
        return key

    def pop_all(self) -> list[Key]:
        """Take all keys out, in no particular order."""
        keys = list(self._places)
        self._places.clear()
        self._heap.clear()
        return keys

    def _tidy(self) -> None:
        """Keep the first item alive and the dead ones few."""
        if len(self._heap) > 2 * len(self._places) + _SLACK:
            self._heap = [item for item in self._heap if self._alive(item)]
            heapq.heapify(self._heap)
        while self._heap and not self._alive(self._heap[0]):
            heapq.heappop(self._heap)

    def _alive(self, item: tuple[Priority, int, Key]) -> bool:
        priority, count, key = item
        return self._places.get(key) == (priority, count)

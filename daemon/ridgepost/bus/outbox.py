"""What goes to the broker, made once from each log entry and held until the broker has it.

Events go in order and none is left out. States wait for the events, and only the latest of each
topic goes: a backlog then costs little more than its events.
"""

from collections import Counter, deque
from collections.abc import Sequence

from ridgepost.bus.kept import Retained
from ridgepost.bus.payloads import Publication
from ridgepost.bus.progress import Progress

Numbered = tuple[int, Publication]
"""A message and the number of the entry that led to it."""


class Outbox:
    """Holds the events that are on their way, and one state for each topic.

    `fed`: the last entry that was added. `kept`: what the broker has been given to keep.
    """

    def __init__(self, floor: int) -> None:
        self.fed = floor
        self.kept = Retained()
        self._progress = Progress(floor)
        self._events: deque[Numbered] = deque()
        # Both in the order of their entries.
        self._waiting: dict[str, Numbered] = {}
        self._sent: dict[tuple[str, int], Publication] = {}

    def __len__(self) -> int:
        return len(self._events) + len(self._waiting) + len(self._sent)

    @property
    def floor(self) -> int:
        """Everything that follows from the entries up to this one is with the broker."""
        waiting = next((seq for seq, _ in self._waiting.values()), None)
        sent = next((seq for _, seq in self._sent), None)
        behind = [seq - 1 for seq in (waiting, sent) if seq is not None]
        return min([self._progress.floor, *behind])

    def keeps(self, topic: str) -> bool:
        """Something is retained on this topic, or is on its way there."""
        return (
            topic in self.kept
            or topic in self._waiting
            or any(sent == topic for sent, _ in self._sent)
            or any(message.topic == topic for _, message in self._events)
        )

    def add(self, seq: int, messages: Sequence[Publication]) -> list[Numbered]:
        """The entry that follows `fed`, and what it leads to; its events, to be sent now."""
        events = [(seq, message) for message in messages if not message.state]
        for message in messages:
            if message.state or message.retain:
                self._waiting.pop(message.topic, None)
            if message.state:
                self._waiting[message.topic] = (seq, message)
        self._progress.begin(seq, len(events))
        self.fed = seq
        self._events += events
        self._settle()
        return events

    def states(self) -> list[Numbered]:
        """The states that wait, to be sent now."""
        batch = [(seq, message.made()) for seq, message in self._waiting.values()]
        self._waiting.clear()
        for seq, message in batch:
            self._sent[message.topic, seq] = message
        return batch

    def again(self) -> list[Numbered]:
        """The connection was lost: the events to be sent once more. States wait once more."""
        events = {message.topic: seq for seq, message in self._events if message.retain}
        # A state that may be lost is sent again, unless something newer is on its topic.
        states = {
            topic: (seq, message)
            for (topic, seq), message in self._sent.items()
            if seq >= max(self.kept.latest(topic)[0], events.get(topic, seq))
        }
        # An event that is sent again must not replace what the broker was given after it.
        for topic, seq in events.items():
            latest = self.kept.latest(topic)
            if latest[0] > seq:
                states.setdefault(topic, latest)
        every = (states | self._waiting).items()
        self._waiting = dict(sorted(every, key=lambda item: item[1][0]))
        self._sent.clear()
        parts = Counter(seq for seq, _ in self._events)
        self._progress.restart()
        for seq in sorted({*parts, self.fed}):
            if seq > self._progress.floor:
                self._progress.begin(seq, parts[seq])
        return list(self._events)

    def end(self, seq: int, message: Publication) -> None:
        """The broker has it."""
        if message.state:
            del self._sent[message.topic, seq]
            self.kept.apply(seq, message)
        else:
            self._progress.end(seq)
            self._settle()

    def _settle(self) -> None:
        while self._events and self._events[0][0] <= self._progress.floor:
            self.kept.apply(*self._events.popleft())

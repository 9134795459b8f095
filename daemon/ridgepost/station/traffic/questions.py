"""Queries of ours to one station (APRS 1.2c ch. 15): sent once, unnumbered and never acknowledged.

The answer comes as a message or a report of its own, or not at all. Like our answers to others, a
query uses what messages leave free, and is dropped if that is not soon.
"""

from collections import OrderedDict

from ridgepost import aprs
from ridgepost.aprs.query import DIRECTED_QUERIES
from ridgepost.station.channel import Channel, Port
from ridgepost.station.heard import HeardStations
from ridgepost.station.journal import Journal
from ridgepost.station.moment import Moment
from ridgepost.station.records import QuestionChanged, QuestionState
from ridgepost.station.setup import Setup

MOST_WAITING = 16
"""Each is a frame, and its answer another one."""

PATIENCE_S = 120.0
"""A query that found no room on the channel, or no TNC, within this time is not sent any more."""

ABOUT_A_STATION = "APRSH"
"""The one type that names a station to be asked about."""

_NAME_CHARACTERS = 9


def question_text(query: str, station: str = "") -> str:
    """What goes on the air, e.g. '?APRSD'. Raises ValueError for a type that there is not."""
    if query not in DIRECTED_QUERIES:
        raise ValueError(f"expected one of {', '.join(sorted(DIRECTED_QUERIES))}")
    # The callsign is padded to nine characters (ch. 15).
    return f"?{query}{station:{_NAME_CHARACTERS}}" if station else f"?{query}"


class Questions:
    """Decides on our own queries, bounded by `MOST_WAITING`."""

    def __init__(
        self, setup: Setup, journal: Journal, *, channel: Channel, heard: HeardStations
    ) -> None:
        self._setup = setup
        self._journal = journal
        self._channel = channel
        self._heard = heard
        self._waiting: OrderedDict[str, tuple[QuestionChanged, float]] = OrderedDict()

    def __len__(self) -> int:
        return len(self._waiting)

    def full(self) -> bool:
        """No further query is taken."""
        return len(self._waiting) >= MOST_WAITING

    def accept(self, to: str, text: str, now: Moment) -> str:
        """Take a query (already checked) and return its name."""
        record = QuestionChanged(
            question=self._journal.upcoming_id(),
            to=to,
            text=text,
            state=QuestionState.QUEUED,
            why="accepted",
        )
        self._journal.write(record, now)
        self.apply(record, now.mono_s)
        return record.question

    def waiting(self) -> list[QuestionChanged]:
        """Those not sent yet, in order of acceptance."""
        return [record for record, _ in self._waiting.values()]

    def next_wakeup_s(self) -> float | None:
        """When `tick` has something to do, if nothing else happens before."""
        if not self._waiting:
            return None
        record, since_s = next(iter(self._waiting.values()))
        times = [since_s + PATIENCE_S]
        port = self._port(record.to)
        if port is not None:
            times.append(self._channel.free_at_s(port))
        return min(times)

    def tick(self, now: Moment) -> None:
        """Send what the channel has room for, in order; to be called after messages."""
        for record, since_s in list(self._waiting.values()):
            port = self._port(record.to)
            if now.mono_s >= since_s + PATIENCE_S:
                self._change(record, QuestionState.EXPIRED, "the channel had no room for it", now)
            elif port is None or now.mono_s < self._channel.free_at_s(port):
                return
            else:
                self._send(record, port, now)

    def apply(self, record: QuestionChanged, at_s: float) -> None:
        """Take over a query as a record tells it."""
        if record.state.settled:
            self._waiting.pop(record.question, None)
        else:
            self._waiting[record.question] = (record, at_s)

    def _port(self, to: str) -> Port | None:
        return self._channel.choose([self._heard.port_of(to)], 0) if self._setup.transmit else None

    def _send(self, record: QuestionChanged, port: Port, now: Moment) -> None:
        frame = self._setup.frame(aprs.encode_message(record.to, record.text))
        self._change(record, QuestionState.SENT, "sent", now, frame=frame, port=port)
        self._channel.transmit(self._journal, port, frame, now.mono_s)

    def _change(
        self,
        record: QuestionChanged,
        state: QuestionState,
        why: str,
        now: Moment,
        *,
        frame: bytes | None = None,
        port: Port = ("", 0),
    ) -> None:
        changed = QuestionChanged(
            question=record.question,
            to=record.to,
            text=record.text,
            state=state,
            why=why,
            frame=frame,
            tnc=port[0],
            port=port[1],
        )
        self._journal.write(changed, now)
        self.apply(changed, now.mono_s)

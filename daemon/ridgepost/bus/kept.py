"""What the broker is to keep: each log entry leads to its event, and to states that follow from it.

Topics that are retained are bounded in number: whoever invents names by the thousand only pushes
out what was heard least lately, and its topic is emptied.
"""

import itertools
from collections import OrderedDict
from collections.abc import Iterator
from typing import TypeVar

import msgspec

from ridgepost.bus.discovery import MOST_TRACKERS, Discovery
from ridgepost.bus.payloads import Publication, Reading, publication, read_frame, time_text
from ridgepost.bus.places import feature, subject_of
from ridgepost.bus.summaries import (
    MOST_LISTED,
    NoticesPayload,
    OpenNotice,
    UnreadMessage,
    UnreadPayload,
)
from ridgepost.bus.topics import Topics
from ridgepost.station.board import LINES_KEPT
from ridgepost.station.records import (
    AnyRecord,
    BulletinHeard,
    BulletinOut,
    Cleared,
    Entry,
    Heard,
    MarkedRead,
    Noticed,
    OutboundChanged,
    Received,
    WatchChanged,
    Watched,
    entry_id,
)
from ridgepost.station.unseen import MESSAGES_KEPT, NOTICES_KEPT, Unseen

PLACES_KEPT = 2048
"""Stations and objects; a busy region has some hundreds."""

SETTLED_KEPT = 100
"""Outgoing messages whose end stays to be seen; open ones all do."""

INBOUND_KEPT = 100
OWN_LINES_KEPT = 64

EMPTIED_KNOWN = 256
"""More than can be on their way at once."""

NEVER = -1

KINDS = (
    "outbound",
    "received",
    "read",
    "bulletin",
    "bulletin-out",
    "link",
    "notice",
    "cleared",
    "watch",
)
"""Tags of the records that states follow from, besides the frames heard."""

Item = TypeVar("Item")

_encode = msgspec.json.encode


class _Shelf:
    """Topics in the order of their last use, so many at most."""

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._topics: OrderedDict[str, None] = OrderedDict()

    def __contains__(self, topic: str) -> bool:
        return topic in self._topics

    def put(self, topic: str) -> str | None:
        """A topic is used; the one that has to go for it, if any."""
        self._topics[topic] = None
        self._topics.move_to_end(topic)
        return self._topics.popitem(last=False)[0] if len(self._topics) > self._limit else None

    def drop(self, topic: str) -> None:
        """A topic is used no more."""
        self._topics.pop(topic, None)


class Projection:
    """Turns log entries, each in its turn, into publications."""

    def __init__(self, log: str, topics: Topics, discovery: Discovery | None = None) -> None:
        self._log = log
        self._topics = topics
        self._discovery = discovery
        self._places = _Shelf(PLACES_KEPT)
        self._trackers = _Shelf(MOST_TRACKERS)
        self._lines = _Shelf(LINES_KEPT)
        self._own_lines = _Shelf(OWN_LINES_KEPT)
        self._settled = _Shelf(SETTLED_KEPT)
        self._inbound = _Shelf(INBOUND_KEPT)
        self._unread: Unseen[UnreadMessage] = Unseen(MESSAGES_KEPT)
        self._notices: Unseen[OpenNotice] = Unseen(NOTICES_KEPT)

    def beginning(self) -> list[Publication]:
        """What is to be retained before anything has happened."""
        own = self._discovery.own() if self._discovery else {}
        return [
            self._unread_state(None, None),
            self._notices_state(None, None),
            *(_state(topic, payload) for topic, payload in own.items()),
        ]

    def take(self, entry: Entry) -> list[Publication]:
        """The event of an entry, and the states that follow. Raises for a frame that is none."""
        record = entry.record
        if isinstance(record, Heard):
            reading = read_frame(record)
            event = publication(entry, self._log, self._topics, reading)
            states = self._place(entry, record, reading)
        else:
            event = publication(entry, self._log, self._topics)
            states = self._follows(entry, record, event.topic if event else "")
        return [event, *states] if event else states

    # -- places ----------------------------------------------------------------------------------

    def _place(self, entry: Entry, heard: Heard, reading: Reading) -> list[Publication]:
        subject = subject_of(reading.frame, reading.report)
        if subject is None:
            return []
        topic = subject.topic(self._topics)
        if not subject.live:
            self._places.drop(topic)
            return [_state(topic, b"")]

        def payload() -> bytes:
            made = feature(
                subject,
                reading.frame,
                tnc=heard.tnc,
                port=heard.port,
                of=entry_id(self._log, entry.run, entry.seq),
                at=time_text(entry.at),
                clock_trusted=entry.at.wall_trusted,
            )
            return _encode(made)

        gone = self._places.put(topic)
        place = Publication(topic, b"", retain=True, state=True, later=payload)
        tracker = self._tracker(subject.name) if subject.kind == "station" else []
        return [place, *tracker, *_emptied(gone)]

    def _tracker(self, callsign: str) -> list[Publication]:
        """A station that is seen for the first time becomes a tracker."""
        if self._discovery is None:
            return []
        topic = self._discovery.tracker_topic(callsign)
        known = topic in self._trackers
        gone = self._trackers.put(topic)
        states = [] if known else [_state(topic, self._discovery.tracker(callsign))]
        return [*states, *_emptied(gone)]

    # -- everything else -------------------------------------------------------------------------

    def _follows(self, entry: Entry, record: AnyRecord, topic: str) -> list[Publication]:
        gone: str | None = None
        match record:
            case OutboundChanged() if record.state.settled:
                gone = self._settled.put(topic)
            case BulletinHeard():
                gone = self._lines.put(topic)
            case BulletinOut():
                gone = self._own_lines.put(topic)
            case Received() if record.message:
                gone = self._inbound.put(topic)
                self._unread.add(record.message, _unread_message(record, time_text(entry.at)))
                return [self._unread_now(entry), *_emptied(gone)]
            case MarkedRead():
                for message in record.messages:
                    self._unread.see(message)
                return [self._unread_now(entry)]
            case Noticed() if record.notice:
                self._notices.add(record.notice, _open_notice(record, time_text(entry.at)))
                return [self._notices_now(entry)]
            case Cleared():
                self._notices.see(record.notice)
                return [self._notices_now(entry)]
            case WatchChanged() if record.state is Watched.OFF:
                gone = topic
            case _:
                pass
        return _emptied(gone)

    def _unread_now(self, entry: Entry) -> Publication:
        return self._unread_state(entry_id(self._log, entry.run, entry.seq), time_text(entry.at))

    def _unread_state(self, of: str | None, at: str | None) -> Publication:
        listed = _first(self._unread)
        count = len(self._unread)
        more = count - len(listed)
        payload = UnreadPayload(of=of, at=at, count=count, more=more, messages=listed)
        return _state(self._topics.unread, _encode(payload))

    def _notices_now(self, entry: Entry) -> Publication:
        return self._notices_state(entry_id(self._log, entry.run, entry.seq), time_text(entry.at))

    def _notices_state(self, of: str | None, at: str | None) -> Publication:
        listed = _first(self._notices)
        count = len(self._notices)
        more = count - len(listed)
        payload = NoticesPayload(of=of, at=at, count=count, more=more, notices=listed)
        return _state(self._topics.notices, _encode(payload))


class Retained:
    """What the broker has been given to keep: the latest on each topic, and from which entry."""

    def __init__(self) -> None:
        self._kept: dict[str, tuple[int, Publication]] = {}
        # Topics that were emptied, as long as something older may be on its way there still.
        self._emptied: OrderedDict[str, int] = OrderedDict()
        self._forgotten = NEVER
        """The last entry that emptied a topic and is not remembered as such."""

    def __len__(self) -> int:
        return len(self._kept)

    def __contains__(self, topic: str) -> bool:
        return topic in self._kept

    def latest(self, topic: str) -> tuple[int, Publication]:
        """What was last retained on a topic, or took that away, and from which entry it came."""
        emptied = (self._emptied.get(topic, NEVER), _state(topic, b""))
        return self._kept.get(topic, emptied)

    def apply(self, seq: int, message: Publication) -> None:
        """The broker has it. What it acknowledges later may have been sent before."""
        topic = message.topic
        if not message.retain or seq < self.latest(topic)[0]:
            return
        self._emptied.pop(topic, None)
        if not message.empties:
            self._kept[topic] = (seq, message)
            return
        self._kept.pop(topic, None)
        self._emptied[topic] = seq
        if len(self._emptied) > EMPTIED_KNOWN:
            _, forgotten = self._emptied.popitem(last=False)
            self._forgotten = max(self._forgotten, forgotten)

    def make(self) -> None:
        """Have every payload made, and what it is made from let go."""
        self._kept = {topic: (seq, message.made()) for topic, (seq, message) in self._kept.items()}

    def after(self, seq: int) -> Iterator[Publication]:
        """What was kept because of entries after this one, in their order."""
        later = [item for item in self._kept.values() if item[0] > seq]
        later.sort(key=lambda item: item[0])
        return (message for _, message in later)

    def emptied_after(self, seq: int) -> list[Publication] | None:
        """What takes away the topics that were emptied because of entries after this one; None if
        these are not known any more."""
        if seq < self._forgotten:
            return None
        return [_state(topic, b"") for topic, emptied in self._emptied.items() if emptied > seq]


def _state(topic: str, payload: bytes) -> Publication:
    return Publication(topic, payload, retain=True, state=True)


def _emptied(topic: str | None) -> list[Publication]:
    return [_state(topic, b"")] if topic else []


def _first(waiting: Unseen[Item]) -> list[Item]:
    return list(itertools.islice(waiting, MOST_LISTED))


def _unread_message(record: Received, at: str) -> UnreadMessage:
    return UnreadMessage(
        message=record.message,
        source=record.source,
        to=record.to,
        group=record.group,
        text=record.text,
        at=at,
    )


def _open_notice(record: Noticed, at: str) -> OpenNotice:
    return OpenNotice(notice=record.notice, kind=record.kind, text=record.text, at=at)

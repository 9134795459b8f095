"""Which records of a long log a station is restored from."""

import math
from collections import OrderedDict

from ridgepost.station.board import LINES_KEPT
from ridgepost.station.records import (
    AnyRecord,
    BulletinHeard,
    BulletinOut,
    Cleared,
    Heard,
    MarkedRead,
    MemberChanged,
    Noticed,
    OutboundChanged,
    Received,
    WatchChanged,
    Watched,
)
from ridgepost.station.unseen import MESSAGES_KEPT, NOTICES_KEPT

MEMBERS_KEPT = 2048
"""Stations that were ever checked in or out while an event was on."""

Dated = tuple[AnyRecord, float]
"""A record and when it happened, in seconds on the present monotonic clock."""


class Recall:
    """Reads a log from its beginning and passes on what still matters, oldest first.

    A record from before `since_s` matters only if it is the latest word on a message that is not
    settled, which then has to be told that its time is over, on a line of our own that is still
    sent, on a line of the bulletin board, on a station of the roster, or something that nobody has
    seen yet.
    Frames heard matter from `heard_since_s` on.
    Memory follows the number of these, and not the length of the log.
    """

    def __init__(self, since_s: float, heard_since_s: float = math.inf) -> None:
        self._since_s = since_s
        self._heard_since_s = max(heard_since_s, since_s)
        self._open: OrderedDict[str, Dated] = OrderedDict()
        self._lines: OrderedDict[tuple[str, str], Dated] = OrderedDict()
        self._own_lines: OrderedDict[str, Dated] = OrderedDict()
        self._unread: OrderedDict[str, Dated] = OrderedDict()
        self._notices: OrderedDict[str, Dated] = OrderedDict()
        self._members: OrderedDict[str, Dated] = OrderedDict()
        self._watched: OrderedDict[str, Dated] = OrderedDict()

    def take(self, record: AnyRecord, at_s: float) -> list[Dated]:
        """Read the next record; what can be passed on with it."""
        if isinstance(record, Heard) and at_s < self._heard_since_s:
            return []
        if at_s >= self._since_s:
            return [*self.rest(), (record, at_s)]
        match record:
            case OutboundChanged(message=message) if record.state.settled:
                self._open.pop(message, None)
            case OutboundChanged(message=message):
                self._open[message] = (record, at_s)
            case BulletinOut(line=line) if record.state.settled:
                self._own_lines.pop(line, None)
            case BulletinOut(line=line):
                self._own_lines[line] = (record, at_s)
            case BulletinHeard(source=source, line=line):
                self._lines[source, line] = (record, at_s)
                self._lines.move_to_end((source, line))
                if len(self._lines) > LINES_KEPT:
                    self._lines.popitem(last=False)
            case Received() if record.message:
                self._unread[record.message] = (record, at_s)
                if len(self._unread) > MESSAGES_KEPT:
                    self._unread.popitem(last=False)
            case MarkedRead():
                for name in record.messages:
                    self._unread.pop(name, None)
            case Noticed() if record.notice:
                self._notices[record.notice] = (record, at_s)
                if len(self._notices) > NOTICES_KEPT:
                    self._notices.popitem(last=False)
            case Cleared():
                self._notices.pop(record.notice, None)
            case MemberChanged():
                self._members[record.callsign] = (record, at_s)
                self._members.move_to_end(record.callsign)
                if len(self._members) > MEMBERS_KEPT:
                    self._members.popitem(last=False)
            case WatchChanged() if record.state is Watched.OFF:
                self._watched.pop(record.callsign, None)
            case WatchChanged():
                self._watched[record.callsign] = (record, at_s)
            case _:
                pass
        return []

    def rest(self) -> list[Dated]:
        """What is left to be passed on at the end of the log."""
        held: list[Dated] = []
        for kind in (
            self._open,
            self._own_lines,
            self._lines,
            self._unread,
            self._notices,
            self._members,
            self._watched,
        ):
            held += kind.values()
            kind.clear()
        return held

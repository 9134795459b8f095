"""The bulletins and announcements heard: one current text for each sender and line.

APRS 1.2 ch. 14: a line with the same sender and identifier takes the place of the old one.
"""

from collections import OrderedDict

from ridgepost.station.journal import Journal
from ridgepost.station.moment import Moment
from ridgepost.station.records import BulletinHeard

LINES_KEPT = 512


class Board:
    """Bounded; the line unchanged for longest goes first."""

    def __init__(self, journal: Journal) -> None:
        self._journal = journal
        self._lines: OrderedDict[tuple[str, str], str] = OrderedDict()

    def hear(self, source: str, line: str, text: str, heard_seq: int, now: Moment) -> bool:
        """Take in a line (`line` is its addressee, e.g. 'BLN1'); True if it is new or changed."""
        if self._lines.get((source, line)) == text:
            return False
        record = BulletinHeard(source=source, line=line, text=text, heard=heard_seq)
        self._journal.write(record, now)
        self.apply(record)
        return True

    def __len__(self) -> int:
        return len(self._lines)

    def apply(self, record: BulletinHeard) -> None:
        """Put a line up, or another in its place."""
        key = (record.source, record.line)
        self._lines[key] = record.text
        self._lines.move_to_end(key)
        if len(self._lines) > LINES_KEPT:
            self._lines.popitem(last=False)

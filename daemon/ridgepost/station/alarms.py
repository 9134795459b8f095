"""Emergencies that are told on the air: a notice at once, kept until somebody clears it.

Mic-E has a position comment for them (APRS 1.2c ch. 10), the symbol tables a symbol (ch. 21), and
people write the word (common practice). A station that is in distress says so again and again: one
notice stands for it until it is cleared, and a new one comes no sooner than some minutes later.
"""

import re
from collections import OrderedDict

from ridgepost import aprs
from ridgepost.station.journal import Journal
from ridgepost.station.moment import Moment
from ridgepost.station.records import Noticed
from ridgepost.station.tuning import Tuning
from ridgepost.station.unseen import Unseen

EMERGENCY = "emergency"
"""The kind of the notices."""

STATIONS_KEPT = 256

_SYMBOL = ("\\", "!")
_WORD = re.compile(r"\bEMERGENCY\b")


class Alarms:
    """Raises notices. Bounded by STATIONS_KEPT. `notices` are those that can still be cleared."""

    def __init__(self, tuning: Tuning, journal: Journal, notices: Unseen[Noticed]) -> None:
        self._tuning = tuning
        self._journal = journal
        self._notices = notices
        self._raised: OrderedDict[str, tuple[str, float]] = OrderedDict()
        """By station its latest notice and when it was raised or cleared."""

    def hear(self, callsign: str, name: str, report: aprs.Report, via: str, now: Moment) -> None:
        """A report was heard; `name` is what people call the station, `via` a digipeater,
        a gateway or ''."""
        what = _emergency_in(report)
        if what is None:
            return
        raised = self._raised.get(callsign)
        if raised is not None:
            notice, at_s = raised
            if notice in self._notices or now.mono_s - at_s < self._tuning.alarm_gap_s:
                return
        text = f"{name}: {what}{_where(report)}, heard {f'via {via}' if via else 'direct'}"
        self.say(callsign, text, now)

    def say(self, callsign: str, text: str, now: Moment) -> None:
        """Raise a notice about a station."""
        record = Noticed(
            notice=self._journal.upcoming_id(), kind=EMERGENCY, about=callsign, text=text
        )
        self._journal.write(record, now)
        self.apply(record, now.mono_s)

    def apply(self, record: Noticed, at_s: float) -> None:
        """A notice was raised, now or in an earlier run."""
        if record.kind != EMERGENCY or not record.about:
            return
        self._raised[record.about] = (record.notice, at_s)
        self._raised.move_to_end(record.about)
        if len(self._raised) > STATIONS_KEPT:
            self._raised.popitem(last=False)

    def cleared(self, notice: str, at_s: float) -> None:
        """Somebody has dealt with a notice."""
        for callsign, (raised, _) in self._raised.items():
            if raised == notice:
                self._raised[callsign] = (notice, at_s)
                return


def _emergency_in(report: aprs.Report) -> str | None:
    """What a report says of an emergency, in words; None if it speaks of none."""
    match report:
        case aprs.MicE(position_comment_code="EMERGENCY"):
            return f"reports an emergency by Mic-E{_said(report.text)}"
        case (
            aprs.Position(place=place)
            | aprs.MicE(place=place)
            | aprs.Object(place=place)
            | aprs.Item(place=place)
        ) if (place.symbol_table, place.symbol_code) == _SYMBOL or _WORD.search(place.comment):
            return f"reports an emergency{_said(place.comment)}"
        case aprs.Status(text=text) | aprs.Message(text=text) if _WORD.search(text):
            return f"speaks of an emergency{_said(text)}"
        case _:
            return None


def _said(text: str) -> str:
    return f', "{text}"' if text else ""


def _where(report: aprs.Report) -> str:
    place = getattr(report, "place", None)
    if not isinstance(place, aprs.Place) or not place.position_known:
        return ""
    return f", at {place.latitude_deg:.4f} {place.longitude_deg:.4f}"

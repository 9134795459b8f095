"""The roster: who takes part in the event, and who of them has gone quiet.

A station on it is expected until it is first heard, then heard, late and overdue as its silence
grows (see `rhythm`), and heard again. Only time in which a TNC listens counts as silence.
"""

from dataclasses import dataclass, field

from ridgepost import aprs
from ridgepost.aprs.units import KMH_PER_KNOT
from ridgepost.station.agenda import Agenda
from ridgepost.station.geodesy import distance_and_bearing, wind
from ridgepost.station.journal import Journal
from ridgepost.station.moment import Moment
from ridgepost.station.records import Cleared, MemberChanged, Noticed, WatchChanged, Watched
from ridgepost.station.rhythm import Loss, Rhythm
from ridgepost.station.setup import Member, Setup
from ridgepost.station.tuning import Tuning

OVERDUE = "overdue"
"""The kind of its notices."""

_BY_ITSELF = frozenset(
    {"position", "mice", "weather", "status", "telemetry", "nmea", "object", "item"}
)
"""Reports that a station sends at its own interval; messages come when somebody writes one."""


@dataclass(slots=True)
class _Place:
    latitude_deg: float
    longitude_deg: float
    course_deg: float | None
    speed_knots: float | None
    at_s: float


@dataclass(slots=True)
class _Watched:
    member: Member
    rhythm: Rhythm
    state: Watched | None = None
    notice: str = ""
    via: str = ""
    place: _Place | None = field(default=None)


class Watch:
    """Decides who is late and who is overdue. Bounded by `Tuning.roster_members`."""

    def __init__(self, setup: Setup, tuning: Tuning, journal: Journal) -> None:
        self._setup = setup
        self._tuning = tuning
        self._journal = journal
        self._channel_loss = Loss(tuning)
        self._members: dict[str, _Watched] = {}
        self._due: Agenda[str, float] = Agenda()
        self._strangers: dict[str, WatchChanged] = {}
        """Restored, and not on the roster any more."""

        self._listening = False
        for member in setup.roster:
            self._admit(member)

    def __len__(self) -> int:
        return len(self._members)

    def __contains__(self, callsign: str) -> bool:
        return callsign in self._members

    @property
    def full(self) -> bool:
        """Nobody more can be checked in."""
        return len(self._members) >= self._tuning.roster_members

    def callsign_of(self, tactical: str) -> str | None:
        """Whose tactical call this is."""
        if not tactical:
            return None
        for watched in self._members.values():
            if watched.member.tactical == tactical:
                return watched.member.callsign
        return None

    def name_of(self, callsign: str) -> str:
        """What people call a station: its tactical call, with the callsign behind it."""
        watched = self._members.get(callsign)
        tactical = watched.member.tactical if watched else ""
        return f"{tactical} ({callsign})" if tactical else callsign

    # -- asks ------------------------------------------------------------------------------------

    def check_in(self, member: Member, client: str, now: Moment) -> None:
        """Put a station on the roster, or change what is said of it there."""
        record = MemberChanged(
            callsign=member.callsign,
            present=True,
            tactical=member.tactical,
            role=member.role,
            interval_s=member.interval_s,
            client=client,
        )
        self._journal.write(record, now)
        self._apply_member(record)
        watched = self._members[member.callsign]
        self._change(watched, watched.state or Watched.EXPECTED, "checked in", now)
        self._schedule(watched)

    def check_out(self, callsign: str, client: str, now: Moment) -> None:
        """Take a station off the roster."""
        watched = self._members[callsign]
        self._journal.write(MemberChanged(callsign=callsign, present=False, client=client), now)
        self._settle_notice(watched, now)
        self._change(watched, Watched.OFF, "checked out", now)
        self._drop(callsign)

    # -- the air ---------------------------------------------------------------------------------

    def listening(self, listening: bool, now: Moment) -> None:
        """Whether any TNC can be heard from now on."""
        if listening == self._listening:
            return
        self._listening = listening
        for watched in self._members.values():
            if listening:
                watched.rhythm.resume(now.mono_s)
                self._schedule(watched)
            else:
                self._due.drop(watched.member.callsign)

    def hear(self, callsign: str, report: aprs.Report, via: str, now: Moment) -> None:
        """A frame of a station was heard, `via` a digipeater or gateway, '' direct."""
        watched = self._members.get(callsign)
        if watched is None:
            return
        last_s = watched.rhythm.last_s
        self._take_in(watched, report, via, now.mono_s)
        if watched.state is not Watched.HEARD:
            why = f"heard {_way(via)}"
            if watched.state is not Watched.EXPECTED and last_s is not None:
                why = f"heard again after {span(now.mono_s - last_s)}, {_way(via)}"
            self._settle_notice(watched, now)
            self._change(watched, Watched.HEARD, why, now)
        self._schedule(watched)

    # -- time ------------------------------------------------------------------------------------

    def start(self, now: Moment) -> None:
        """A run begins: say who is on the roster now, and who is not any more."""
        for record in self._strangers.values():
            if record.notice:
                self._journal.write(Cleared(notice=record.notice), now)
            self._journal.write(
                WatchChanged(
                    callsign=record.callsign,
                    tactical=record.tactical,
                    role=record.role,
                    state=Watched.OFF,
                    why="not on the roster any more",
                ),
                now,
            )
        self._strangers.clear()
        for watched in self._members.values():
            if watched.state is None:
                self._change(watched, Watched.EXPECTED, "on the roster", now)

    def next_wakeup_s(self) -> float | None:
        """When the next silence is to be judged."""
        due = self._due.first()
        return due[0] if due else None

    def tick(self, now: Moment) -> None:
        """Judge the silences that are due."""
        while (due := self._due.first()) and due[0] <= now.mono_s:
            self._judge(self._members[self._due.pop()], now)

    # -- restoring -------------------------------------------------------------------------------

    def apply_member(self, record: MemberChanged) -> None:
        """Somebody was checked in or out in an earlier run."""
        if record.present:
            self._apply_member(record)
        else:
            self._drop(record.callsign)

    def apply(self, record: WatchChanged, at_s: float) -> None:
        """What was known of somebody in an earlier run, at `at_s`."""
        watched = self._members.get(record.callsign)
        if record.state is Watched.OFF:
            self._strangers.pop(record.callsign, None)
        elif watched is None:
            self._strangers[record.callsign] = record
        else:
            self._strangers.pop(record.callsign, None)
            watched.state = record.state
            watched.notice = record.notice
            watched.via = record.via
            if record.silent_s is not None:
                watched.rhythm.was_heard(at_s - record.silent_s)

    def recall(self, callsign: str, report: aprs.Report, via: str, at_s: float) -> None:
        """A frame was heard in an earlier run."""
        watched = self._members.get(callsign)
        if watched is not None:
            self._take_in(watched, report, via, at_s)

    # -- inside ----------------------------------------------------------------------------------

    def _admit(self, member: Member) -> None:
        known = self._members.get(member.callsign)
        if known is None:
            rhythm = Rhythm(self._tuning, member.interval_s, self._channel_loss)
            self._members[member.callsign] = _Watched(member, rhythm)
        else:
            known.member = member
            known.rhythm.report_every(member.interval_s)

    def _apply_member(self, record: MemberChanged) -> None:
        if record.callsign not in self._members and self.full:
            return
        member = Member(
            callsign=record.callsign,
            tactical=record.tactical,
            role=record.role,
            interval_s=record.interval_s,
        )
        self._admit(member)

    def _drop(self, callsign: str) -> None:
        self._members.pop(callsign, None)
        self._due.drop(callsign)

    def _take_in(self, watched: _Watched, report: aprs.Report, via: str, at_s: float) -> None:
        watched.rhythm.heard(at_s, report=report.kind in _BY_ITSELF)
        watched.via = via
        match report:
            case (
                aprs.Position(place=place)
                | aprs.MicE(place=place)
                | aprs.Weather(name=None, place=aprs.Place() as place)
            ) if place.position_known:
                watched.place = _Place(
                    place.latitude_deg,
                    place.longitude_deg,
                    place.course_deg,
                    place.speed_knots,
                    at_s,
                )
            case _:
                pass

    def _schedule(self, watched: _Watched) -> None:
        """Look at a station again when its silence would become worth a word."""
        if not self._listening or watched.state is Watched.OVERDUE:
            return
        level = self._tuning.late_chance
        if watched.state is Watched.LATE:
            level = self._setup.overdue_chance
        due_s = watched.rhythm.due_s(level)
        if due_s is None or watched.state is Watched.EXPECTED:
            self._due.drop(watched.member.callsign)
        else:
            self._due.put(watched.member.callsign, due_s)

    def _judge(self, watched: _Watched, now: Moment) -> None:
        late_chance = self._tuning.late_chance
        if self._is_over(watched, self._setup.overdue_chance, now):
            watched.notice = self._journal.upcoming_id()
            text = f"{self._who(watched)} {self._silence(watched, now)}{self._where(watched, now)}"
            about = watched.member.callsign
            self._journal.write(Noticed(kind=OVERDUE, about=about, text=text), now)
            self._change(watched, Watched.OVERDUE, self._silence(watched, now), now)
        elif watched.state is Watched.HEARD and self._is_over(watched, late_chance, now):
            self._change(watched, Watched.LATE, self._silence(watched, now), now)
        self._schedule(watched)

    def _is_over(self, watched: _Watched, level: float, now: Moment) -> bool:
        # Judged anew: the losses of others, which count a little, have been counted on meanwhile.
        due_s = watched.rhythm.due_s(level)
        return due_s is not None and due_s <= now.mono_s

    def _settle_notice(self, watched: _Watched, now: Moment) -> None:
        if watched.notice:
            self._journal.write(Cleared(notice=watched.notice), now)
            watched.notice = ""

    def _change(self, watched: _Watched, state: Watched, why: str, now: Moment) -> None:
        watched.state = state
        rhythm, place, member = watched.rhythm, watched.place, watched.member
        record = WatchChanged(
            callsign=member.callsign,
            tactical=member.tactical,
            role=member.role,
            state=state,
            why=why,
            silent_s=None if rhythm.last_s is None else round(now.mono_s - rhythm.last_s, 1),
            interval_s=None if rhythm.interval_s is None else round(rhythm.interval_s, 1),
            loss=round(rhythm.loss.share, 3) if rhythm.loss.heard else None,
            latitude_deg=place.latitude_deg if place else None,
            longitude_deg=place.longitude_deg if place else None,
            course_deg=place.course_deg if place else None,
            speed_knots=place.speed_knots if place else None,
            via=watched.via,
            notice=watched.notice,
        )
        self._journal.write(record, now)

    def _who(self, watched: _Watched) -> str:
        name, role = self.name_of(watched.member.callsign), watched.member.role
        return f"{name}, {role}," if role else name

    def _silence(self, watched: _Watched, now: Moment) -> str:
        rhythm = watched.rhythm
        last_s, interval_s = rhythm.last_s, rhythm.interval_s
        if last_s is None or interval_s is None:
            raise AssertionError("nobody is judged of whom nothing is known")
        return (
            f"not heard for {span(now.mono_s - last_s)}, reports every {span(interval_s)}, "
            f"{rhythm.loss.share:.0%} of them lost"
        )

    def _where(self, watched: _Watched, now: Moment) -> str:
        place = watched.place
        if place is None:
            return f"; last heard {_way(watched.via)}"
        text = f"; last at {place.latitude_deg:.4f} {place.longitude_deg:.4f}"
        own = self._setup.position
        if own is not None:
            away_m, bearing_deg = distance_and_bearing(
                own.latitude_deg, own.longitude_deg, place.latitude_deg, place.longitude_deg
            )
            text += f", {away_m / 1000:.1f} km {wind(bearing_deg)} of here"
        if place.speed_knots:
            text += f", {place.speed_knots * KMH_PER_KNOT:.0f} km/h"
            if place.course_deg:
                text += f" {wind(place.course_deg)}"
        return f"{text}, {span(now.mono_s - place.at_s)} ago, heard {_way(watched.via)}"


def span(seconds: float) -> str:
    """A length of time for people: '45 s', '9 min', '2.5 h'."""
    if seconds < 180:
        return f"{seconds:.0f} s"
    if seconds < 7200:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h"


def _way(via: str) -> str:
    return f"via {via}" if via else "direct"

"""Our own bulletins and announcements: each line sent again and again, ever more slowly.

APRS 1.2c ch. 14: bulletins go out a few times an hour for a few hours, announcements less often
but perhaps for days; nobody acknowledges them, and a line with the same identifier takes the place
of the one before. New text is sent more often than old (ch. 2, Packet Timing), and everything on
all ports, since a bulletin is for everybody. Messages go first: a line uses what they leave free.
"""

import random
from dataclasses import dataclass, field

from ridgepost import aprs
from ridgepost.station.agenda import Agenda
from ridgepost.station.channel import Channel, Port
from ridgepost.station.journal import Journal
from ridgepost.station.moment import Moment
from ridgepost.station.records import BulletinOut, LineState
from ridgepost.station.setup import Setup
from ridgepost.station.traffic.decay import decayed_s
from ridgepost.station.tuning import Tuning

_PREFIX = "BLN"


def encode_line(line: str, text: str) -> bytes:
    """The information field of a line: 'Q', '1', '4WX' or the same after 'BLN'.

    Raises aprs.EncodeError.
    """
    name = line.removeprefix(_PREFIX)
    return aprs.encode_bulletin(name[:1], text, name[1:] or None)


def addressee_of(line: str) -> str:
    """A line by its one name, which is its addressee on the air: 'BLN4WX'."""
    return _PREFIX + line.removeprefix(_PREFIX)


def is_announcement(addressee: str) -> bool:
    """A letter stands for an announcement, a digit for a bulletin (APRS 1.2c ch. 14)."""
    return addressee[len(_PREFIX)].isalpha()


@dataclass(slots=True, eq=False)
class _Line:
    key: str
    addressee: str
    text: str
    expires_at_s: float
    attempts: int = 0
    due_s: float = 0.0
    ports: set[Port] = field(default_factory=set)
    """Where it is to go out now, as soon as there is room."""

    begun: bool = False
    """It has gone out on some of these."""


class Bulletins:
    """Decides on our own lines. Bounded by `Tuning.open_bulletins`, which the desk looks after.

    A line is timed until it is due, and then ready on each port that can transmit.
    """

    def __init__(
        self,
        setup: Setup,
        tuning: Tuning,
        journal: Journal,
        *,
        channel: Channel,
        rng: random.Random,
    ) -> None:
        self._setup = setup
        self._tuning = tuning
        self._journal = journal
        self._channel = channel
        self._rng = rng
        self._lines: dict[str, _Line] = {}
        self._expiries: Agenda[_Line, float] = Agenda()
        self._timed: Agenda[_Line, float] = Agenda()
        self._ready: dict[Port, Agenda[_Line, float]] = {}

    def __len__(self) -> int:
        return len(self._lines)

    # -- asks ------------------------------------------------------------------------------------

    def full_for(self, addressee: str) -> bool:
        """There is no room for this line."""
        return addressee not in self._lines and len(self._lines) >= self._tuning.open_bulletins

    def lifetime_s(self, addressee: str) -> float:
        """How long a line is sent unless somebody says otherwise."""
        if is_announcement(addressee):
            return self._tuning.announcement_lifetime_s
        return self._tuning.bulletin_lifetime_s

    def post(self, addressee: str, text: str, lifetime_s: float, now: Moment) -> str:
        """Put a text (already checked) on a line, in place of what is on it; returns its name."""
        self._expire(now)
        before = self._lines.get(addressee)
        if before is not None:
            self._change(before, LineState.REPLACED, "another text was posted", now)
        record = BulletinOut(
            bulletin=self._journal.upcoming_id(),
            line=addressee,
            text=text,
            state=LineState.QUEUED,
            why="accepted",
            expires_in_s=lifetime_s,
        )
        self._journal.write(record, now)
        self.apply(record, now.mono_s)
        return record.bulletin

    def withdraw(self, addressee: str, why: str, now: Moment) -> str | None:
        """Send no further copy of what is on a line; returns its name, None if nothing is on it."""
        self._expire(now)
        line = self._lines.get(addressee)
        if line is None:
            return None
        self._change(line, LineState.WITHDRAWN, why, now)
        return line.key

    # -- time ------------------------------------------------------------------------------------

    def next_wakeup_s(self) -> float | None:
        """When `tick` has something to do, if nothing else happens before."""
        expiry, timed = self._expiries.first(), self._timed.first()
        times = [expiry[0]] if expiry else []
        if self._lines and self._can_transmit():
            times += [timed[0]] if timed else []
            times += [
                self._channel.free_at_s(port)
                for port in self._channel.usable()
                if self._ready.get(port)
            ]
        return min(times, default=None)

    def tick(self, now: Moment) -> None:
        """End what has run out, then send what is due and what the messages leave room for.

        To be called after the messages have had their turn.
        """
        self._expire(now)
        if not self._lines or not self._can_transmit():
            return
        for port, ready in self._ready.items():
            if ready and not self._channel.can_transmit(port):
                for line in ready.pop_all():
                    self._lost_port(line, port)
        usable = self._channel.usable()
        while (timed := self._timed.first()) and timed[0] <= now.mono_s:
            line = self._timed.pop()
            line.begun = False
            line.ports.update(usable)
            for port in usable:
                self._ready.setdefault(port, Agenda()).put(line, line.due_s)
        for port in usable:
            ready = self._ready.get(port, Agenda())
            while ready and self._channel.free_at_s(port) <= now.mono_s:
                self._send(ready.pop(), port, now)

    # -- restoring -------------------------------------------------------------------------------

    def apply(self, record: BulletinOut, at_s: float) -> None:
        """Take over a line as a record tells it: how decisions and the log change what is sent."""
        line = self._lines.get(record.line)
        if line is not None and line.key != record.bulletin:
            self._drop(line)  # of a log that lost the end of the one before
            line = None
        if record.state.settled:
            if line is not None:
                self._drop(line)
            return
        if line is None:
            expires_at_s = at_s + record.expires_in_s
            line = _Line(record.bulletin, record.line, record.text, expires_at_s)
            self._lines[record.line] = line
            self._expiries.put(line, expires_at_s)
        line.attempts = record.attempts
        line.due_s = at_s + (record.wait_s or 0.0)
        self._timed.put(line, line.due_s)

    # -- inside ----------------------------------------------------------------------------------

    def _can_transmit(self) -> bool:
        return self._setup.transmit and bool(self._channel.usable())

    def _expire(self, now: Moment) -> None:
        while (expiry := self._expiries.first()) and expiry[0] <= now.mono_s:
            line = expiry[1]
            sent = f"after {line.attempts} transmissions" if line.attempts else "unsent"
            self._change(line, LineState.EXPIRED, f"lifetime over, {sent}", now)

    def _lost_port(self, line: _Line, port: Port) -> None:
        """A TNC went while a line was to go out there."""
        line.ports.discard(port)
        if not line.ports and not line.begun:
            self._timed.put(line, line.due_s)

    def _send(self, line: _Line, port: Port, now: Moment) -> None:
        frame = self._setup.frame(encode_line(line.addressee, line.text))
        line.ports.discard(port)
        if line.begun:
            wait_s = line.due_s - now.mono_s
            why = "the same on another port"
        else:
            line.begun = True
            line.attempts += 1
            wait_s = self._wait_s(line)
            why = "first transmission" if line.attempts == 1 else "again"
        self._change(line, LineState.SENDING, why, now, wait_s=wait_s, frame=frame, port=port)
        self._channel.transmit(self._journal, port, frame, now.mono_s)

    def _wait_s(self, line: _Line) -> float:
        tuning = self._tuning
        announcement = is_announcement(line.addressee)
        longest_s = tuning.announcement_cycle_s if announcement else tuning.bulletin_cycle_s
        first_s = tuning.bulletin_first_wait_s
        plain_s = decayed_s(line.attempts, first_s, tuning.retry_growth, longest_s)
        return plain_s * (1.0 + self._rng.uniform(0.0, tuning.retry_jitter))

    def _drop(self, line: _Line) -> None:
        del self._lines[line.addressee]
        self._expiries.drop(line)
        self._timed.drop(line)
        for port in line.ports:
            self._ready[port].drop(line)

    def _change(
        self,
        line: _Line,
        state: LineState,
        why: str,
        now: Moment,
        *,
        wait_s: float | None = None,
        frame: bytes | None = None,
        port: Port = ("", 0),
    ) -> None:
        record = BulletinOut(
            bulletin=line.key,
            line=line.addressee,
            text=line.text,
            state=state,
            why=why,
            attempts=line.attempts,
            expires_in_s=round(line.expires_at_s - now.mono_s, 3),
            wait_s=wait_s,
            frame=frame,
            tnc=port[0],
            port=port[1],
        )
        self._journal.write(record, now)
        self.apply(record, now.mono_s)

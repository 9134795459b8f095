"""Survival drills: stations of ours and plain ones exchange messages under hard conditions, ours
are killed and restarted at random all the while, and nothing may go wrong.

A drill is one condition, one seed and some hours of virtual time. The stations of ours die as
processes do (`kill`), between any two steps of one decision (a fuse burns down) and with their TNC
in a power cut, and are rebuilt from their logs at once or after a while. Whoever asked a station
that died before it answered asks again, with the same request id. The examiners
(`ridgepost.rehearsal.invariants`) watch every step; at the end the books of all stations are held
against each other.
"""

import functools
import math
import random
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence

import msgspec

from ridgepost.rehearsal.channel import Happening, Received, Sent
from ridgepost.rehearsal.hardship import (
    CONDITIONS,
    HUB,
    LOSS,
    MEDIC,
    OURS,
    PLAIN,
    POST,
    Condition,
    UnrulyChannel,
    open_channel,
)
from ridgepost.rehearsal.host import ShownMessage, StationHost
from ridgepost.rehearsal.invariants import Examiner, Rule, Violation, out_of_order
from ridgepost.rehearsal.stations import Beacons, Habits, PlainStation, Shown, Waypoint
from ridgepost.rehearsal.workers import play_all
from ridgepost.station.asks import Ask, Send
from ridgepost.station.records import Answered, Entry, Precedence, State
from ridgepost.station.tuning import Tuning

DRILL_S = 7200.0
"""How long a drill lasts."""

SHORTEST_DRILL_S = 1200.0

QUIET_END_S = 600.0
"""Towards the end nobody asks for anything more and nobody dies, for what is under way to end."""

MESSAGE_INTERVAL_S = 240.0
"""Between the times at which one station has something to say, in the mean."""

IN_A_ROW = (1, 1, 1, 4)
"""How many messages it then is, each as likely."""

DEATH_INTERVAL_S = 300.0
"""Between two deaths of one station, in the mean."""

BURNS_FOR_S = 60.0
"""If by then there was too little to do for a station to die of its fuse, it is killed."""

LOOK_S = 0.25
ASK_AGAIN_S = 5.0
LIFETIMES_S = (120.0, 600.0, 1800.0, 7200.0)
CANCELLED_SHARE = 0.04
PRECEDENCES = (Precedence.ROUTINE,) * 5 + (Precedence.PRIORITY,) * 2 + (Precedence.EMERGENCY,)
STEP_S = 60.0


class Outcome(msgspec.Struct, frozen=True):
    """What one drill, or several of one condition, came to. Counts are of stations of ours."""

    condition: str
    hours: float = 0.0
    messages: int = 0
    """Accepted."""

    cancelled: int = 0
    open: int = 0
    acked: int = 0
    transmissions: int = 0
    kills: int = 0
    shown: int = 0
    """Messages that were shown to a reader at one of our stations."""

    violations: tuple[tuple[int, Violation], ...] = ()
    """Each with the seed of the drill in which it was found."""

    def plus(self, other: "Outcome") -> "Outcome":
        """Both together, under this one's name."""
        return Outcome(
            self.condition,
            *(
                getattr(self, name) + getattr(other, name)
                for name in self.__struct_fields__
                if name != "condition"
            ),
        )

    @property
    def acked_share(self) -> float:
        """Of the messages that were neither cancelled nor still open; NaN if there are none."""
        ended = self.messages - self.cancelled - self.open
        return self.acked / ended if ended else math.nan

    @property
    def transmissions_per_message(self) -> float:
        return self.transmissions / self.messages if self.messages else math.nan


class Job(msgspec.Struct, frozen=True):
    """One drill to be played."""

    condition: Condition
    seed: int
    length_s: float = DRILL_S


def play(job: Job) -> Outcome:
    """One drill. The same job always gives the same outcome."""
    return SurvivalDrill(job.condition, job.seed, job.length_s).play()


def survive(
    seeds: Sequence[int],
    length_s: float = DRILL_S,
    *,
    workers: int | None = None,
    on_progress: Callable[[int, int], None] = lambda _done, _all: None,
) -> list[Outcome]:
    """All conditions with each of `seeds`: one outcome for each condition.

    `workers` and `on_progress` are those of `ridgepost.rehearsal.workers.play_all`.
    """
    jobs = [Job(condition, seed, length_s) for seed in seeds for condition in CONDITIONS]
    played = play_all(play, jobs, workers=workers, on_progress=on_progress)
    outcomes = [Outcome(condition.name) for condition in CONDITIONS]
    for number, outcome in enumerate(played):
        place = number % len(CONDITIONS)
        outcomes[place] = outcomes[place].plus(outcome)
    return outcomes


class _Patient:
    """A station of ours, its examiner and who asks it."""

    def __init__(
        self,
        channel: UnrulyChannel,
        condition: Condition,
        callsign: str,
        rng: random.Random,
        tuning: Tuning,
    ) -> None:
        self._channel = channel
        # Before the host is there, so that it hears of each frame first.
        channel.on_received(callsign, self._decoded)
        self.host = StationHost(
            channel,
            callsign,
            rng,
            path=condition.path,
            tuning=tuning,
            on_entry=self._committed,
        )
        self.examiner = Examiner(callsign, digipeated=condition.digipeated)
        self.taken: list[Answered] = []
        """The answers to asks to send, in order."""

        self.away = False
        self.kills = 0
        self._followed = 0

    def _committed(self, entry: Entry) -> None:
        self.examiner.committed(entry)

    def _decoded(self, got: Received) -> None:
        if self.host.running:
            self.examiner.decoded(got)

    def ask(self, ask: Ask) -> None:
        """Ask until there is an answer."""
        answer = self.host.ask(ask)
        if answer is None:
            self._channel.schedule(
                self._channel.now_s + ASK_AGAIN_S, functools.partial(self.ask, ask)
            )
        elif isinstance(ask, Send):
            self.taken.append(answer)

    def follow(self) -> None:
        """Have the examiner look at what went to the TNC since the last time."""
        handed_over = self.host.account.frames_sent
        for at_s, octets in handed_over[self._followed :]:
            self.examiner.handed_over(octets, at_s)
        self._followed = len(handed_over)

    def kill(self, *, power_cut: bool = False) -> None:
        if self.host.running:
            self.kills += 1
            self.host.kill(power_cut=power_cut)
            if power_cut:
                self.examiner.power_was_cut(self.host.log)

    def light(self, steps: int) -> None:
        """Have it die by itself so many steps further on."""
        if self.host.running:
            self.kills += 1
            self.host.fuse = steps

    def revive(self) -> None:
        """Start it, after having it die for good if it has not yet."""
        if not self.away:
            self.host.kill()
            self.host.start()

    def leave(self) -> None:
        self.kill(power_cut=True)
        self.away = True

    def come_back(self) -> None:
        self.away = False
        if not self.host.running:
            self.host.start()


class SurvivalDrill:
    """One drill. What took part in it is open to whoever wants to look closer."""

    def __init__(
        self,
        condition: Condition,
        seed: int,
        length_s: float = DRILL_S,
        tuning: Tuning | None = None,
        *,
        loss: float = LOSS,
    ) -> None:
        self.condition = condition
        self.seed = seed
        self.length_s = length_s
        self.channel = open_channel(condition, self._chance("channel"), loss=loss)
        self.ours = {
            callsign: _Patient(
                self.channel, condition, callsign, self._chance(callsign), tuning or Tuning()
            )
            for callsign in OURS
        }
        habits = Habits(path=condition.path)
        self.plain = {
            callsign: PlainStation(self.channel, callsign, self._chance(callsign), habits)
            for callsign in PLAIN
        }

    def play(self) -> Outcome:
        """Plan everything, let it happen, and examine what came of it."""
        for patient in self.ours.values():
            patient.host.start()
        self._plan()
        while self.channel.now_s < self.length_s:
            self._follow(self.channel.advance(min(self.channel.now_s + STEP_S, self.length_s)))
        self._close()
        return self._outcome()

    def _chance(self, what: str) -> random.Random:
        """Chance of its own for each part, so that one that draws more does not disturb others."""
        return random.Random(f"{self.seed}/{what}")  # noqa: S311 - a simulation, not a secret

    # -- what is to happen -----------------------------------------------------------------------

    def _plan(self) -> None:
        active_s = self.length_s - QUIET_END_S
        for number, callsign in enumerate(PLAIN):
            beacons = Beacons(
                first_s=5.0 + 7.0 * number,
                interval_s=self.condition.beacon_interval_s,
                jitter_s=0.2 * self.condition.beacon_interval_s,
                symbol_code=">",
            )
            self.plain[callsign].beacon(beacons, [Waypoint(0.0, 49.05, -72.03)])
        for callsign in (*OURS, *PLAIN):
            chance = self._chance(f"messages of {callsign}")
            for number, at_s in enumerate(_times(chance, MESSAGE_INTERVAL_S, 10.0, active_s), 1):
                self._plan_messages(callsign, number, at_s, chance)
        for callsign, patient in self.ours.items():
            chance = self._chance(f"deaths of {callsign}")
            for at_s in _times(chance, DEATH_INTERVAL_S, 60.0, active_s):
                self._plan_death(patient, at_s, chance)
        if self.condition.away_s:
            self._plan_absences(active_s)

    def _plan_messages(
        self, callsign: str, number: int, at_s: float, chance: random.Random
    ) -> None:
        """A message or a few in a row, to one addressee."""
        others = [name for name in (*OURS, *PLAIN) if name != callsign]
        to = chance.choice(OURS if callsign in self.plain else others)
        for part in range(chance.choice(IN_A_ROW)):
            text = f"{callsign} {number}.{part}: {'word ' * chance.randrange(8)}".rstrip()
            at_s += chance.uniform(0.0, 5.0)
            if callsign in self.plain:
                self.plain[callsign].send_at(at_s, to, text)
            else:
                self._plan_ask(self.ours[callsign], to, text, at_s, chance)

    def _plan_ask(
        self, patient: _Patient, to: str, text: str, at_s: float, chance: random.Random
    ) -> None:
        ask = patient.host.send(
            to,
            text,
            precedence=chance.choice(PRECEDENCES),
            lifetime_s=chance.choice(LIFETIMES_S),
        )
        self.channel.schedule(at_s, functools.partial(patient.ask, ask))
        if chance.random() < CANCELLED_SHARE:
            later_s = at_s + chance.uniform(0.0, 60.0)
            self.channel.schedule(later_s, functools.partial(self._cancel, patient, ask.request))

    def _cancel(self, patient: _Patient, request: str) -> None:
        for answer in patient.taken:
            if answer.request == request and answer.accepted:
                patient.ask(patient.host.cancel(answer.message))

    def _plan_death(self, patient: _Patient, at_s: float, chance: random.Random) -> None:
        down_s = chance.choice([0.0, chance.uniform(0.0, 10.0), chance.uniform(10.0, 120.0)])
        kind = chance.choice(["kill", "fuse", "fuse", "power cut"])
        if kind == "fuse":
            light = functools.partial(self._light, patient, chance.randrange(5), down_s)
            self.channel.schedule(at_s, light)
            return
        death = functools.partial(patient.kill, power_cut=kind == "power cut")
        self.channel.schedule(at_s, death)
        self.channel.schedule(at_s + down_s, patient.revive)

    def _light(self, patient: _Patient, steps: int, down_s: float) -> None:
        patient.light(steps)
        self._await_end(patient, down_s, self.channel.now_s + BURNS_FOR_S)

    def _await_end(self, patient: _Patient, down_s: float, until_s: float) -> None:
        """Revive it some time after its fuse has burnt down, or when that takes too long."""
        now_s = self.channel.now_s
        if not patient.host.running or now_s >= until_s:
            self.channel.schedule(now_s + down_s, patient.revive)
        else:
            again = functools.partial(self._await_end, patient, down_s, until_s)
            self.channel.schedule(now_s + LOOK_S, again)

    def _plan_absences(self, active_s: float) -> None:
        away_s = self.condition.away_s
        off_s = away_s / 2
        while off_s < active_s:
            on_s = min(off_s + away_s, active_s)
            self.plain[MEDIC].off_between(off_s, on_s)
            self.channel.schedule(off_s, self.ours[POST].leave)
            self.channel.schedule(on_s, self.ours[POST].come_back)
            off_s += 2 * away_s

    # -- what came of it -------------------------------------------------------------------------

    def _follow(self, happenings: Sequence[Happening]) -> None:
        for patient in self.ours.values():
            patient.follow()
        for happening in happenings:
            if isinstance(happening, Sent) and happening.node in self.ours:
                self.ours[happening.node].examiner.sent(happening)

    def _close(self) -> None:
        """Hold the books of all against each other."""
        for callsign, patient in self.ours.items():
            if not patient.host.running:
                patient.host.start()
            found = [
                *self._unaccounted(patient),
                *self._not_delivered(callsign, patient),
                *self._out_of_order(callsign),
            ]
            patient.examiner.broken(found, self.channel.now_s)
        found_plain = [
            (Rule.SHOWN_TWICE, f"{shown.source}: {shown.text}, by {callsign}")
            for callsign, station in self.plain.items()
            for place, shown in enumerate(station.account.shown)
            if shown.text in {earlier.text for earlier in station.account.shown[:place]}
        ]
        self.ours[HUB].examiner.broken(found_plain, self.channel.now_s)

    def _unaccounted(self, patient: _Patient) -> list[tuple[Rule, str]]:
        """Each message that was accepted is in the log, once, and each that is open is still known
        to the station, also if it has to start once more."""
        host = patient.host
        names = [answer.message for answer in patient.taken if answer.accepted]
        outgoing = host.account.outgoing
        times = Counter(names)
        found = [
            (Rule.UNACCOUNTED, f"{name} is not in the log")
            for name in names
            if name not in outgoing
        ]
        found += [
            (Rule.UNACCOUNTED, f"{name} is in the log, and was accepted {times[name]} times")
            for name in outgoing
            if times[name] != 1
        ]
        open_in_log = sum(not message.state.settled for message in outgoing.values())
        for when in ("now", "after a start from the log"):
            if host.station.open_messages != open_in_log:
                text = f"{host.station.open_messages} open {when}, {open_in_log} in the log"
                found.append((Rule.UNACCOUNTED, text))
            host.kill()
            host.start()
            open_in_log = sum(not message.state.settled for message in outgoing.values())
        return found

    def _not_delivered(self, callsign: str, patient: _Patient) -> list[tuple[Rule, str]]:
        """What counts as acknowledged had been shown to its reader by then, on both sides."""
        shown = self._shown_s()
        found = [
            (Rule.NOT_DELIVERED, f"{message.text}, to {message.to}")
            for message in patient.host.account.acked
            if shown[message.to].get(message.text, math.inf) > (message.acked_s or 0.0)
        ]
        found += [
            (Rule.NOT_DELIVERED, f"{outgoing.text}, from {source}")
            for source, station in self.plain.items()
            for outgoing in station.account.acked
            if outgoing.to == callsign
            and shown[callsign].get(outgoing.text, math.inf) > (outgoing.acked_s or 0.0)
        ]
        return found

    def _shown_s(self) -> dict[str, dict[str, float]]:
        """When each text was shown first, by reader."""
        books: dict[str, Sequence[ShownMessage | Shown]] = {
            **{callsign: patient.host.account.shown for callsign, patient in self.ours.items()},
            **{callsign: station.account.shown for callsign, station in self.plain.items()},
        }
        return {
            callsign: {message.text: message.at_s for message in reversed(shown)}
            for callsign, shown in books.items()
        }

    def _out_of_order(self, callsign: str) -> list[tuple[Rule, str]]:
        """Between stations of ours messages of one precedence come in the order of acceptance."""
        found: list[tuple[Rule, str]] = []
        for sender, patient in self.ours.items():
            if sender == callsign:
                continue
            accepted: defaultdict[Precedence, list[str]] = defaultdict(list)
            for message in patient.host.account.outgoing.values():
                if message.to == callsign:
                    accepted[message.precedence].append(message.text)
            shown = [
                message.text
                for message in self.ours[callsign].host.account.shown
                if message.source == sender
            ]
            for precedence, texts in accepted.items():
                late = out_of_order(texts, [text for text in shown if text in set(texts)])
                if late is not None:
                    found.append((Rule.OUT_OF_ORDER, f"{late} ({precedence})"))
        return found

    def _outcome(self) -> Outcome:
        accounts = [patient.host.account for patient in self.ours.values()]
        messages = [message for account in accounts for message in account.outgoing.values()]
        return Outcome(
            self.condition.name,
            hours=self.length_s / 3600.0,
            messages=len(messages),
            cancelled=sum(message.state is State.CANCELLED for message in messages),
            open=sum(not message.state.settled for message in messages),
            acked=sum(message.acked_s is not None for message in messages),
            transmissions=sum(len(message.sent_s) for message in messages),
            kills=sum(patient.kills for patient in self.ours.values()),
            shown=sum(len(account.shown) for account in accounts),
            violations=tuple(
                (self.seed, violation)
                for patient in self.ours.values()
                for violation in patient.examiner.violations
            ),
        )


def _times(chance: random.Random, mean_s: float, first_s: float, end_s: float) -> list[float]:
    """Random times from `first_s` to `end_s`, `mean_s` apart in the mean."""
    times: list[float] = []
    at_s = first_s + chance.expovariate(1.0 / mean_s)
    while at_s < end_s:
        times.append(at_s)
        at_s += chance.expovariate(1.0 / mean_s)
    return times

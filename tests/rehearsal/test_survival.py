"""Survival drills: the engine under hard conditions, and an examiner that would notice.

What must hold is common practice for messages that people rely on, and APRS 1.2c ch. 14; the rules
are named in `ridgepost.rehearsal.invariants`. A short run is played here; the long one is
`ridgepost rehearse --survive --hours 1000`.
"""

import functools
import random
from collections.abc import Callable, Sequence
from typing import Any

import msgspec
import pytest

from ridgepost import aprs
from ridgepost.radio import ax25
from ridgepost.rehearsal import survival
from ridgepost.rehearsal.channel import Channel, RadioParameters, Received, Sent
from ridgepost.rehearsal.digipeater import Digipeater
from ridgepost.rehearsal.hardship import CONDITIONS, HUB, MEDIC, OURS, PLAIN, POST, Condition
from ridgepost.rehearsal.host import StationHost
from ridgepost.rehearsal.invariants import (
    ACK_GAP_S,
    ACKS_FOR_A_COPY,
    COPIES_IN_A_NET_CYCLE,
    COPIES_UNHEARD,
    COPIES_WHEN_HEARD,
    NET_CYCLE_S,
    Examiner,
    Rule,
    out_of_order,
)
from ridgepost.rehearsal.stations import Beacons, PlainStation, RelayStation, Waypoint
from ridgepost.rehearsal.survival import Job, Outcome, SurvivalDrill, play, survive
from ridgepost.station import records
from ridgepost.station.effects import Effect, Log, Transmit
from ridgepost.station.moment import Moment
from ridgepost.station.records import AnyRecord, Entry, Precedence, State
from ridgepost.station.station import Station
from ridgepost.station.tuning import Tuning

SHORT_S = 3600.0
SPOILT_S = 1800.0
"""A drill in which something goes wrong."""


def named(part: str) -> Condition:
    (condition,) = (condition for condition in CONDITIONS if part in condition.name)
    return condition


# --- the drills ---------------------------------------------------------------------------------


@pytest.mark.parametrize("condition", CONDITIONS, ids=lambda condition: condition.name)
def test_nothing_is_lost_doubled_or_sent_in_vain(condition: Condition) -> None:
    outcome = play(Job(condition, 101, SHORT_S))
    assert outcome.violations == ()
    assert outcome.messages >= 20
    assert outcome.kills >= 10
    assert outcome.shown >= 10


@pytest.mark.parametrize("part", ["one digipeater", "no digipeater in reach", "twice"])
def test_where_it_is_easy_nearly_all_is_acknowledged(part: str) -> None:
    assert play(Job(named(part), 102, SHORT_S)).acked_share >= 0.9


@pytest.mark.parametrize(
    ("part", "senders", "addressees"),
    [("acknowledgements never", OURS, PLAIN), ("nobody hears the hub", [HUB], [*OURS, *PLAIN])],
)
def test_where_it_is_hopeless_nothing_is(
    part: str, senders: Sequence[str], addressees: Sequence[str]
) -> None:
    drill = SurvivalDrill(named(part), 102, SHORT_S)
    drill.play()
    hopeless = [
        message
        for sender in senders
        for message in drill.ours[sender].host.account.outgoing.values()
        if message.to in addressees
    ]
    assert len(hopeless) >= 5
    assert {message.acked_s for message in hopeless} == {None}


def test_the_same_job_gives_the_same_outcome() -> None:
    job = Job(named("fade"), 5, 1800.0)
    assert play(job) == play(job)
    assert play(job) != play(msgspec.structs.replace(job, seed=6))


def test_processes_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(survival, "CONDITIONS", CONDITIONS[:3])
    alone = survive([1, 2], 1200.0, workers=1)
    assert [outcome.condition for outcome in alone] == [one.name for one in CONDITIONS[:3]]
    assert {round(outcome.hours, 6) for outcome in alone} == {round(2400 / 3600, 6)}
    told: list[tuple[int, int]] = []
    together = survive([1, 2], 1200.0, workers=2, on_progress=lambda *more: told.append(more))
    assert together == alone
    assert told[-1] == (6, 6)


def test_outcomes_add_up() -> None:
    one = Outcome("a", hours=1.0, messages=10, cancelled=1, open=1, acked=4, transmissions=30)
    both = one.plus(Outcome("b", hours=2.0, messages=10, acked=6, transmissions=10, kills=3))
    assert (both.condition, both.hours, both.messages, both.kills) == ("a", 3.0, 20, 3)
    assert both.acked_share == pytest.approx(10 / 18)
    assert both.transmissions_per_message == 2.0
    assert Outcome("nothing").acked_share != Outcome("nothing").acked_share  # NaN


# --- engines that go wrong are noticed ----------------------------------------------------------


def forgetting(kind: type[AnyRecord]) -> Callable[[pytest.MonkeyPatch], None]:
    """A station that does not restore this kind of record."""

    def spoil(patch: pytest.MonkeyPatch) -> None:
        restore = Station.restore
        patch.setattr(
            Station,
            "restore",
            lambda station, history: restore(
                station, [pair for pair in history if not isinstance(pair[0], kind)]
            ),
        )

    return spoil


def hearing(change: Callable[[list[Effect]], list[Effect]]) -> Callable[[pytest.MonkeyPatch], None]:
    """A station that does something else with what it hears."""

    def spoil(patch: pytest.MonkeyPatch) -> None:
        hear = Station.hear

        def other(station: Station, *arguments: Any) -> list[Effect]:
            return change(hear(station, *arguments))

        patch.setattr(Station, "hear", other)

    return spoil


def without(kind: type[AnyRecord], effects: list[Effect]) -> list[Effect]:
    return [
        effect
        for effect in effects
        if not (isinstance(effect, Log) and isinstance(effect.entry.record, kind))
    ]


def twice(effects: list[Effect]) -> list[Effect]:
    """Each frame is handed over once more than it was logged."""
    return [
        effect
        for effect in effects
        for _ in range(2 if isinstance(effect, Transmit) else 1)
    ]  # fmt: skip


def nothing(_patch: pytest.MonkeyPatch) -> None:
    pass


@pytest.mark.parametrize(
    ("spoil", "tuning", "part", "rule"),
    [
        (forgetting(records.Received), Tuning(), "one digipeater", Rule.SHOWN_TWICE),
        (forgetting(records.OutboundChanged), Tuning(), "one digipeater", Rule.UNACCOUNTED),
        (forgetting(records.AckSent), Tuning(), "no digipeater", Rule.ACK_TOO_SOON),
        (
            hearing(functools.partial(without, records.Received)),
            Tuning(),
            "one digipeater",
            Rule.ACK_UNFOUNDED,
        ),
        (
            hearing(functools.partial(without, records.Received)),
            Tuning(),
            "one digipeater",
            Rule.NOT_DELIVERED,
        ),
        (
            hearing(functools.partial(without, records.AckSent)),
            Tuning(),
            "one digipeater",
            Rule.SENT_UNLOGGED,
        ),
        (hearing(twice), Tuning(), "one digipeater", Rule.SENT_UNLOGGED),
        (nothing, Tuning(numbered_memory_s=1.0), "one digipeater", Rule.SHOWN_TWICE),
        (nothing, Tuning(ack_gap_s=5.0), "no digipeater", Rule.ACK_TOO_SOON),
    ],
)
def test_an_engine_that_goes_wrong_is_noticed(
    monkeypatch: pytest.MonkeyPatch,
    spoil: Callable[[pytest.MonkeyPatch], None],
    tuning: Tuning,
    part: str,
    rule: Rule,
) -> None:
    spoil(monkeypatch)
    # Links that lose a third and deaths all the time: there are copies of everything.
    monkeypatch.setattr(survival, "DEATH_INTERVAL_S", 25.0)
    outcome = SurvivalDrill(named(part), 7, SPOILT_S, tuning, loss=0.35).play()
    outcome = outcome.plus(SurvivalDrill(named(part), 8, SPOILT_S, tuning, loss=0.35).play())
    assert rule in {violation.rule for _, violation in outcome.violations}
    assert {seed for seed, _ in outcome.violations} <= {7, 8}


class Story:
    """An examiner told by hand what a station does."""

    def __init__(self, *, digipeated: bool = True) -> None:
        self.examiner = Examiner(HUB, digipeated=digipeated)
        self.log: list[Entry] = []

    def commit(self, record: AnyRecord, at_s: float) -> None:
        entry = Entry(len(self.log) + 1, 1, Moment(at_s, 0.0), record)
        self.log.append(entry)
        self.examiner.committed(entry)

    def outbound(self, state: State, at_s: float, info: str = "") -> None:
        """A message to the medic; `info` is what of it is sent with this change."""
        self.commit(
            records.OutboundChanged(
                message="m1",
                to=MEDIC,
                text="Hello",
                number="A1",
                state=state,
                why="",
                expires_in_s=600.0,
                frame=frame(HUB, info) if info else None,
            ),
            at_s,
        )

    def received(self, at_s: float, number: str = "7") -> None:
        self.decoded(MEDIC, f":{HUB:9}:At the bridge{{{number}", at_s)
        self.commit(
            records.Received(source=MEDIC, to=HUB, text="At the bridge", number=number, heard=1),
            at_s,
        )

    def decoded(self, source: str, info: str, at_s: float) -> None:
        self.examiner.decoded(Received(HUB, frame(source, info), at_s, "QZ1RDG"))

    def acknowledged(self, at_s: float, number: str = "7") -> None:
        octets = frame(HUB, f":{MEDIC:9}:ack{number}")
        record = records.AckSent(to=MEDIC, number=number, frame=octets, tnc="vhf", port=0)
        self.commit(record, at_s)

    @property
    def rules(self) -> list[Rule]:
        return [violation.rule for violation in self.examiner.violations]


def frame(source: str, info: str) -> bytes:
    return ax25.encode(ax25.Frame(source, "APZ001", ("WIDE1-1",), info=info.encode()))


MESSAGE = f":{MEDIC:9}:Hello{{A1}}"
ACK = f":{MEDIC:9}:ack7"


def test_a_message_after_its_end() -> None:
    story = Story()
    story.outbound(State.QUEUED, 1.0)
    story.outbound(State.SENDING, 1.0, MESSAGE)
    story.outbound(State.ACKNOWLEDGED, 5.0)
    assert story.rules == []
    story.outbound(State.EXPIRED, 6.0)
    story.outbound(State.SENDING, 7.0, MESSAGE)
    assert story.rules == [Rule.CHANGED_AFTER_END, Rule.SENT_AFTER_END]


def test_more_copies_than_its_addressee_was_heard_for() -> None:
    story = Story()
    story.outbound(State.QUEUED, 1.0)
    for number in range(COPIES_UNHEARD):
        story.outbound(State.SENDING, 700.0 * number, MESSAGE)
    story.decoded(MEDIC, ">I am back", 10_000.0)
    for number in range(COPIES_WHEN_HEARD):
        story.outbound(State.SENDING, 10_000.0 + 700.0 * number, MESSAGE)
    assert story.rules == []
    story.outbound(State.WAITING, 20_000.0, MESSAGE)
    assert story.rules == [Rule.TOO_MANY_COPIES]


def test_a_storm_is_one_however_often_the_addressee_is_heard() -> None:
    story = Story()
    story.outbound(State.QUEUED, 0.0)
    for number in range(COPIES_IN_A_NET_CYCLE):
        story.decoded(MEDIC, f">Hello {number}", 20.0 * number)
        story.outbound(State.SENDING, 20.0 * number, MESSAGE)
    assert story.rules == []
    story.outbound(State.SENDING, NET_CYCLE_S + 1.0, MESSAGE)  # the first is long ago
    assert story.rules == []
    story.outbound(State.SENDING, NET_CYCLE_S + 2.0, MESSAGE)
    assert story.rules == [Rule.TOO_MANY_COPIES]


def test_copies_that_a_power_cut_took_from_the_log_do_not_count() -> None:
    story = Story()
    story.outbound(State.QUEUED, 1.0)
    for number in range(COPIES_UNHEARD):
        story.outbound(State.SENDING, 10.0 + number, MESSAGE)
    story.examiner.power_was_cut(story.log[:2])
    for number in range(COPIES_UNHEARD - 1):
        story.outbound(State.SENDING, 30.0 + number, MESSAGE)
    assert story.rules == []
    story.outbound(State.SENDING, 60.0, MESSAGE)
    assert story.rules == [Rule.TOO_MANY_COPIES]


def test_a_frame_is_logged_when_it_is_handed_over() -> None:
    story = Story()
    octets = frame(HUB, MESSAGE)
    story.outbound(State.QUEUED, 1.0)
    story.outbound(State.SENDING, 10.0, MESSAGE)
    story.examiner.handed_over(octets, 10.0)
    story.examiner.sent(Sent(HUB, octets, 10.0, 11.0))
    assert story.rules == []
    story.outbound(State.SENDING, 20.0, MESSAGE)  # and dead before it was handed over
    story.examiner.handed_over(octets, 25.0)
    assert story.rules == [Rule.SENT_UNLOGGED]
    story.examiner.sent(Sent(HUB, octets, 25.0, 26.0))
    assert len(story.rules) == 1
    story.examiner.sent(Sent(HUB, octets, 30.0, 31.0))
    assert len(story.rules) == 2


@pytest.mark.parametrize(
    ("digipeated", "repeat_at_s", "again_at_s", "broken"),
    [
        (True, None, 15.0, False),  # nobody has repeated it
        (True, 12.0, 15.0, True),  # a digipeater would suppress it
        (True, 12.0, 10.0 + ACK_GAP_S, False),
        (False, None, 15.0, True),  # there is nobody who could have repeated it
        (False, None, 10.0 + ACK_GAP_S, False),
    ],
)
def test_acknowledgements_are_30_s_apart_unless_the_first_was_not_repeated(
    digipeated: bool, repeat_at_s: float | None, again_at_s: float, broken: bool
) -> None:
    # Source: APRS 1.2c ch. 14, Multiple Acknowledgements.
    story = Story(digipeated=digipeated)
    story.received(10.0)
    story.acknowledged(10.0)
    if repeat_at_s is not None:
        story.decoded(HUB, ACK, repeat_at_s)
    story.acknowledged(again_at_s)
    assert story.rules == ([Rule.ACK_TOO_SOON] if broken else [])


def test_acknowledgements_without_end_and_of_nothing() -> None:
    story = Story()
    story.received(10.0)
    for number in range(ACKS_FOR_A_COPY):
        story.acknowledged(10.0 + 40 * number)
    assert story.rules == []
    story.acknowledged(500.0)
    assert story.rules == [Rule.ACK_STORM]
    story = Story()
    story.received(10.0, number="8}")
    story.decoded(MEDIC, f":{HUB:9}:At the bridge{{8}}", 10.0)
    story.acknowledged(11.0, number="8}")
    assert story.rules == []
    story.decoded(MEDIC, f":{HUB:9}:Not logged{{9", 20.0)
    story.acknowledged(21.0, number="9")
    assert story.rules == [Rule.ACK_UNFOUNDED]


@pytest.mark.parametrize(("riding", "broken"), [("7", False), ("8", True)])
def test_an_acknowledgement_that_rides_on_a_message(riding: str, broken: bool) -> None:
    # Source: APRS 1.2c ch. 14, New Message Number Format: '{MM}AA' acknowledges AA.
    story = Story()
    story.received(10.0, number="7}")
    story.outbound(State.QUEUED, 11.0)
    story.outbound(State.SENDING, 11.0, f":{MEDIC:9}:Hello{{A1}}{riding}")
    assert story.rules == ([Rule.ACK_UNFOUNDED] if broken else [])


def test_order() -> None:
    assert out_of_order(["a", "b", "c"], ["a", "c"]) is None
    assert out_of_order(["a", "b", "c"], ["a", "c", "b"]) == "b"
    assert out_of_order([], []) is None


# --- somebody comes back ------------------------------------------------------------------------


AWAY_S = 1200.0
WITHIN_S = 60.0
"""Of being heard the first of its messages has arrived; the others follow, one after the other."""

TEXTS = ["Road is open", "Two riders missing", "Bring water"]


class Return:
    """A hub whose correspondent is away for 20 minutes, and what it sends it at the beginning."""

    def __init__(self, far: str, seed: int) -> None:
        self.far = far
        self.back_heard_s: float | None = None
        self.channel = Channel(random.Random(seed), loss=0.0)
        for name in (HUB, far):
            self.channel.add_node(name)
        self.channel.add_node("QZ1RDG", RadioParameters(persistence=1.0))
        for name in (HUB, far):
            self.channel.hear_each_other([name, "QZ1RDG"])
        RelayStation(self.channel, Digipeater("QZ1RDG"))
        self.channel.on_received(HUB, self._heard)
        self.hub = StationHost(self.channel, HUB, random.Random(seed + 1))
        self.hub.start()
        for number, text in enumerate(TEXTS):
            self.channel.schedule(
                10.0 + 5.0 * number,
                functools.partial(self._ask, text),
            )

    def _ask(self, text: str) -> None:
        answer = self.hub.ask(self.hub.send(self.far, text, precedence=Precedence.ROUTINE))
        assert answer is not None
        assert answer.accepted

    def _heard(self, got: Received) -> None:
        if ax25.decode(got.octets).source == self.far and self.back_heard_s is None:
            self.back_heard_s = got.at_s

    def check(self, shown: list[tuple[float, str]]) -> None:
        assert self.back_heard_s is not None
        assert self.back_heard_s >= AWAY_S
        assert [text for _, text in shown] == TEXTS
        assert shown[0][0] <= self.back_heard_s + WITHIN_S
        assert len(self.hub.account.acked) == len(TEXTS)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("restarted", [False, True])
def test_a_plain_station_that_comes_back_gets_its_messages_in_order(
    seed: int, restarted: bool
) -> None:
    # Source: APRS 1.2c ch. 2, message-on-heard. The hub may have been restarted meanwhile.
    story = Return(MEDIC, seed)
    medic = PlainStation(story.channel, MEDIC, random.Random(seed))
    medic.off_between(0.0, AWAY_S)
    beacons = Beacons(first_s=AWAY_S + 20.0, interval_s=600.0, symbol_code=">")
    medic.beacon(beacons, [Waypoint(0.0, 49.05, -72.03)])
    if restarted:
        story.hub.kill_between(700.0, 730.0, power_cut=True)
    story.channel.advance(AWAY_S + 600.0)
    story.check([(shown.at_s, shown.text) for shown in medic.account.shown])


@pytest.mark.parametrize("seed", range(5))
def test_a_station_of_ours_that_comes_back_gets_its_messages_in_order(seed: int) -> None:
    story = Return(POST, seed)
    story.channel.switch_off(POST, 0.0)
    post = StationHost(story.channel, POST, random.Random(seed + 2))
    story.channel.switch_on(POST, AWAY_S)
    story.channel.schedule(AWAY_S, post.start)
    status = frame(POST, aprs.encode_status("Back on the air").decode())
    story.channel.transmit(POST, status, AWAY_S + 20.0)
    story.channel.advance(AWAY_S + 600.0)
    story.check([(shown.at_s, shown.text) for shown in post.account.shown])

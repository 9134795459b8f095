"""Whatever happens, in whatever order: what must hold for every message and acknowledgement.

Times are the real ones, over restarts and boots, and not what a clock of the station says.
"""

import copy
from typing import Any

import msgspec
import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    initialize,
    invariant,
    rule,
)

from ridgepost.radio import ax25
from ridgepost.station.asks import Cancel
from ridgepost.station.records import (
    AckSent,
    AnyRecord,
    OutboundChanged,
    Precedence,
    Received,
    State,
)
from ridgepost.station.tuning import Tuning
from station.rig import MED, POST, RIDGE, SAG, SETUP, UHF, US, VHF, Rig, only

TUNING = Tuning()
MONITOR = msgspec.structs.replace(UHF, tnc="mast", receive_only=True)
SETUP_3 = msgspec.structs.replace(SETUP, ports=(VHF, UHF, MONITOR))
ROUNDED_S = 0.0015
"""The log keeps milliseconds."""

DAY_S = 86400.0

addressees = st.sampled_from([SAG, POST, MED])
tncs = st.sampled_from(["vhf", "uhf", "mast"])
paths = st.sampled_from(["", "WIDE1-1", f"{RIDGE}*", f"{RIDGE},QZ1GUL*"])
numbers = st.sampled_from(["", "1", "2", "A1}", "A1}00", "B2}", "1234}"])
"""As senders write them; none of ours has one character, so '1' is never one of ours."""


class CheckedRig(Rig):
    """Holds each record against everything that was logged before."""

    def __init__(self, **more: Any) -> None:
        self.accepted: dict[str, tuple[float, float]] = {}
        self.latest: dict[str, tuple[float, OutboundChanged]] = {}
        self.last_sent: dict[str, float] = {}
        self.transmissions: dict[str, int] = {}
        self.used: dict[tuple[str, str], float] = {}
        self.shown: dict[tuple[str, str, str, str], float] = {}
        self.acked: dict[tuple[str, str], float] = {}
        self.port_busy_until: dict[tuple[int, str, int], float] = {}
        self.acked_by_digipeater: set[tuple[str, str]] = set()
        super().__init__(**more)

    @property
    def open(self) -> list[OutboundChanged]:
        """Messages not settled, in the order of acceptance."""
        return [change for _, change in self.latest.values() if not change.state.settled]

    def check(self, record: AnyRecord) -> None:
        super().check(record)
        match record:
            case OutboundChanged():
                self._check_outbound(record)
            case Received():
                self._check_received(record)
            case AckSent():
                self._check_ack(record)

    def _check_outbound(self, change: OutboundChanged) -> None:
        now_s = self.elapsed_s
        if change.message not in self.latest:
            assert change.state is State.QUEUED
            number = (change.to, change.number)
            assert number not in {(other.to, other.number) for other in self.open}
            assert now_s - self.used.get(number, -DAY_S) >= DAY_S
            self.used[number] = now_s
            self.accepted[change.message] = (now_s, change.expires_in_s)
        else:
            assert change.state is not State.QUEUED
        if change.frame is not None:
            self._check_sending(change)
        if change.state is State.ACKNOWLEDGED:
            assert self.transmissions.get(change.message, 0) > 0
        if change.state is State.EXPIRED:
            accepted_s, lifetime_s = self.accepted[change.message]
            assert now_s >= accepted_s + lifetime_s - ROUNDED_S, "expired early"
        self.latest[change.message] = (now_s, change)

    def _check_sending(self, change: OutboundChanged) -> None:
        now_s = self.elapsed_s
        turns = [
            (other.precedence.rank, place)
            for place, other in enumerate(self.open)
            if other.to == change.to
        ]
        place = [other.message for other in self.open].index(change.message)
        assert (change.precedence.rank, place) == min(turns), "out of turn"
        before_s, before = self.latest[change.message]
        assert change.state is State.SENDING
        if before.wait_s is not None:
            # Heard of its addressee, a message need not sit out a long wait.
            wait_s = min(before.wait_s, TUNING.heard_retry_gap_s)
            assert now_s >= before_s + wait_s - ROUNDED_S, "sent early"
        if before.state is State.WAITING:
            gap_s = now_s - self.last_sent[change.message]
            assert gap_s >= TUNING.heard_retry_gap_s - ROUNDED_S
        assert change.attempts <= TUNING.attempts + change.rounds * TUNING.heard_tries
        self.last_sent[change.message] = now_s
        count = self.transmissions[change.message] = self.transmissions.get(change.message, 0) + 1
        assert change.attempts == count
        port = (len(self.boots), change.tnc, change.port)
        overdraft_s = TUNING.overdraft_s[change.precedence.rank]
        free_at_s = self.port_busy_until.get(port, 0.0) - overdraft_s
        assert now_s >= free_at_s - 1e-6, "more than our share"
        # Key-up, octets and FCS at 1200 bit/s, and as much again for others.
        busy_until_s = max(now_s, self.port_busy_until.get(port, 0.0))
        self.port_busy_until[port] = busy_until_s + 2 * (
            0.33 + 8 * (len(change.frame or b"") + 2) / 1200
        )

    def _check_received(self, record: Received) -> None:
        number = record.number.partition("}")[0]
        key = (record.source, record.to, number, record.text)
        memory_s = TUNING.numbered_memory_s if number else TUNING.unnumbered_memory_s
        assert self.elapsed_s - self.shown.get(key, -DAY_S) > memory_s - ROUNDED_S, "shown twice"
        self.shown[key] = self.elapsed_s

    def _check_ack(self, record: AckSent) -> None:
        key = (record.to, record.number)
        gap_s = self.elapsed_s - self.acked.get(key, -DAY_S)
        by_digipeater = bool(ax25.decode(record.frame).path)
        if by_digipeater or key in self.acked_by_digipeater:
            # Sent again sooner only if no digipeater repeated it: after its airtime and that of
            # the repeat, 0.5 s each at the least.
            assert gap_s >= 1.0, "acknowledged too soon"
        else:
            assert gap_s >= TUNING.ack_gap_s - ROUNDED_S, "acknowledged too soon"
        self.acked[key] = self.elapsed_s
        if by_digipeater:
            self.acked_by_digipeater.add(key)


class Life(RuleBasedStateMachine):
    """A station in the hands of chance."""

    messages = Bundle("messages")

    @initialize(seed=st.integers(0, 2**32), wall_trusted=st.booleans())
    def begin(self, seed: int, wall_trusted: bool) -> None:
        self.rig = CheckedRig(setup=SETUP_3, tuning=TUNING, seed=seed, wall_trusted=wall_trusted)

    # -- asks ------------------------------------------------------------------------------------

    @rule(
        target=messages,
        to=addressees,
        precedence=st.sampled_from(list(Precedence)),
        lifetime_s=st.sampled_from([1.0, 30.0, 600.0, 7200.0, DAY_S]),
    )
    def send(self, to: str, precedence: Precedence, lifetime_s: float) -> str:
        return self.rig.send(to, "Radio check", precedence, lifetime_s)

    @rule(message=messages)
    def cancel(self, message: str) -> None:
        was_open = message in {change.message for change in self.rig.open}
        answer = self.rig.cancel(message)
        # It may have been about to expire.
        assert answer.accepted == (was_open and self.rig.state(message) is State.CANCELLED)

    # -- off the air -----------------------------------------------------------------------------

    @rule(message=messages, rejected=st.booleans(), source=st.none() | addressees, tnc=tncs)
    def hear_answer(self, message: str, rejected: bool, source: str | None, tnc: str) -> None:
        change = self.rig.changes(message)[-1]
        text = f"{'rej' if rejected else 'ack'}{change.number}"
        self.rig.hear_message(source or change.to, text, port=(tnc, 0))

    @rule(
        source=addressees,
        text=st.sampled_from(["hello", "ack1", "rejected"]),
        number=numbers,
        to=st.sampled_from([US, "QST"]),
        path=paths,
        tnc=tncs,
    )
    def hear_message(
        self, source: str, text: str, number: str, to: str, path: str, tnc: str
    ) -> None:
        self.rig.hear_message(source, text, number, to=to, path=path, port=(tnc, 0))

    @rule(message=messages, source=addressees)
    def hear_reply_ack(self, message: str, source: str) -> None:
        number = self.rig.number(message)
        self.rig.hear_message(source, "hello", f"C3}}{number}")

    @rule(source=addressees, path=paths, tnc=tncs)
    def hear_beacon(self, source: str, path: str, tnc: str) -> None:
        self.rig.hear_beacon(source, path, port=(tnc, 0))

    # -- links and time --------------------------------------------------------------------------

    @rule(tnc=tncs, up=st.booleans())
    def link(self, tnc: str, up: bool) -> None:
        self.rig.link(up, tnc)

    @rule(seconds=st.sampled_from([0.5, 3.0, 10.0, 31.0, 100.0, 700.0, 4000.0]))
    def time_passes(self, seconds: float) -> None:
        self.rig.advance(seconds)

    @rule(seconds=st.floats(0.0, 100.0))
    def nobody_ticks(self, seconds: float) -> None:
        """A busy machine: the next event finds much overdue."""
        self.rig.pass_time(seconds)

    @rule(down_s=st.floats(0.0, 5000.0))
    def restart(self, down_s: float) -> None:
        self.rig.pass_time(down_s)
        self.rig.restart()

    @rule(down_s=st.floats(0.0, 5000.0), mono_s=st.floats(0.0, 1000.0), trusted=st.booleans())
    def reboot(self, down_s: float, mono_s: float, trusted: bool) -> None:
        self.rig.pass_time(down_s)
        self.rig.wall_trusted = trusted
        self.rig.restart(boot=f"boot {len(self.rig.boots) + 1}", mono_s=mono_s)

    # -- always ----------------------------------------------------------------------------------

    @invariant()
    def open_messages_are_those_of_the_log(self) -> None:
        if hasattr(self, "rig"):
            assert self.rig.station.open_messages == len(self.rig.open)

    @invariant()
    def every_frame_is_counted_once(self) -> None:
        if hasattr(self, "rig"):
            counts = self.rig.station.totals()
            assert counts.frames == counts.own_heard + counts.copies + counts.reports

    @rule()
    def a_twin_from_the_log_holds_the_same(self) -> None:
        """Told by what both say when everything is cancelled."""
        mine = copy.deepcopy(self.rig)
        for tnc in sorted(mine.up):
            mine.link(False, tnc)  # so that nothing is sent meanwhile
        mine.tick()
        twin = copy.deepcopy(mine)
        twin.restart()
        assert twin.station.open_messages == mine.station.open_messages
        mine_ends, twin_ends = ends(mine), ends(twin)
        assert [end for end, _ in mine_ends] == [end for end, _ in twin_ends]
        lifetimes = [left_s for _, left_s in mine_ends]
        assert lifetimes == pytest.approx([left_s for _, left_s in twin_ends], abs=2 * ROUNDED_S)

    def teardown(self) -> None:
        """Left to itself it comes to rest: everything ends within a day."""
        if hasattr(self, "rig"):
            self.rig.advance(DAY_S + 1)
            assert not self.rig.open
            assert self.rig.station.next_wakeup_s() is None


def ends(rig: CheckedRig) -> list[tuple[OutboundChanged, float]]:
    """What is left of each open message and its lifetime."""
    found: list[tuple[OutboundChanged, float]] = []
    for change in rig.open:
        records = rig.take(
            rig.station.ask(
                Cancel(request=f"end {change.message}", message=change.message), rig.now
            )
        )
        end = only(OutboundChanged, records)[0]
        assert (end.message, end.state) == (change.message, State.CANCELLED)
        found.append((msgspec.structs.replace(end, expires_in_s=0.0), end.expires_in_s))
    return found


TestLife = Life.TestCase
TestLife.settings = settings(stateful_step_count=40)  # examples as the profile has them

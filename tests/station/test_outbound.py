"""Outgoing messages over virtual time. Each rule names its source; the times follow from it."""

import itertools
import random

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ridgepost.radio import ax25
from ridgepost.station.effects import Transmit
from ridgepost.station.records import Noticed, OutboundChanged, Precedence, State
from ridgepost.station.setup import Setup
from ridgepost.station.tuning import Tuning
from station.rig import (
    MED,
    POST,
    RIDGE,
    SAG,
    SETUP,
    STEADY,
    UHF,
    US,
    VHF,
    Rig,
    gaps,
    message_info,
    only,
    other,
)

MONITOR = msgspec.structs.replace(UHF, receive_only=True)
BOTH = msgspec.structs.replace(SETUP, ports=(VHF, UHF))
HOUR_S = 3600.0


def states(rig: Rig, message: str) -> list[State]:
    return list(dict.fromkeys(change.state for change in rig.changes(message)))


# --- the frame ----------------------------------------------------------------------------------


def test_frame_of_a_message() -> None:
    """APRS 1.2c ch. 14: Message Format, and '{MM}' for want of a reply-ack; ch. 4: APZxxx is for
    software without an allotted address."""
    rig = Rig()
    message = rig.send(SAG, "Take one rider at the bridge")
    (sent,) = rig.sent
    assert sent.port == ("vhf", 0)
    assert (sent.frame.source, sent.frame.path) == (US, ("WIDE1-1",))
    assert sent.frame.destination.startswith("APZ")
    assert sent.info == f":QZ1SAG-2 :Take one rider at the bridge{{{rig.number(message)}}}"


# --- when ---------------------------------------------------------------------------------------


def test_decay_up_to_the_net_cycle_time() -> None:
    """APRS 1.2c ch. 2, Packet Timing, Decay Algorithm: the wait doubles with each transmission,
    and goes on at the net cycle time (ch. 2: 10 minutes at the least) once it has reached that."""
    rig = Rig(tuning=msgspec.structs.replace(STEADY, attempts=20, message_lifetime_s=3 * HOUR_S))
    message = rig.send(SAG)
    rig.advance(3 * HOUR_S)
    waits = gaps(rig.sends(message))
    assert waits[0] == pytest.approx(STEADY.first_retry_s)
    for earlier, later in itertools.pairwise(waits):
        assert later == pytest.approx(min(2 * earlier, 600.0))
    assert waits[-2:] == pytest.approx([600.0, 600.0])


def test_defaults_reach_the_net_cycle_time() -> None:
    """The times of ch. 2 with n = 8 s: after eight transmissions the wait has reached 10 minutes,
    and with it the point at which the standard turns to message-on-heard."""
    rig = Rig()
    message = rig.send(SAG)
    rig.advance(2 * HOUR_S - 1)
    first_s = rig.sends(message)[0]
    assert [at_s - first_s for at_s in rig.sends(message)] == pytest.approx(
        [0, 8, 24, 56, 120, 248, 504, 1016]
    )
    waiting = rig.changes(message)[-1]
    assert waiting.state is State.WAITING
    assert rig.entries[-1].at.mono_s - first_s == pytest.approx(1016 + 600)


@given(seed=st.integers(0, 2**32))
def test_waits_are_lengthened_at_random_but_never_shortened(seed: int) -> None:
    """Common practice: without a random part two senders that collided collide again each time."""
    rig = Rig(tuning=Tuning(), seed=seed)
    message = rig.send(SAG)
    rig.advance(0.9 * HOUR_S)
    plain_s = [8, 16, 32, 64, 128, 256, 512]
    for wait_s, least_s in zip(gaps(rig.sends(message)), plain_s, strict=True):
        assert least_s <= wait_s <= least_s * 1.15 + 1e-6


def test_two_stations_do_not_keep_step() -> None:
    """The same, from the other side."""
    rigs = [Rig(tuning=Tuning(), seed=seed) for seed in (1, 2)]
    times = []
    for rig in rigs:
        message = rig.send(SAG)
        rig.advance(HOUR_S)
        times.append(rig.sends(message))
    assert all(one != other for one, other in zip(*(t[1:] for t in times), strict=True))


def waiting_rig() -> tuple[Rig, str]:
    rig = Rig()
    message = rig.send(SAG)
    rig.advance(1700)
    assert rig.state(message) is State.WAITING
    return rig, message


def test_a_waiting_message_is_tried_anew_when_the_addressee_is_heard() -> None:
    """APRS 1.2c ch. 2, Packet Timing, Message-on-Heard; a few times, since half of all frames may
    be lost (`heard_tries`)."""
    rig, message = waiting_rig()
    before = len(rig.sent)
    rig.advance(1200)
    assert len(rig.sent) == before
    rig.hear_beacon(SAG)
    assert rig.sends(message)[before:] == [rig.mono_s]
    rig.advance(1200)
    assert len(rig.sent) == before + STEADY.heard_tries
    assert rig.state(message) is State.WAITING
    rig.hear_beacon(SAG)
    assert rig.sends(message)[before + STEADY.heard_tries :] == [rig.mono_s]
    in_order = [state for state, _ in itertools.groupby(c.state for c in rig.changes(message))]
    round_ = [State.SENDING, State.WAITING]
    assert in_order == [State.QUEUED, *round_, *round_, State.SENDING]


def test_a_station_that_is_heard_but_does_not_hear_us_draws_no_storm() -> None:
    """A mobile's beacons come every few seconds; the gaps between rounds double
    (`heard_retry_gap_s`), up to the net cycle time of APRS 1.2c ch. 2."""
    rig, message = waiting_rig()
    before = len(rig.sent)
    for _ in range(720):
        rig.hear_beacon(SAG)
        rig.advance(5)
    times = rig.sends(message)[before:]
    # 30, 60, ... 480, 600, 600, ... s of silence between the rounds of one hour.
    assert len(times) <= 10 * STEADY.heard_tries
    rounds = times[:: STEADY.heard_tries]
    assert all(later >= earlier - 1 for earlier, later in itertools.pairwise(gaps(rounds)[:5]))


def test_a_digipeated_copy_is_not_heard_again() -> None:
    """APRS 1.2c ch. 2, Generic Digipeating: the copy that a digipeater sends is the same packet."""
    rig, message = waiting_rig()
    before = len(rig.sent)
    rig.hear_info(SAG, ">on the way", "WIDE1-1")
    rig.advance(3)
    rig.hear_info(SAG, ">on the way", f"{RIDGE}*")
    rig.advance(1000)
    assert len(rig.sends(message)) == before + STEADY.heard_tries


def test_hearing_others_sends_nothing() -> None:
    rig, _ = waiting_rig()
    before = len(rig.sent)
    rig.hear_beacon(POST)
    rig.hear_beacon("QZ1SAG-3")
    rig.advance(1000)
    assert len(rig.sent) == before


def test_heard_through_a_gateway_counts() -> None:
    """APRS 1.2c ch. 17: the author of third-party traffic is whom an answer goes to."""
    rig, message = waiting_rig()
    before = len(rig.sent)
    rig.hear_info(POST, f"}}{SAG}>APZ001,TCPIP,{POST}*:>on the net")
    assert rig.sends(message)[before:] == [rig.mono_s]


def test_sent_where_the_gateway_was_heard() -> None:
    rig = Rig(BOTH)
    rig.hear_info(POST, f"}}{SAG}>APZ001,TCPIP,{POST}*:>on the net", port=("uhf", 0))
    rig.send(SAG)
    assert rig.sent[-1].port == ("uhf", 0)


def test_while_it_is_being_sent_hearing_changes_nothing() -> None:
    """Message-on-Heard is for after the schedule."""
    rig = Rig()
    message = rig.send(SAG)
    rig.advance(60)
    before = rig.sends(message)
    rig.hear_beacon(SAG)
    assert rig.sends(message) == before


# --- how it ends --------------------------------------------------------------------------------


def test_an_ack_ends_it() -> None:
    """APRS 1.2c ch. 14: sent repeatedly 'until it receives an acknowledgement'."""
    rig = Rig()
    message = rig.send(SAG)
    rig.advance(10)
    rig.hear_ack(SAG, rig.number(message), f"{RIDGE}*")
    assert states(rig, message) == [State.QUEUED, State.SENDING, State.ACKNOWLEDGED]
    assert RIDGE in rig.changes(message)[-1].why
    before = len(rig.sent)
    rig.advance(3 * HOUR_S)
    rig.hear_beacon(SAG)
    assert len(rig.sent) == before
    assert rig.station.open_messages == 0
    assert rig.station.next_wakeup_s() is None or rig.station.next_wakeup_s() == pytest.approx(
        rig.mono_s + 30
    )  # the beacon's window, nothing of the message


def test_the_ack_may_echo_the_reply_ack_form() -> None:
    """APRS 1.2c ch. 14, New Message Number Format, step 4: 'ackMM}AA' is the exact copy."""
    rig = Rig()
    message = rig.send(SAG)
    rig.hear_ack(SAG, f"{rig.number(message)}}}")
    assert rig.state(message) is State.ACKNOWLEDGED


def test_a_rejection_ends_it() -> None:
    """APRS 1.2c ch. 14, Message Rejection."""
    rig = Rig()
    message = rig.send(SAG)
    rig.hear_message(SAG, f"rej{rig.number(message)}")
    assert rig.state(message) is State.REJECTED
    before = len(rig.sent)
    rig.advance(HOUR_S)
    assert len(rig.sent) == before


def test_it_times_out() -> None:
    """APRS 1.2c ch. 14: 'or it is canceled, or it times out'."""
    rig = Rig()
    message = rig.send(SAG, lifetime_s=100.0)
    accepted_s = rig.mono_s
    rig.advance(3 * HOUR_S)
    last = rig.changes(message)[-1]
    assert (last.state, last.expires_in_s, last.attempts) == (State.EXPIRED, 0.0, 4)
    assert rig.sends(message) == pytest.approx([accepted_s + after for after in (0, 8, 24, 56)])


def test_a_waiting_message_times_out_too() -> None:
    rig, message = waiting_rig()
    rig.advance(2 * HOUR_S)
    rig.hear_beacon(SAG)
    rig.advance(HOUR_S)
    assert rig.state(message) is State.EXPIRED
    assert len(rig.sends(message)) == 8


def test_it_can_be_cancelled() -> None:
    """APRS 1.2c ch. 14: 'or it is canceled'."""
    rig = Rig()
    message = rig.send(SAG)
    rig.advance(10)
    assert rig.cancel(message).accepted
    before = len(rig.sent)
    rig.advance(HOUR_S)
    assert (rig.state(message), len(rig.sent)) == (State.CANCELLED, before)
    again = rig.cancel(message)
    assert (again.accepted, again.field) == (False, "message")
    assert "cancelled" in again.why
    unknown = rig.cancel("a1b2c3.1.999")
    assert (unknown.accepted, unknown.field) == (False, "message")


def test_a_late_ack_ends_a_waiting_message() -> None:
    """Acks are the half of the exchange that gets lost; the answer to any copy will do."""
    rig, message = waiting_rig()
    rig.hear_ack(SAG, rig.number(message))
    assert rig.state(message) is State.ACKNOWLEDGED
    assert rig.station.totals().acks_late == 0


def test_acks_of_the_other_copies_change_nothing() -> None:
    """APRS 1.2c ch. 14, Multiple Acknowledgements: one for each instance of the message."""
    rig = Rig()
    message = rig.send(SAG)
    rig.advance(30)
    rig.hear_ack(SAG, rig.number(message))
    changes = rig.changes(message)
    rig.advance(31)
    rig.hear_ack(SAG, rig.number(message))
    assert rig.changes(message) == changes
    counts = rig.station.totals()
    assert (counts.acks_heard, counts.acks_late, counts.acks_unmatched) == (2, 1, 0)


@pytest.mark.parametrize("end", ["expired", "cancelled"])
def test_an_ack_after_the_end_is_told_once(end: str) -> None:
    """Whoever asked was told that it failed, and it has arrived after all."""
    rig = Rig()
    message = rig.send(SAG, lifetime_s=20.0)
    rig.advance(10)
    if end == "cancelled":
        rig.cancel(message)
    rig.advance(15)
    for _ in range(3):
        rig.hear_ack(SAG, rig.number(message))
        rig.advance(31)
    assert rig.state(message) == end
    (notice,) = rig.of(Noticed)
    assert message in notice.text
    assert end in notice.text


def test_answers_of_others_and_to_nothing_are_counted_and_ignored() -> None:
    rig = Rig()
    message = rig.send(SAG)
    number = rig.number(message)
    rig.hear_ack(POST, number)
    rig.hear_ack("QZ1SAG-3", number)
    rig.hear_message(POST, f"rej{number}")
    rig.hear_ack(SAG, "zzz")
    rig.hear_message(SAG, f"ack{number}", to="QZ1HUB-11")
    counts = rig.station.totals()
    assert (counts.acks_heard, counts.acks_unmatched) == (4, 4)
    assert rig.state(message) is State.SENDING


def test_what_was_never_on_the_air_cannot_be_acknowledged() -> None:
    """An answer to a number that a lost log had given out before."""
    rig = Rig(up=False)
    message = rig.send(SAG)
    rig.hear_ack(SAG, rig.number(message))
    rig.hear_message(SAG, "thanks", f"A1}}{rig.number(message)}")
    assert rig.state(message) is State.QUEUED
    assert rig.station.totals().acks_unmatched == 2


# --- whose turn it is ---------------------------------------------------------------------------


def test_one_message_in_the_air_for_each_addressee_in_order() -> None:
    rig = Rig()
    first, second, third = (rig.send(SAG, f"{number}") for number in ("one", "two", "three"))
    elsewhere = rig.send(POST)
    rig.advance(60)
    assert rig.sends(first)
    assert rig.sends(elsewhere)
    assert not rig.sends(second)
    rig.hear_ack(SAG, rig.number(first))
    rig.advance(60)
    assert rig.sends(second)
    assert not rig.sends(third)
    rig.cancel(second)
    rig.advance(5)
    assert rig.sends(third)


def test_a_message_that_waits_keeps_its_place() -> None:
    """In order: when the addressee comes back, the oldest goes first and then at once the next."""
    rig, first = waiting_rig()
    second = rig.send(SAG, "two")
    rig.advance(600)
    assert not rig.sends(second)
    rig.hear_beacon(SAG)
    rig.advance(2)
    rig.hear_ack(SAG, rig.number(first))
    rig.advance(2)
    assert rig.sends(second)


def answer_everything(rig: Rig, seconds: int) -> None:
    """SAG acknowledges whatever reaches it, a second later."""
    for _ in range(seconds):
        before = len(rig.sent)
        rig.advance(1)
        for sent in rig.sent[before:]:
            if sent.info.startswith(f":{SAG}"):
                rig.hear_ack(SAG, sent.info.rpartition("{")[2])


def test_the_more_urgent_goes_first() -> None:
    """Precedences of amateur radiograms, most urgent first: EMERGENCY, PRIORITY, WELFARE, ROUTINE
    (common practice)."""
    rig = Rig(up=False)
    asked = ["ROUTINE", "WELFARE", "EMERGENCY", "PRIORITY", "EMERGENCY", "ROUTINE"]
    for number, precedence in enumerate(asked):
        rig.send(other(number), "to others", Precedence(precedence))
        rig.send(SAG, f"to one {number}", Precedence(precedence))
    rig.link(True)
    answer_everything(rig, 40)
    first_copies = list(dict.fromkeys(sent.info for sent in rig.sent))
    to_others = [info[1:10].strip() for info in first_copies if "to others" in info]
    one = [info[11:].partition("{")[0] for info in first_copies if "to one" in info]
    assert to_others == [other(number) for number in (2, 4, 3, 1, 0, 5)]
    assert one == [f"to one {number}" for number in (2, 4, 3, 1, 0, 5)]


def test_a_message_that_made_way_goes_on() -> None:
    rig = Rig()
    routine = rig.send(SAG, "whenever you can")
    rig.advance(10)
    sent_before = rig.sends(routine)
    assert len(sent_before) == 2
    urgent = rig.send(SAG, "stop the race", Precedence.EMERGENCY)
    rig.advance(200)
    assert rig.sends(routine) == sent_before
    assert len(rig.sends(urgent)) == 5
    rig.hear_ack(SAG, rig.number(urgent))
    rig.advance(2)
    assert len(rig.sends(routine)) == 3
    assert rig.changes(routine)[-1].attempts == 3
    rig.advance(33)
    assert len(rig.sends(routine)) == 4


def test_a_message_that_made_way_may_be_acknowledged() -> None:
    rig = Rig()
    routine = rig.send(SAG, "whenever you can")
    urgent = rig.send(SAG, "stop the race", Precedence.EMERGENCY)
    rig.advance(5)
    rig.hear_ack(SAG, rig.number(routine))
    assert rig.state(routine) is State.ACKNOWLEDGED
    rig.hear_ack(SAG, rig.number(urgent))
    rig.advance(HOUR_S)
    assert len(rig.sends(routine)) == len(rig.sends(urgent)) == 1


def test_a_message_that_made_way_early_keeps_its_time() -> None:
    """Acknowledged before the other's retry was due: that retry comes no earlier for it."""
    rig = Rig()
    routine = rig.send(SAG, "whenever you can")
    urgent = rig.send(SAG, "stop the race", Precedence.EMERGENCY)
    rig.advance(3)
    rig.hear_ack(SAG, rig.number(urgent))
    rig.advance(60)
    # Not early; late by what the urgent one took ahead of our share of the channel.
    assert gaps(rig.sends(routine)) == [pytest.approx(wait, abs=4.5) for wait in (8, 16, 32)]
    assert rig.sends(routine)[1] - rig.sends(routine)[0] >= 8


# --- the channel --------------------------------------------------------------------------------


def test_own_messages_leave_half_of_the_channel() -> None:
    """`own_share`. Airtime from below: 30 % of the frame's time is key-up, and its octets with FCS
    go at 1200 bit/s (APRS 1.2c ch. 3), whatever is stuffed in."""
    rig = Rig()
    for number in range(200):
        rig.send(other(number), "A text of some forty characters, as usual")
    rig.advance(300)
    on_air_s = sum(0.33 + 8 * (len(sent.octets) + 2) / 1200 for sent in rig.sent)
    assert 100 < on_air_s <= 0.5 * 300
    assert rig.station.airtime_used_s == pytest.approx(on_air_s, rel=0.1)


def test_each_port_has_its_own_time() -> None:
    """Two channels carry twice as much, and a busy one does not hold up the other."""
    rig = Rig(BOTH)
    for number in range(100):
        rig.hear_beacon(other(number), port=("vhf", 0))
        rig.send(other(number))
    rig.hear_beacon(SAG, port=("uhf", 0))
    message = rig.send(SAG)
    assert rig.sends(message) == [rig.mono_s]
    assert rig.sent[-1].port == ("uhf", 0)


def test_acks_count_but_do_not_wait() -> None:
    """Who waits for an acknowledgement sends again soon, which costs more than the ack."""
    rig = Rig()
    rig.send(SAG)
    rig.hear_message(POST, "hello", "1")
    assert rig.acks(POST, "1") == [rig.mono_s]
    later = rig.send(MED)
    rig.advance(1.5)  # a message of ours and an ack take 1.3 s on air, hence 2.6 s of the channel
    assert not rig.sends(later)
    rig.advance(2)
    assert rig.sends(later)


def test_link_down_holds_everything_and_costs_no_attempt() -> None:
    rig = Rig()
    message = rig.send(SAG)
    rig.advance(10)
    assert len(rig.sends(message)) == 2
    rig.link(False)
    rig.hear_message(POST, "hello", "1")
    rig.advance(3000)
    assert len(rig.sent) == 2
    assert rig.changes(message)[-1].attempts == 2
    rig.link(True)
    assert len(rig.sends(message)) == 3
    rig.advance(31)
    assert len(rig.sends(message)) == 3
    rig.advance(2)
    assert len(rig.sends(message)) == 4


def test_link_down_does_not_stop_the_clock() -> None:
    rig = Rig()
    message = rig.send(SAG, lifetime_s=100.0)
    rig.link(False)
    rig.advance(101)
    assert rig.state(message) is State.EXPIRED


def test_a_frame_that_the_tnc_did_not_take() -> None:
    """A person is told; the message is sent again as if the frame had been lost on the air."""
    rig = Rig()
    message = rig.send(SAG)
    transmit = Transmit("vhf", 0, rig.sent[-1].octets)
    (notice,) = only(Noticed, rig.take(rig.station.not_sent(transmit, rig.now)))
    assert notice.kind == "not-sent"
    assert "Radio check" in notice.text
    assert len(rig.sent) == 1
    rig.advance(8)
    assert len(rig.sends(message)) == 2


def test_many_held_up_go_out_by_and_by() -> None:
    """Not all at once when the link comes back."""
    rig = Rig(up=False)
    for number in range(50):
        rig.send(other(number))
    rig.link(True)
    assert len(rig.sent) == 1
    rig.advance(10)
    assert 5 <= len(rig.sent) <= 10


def test_sent_where_the_addressee_was_last_heard() -> None:
    rig = Rig(BOTH)
    for port in (("uhf", 0), ("vhf", 0), ("uhf", 0)):
        rig.hear_beacon(SAG, port=port)
        message = rig.send(SAG)
        rig.advance(5)
        assert rig.sent[-1].port == port
        rig.cancel(message)


def test_heard_elsewhere_meanwhile() -> None:
    """It was to go out on a busy port, and is heard on another one before that has room."""
    rig = Rig(BOTH)
    for number in range(20):
        rig.hear_beacon(other(number), port=("vhf", 0))
        rig.send(other(number))
    rig.hear_beacon(SAG, port=("vhf", 0))
    message = rig.send(SAG)
    assert not rig.sends(message)
    rig.hear_beacon(SAG, port=("uhf", 0))
    assert rig.sends(message) == [rig.mono_s]
    assert rig.sent[-1].port == ("uhf", 0)


def test_a_stranger_is_tried_on_each_port_in_turn() -> None:
    rig = Rig(BOTH)
    rig.send(SAG)
    rig.advance(130)
    assert [sent.port[0] for sent in rig.sent] == ["vhf", "uhf", "vhf", "uhf", "vhf"]


def test_another_port_serves_while_a_link_is_down() -> None:
    rig = Rig(BOTH)
    rig.hear_beacon(SAG, port=("uhf", 0))
    rig.link(False, "uhf")
    rig.send(SAG)
    assert rig.sent[-1].port == ("vhf", 0)
    rig.link(True, "uhf")
    rig.advance(9)
    assert rig.sent[-1].port == ("uhf", 0)


def test_ready_on_a_port_that_goes_down() -> None:
    rig = Rig(BOTH)
    for number in range(5):
        rig.hear_beacon(other(number), port=("uhf", 0))
        rig.send(other(number))
    rig.link(False, "uhf")
    rig.advance(7)
    assert {sent.frame.info[1:10].strip().decode() for sent in rig.sent} == {
        other(number) for number in range(5)
    }
    assert [sent.port[0] for sent in rig.sent] == ["uhf", *["vhf"] * (len(rig.sent) - 1)]


def test_receive_only_never_transmits() -> None:
    setup = msgspec.structs.replace(SETUP, ports=(VHF, MONITOR))
    rig = Rig(setup)
    rig.hear_beacon(SAG, port=("uhf", 0))
    rig.hear_message(SAG, "hello", "1", port=("uhf", 0))
    rig.send(SAG)
    rig.advance(HOUR_S)
    assert len(rig.sent) == 9
    assert {sent.port for sent in rig.sent} == {("vhf", 0)}
    rig.link(False, "vhf")
    rig.hear_message(SAG, "hello again", "2", port=("uhf", 0))
    rig.advance(HOUR_S)
    assert len(rig.sent) == 9


def test_heard_on_a_receive_only_port_and_on_another() -> None:
    """Two receivers on one channel: the answer goes by the one that can give it."""
    setup = msgspec.structs.replace(
        SETUP, ports=(VHF, UHF, msgspec.structs.replace(MONITOR, tnc="mast"))
    )
    rig = Rig(setup)
    rig.hear_info(SAG, ">here", port=("mast", 0))
    rig.hear_info(SAG, ">here", port=("uhf", 0))
    rig.send(SAG)
    assert rig.sent[-1].port == ("uhf", 0)


def test_transmit_off_never_transmits() -> None:
    """Messages of an earlier run included."""
    log = [
        OutboundChanged(
            message="old.1.1",
            to=SAG,
            text="hello",
            number="A1",
            state=State.QUEUED,
            why="accepted",
            expires_in_s=HOUR_S,
        )
    ]
    rig = Rig(msgspec.structs.replace(SETUP, transmit=False), records=log)
    rig.hear_message(SAG, "hello", "1")
    rig.hear_beacon(SAG)
    rig.advance(2 * HOUR_S)
    assert not rig.sent
    assert rig.state("old.1.1") is State.EXPIRED


def test_a_listener_without_a_callsign() -> None:
    rig = Rig(Setup(ports=(VHF,)))
    rig.hear_message(SAG, "hello all", to="QST")
    rig.hear_message(SAG, "hello", "1")
    rig.advance(100)
    assert len(rig.entries) > 2
    assert not rig.sent


# --- numbers ------------------------------------------------------------------------------------


def test_no_number_twice_to_one_addressee_in_a_day() -> None:
    """Two characters give 36 x 36 numbers (APRS 1.2c ch. 14: alphanumeric); after that come three,
    in the old form, since a reply-ack has room for two only."""
    rig = Rig(tuning=msgspec.structs.replace(STEADY, open_messages=5000))
    messages = [rig.send(SAG, lifetime_s=86400.0) for _ in range(36 * 36 + 10)]
    numbers = [rig.number(message) for message in messages]
    assert len(set(numbers)) == len(numbers)
    assert all(len(number) == 2 for number in numbers[: 36 * 36])
    assert all(len(number) == 3 for number in numbers[36 * 36 :])
    assert all(number.isalnum() and number.isascii() for number in numbers)
    for message in messages[: 36 * 36]:
        rig.cancel(message)
    rig.advance(10)
    assert rig.sent[-1].info == message_info(SAG, "Radio check", numbers[36 * 36])
    for message in messages[36 * 36 :]:
        rig.cancel(message)
    rig.advance(86400)
    assert len(rig.number(rig.send(SAG))) == 2


def test_an_overdue_message_ends_before_its_number_is_used_again() -> None:
    """Even if nobody ticked: two open messages under one number could not be told apart."""
    rig = Rig()
    old = rig.send(SAG, lifetime_s=86400.0)
    for _ in range(36 * 36 - 1):
        rig.cancel(rig.send(POST))
    rig.pass_time(86400.0)
    new = rig.send(SAG)
    assert rig.number(new) == rig.number(old)
    records = [r for r in rig.of(OutboundChanged) if r.number == rig.number(new) and r.to == SAG]
    assert [(r.message, r.state) for r in records[-3:]] == [
        (old, State.EXPIRED),
        (new, State.QUEUED),
        (new, State.SENDING),
    ]


def test_the_first_number_is_drawn() -> None:
    """A station that lost its log does not begin with the numbers that it used last time."""
    first = {(rig := Rig(seed=seed)).number(rig.send(SAG)) for seed in range(20)}
    assert len(first) > 15


def test_more_messages_than_numbers_can_be_remembered_are_refused() -> None:
    rig = Rig(tuning=msgspec.structs.replace(STEADY, numbers_memory=3))
    for _ in range(3):
        rig.cancel(rig.send(SAG))
    with pytest.raises(AssertionError, match="3 messages were taken within 24 hours"):
        rig.send(SAG)
    rig.advance(86400)
    rig.send(SAG)


# --- reply-acks ---------------------------------------------------------------------------------


def test_our_message_carries_the_latest_number() -> None:
    """APRS 1.2c ch. 14, New Message Number Format, steps 1 and 5: AA is the latest number from that
    station, put on at the instant of transmission; it may change between copies."""
    rig = Rig()
    rig.hear_message(SAG, "at the bridge", "12}")
    rig.advance(5)
    message = rig.send(SAG)
    number = rig.number(message)
    rig.advance(1)
    rig.hear_message(SAG, "still at the bridge", "13}")
    rig.advance(10)
    copies = [sent.info.rpartition("{")[2] for sent in rig.sent if "Radio check" in sent.info]
    assert copies == [f"{number}}}12", f"{number}}}13"]
    rig.cancel(message)
    rig.send(POST)
    rig.advance(2)
    assert rig.sent[-1].info.endswith("}")


def test_only_who_understands_reply_acks_gets_them() -> None:
    """The same: the '}' is what tells."""
    rig = Rig()
    rig.hear_message(SAG, "at the bridge", "12")
    rig.advance(5)
    rig.send(SAG)
    assert rig.sent[-1].info.endswith("}")


def test_an_old_number_rides_no_more() -> None:
    """'If no ACK is pending' AA is left out: after ten minutes nobody waits for it."""
    rig = Rig()
    rig.hear_message(SAG, "at the bridge", "12}")
    rig.advance(601)
    rig.send(SAG)
    assert rig.sent[-1].info.endswith("}")


def test_a_message_of_theirs_acknowledges_ours() -> None:
    """The same, step 2."""
    rig = Rig()
    message = rig.send(SAG)
    rig.hear_message(SAG, "on my way", f"12}}{rig.number(message)}")
    assert rig.state(message) is State.ACKNOWLEDGED


@pytest.mark.parametrize("number", ["123}", "1234}"])
def test_a_number_too_long_to_ride(number: str) -> None:
    """AA has two characters. A sender whose numbers are longer gets plain acks, and no older number
    of its rides in the place of the latest."""
    rig = Rig()
    rig.hear_message(SAG, "first", "12}")
    rig.hear_message(SAG, "second", number)
    assert rig.acks(SAG, number)
    rig.advance(5)
    message = rig.send(SAG)
    assert rig.sent[-1].info == message_info(SAG, "Radio check", f"{rig.number(message)}}}")


# --- against chance -----------------------------------------------------------------------------


@given(
    octets=st.binary(max_size=80),
    head=st.sampled_from([f":{US:9}:", f":{SAG:9}:", f"}}{POST}>APZ1,TCPIP,{RIDGE}*:", ""]),
    tail=st.sampled_from(["{1}", "{12}A1", "{1234}", "{12345", "ack1", ""]),
)
def test_nothing_off_the_air_raises(octets: bytes, head: str, tail: str) -> None:
    rig = Rig()
    rig.send(SAG)
    for source in (SAG, POST, US):
        info = (head.encode() + octets + tail.encode())[:256]
        rig.hear(ax25.encode(ax25.Frame(source, "APZ001", info=info)))
        rig.hear(octets)
    rig.advance(40)
    rig.send(POST)
    rig.advance(40)
    counts = rig.station.totals()
    assert counts.frames == 6
    assert counts.frames == (
        counts.malformed
        + counts.other_protocols
        + counts.own_heard
        + counts.copies
        + counts.reports
    )


def test_chance_comes_from_the_one_source_that_is_passed_in() -> None:
    """The same seed, the same station."""
    runs = []
    for _ in range(2):
        rig = Rig(tuning=Tuning(), seed=7)
        random.seed()
        rig.send(SAG)
        rig.advance(HOUR_S)
        runs.append(rig.entries)
    assert runs[0] == runs[1]
    assert only(OutboundChanged, [entry.record for entry in runs[0]])

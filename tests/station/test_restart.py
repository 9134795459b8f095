"""A station rebuilt from its log goes on as the one that wrote it.

Three kinds of start: the program alone (same boot, same monotonic clock), the machine with a wall
clock that can be trusted at both ends, and the machine without one.
"""

import copy
from collections.abc import Callable

import msgspec
import pytest

from ridgepost.station.asks import Cancel, Send
from ridgepost.station.records import BulletinHeard, OutboundChanged, Precedence, Received, State
from station.rig import MED, POST, SAG, SETUP, STEADY, US, Rig, gaps, other

Restart = Callable[[Rig, float], None]

SEND = Send(request="r1", to=SAG, text="Take one rider at the bridge")


def same_boot(rig: Rig, down_s: float) -> None:
    rig.pass_time(down_s)
    rig.restart()


def new_boot(rig: Rig, down_s: float) -> None:
    rig.pass_time(down_s)
    rig.restart(boot=f"boot {len(rig.boots) + 1}", mono_s=12.0)


def without_a_clock(rig: Rig, down_s: float) -> None:
    rig.pass_time(down_s)
    rig.wall_s, rig.wall_trusted = 5.0, False
    rig.restart(boot=f"boot {len(rig.boots) + 1}", mono_s=12.0)


RESTARTS = pytest.mark.parametrize("restart", [same_boot, new_boot, without_a_clock])
MEASURED = pytest.mark.parametrize("restart", [same_boot, new_boot])


@RESTARTS
def test_an_accepted_message_is_sent(restart: Restart) -> None:
    """Accepted means kept, with its name and its number."""
    rig = Rig(up=False)
    message = rig.send(SAG)
    number = rig.number(message)
    restart(rig, 20.0)
    assert rig.station.open_messages == 1
    rig.link(True)
    assert len(rig.sends(message)) == 1
    assert rig.sent[-1].info.endswith(f"{{{number}}}")
    rig.hear_ack(SAG, number)
    assert rig.state(message) is State.ACKNOWLEDGED


@MEASURED
def test_the_schedule_goes_on_where_it_was(restart: Restart) -> None:
    """8, 16, 32 s, and a restart in the second wait."""
    rig = Rig()
    message = rig.send(SAG)
    rig.advance(10)
    assert len(rig.sends(message)) == 2
    restart(rig, 5.0)
    rig.link(True)
    rig.advance(8.9)
    assert len(rig.sends(message)) == 2
    rig.advance(0.2)
    assert len(rig.sends(message)) == 3
    assert rig.changes(message)[-1].attempts == 3
    rig.advance(31.8)
    assert len(rig.sends(message)) == 3
    rig.advance(0.3)
    assert len(rig.sends(message)) == 4


@MEASURED
def test_due_while_it_was_down_is_sent_once(restart: Restart) -> None:
    rig = Rig()
    message = rig.send(SAG)
    rig.advance(10)
    restart(rig, 3000.0)
    rig.link(True)
    assert len(rig.sends(message)) == 3
    rig.advance(31.9)
    assert len(rig.sends(message)) == 3


def test_without_a_clock_nothing_is_sent_early() -> None:
    """The time off is unknown and counts as none: the whole wait that was left is waited for."""
    rig = Rig()
    message = rig.send(SAG)
    rig.advance(10)
    without_a_clock(rig, 3000.0)
    rig.link(True)
    rig.advance(15.9)  # the transmission at 8 s was the last thing logged
    assert len(rig.sends(message)) == 2
    rig.advance(0.2)
    assert len(rig.sends(message)) == 3


def test_without_a_clock_nothing_expires_for_it() -> None:
    """A clock that comes up in 1970, and one that comes up in 2030 but is not to be trusted."""
    for wall_s in (5.0, 1.9e9):
        rig = Rig()
        message = rig.send(SAG, lifetime_s=100.0)
        rig.advance(10)
        rig.wall_s, rig.wall_trusted = wall_s, False
        rig.restart(boot="boot 2", mono_s=3.0)
        assert rig.state(message) is State.SENDING
        rig.advance(91.9)
        assert rig.state(message) is State.SENDING
        rig.advance(0.2)
        assert rig.state(message) is State.EXPIRED


def test_without_a_clock_time_on_still_counts() -> None:
    """Switched off and on each hour: messages live two hours all the same, not for ever."""
    rig = Rig(wall_trusted=False)
    message = rig.send(SAG, lifetime_s=7200.0)
    for _ in range(2):
        for _ in range(6):
            rig.hear_beacon(POST)
            rig.advance(598)
        rig.hear_beacon(POST)
        assert not rig.state(message).settled
        without_a_clock(rig, 100.0)
    assert rig.state(message) is State.WAITING
    rig.advance(30)
    assert rig.state(message) is State.EXPIRED


@MEASURED
def test_over_while_it_was_down_expires_with_the_start(restart: Restart) -> None:
    rig = Rig()
    message = rig.send(SAG, lifetime_s=600.0)
    restart(rig, 601.0)
    rig.link(True)
    assert rig.state(message) is State.EXPIRED
    assert len(rig.sends(message)) == 1


def test_off_for_a_week_the_end_is_told_all_the_same() -> None:
    rig = Rig()
    message = rig.send(SAG)
    settled = rig.send(POST)
    rig.advance(5)
    rig.hear_ack(POST, rig.number(settled))
    new_boot(rig, 7 * 86400.0)
    assert rig.state(message) is State.EXPIRED
    assert rig.state(settled) is State.ACKNOWLEDGED
    assert len(rig.changes(message)) == 3


def test_a_wall_clock_jump_changes_nothing_while_it_runs() -> None:
    """NTP finds the network, or a person sets the clock wrong."""
    plain, jumpy = Rig(), Rig()
    for rig in (plain, jumpy):
        rig.send(SAG, lifetime_s=500.0)
        rig.hear_message(POST, "hello", "1")
        for step in range(60):
            rig.advance(10)
            rig.hear_message(POST, "hello", "1")
            if rig is jumpy:
                rig.wall_s += (-1) ** step * 1e7 * step
                rig.wall_trusted = step % 3 == 0
    assert [sent.at_s for sent in plain.sent] == [sent.at_s for sent in jumpy.sent]
    assert [e.record for e in plain.entries] == [e.record for e in jumpy.entries]


@RESTARTS
def test_waiting_goes_on_waiting(restart: Restart) -> None:
    rig = Rig()
    message = rig.send(SAG)
    rig.advance(1700)
    restart(rig, 70.0)
    rig.link(True)
    rig.advance(1000)
    assert (rig.state(message), len(rig.sends(message))) == (State.WAITING, 8)
    rig.hear_beacon(SAG)
    assert len(rig.sends(message)) == 9


def test_the_gap_between_tries_holds_over_a_restart() -> None:
    """`heard_retry_gap_s`."""
    rig = Rig()
    message = rig.send(SAG)
    rig.advance(1700)
    rig.hear_beacon(SAG)
    rig.pass_time(10)
    rig.restart()
    rig.link(True)
    rig.hear_beacon(SAG)
    assert len(rig.sends(message)) == 10  # its round goes on, one 8 s after the first
    rig.advance(15)
    assert len(rig.sends(message)) == 10
    rig.advance(2)
    assert len(rig.sends(message)) == 11


@RESTARTS
def test_settled_stays_settled(restart: Restart) -> None:
    rig = Rig()
    messages = [rig.send(other(number)) for number in range(4)]
    rig.advance(10)
    rig.hear_ack(other(0), rig.number(messages[0]))
    rig.hear_message(other(1), f"rej{rig.number(messages[1])}")
    rig.cancel(messages[2])
    ends = [State.ACKNOWLEDGED, State.REJECTED, State.CANCELLED, State.SENDING]
    before = [rig.sends(message) for message in messages[:3]]
    restart(rig, 3.0)
    rig.link(True)
    rig.advance(700)
    assert [rig.state(message) for message in messages] == ends
    assert [rig.sends(message) for message in messages[:3]] == before
    assert [rig.cancel(message).accepted for message in messages] == [False, False, False, True]
    assert rig.station.open_messages == 0


@RESTARTS
def test_order_and_precedence_survive(restart: Restart) -> None:
    rig = Rig(up=False)
    for number, precedence in enumerate(["ROUTINE", "WELFARE", "ROUTINE", "EMERGENCY"]):
        rig.send(SAG, f"to one {number}", Precedence(precedence))
        rig.send(other(number), "to others", Precedence(precedence))
    restart(rig, 5.0)
    rig.link(True)
    for _ in range(30):
        before = len(rig.sent)
        rig.advance(1)
        for sent in rig.sent[before:]:
            if sent.info.startswith(f":{SAG}"):
                rig.hear_ack(SAG, sent.info.rpartition("{")[2])
    infos = list(dict.fromkeys(sent.info for sent in rig.sent))
    assert [i[11:19] for i in infos if "to one" in i] == [f"to one {n}" for n in (3, 1, 0, 2)]
    assert [i[1:7] for i in infos if "to others" in i] == [other(n) for n in (3, 1, 0, 2)]


@RESTARTS
def test_numbers_are_not_used_again(restart: Restart) -> None:
    """Within a day, and the restart may fall anywhere."""
    rig = Rig(tuning=msgspec.structs.replace(STEADY, open_messages=5000))
    numbers = []
    for _ in range(20):
        for _ in range(10):
            message = rig.send(SAG)
            numbers.append(rig.number(message))
            rig.cancel(message)
        restart(rig, 600.0)
    assert len(set(numbers)) == 200


@MEASURED
def test_the_same_ask_has_the_same_answer(restart: Restart) -> None:
    rig = Rig()
    first = rig.ask(SEND)
    refused = rig.ask(msgspec.structs.replace(SEND, request="r2", to="nobody"))
    restart(rig, 20.0)
    assert rig.ask(SEND) == first
    assert rig.ask(msgspec.structs.replace(SEND, request="r2", to="nobody")) == refused
    assert len({change.message for change in rig.of(OutboundChanged)}) == 1


def test_a_mistaken_second_ask_does_not_take_the_place_of_the_first() -> None:
    """Its refusal is in the log under the same request id."""
    rig = Rig()
    first = rig.ask(SEND)
    mistaken = msgspec.structs.replace(SEND, text="Take two")
    refused = rig.ask(mistaken)
    rig.restart()
    assert rig.ask(SEND) == first
    assert rig.ask(mistaken) == refused


@RESTARTS
def test_shown_once(restart: Restart) -> None:
    """And the copy after the restart is acknowledged, 30 seconds after the ack before it."""
    rig = Rig()
    rig.hear_message(SAG, "hello", "12}07")
    rig.hear_message(SAG, "hello all", to="QST")
    restart(rig, 10.0)
    rig.link(True)
    rig.hear_message(SAG, "hello", "12}07")
    rig.hear_message(SAG, "hello all", to="QST")
    assert len(rig.acks(SAG, "12}07")) == 1
    rig.advance(40)
    assert len(rig.acks(SAG, "12}07")) == 2
    assert len(rig.of(Received)) == 2
    if restart is same_boot:
        assert gaps(rig.acks(SAG, "12}07")) == pytest.approx([30.0], abs=0.01)


def test_shown_once_however_long_it_takes() -> None:
    """A sender tries for hours (APRS 1.2c ch. 2: the net cycle time is 30 minutes at the most), and
    the station is restarted in the middle."""
    rig = Rig()
    for step in range(10):
        rig.hear_message(SAG, "hello", f"12}}{step}")
        rig.advance(1800)
        if step % 3 == 2:
            rig.restart()
            rig.link(True)
    assert len(rig.of(Received)) == 1


@MEASURED
def test_the_reply_ack_still_rides(restart: Restart) -> None:
    """APRS 1.2c ch. 14, New Message Number Format."""
    rig = Rig()
    rig.hear_message(SAG, "hello", "12}")
    restart(rig, 10.0)
    rig.link(True)
    rig.send(SAG)
    assert rig.sent[-1].info.endswith("}12")


def test_bulletins_are_told_once_even_after_days() -> None:
    """Announcements come 'perhaps for several days' (APRS 1.2c ch. 14)."""
    rig = Rig()
    rig.hear_message(SAG, "Road closed", to="BLNQ")
    new_boot(rig, 4 * 86400.0)
    rig.hear_message(SAG, "Road closed", to="BLNQ")
    assert len(rig.of(BulletinHeard)) == 1
    rig.hear_message(SAG, "Road open", to="BLNQ")
    assert len(rig.of(BulletinHeard)) == 2


def test_with_another_callsign_or_without_transmit() -> None:
    """The settings may change between two runs."""
    rig = Rig()
    message = rig.send(SAG)
    rig.setup = msgspec.structs.replace(SETUP, transmit=False)
    same_boot(rig, 1.0)
    rig.link(True)
    rig.advance(60)
    assert len(rig.sends(message)) == 1
    rig.setup = msgspec.structs.replace(SETUP, callsign="QZ1HUB-11")
    same_boot(rig, 1.0)
    rig.link(True)
    assert rig.sent[-1].frame.source == "QZ1HUB-11"
    rig.hear_message(SAG, f"ack{rig.number(message)}", to=US)
    assert rig.state(message) is State.SENDING
    rig.hear_message(SAG, f"ack{rig.number(message)}", to="QZ1HUB-11")
    assert rig.state(message) is State.ACKNOWLEDGED


def test_the_rebuilt_station_behaves_as_the_one_that_wrote_the_log() -> None:
    """Both are let run on with the same traffic: the same messages go out at the same times."""
    rig = Rig()
    for number in range(12):
        rig.send(
            other(number % 5), f"text {number}", Precedence("PRIORITY" if number % 4 else "ROUTINE")
        )
        rig.advance(7)
        if number % 3 == 0:
            rig.hear_ack(other(number % 5), rig.sent[-1].info.rpartition("{")[2])
        rig.hear_message(MED, "hello", "1}")
    rig.advance(100)
    twin = copy.deepcopy(rig)
    twin.restart()
    for each in (rig, twin):
        each.link(False)
        each.link(True)
        each.sent.clear()
        each.advance(300)
        each.hear_message(MED, "hello", "1}")
        each.advance(1800)
    assert len(rig.sent) > 10
    # To some seconds: how busy the channel was is not in the log.
    one, two = (sorted((sent.info, sent.at_s) for sent in each.sent) for each in (rig, twin))
    assert [info for info, _ in one] == [info for info, _ in two]
    assert [at_s for _, at_s in one] == pytest.approx([at_s for _, at_s in two], abs=10.0)


def test_cancel_of_a_message_of_an_earlier_run() -> None:
    rig = Rig()
    message = rig.send(SAG)
    rig.restart()
    assert rig.ask(Cancel(request="c1", message=message)).accepted
    assert rig.state(message) is State.CANCELLED

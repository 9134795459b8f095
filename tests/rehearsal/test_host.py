"""Our own station on the simulated channel: what its host must do, whatever it decides.

The expectations are the host's own contract and facts of the standard, not the station's numbers.
"""

import random

import pytest

from ridgepost.radio import ax25
from ridgepost.rehearsal.channel import Channel, RadioParameters, Received, Sent
from ridgepost.rehearsal.digipeater import Digipeater
from ridgepost.rehearsal.host import StationHost
from ridgepost.rehearsal.stations import Habits, PlainStation, RelayStation, fixed_schedule
from ridgepost.station.records import Entry, State

HUB, SAG, RIDGE = "QZ1HUB-10", "QZ1SAG", "QZ1RDG"


class Net:
    """Our hub and a plain car that hear only the ridge between them."""

    def __init__(self, *, hand_over_delay_s: float = 0.0, loss: float = 0.0) -> None:
        self.channel = Channel(random.Random(1), loss=loss)
        self.channel.add_node(HUB)
        self.channel.add_node(SAG)
        self.channel.add_node(RIDGE, RadioParameters(persistence=1.0))
        self.channel.hear_each_other([HUB, RIDGE])
        self.channel.hear_each_other([SAG, RIDGE])
        self.entries: list[Entry] = []
        self.hub = StationHost(
            self.channel,
            HUB,
            random.Random(2),
            hand_over_delay_s=hand_over_delay_s,
            on_entry=self.entries.append,
        )
        self.sag = PlainStation(
            self.channel, SAG, random.Random(3), Habits(retry_after_s=fixed_schedule(30.0, 9))
        )
        self.ridge = RelayStation(self.channel, Digipeater(RIDGE, generic=["WIDE1"]))

    def send_at(self, at_s: float, text: str) -> None:
        self.channel.schedule(at_s, lambda: self.hub.ask(self.hub.send(SAG, text)))


def test_a_message_goes_out_and_its_acknowledgement_comes_in() -> None:
    net = Net()
    net.hub.start()
    net.send_at(10.0, "Road is open")
    net.channel.advance(60.0)
    (message,) = net.hub.account.outgoing.values()
    assert (message.asked_s, message.to, message.text) == (10.0, SAG, "Road is open")
    assert message.state is State.ACKNOWLEDGED
    assert message.attempts == 1
    assert message.sent_s == [10.0]
    # Message, repeat, ack and repeat take at least 2 s on air at 1200 bit/s.
    assert message.to_ack_s is not None
    assert 2.0 < message.to_ack_s < 10.0
    assert [shown.text for shown in net.sag.account.shown] == ["Road is open"]
    assert net.entries == net.hub.log


def test_what_the_plain_station_sends_is_shown_and_acknowledged() -> None:
    net = Net()
    net.hub.start()
    net.sag.send_at(5.0, HUB, "At the bridge")
    net.channel.advance(60.0)
    (shown,) = net.hub.account.shown
    assert (shown.source, shown.text) == (SAG, "At the bridge")
    assert len(net.sag.account.acked) == 1
    assert net.hub.account.acks_sent >= 1


def test_log_entries_are_numbered_without_gaps_across_runs() -> None:
    net = Net()
    net.hub.start()
    net.send_at(10.0, "One")
    net.channel.schedule(20.0, net.hub.kill)
    net.channel.schedule(30.0, net.hub.start)
    net.send_at(40.0, "Two")
    net.channel.advance(90.0)
    assert [entry.seq for entry in net.hub.log] == list(range(1, len(net.hub.log) + 1))
    assert {entry.run for entry in net.hub.log} == {1, 2}
    assert net.hub.account.runs == 2


def test_a_message_survives_a_kill_before_it_was_acknowledged() -> None:
    net = Net()
    net.channel.switch_off(SAG, 0.0)
    net.channel.switch_on(SAG, 60.0)
    net.hub.start()
    net.send_at(10.0, "Road is open")
    net.hub.kill_between(11.0, 50.0)
    net.channel.advance(12.0)
    assert not net.hub.running
    net.channel.advance(1800.0)
    (message,) = net.hub.account.outgoing.values()
    assert message.state is State.ACKNOWLEDGED
    assert [shown.text for shown in net.sag.account.shown] == ["Road is open"]


def test_a_killed_station_hears_and_answers_nothing() -> None:
    net = Net()
    net.hub.start()
    net.channel.schedule(1.0, net.hub.kill)
    net.sag.send_at(5.0, HUB, "Anybody there?")
    net.channel.schedule(6.0, lambda: answers.append(net.hub.ask(net.hub.send(SAG, "No"))))
    answers: list[object] = []
    net.channel.advance(100.0)
    assert net.hub.account.shown == []
    assert net.hub.account.frames_sent == []
    assert answers == [None]


@pytest.mark.parametrize("steps", range(6))
def test_a_death_between_any_two_steps_loses_no_accepted_message(steps: int) -> None:
    """Accepted is what was answered; unanswered may have been taken or not, and asking again with
    the same request id makes it one message."""
    net = Net()
    net.hub.start()
    ask = net.hub.send(SAG, "Road is open")

    def first() -> None:
        net.hub.fuse = steps
        net.hub.ask(ask)

    net.channel.schedule(10.0, first)

    def again() -> None:
        if net.hub.running:
            net.hub.kill()
        net.hub.start()
        answer = net.hub.ask(ask)
        assert answer is not None
        assert answer.accepted

    net.channel.schedule(20.0, again)
    net.channel.advance(1800.0)
    assert len(net.hub.account.outgoing) == 1
    assert len(net.hub.account.acked) == 1
    assert len(net.sag.account.shown) == 1


def test_the_fuse_stops_between_commit_and_transmission() -> None:
    net = Net()
    net.hub.start()
    net.hub.fuse = 1
    assert net.hub.ask(net.hub.send(SAG, "Road is open")) is None
    assert not net.hub.running
    assert net.hub.account.frames_sent == []
    assert len(net.hub.account.outgoing) == 1


def test_a_power_cut_takes_back_what_nobody_relies_on() -> None:
    net = Net()
    net.hub.start()
    net.send_at(10.0, "Road is open")
    net.channel.advance(12.0)
    before = list(net.hub.log)
    net.hub.kill(power_cut=True)
    assert net.hub.account.entries_lost == len(before) - len(net.hub.log) > 0
    assert net.hub.log == before[: len(net.hub.log)]
    assert any(
        getattr(entry.record, "state", None) is State.QUEUED for entry in net.hub.log
    )  # the acceptance is on the disk
    net.channel.advance(13.0)
    assert not net.channel.is_on(HUB)
    net.channel.schedule(20.0, net.hub.start)
    net.channel.advance(1800.0)
    assert net.channel.is_on(HUB)
    assert len(net.hub.account.acked) == 1


def test_a_slow_tnc_transmits_later_than_the_host_thinks() -> None:
    net = Net(hand_over_delay_s=4.0)
    net.hub.start()
    net.send_at(10.0, "Road is open")
    happenings = net.channel.advance(30.0)
    (handed_over_s, octets), *_ = net.hub.account.frames_sent
    assert handed_over_s == 10.0
    sent = next(h for h in happenings if isinstance(h, Sent) and h.node == HUB)
    assert sent.octets == octets
    assert sent.started_s >= 14.0


def test_nothing_goes_out_of_an_unplugged_host_and_all_of_it_later() -> None:
    net = Net()
    net.hub.start()
    net.channel.schedule(5.0, net.hub.unplug)
    net.send_at(10.0, "Road is open")
    net.channel.schedule(300.0, net.hub.plug_in)
    before = net.channel.advance(299.0)
    assert not any(isinstance(h, Sent) for h in before)
    net.channel.advance(600.0)
    assert len(net.hub.account.acked) == 1


def test_wake_ups_do_not_pile_up() -> None:
    """Each frame heard opens a window that is to be closed; one wake-up at a time is enough."""
    net = Net()
    net.hub.start()
    for number in range(500):
        frame = ax25.from_monitor(f"QZ1BCN>APZ001:>Status {number}")
        net.channel.transmit(RIDGE, ax25.encode(frame), 1.0 + number)
    happenings = net.channel.advance(600.0)
    heard = sum(isinstance(h, Received) and h.node == HUB for h in happenings)
    assert heard == net.hub.account.frames_heard == 500
    assert net.hub.account.wake_ups <= heard + 5
    next_s = net.channel.next_event_s()
    assert next_s is None or next_s > 600.0


def test_the_same_seeds_give_the_same_log() -> None:
    def played() -> list[Entry]:
        net = Net(loss=0.3)
        net.hub.start()
        for number in range(10):
            net.send_at(10.0 + 40.0 * number, f"Message {number}")
        net.channel.advance(900.0)
        return net.hub.log

    assert played() == played()


def test_starting_twice_is_a_mistake() -> None:
    net = Net()
    net.hub.start()
    with pytest.raises(RuntimeError):
        net.hub.start()
    net.hub.stop()
    with pytest.raises(RuntimeError):
        _ = net.hub.station

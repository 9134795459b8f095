"""Scripted stations against the standard's rules for messages, acknowledgements and beacons."""

import itertools
import random
from collections.abc import Sequence

import pytest

from ridgepost import aprs
from ridgepost.radio import ax25
from ridgepost.rehearsal.channel import Channel, Happening, RadioParameters, Sent
from ridgepost.rehearsal.digipeater import Digipeater, Silence
from ridgepost.rehearsal.stations import (
    Beacons,
    Habits,
    PlainStation,
    RelayStation,
    Waypoint,
    doubling_schedule,
    fix_at,
    fixed_schedule,
)

HUB, SAG, RIDGE = "QZ1HUB-10", "QZ1SAG", "QZ1RDG"
AT_REST = [Waypoint(0.0, 61.5, -149.0)]


class Net:
    """A hub and a car that hear only the ridge between them, unless `direct`."""

    def __init__(
        self,
        *,
        hub: Habits | None = None,
        sag: Habits | None = None,
        direct: bool = False,
        loss: float = 0.0,
        seed: int = 1,
    ) -> None:
        self.channel = Channel(random.Random(seed), loss=loss)
        self.channel.add_node(HUB)
        self.channel.add_node(SAG)
        self.channel.add_node(RIDGE, RadioParameters(persistence=1.0))
        for end in (HUB, SAG):
            self.channel.hear_each_other([end, RIDGE])
        if direct:
            self.channel.hear_each_other([HUB, SAG])
        self.hub = PlainStation(self.channel, HUB, random.Random(2), hub)
        self.sag = PlainStation(self.channel, SAG, random.Random(3), sag)
        self.ridge = RelayStation(self.channel, Digipeater(RIDGE, generic=["WIDE1"]))

    def deafen(self, receiver: str) -> None:
        self.channel.unhear(receiver, RIDGE)


def frames_of(node: str, happenings: Sequence[Happening]) -> list[tuple[float, ax25.Frame]]:
    """What a node transmitted, and when its carrier came on."""
    return [
        (h.started_s, ax25.decode(h.octets))
        for h in happenings
        if isinstance(h, Sent) and h.node == node
    ]


def transmit(net: Net, node: str, text: str, at_s: float) -> None:
    """Put a frame given as monitor text on the air."""
    net.channel.transmit(node, ax25.encode(ax25.from_monitor(text)), at_s)


# --- messages -----------------------------------------------------------------------------------


def test_a_message_and_its_acknowledgement_go_over_the_digipeater() -> None:
    net = Net()
    net.sag.send_at(10.0, HUB, "At the bridge, road is open")
    happenings = net.channel.advance(60.0)
    (outgoing,) = net.sag.account.acked
    assert outgoing.attempts == 1
    assert outgoing.acked_s is not None
    assert 10.0 < outgoing.acked_s < 20.0
    (shown,) = net.hub.account.shown
    assert (shown.source, shown.text) == (SAG, "At the bridge, road is open")
    assert shown.message_id == outgoing.message_id
    assert net.hub.account.acks_sent == 1
    assert net.ridge.repeated == 2
    # Source: APRS 1.2c ch. 14: :addressee:ack and the number of the message.
    assert [frame.info for _, frame in frames_of(HUB, happenings)] == [
        b":QZ1SAG   :ack" + outgoing.message_id.encode()
    ]


def test_a_message_is_shown_once_however_many_copies_come() -> None:
    # APRS 1.2c ch. 14: the sender repeats until it has the acknowledgement. Here none comes: the
    # car hears nothing.
    net = Net(sag=Habits(retry_after_s=fixed_schedule(40.0, 3)))
    net.deafen(SAG)
    net.sag.send_at(5.0, HUB, "Anybody there?")
    net.channel.advance(400.0)
    (outgoing,) = net.sag.account.outgoing
    assert (outgoing.attempts, outgoing.given_up, outgoing.settled) == (4, True, False)
    assert len(net.hub.account.shown) == 1
    assert net.hub.account.copies == 3
    assert net.hub.account.acks_sent == 4  # one for each copy


def test_identical_acknowledgements_are_30_s_apart() -> None:
    # Source: APRS 1.2c ch. 14, Multiple Acknowledgements.
    net = Net(hub=Habits(path=()), sag=Habits(path=(), retry_after_s=(8.0, 8.0, 8.0, 8.0)),
              direct=True)  # fmt: skip
    net.channel.unhear(SAG, HUB)
    net.sag.send_at(0.0, HUB, "Anybody there?")
    happenings = net.channel.advance(200.0)
    acks_s = [at_s for at_s, _ in frames_of(HUB, happenings)]
    assert net.hub.account.copies == 4  # heard at about 0, 8, 16, 24 and 32 s
    # At once, after 30 s for the three copies in between, after 60 s for the last. Hand-overs are
    # 30 s apart; access to the channel adds some slots of 100 ms to each.
    assert acks_s == [pytest.approx(at_s, abs=2.0) for at_s in (1.0, 31.0, 61.0)]


def test_the_repeat_of_a_message_that_was_heard_is_not_answered_again() -> None:
    net = Net(direct=True)
    net.sag.send_at(0.0, HUB, "Hello")
    net.channel.advance(120.0)
    assert net.hub.account.copies == 1  # direct, and from the ridge
    assert net.hub.account.acks_sent == 1


@pytest.mark.parametrize(
    ("schedule", "attempts_s"),
    [
        (fixed_schedule(30.0, 5), [0, 30, 60, 90, 120, 150]),
        # Source: APRS 1.2c ch. 2: intervals that double.
        (doubling_schedule(8.0, 5), [0, 8, 24, 56, 120, 248]),
    ],
)
def test_retry_schedules(schedule: tuple[float, ...], attempts_s: list[float]) -> None:
    net = Net(sag=Habits(retry_after_s=schedule))
    net.deafen(SAG)
    net.sag.send_at(0.0, HUB, "Anybody there?")
    happenings = net.channel.advance(900.0)
    started_s = [at_s for at_s, _ in frames_of(SAG, happenings)]
    # Hand-over to key-up takes some slots of 100 ms; the ridge's repeat may be in the way.
    assert started_s == [pytest.approx(at_s, abs=4.0) for at_s in attempts_s]


def test_a_rejection_ends_the_retries() -> None:
    # Source: APRS 1.2c ch. 14, Message Rejection.
    net = Net()
    net.channel.unhear(HUB, RIDGE)  # the hub hears nothing, so that its own answer is not in play
    net.sag.send_at(0.0, HUB, "Can you take this?")
    net.channel.advance(5.0)
    (outgoing,) = net.sag.account.outgoing
    transmit(net, HUB, f"{HUB}>APZ001,WIDE1-1::QZ1SAG   :rej{outgoing.message_id}", 6.0)
    net.channel.advance(300.0)
    assert outgoing.rejected_s is not None
    assert (outgoing.attempts, outgoing.acked_s) == (1, None)


def test_an_acknowledgement_from_somebody_else_settles_nothing() -> None:
    net = Net()
    net.channel.unhear(HUB, RIDGE)
    net.sag.send_at(0.0, HUB, "Hello")
    net.channel.advance(5.0)
    (outgoing,) = net.sag.account.outgoing
    transmit(net, HUB, f"QZ9XYZ>APZ001,WIDE1-1::QZ1SAG   :ack{outgoing.message_id}", 6.0)
    transmit(net, HUB, f"{HUB}>APZ001,WIDE1-1::QZ1SAG-1 :ack{outgoing.message_id}", 9.0)
    net.channel.advance(15.0)
    assert not outgoing.settled


def test_an_acknowledgement_may_come_after_the_last_retry() -> None:
    net = Net(sag=Habits(retry_after_s=(8.0,)))
    net.channel.unhear(HUB, RIDGE)
    net.sag.send_at(0.0, HUB, "Hello")
    net.channel.advance(60.0)
    (outgoing,) = net.sag.account.outgoing
    assert outgoing.given_up
    transmit(net, HUB, f"{HUB}>APZ001,WIDE1-1::QZ1SAG   :ack{outgoing.message_id}", 61.0)
    net.channel.advance(90.0)
    assert net.sag.account.acked == [outgoing]


def test_the_whole_number_field_is_echoed() -> None:
    # Source: APRS 1.2c ch. 14, New Message Number Format, step 4: {12}07 is answered ack12}07.
    net = Net()
    transmit(net, HUB, f"{HUB}>APZ001,WIDE1-1::QZ1SAG   :Hello{{12}}07", 0.0)
    happenings = net.channel.advance(20.0)
    assert [frame.info for _, frame in frames_of(SAG, happenings)] == [b":QZ1HUB-10:ack12}07"]


@pytest.mark.parametrize(
    ("info", "shown", "bulletins"),
    [
        (":QZ1SAG   :no number, no answer", 1, 0),
        (":ALL      :for all{12", 1, 0),  # ch. 14, Message Groups: read, not acknowledged
        (":QZ1SAG-1 :for another{12", 0, 0),
        (":BLN1     :water at post 3", 0, 1),
        (":BLNA     :starts at 9", 0, 1),
        (":BLN2RACE :wave 2 starts", 0, 1),
        (":QZ1SAG   :ack77", 0, 0),
        (":QZ1SAG   :?APRSP", 0, 0),
        (">status", 0, 0),
        ("=6129.61N/14910.26Wv", 0, 0),
    ],
)
def test_what_is_shown_and_never_acknowledged(info: str, shown: int, bulletins: int) -> None:
    net = Net()
    for at_s in (0.0, 60.0):
        transmit(net, HUB, f"{HUB}>APZ001,WIDE1-1:{info}", at_s)
    net.channel.advance(100.0)
    account = net.sag.account
    # A message without a number that comes again after the window is a new one.
    assert len(account.shown) == shown * (1 if "{" in info else 2)
    assert len(account.bulletins) == bulletins
    assert account.acks_sent == 0
    assert account.frames_received == 2


def test_a_station_may_read_and_never_acknowledge() -> None:
    net = Net(sag=Habits(acknowledges=False))
    net.hub.send_at(0.0, SAG, "Where are you?")
    net.channel.advance(300.0)
    assert len(net.sag.account.shown) == 1
    assert net.sag.account.acks_sent == 0
    (outgoing,) = net.hub.account.outgoing
    assert (outgoing.given_up, outgoing.acked_s) == (True, None)


def test_noise_octets_are_counted_and_do_no_harm() -> None:
    net = Net()
    rng = random.Random(9)
    for number in range(200):
        net.channel.transmit(HUB, rng.randbytes(rng.randint(1, 80)), 5.0 * number)
    net.channel.advance(1100.0)
    assert net.ridge.unreadable > 150
    assert net.ridge.unreadable + sum(net.ridge.silent.values()) + net.ridge.repeated == 200


# --- off the air --------------------------------------------------------------------------------


def test_off_the_air_and_back() -> None:
    net = Net(hub=Habits(retry_after_s=fixed_schedule(30.0, 5)))
    net.sag.beacon(
        Beacons(first_s=5.0, interval_s=20.0, symbol_code="v"), [Waypoint(0, 61.5, -149)]
    )
    net.sag.off_between(60.0, 150.0)
    net.hub.send_at(70.0, SAG, "Can you hear me?")
    net.sag.send_at(80.0, HUB, "Back from the valley")
    happenings = net.channel.advance(149.0)
    assert [at_s for at_s, _ in frames_of(SAG, happenings) if at_s > 60.0] == []
    assert net.sag.account.shown == []
    net.channel.advance(400.0)
    (outgoing,) = net.sag.account.outgoing
    assert outgoing.asked_s == 80.0
    assert outgoing.acked_s is not None
    assert 150.0 < outgoing.acked_s < 170.0
    assert [shown.text for shown in net.sag.account.shown] == ["Can you hear me?"]
    assert len(net.hub.account.acked) == 1


# --- beacons ------------------------------------------------------------------------------------


def test_a_station_on_its_way() -> None:
    # By arithmetic: 61.5 N to 61.6 N is 6 nautical miles; in 30 minutes 12 knots, course north.
    # From 149.2 W to 149.0 W at 61.6 N it is 0.2 deg * 60 * cos 61.6 = 5.7 nm to the east.
    route = [Waypoint(0, 61.5, -149.2), Waypoint(1800, 61.6, -149.2), Waypoint(3600, 61.6, -149.0)]
    halfway = fix_at(route, 900.0)
    assert (halfway.latitude_deg, halfway.longitude_deg) == pytest.approx((61.55, -149.2))
    assert (halfway.course_deg, halfway.speed_knots) == pytest.approx((0.0, 12.0))
    east = fix_at(route, 2700.0)
    assert (east.latitude_deg, east.longitude_deg) == pytest.approx((61.6, -149.1))
    assert (east.course_deg, east.speed_knots) == pytest.approx((90.0, 11.4), abs=0.05)
    assert fix_at(route, 9999.0).speed_knots == 0.0
    assert fix_at(route[1:], 0.0).latitude_deg == 61.6
    with pytest.raises(ValueError, match="waypoints"):
        fix_at([], 0.0)


def test_beacons_follow_the_route() -> None:
    net = Net()
    route = [Waypoint(0, 61.5, -149.2), Waypoint(1800, 61.6, -149.2)]
    beacons = Beacons(first_s=60.0, interval_s=120.0, jitter_s=10.0, symbol_code="v", comment="Car")
    net.sag.beacon(beacons, route)
    happenings = net.channel.advance(1800.0)
    sent = frames_of(SAG, happenings)
    assert net.sag.account.beacons == len(sent)
    gaps_s = [later - earlier for (earlier, _), (later, _) in itertools.pairwise(sent)]
    assert all(105.0 < gap_s < 135.0 for gap_s in gaps_s)
    assert len({round(gap_s, 1) for gap_s in gaps_s}) > 5
    for at_s, frame in sent:
        report = aprs.decode(frame.info, frame.source, frame.destination)
        assert isinstance(report, aprs.Position)
        # A hundredth of a minute is 0.00017 degrees; a second of the way 0.00006.
        assert report.place.latitude_deg == pytest.approx(
            fix_at(route, at_s).latitude_deg, abs=0.0004
        )
        assert (report.place.symbol_table, report.place.symbol_code) == ("/", "v")
        # Source: APRS 1.2c ch. 7: north is 360, 000 means unknown.
        assert frame.info.endswith(b"v360/012Car")


def test_a_beacon_at_rest_has_no_course() -> None:
    net = Net()
    net.sag.beacon(
        Beacons(first_s=1.0, interval_s=60.0, symbol_code="-"), [Waypoint(0, 61.5, -149)]
    )
    (_, frame), *_ = frames_of(SAG, net.channel.advance(50.0))
    # Source: APRS 1.2c ch. 8: =DDMM.hhN/DDDMM.hhW and the symbol code.
    assert frame.info == b"=6130.00N/14900.00W-"


def test_status() -> None:
    net = Net()
    net.sag.status_at(5.0, "Post 3 open")
    ((_, frame),) = frames_of(SAG, net.channel.advance(50.0))
    assert frame.info == b">Post 3 open"  # APRS 1.2c ch. 16


# --- the digipeater on the channel --------------------------------------------------------------


def test_the_digipeater_repeats_at_once_and_keeps_its_books() -> None:
    net = Net(sag=Habits(retry_after_s=(8.0,)))
    net.deafen(SAG)
    net.channel.unhear(HUB, RIDGE)
    net.sag.send_at(0.0, HUB, "Hello")  # again after 8 s, inside the duplicate window
    happenings = net.channel.advance(60.0)
    first = next(h for h in happenings if isinstance(h, Sent) and h.node == SAG)
    ((repeat_s, repeat),) = frames_of(RIDGE, happenings)
    assert repeat_s == first.ended_s
    assert ax25.to_monitor(repeat).startswith("QZ1SAG>APZ001,QZ1RDG*,WIDE2-1:")
    assert net.ridge.silent == {Silence.DUPLICATE: 1}


# --- under load ---------------------------------------------------------------------------------


def test_a_fixed_schedule_under_load_agrees_with_an_independent_model() -> None:
    # Source: figures of another discrete-event model, written independently before this one and
    # thrown away: 20 stations, half of the pairs hidden, the pair hidden from each other, beacons
    # of 0.85 s to 30 % offered load, 5 % random loss, a message of 67 characters each 90 s, one at
    # a time, 30 s between transmissions, 5 retries. It found 95.7 % acknowledged, 2.20
    # transmissions and 5.72 s on the air for each delivered message, repeats and acks included.
    rng = random.Random(6)
    channel = Channel(rng, loss=0.05)
    names = [f"QZ1S{number:02}" for number in range(20)]
    for name in names:
        channel.add_node(name)
    channel.add_node(RIDGE, RadioParameters(persistence=1.0))
    sender, addressee = names[:2]
    for number, name in enumerate(names):
        channel.hear_each_other([name, RIDGE])
        for other in names[:number]:
            if {name, other} != {sender, addressee} and rng.random() < 0.5:
                channel.hear_each_other([name, other])
    RelayStation(channel, Digipeater(RIDGE, generic=["WIDE1"]))
    habits = Habits(retry_after_s=fixed_schedule(30.0, 5))
    sending = PlainStation(channel, sender, random.Random(1), habits)
    receiving = PlainStation(channel, addressee, random.Random(2), habits)
    hours, waiting = 8, 0

    def beacon() -> None:
        info = b"!4903.50N/07201.75W>088/036%020d" % round(channel.now_s * 1000)
        frame = ax25.Frame(rng.choice(names), "APZ001", ("WIDE1-1", "WIDE2-1"), info=info)
        channel.transmit(frame.source, ax25.encode(frame), channel.now_s)
        channel.schedule(channel.now_s + rng.expovariate(0.176), beacon)

    def arrive() -> None:
        nonlocal waiting
        waiting += 1
        channel.schedule(channel.now_s + rng.expovariate(1 / 90), arrive)

    def send_next() -> None:
        nonlocal waiting
        outgoing = sending.account.outgoing
        if waiting and (not outgoing or outgoing[-1].settled or outgoing[-1].given_up):
            waiting -= 1
            sending.send_at(channel.now_s, addressee, f"{len(outgoing)} ".ljust(67, "x"))
        channel.schedule(channel.now_s + 2.0, send_next)

    for start in (beacon, arrive, send_next):
        channel.schedule(0.0, start)
    air_s = 0.0
    for hour in range(hours):
        for h in channel.advance(3600.0 * (hour + 1)):
            if isinstance(h, Sent) and ax25.decode(h.octets).info.startswith(b":"):
                air_s += h.ended_s - h.started_s
    outgoing = sending.account.outgoing
    assert len(outgoing) > 250
    assert len(sending.account.acked) / len(outgoing) == pytest.approx(0.957, abs=0.03)
    attempts = sum(message.attempts for message in outgoing) / len(outgoing)
    assert attempts == pytest.approx(2.20, abs=0.2)
    assert air_s / len(receiving.account.shown) == pytest.approx(5.72, abs=0.4)

"""Floods: whatever the air and the bus throw at it, the station's memory stays bounded.

Sizes are read from inside, because that is what they are about.
"""

import msgspec

from ridgepost.radio import ax25
from ridgepost.station.asks import Cancel, Send
from ridgepost.station.board import LINES_KEPT
from ridgepost.station.effects import Transmit
from ridgepost.station.records import BulletinHeard, Precedence, Received
from ridgepost.station.station import Station
from ridgepost.station.traffic.outbound import SETTLED_KEPT
from ridgepost.station.traffic.reply_acks import STATIONS_KEPT
from station.rig import SAG, STEADY, US, Rig, message_info, other


def callsign(number: int) -> str:
    """One of 16 million: QAAAAA to QPPPPP, SSID 0 to 15."""
    letters = "".join(chr(65 + (number >> shift & 15)) for shift in (20, 16, 12, 8, 4))
    return f"Q{letters}-{number & 15}" if number & 15 else f"Q{letters}"


def frame(source: str, info: str) -> bytes:
    return ax25.encode(ax25.Frame(source, "APZ001", info=info.encode()))


class Quiet(Rig):
    """Keeps no log, so that only the station's own memory is there to grow."""

    def flood(self, source: str, info: str, wait_s: float = 0.05) -> None:
        self.pass_time(wait_s)
        self.station.hear("vhf", 0, frame(source, info), self.now)


def sizes(station: Station) -> dict[str, int]:
    """All that a station keeps."""
    inbound, outbound = station._inbound, station._outbound
    return {
        "recent frames": len(station._duplicates),
        "stations": len(station._heard),
        "known": len(inbound._known),
        "latest": len(inbound._latest),
        "acks": len(inbound._acks),
        "acks due": len(inbound._due),
        "acks due, with dead ones": len(inbound._due._heap),
        "reply-acks": len(station._reply_acks),
        "bulletins": len(station._board),
        "answers": len(station._desk),
        "open": len(outbound._messages),
        "settled": len(outbound._settled),
        "by number": len(outbound._by_number),
        "addressees": len(outbound._addressees),
        "numbers": len(outbound._numbers._used),
        "expiries, with dead ones": len(outbound._expiries._heap),
        "timed, with dead ones": len(outbound._timed._heap),
    }


def test_a_hundred_thousand_callsigns() -> None:
    """Each sends us two messages and a bulletin; 20 frames a second, which is more than 9600 baud
    carries."""
    rig = Quiet()
    for number in range(100_000):
        source = callsign(number)
        match number % 3:
            case 0:
                rig.flood(source, message_info(US, "hello", f"{number % 90 + 10}}}"))
            case 1:
                rig.flood(source, message_info("BLN1", "spam"))
            case _:
                rig.flood(source, message_info("QST", "hello all"))
    found = sizes(rig.station)
    assert found["recent frames"] <= 30 / 0.05 + 1
    assert found["stations"] == STEADY.heard_stations
    assert found["known"] == STEADY.inbound_memory
    assert found["latest"] <= STEADY.inbound_memory
    assert found["acks"] == STEADY.inbound_memory
    assert found["reply-acks"] == STATIONS_KEPT
    assert found["bulletins"] == LINES_KEPT
    assert found["open"] == found["addressees"] == 0
    counts = rig.station.totals()
    assert counts.frames == counts.reports == 100_000
    assert counts.messages_in > 60_000


def test_a_burst_within_the_duplicate_window() -> None:
    """More different frames at once than are remembered; the ones that went count as closed."""
    rig = Quiet()
    for number in range(10_000):
        rig.flood(callsign(number), ">spam", 0.0)
        rig.flood(callsign(number), ">spam", 0.0)
    assert sizes(rig.station)["recent frames"] == STEADY.recent_frames
    assert rig.station.totals().copies == 10_000


def test_acknowledgements_that_wait_are_bounded() -> None:
    """Copies from more senders than are remembered, all within the 30 seconds."""
    tuning = msgspec.structs.replace(STEADY, inbound_memory=50, ack_debt_s=1e9)
    rig = Quiet(tuning=tuning)
    for _ in range(2):
        for number in range(40):
            rig.flood(callsign(number), message_info(US, "hello", "1"), 0.0)
    assert sizes(rig.station)["acks due"] == 40
    for number in range(1000):
        rig.flood(callsign(1000 + number), message_info(US, "hello", "1"), 0.0)
        rig.flood(callsign(1000 + number), message_info(US, "hello", "1"), 0.0)
    found = sizes(rig.station)
    assert found["acks"] == found["acks due"] == found["latest"] == 50
    assert found["acks due, with dead ones"] <= 2 * 50 + 64
    rig.pass_time(30.0)
    sent = [each for each in rig.station.tick(rig.now) if isinstance(each, Transmit)]
    assert len(sent) == 50
    assert rig.station.next_wakeup_s() is None


def test_ten_thousand_asks() -> None:
    """Each accepted and cancelled at once, and as many that are refused."""
    rig = Rig(up=False, tuning=msgspec.structs.replace(STEADY, numbers_memory=6000))
    for number in range(5000):
        answer = rig.ask(
            Send(request=f"s{number}", to=other(number), text="spam", lifetime_s=86400.0)
        )
        assert answer.accepted
        rig.ask(Send(request=f"r{number}", to="nobody", text="spam"))
        assert rig.ask(Cancel(request=f"c{number}", message=answer.message)).accepted
    found = sizes(rig.station)
    assert found["answers"] == STEADY.ask_memory
    assert found["settled"] == SETTLED_KEPT
    assert found["by number"] == SETTLED_KEPT
    assert found["open"] == found["addressees"] == 0
    assert found["numbers"] == 5000
    assert found["expiries, with dead ones"] <= 64
    assert found["timed, with dead ones"] <= 64
    counts = rig.station.totals()
    assert (counts.asks_accepted, counts.asks_refused) == (10_000, 5000)


def test_a_full_queue() -> None:
    rig = Rig(up=False)
    answers = [
        rig.ask(Send(request=f"s{number}", to=other(number % 10), text="spam"))
        for number in range(2000)
    ]
    routine = round(STEADY.open_messages * (1 - STEADY.kept_for_urgent))
    assert sum(answer.accepted for answer in answers) == routine
    urgent = [
        rig.ask(
            Send(
                request=f"e{number}",
                to=other(number % 10),
                text="help",
                precedence=Precedence.EMERGENCY,
            )
        )
        for number in range(STEADY.open_messages)
    ]
    assert sum(answer.accepted for answer in urgent) == STEADY.open_messages - routine
    found = sizes(rig.station)
    assert found["open"] == STEADY.open_messages
    assert found["addressees"] == 10
    rig.advance(STEADY.message_lifetime_s)
    assert sizes(rig.station)["open"] == 0
    assert rig.station.next_wakeup_s() is None


def test_one_addressee_heard_on_two_ports_in_turn() -> None:
    """Each time its message moves to the other port's queue, and leaves nothing behind."""
    rig = Rig()
    rig.send(SAG)
    for number in range(2000):
        rig.hear_beacon(SAG)
        if number % 10 == 0:
            rig.hear_ack(SAG, "zz")
    found = sizes(rig.station)
    assert found["timed, with dead ones"] <= 66
    assert found["stations"] == 1


def test_bulletins_that_change_with_each_frame() -> None:
    rig = Rig()
    for number in range(1000):
        rig.hear_message(SAG, f"spam {number}", to="BLN1")
    assert sizes(rig.station)["bulletins"] == 1
    assert len(rig.of(BulletinHeard)) == 1000


def test_a_word_to_everyone_is_remembered_as_any_other() -> None:
    rig = Quiet()
    for number in range(10_000):
        rig.flood(SAG, message_info("QST", f"spam {number}"), 1.0)
    assert sizes(rig.station)["known"] == STEADY.inbound_memory
    assert not rig.of(Received)  # this rig keeps no log

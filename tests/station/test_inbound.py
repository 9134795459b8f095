"""Incoming messages over virtual time: what is shown, and what is acknowledged when."""

import msgspec
import pytest

from ridgepost.station.records import AckSent, BulletinHeard, Received
from ridgepost.station.setup import Setup
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
    other,
)

BOTH = msgspec.structs.replace(SETUP, ports=(VHF, UHF))


# --- the acknowledgement ------------------------------------------------------------------------


def test_the_ack_is_an_exact_copy() -> None:
    """APRS 1.2c ch. 14: Message Acknowledgement, and step 4 of the New Message Number Format."""
    rig = Rig()
    for number in ("003", "7", "AB12z", "12}", "12}07"):
        rig.hear_message(SAG, "hello", number)
        assert rig.sent[-1].info == f":{SAG:9}:ack{number}"
    assert rig.sent[-1].frame.source == US
    assert rig.station.totals().acks_sent == 5


def test_no_number_no_ack() -> None:
    """APRS 1.2c ch. 14: 'Messages without a message identifier are not to be acknowledged'."""
    rig = Rig()
    rig.hear_message(SAG, "hello")
    assert (len(rig.of(Received)), len(rig.sent)) == (1, 0)


@pytest.mark.parametrize(
    "to", ["ALL", "QST", "CQ", "RACE", "BLN1", "BLNQ", "BLN4WX", "NWS-WARN", "QZ1HUB", MED]
)
def test_only_the_addressee_acknowledges(to: str) -> None:
    """APRS 1.2c ch. 14, Message Groups and Message Acknowledgement."""
    rig = Rig(msgspec.structs.replace(SETUP, groups=("ALL", "QST", "CQ", "RACE")))
    rig.hear_message(SAG, "hello", "3", to=to)
    rig.hear_message(SAG, "hello", "3}A1", to=to)
    rig.advance(100)
    assert not rig.sent


def test_messages_to_groups_are_shown() -> None:
    """APRS 1.2c ch. 14, Message Groups."""
    rig = Rig(msgspec.structs.replace(SETUP, groups=("QST", "RACE")))
    for to in ("QST", "RACE", "ALL", MED):
        rig.hear_message(SAG, f"hello {to}", to=to)
    assert [(r.to, r.group) for r in rig.of(Received)] == [("QST", True), ("RACE", True)]


def test_each_copy_is_acknowledged_half_a_minute_apart() -> None:
    """APRS 1.2c ch. 14, Multiple Acknowledgements: one for each instance of the message, and at
    least 30 seconds apart. Copies at 0, 8, 24, 56 and 120 s, as the decay algorithm of ch. 2 with
    n = 8 s sends them: the ack of the second is due at 30 s, and answers the third too."""
    rig = Rig()
    start_s = rig.mono_s
    for wait_s in (0, 8, 16, 32, 64):
        rig.advance(wait_s)
        rig.hear_message(SAG, "hello", "3")
    rig.advance(300)
    assert [at_s - start_s for at_s in rig.acks(SAG, "3")] == pytest.approx([0, 30, 60, 120])
    (received,) = rig.of(Received)
    assert received.text == "hello"
    counts = rig.station.totals()
    assert (counts.messages_in, counts.message_copies) == (1, 4)


def test_a_fixed_schedule_gets_an_ack_each_time() -> None:
    """Fixed Rate of APRS 1.2c ch. 2, at 30 s."""
    rig = Rig()
    for _ in range(5):
        rig.hear_message(SAG, "hello", "3")
        rig.advance(30)
    assert len(rig.acks(SAG, "3")) == 5


def test_acks_of_different_numbers_do_not_wait_for_each_other() -> None:
    """The 30 seconds are for identical ones, which digipeaters take for one."""
    rig = Rig()
    for number in ("1", "2", "3"):
        rig.hear_message(SAG, f"line {number}", number)
    rig.hear_message(POST, "hello", "1")
    assert [len(rig.acks(SAG, number)) for number in ("1", "2", "3")] == [1, 1, 1]
    assert len(rig.acks(POST, "1")) == 1


def test_repeats_by_digipeaters_earn_no_further_ack() -> None:
    """APRS 1.2c ch. 2, Generic Digipeating: they are the same instance of the message. Here it is
    heard from its sender and, seconds later, from two digipeaters."""
    rig = Rig()
    for _ in range(2):
        rig.hear_message(SAG, "hello", "3", path="WIDE1-1,WIDE2-1")
        rig.advance(2)
        rig.hear_message(SAG, "hello", "3", path=f"{RIDGE}*,WIDE2-1")
        rig.advance(5)
        rig.hear_message(SAG, "hello", "3", path=f"{RIDGE},QZ1GUL*")
        rig.advance(33)
    rig.advance(300)
    assert gaps(rig.acks(SAG, "3")) == pytest.approx([40.0])
    assert len(rig.of(Received)) == 1


def test_repeats_of_the_second_transmission_are_no_third() -> None:
    """Direct and from the digipeater, twice within the window."""
    rig = Rig()
    for path in ("WIDE1-1", f"{RIDGE}*", "WIDE1-1", f"{RIDGE}*"):
        rig.hear_message(SAG, "hello", "3", path=path)
        rig.advance(4)
    counts = rig.station.totals()
    assert (counts.messages_in, counts.message_copies, counts.copies) == (1, 1, 3)


def test_the_sender_again_within_the_window_earns_one() -> None:
    """The sender's own transmitter again is another instance, and so is a copy that comes later
    than a digipeater takes; both get their ack when the 30 seconds are over."""
    for first, again, wait_s in [
        ("WIDE1-1", "WIDE1-1", 8.0),
        (f"{RIDGE}*", f"{RIDGE}*", 8.0),
        ("WIDE1-1", f"{RIDGE}*", 15.0),
    ]:
        rig = Rig()
        rig.hear_message(SAG, "hello", "3", path=first)
        rig.advance(2)
        rig.hear_info(US, rig.sent[-1].info, f"{RIDGE}*")  # a digipeater repeats it
        rig.advance(wait_s - 2)
        rig.hear_message(SAG, "hello", "3", path=again)
        rig.advance(300)
        # Counted from the repeat, where one was to be expected: then the digipeater's window began.
        assert gaps(rig.acks(SAG, "3"))[0] == pytest.approx(31.0, abs=1.0)


def test_a_late_repeat_of_an_ack_still_counts() -> None:
    """The TNC waited for the channel: the digipeater has the acknowledgement after all, and
    suppresses a copy for 30 s from then (APRS Digipeater Algorithm sec. 4.2)."""
    rig = Rig()
    rig.hear_message(SAG, "hello", "3", path=f"{RIDGE}*")
    rig.advance(60)  # all guards are over
    rig.hear_message(SAG, "hello", "3", path=f"{RIDGE}*")
    last_s = rig.acks(SAG, "3")[-1]
    rig.advance(28)
    rig.hear_info(US, message_info(SAG, "ack3"), f"{RIDGE}*")
    late_s = rig.mono_s
    rig.advance(5)
    rig.hear_message(SAG, "hello", "3", path=f"{RIDGE}*")
    rig.advance(60)
    after = [at_s for at_s in rig.acks(SAG, "3") if at_s > late_s]
    assert last_s < late_s
    assert after[0] == pytest.approx(late_s + 30.0)


def test_through_a_gateway_the_inner_source_is_answered() -> None:
    """APRS 1.2c ch. 17, Third-Party Format."""
    rig = Rig()
    for _ in range(2):
        rig.hear_info(POST, f"}}QZ3FAR>APZ001,TCPIP,{POST}*:{message_info(US, 'from afar', '9')}")
        rig.advance(31)
    assert len(rig.acks("QZ3FAR", "9")) == 2
    assert not rig.acks(POST, "9")
    (received,) = rig.of(Received)
    assert received.source == "QZ3FAR"


def test_our_own_words_through_a_gateway_are_not_read() -> None:
    rig = Rig()
    rig.hear_info(POST, f"}}{US}>APZ001,TCPIP,{POST}*:{message_info(US, 'echo', '9')}")
    rig.hear_message(US, "echo", "9")
    rig.hear_message(US, "hello", "9", to="QST", path=f"{RIDGE}*")
    rig.advance(100)
    assert not rig.sent
    assert not rig.of(Received)
    assert rig.station.totals().own_heard == 2


def test_a_gateway_author_that_fits_no_addressee_field() -> None:
    """Nine characters at the most; what stands before the '>' may be any (APRS 1.2c ch. 17)."""
    rig = Rig()
    for author in ("q1src-AB", "x:y", "NINECHARS"):
        rig.hear_info(POST, f"}}{author}>APZ001,TCPIP,{POST}*:{message_info(US, 'hi', '9')}")
    rig.advance(100)
    assert [sent.info[1:10].strip() for sent in rig.sent] == ["q1src-AB", "x:y", "NINECHARS"]


def test_no_ack_without_a_link_but_at_the_next_copy() -> None:
    """The sender repeats, and the copy is acknowledged."""
    rig = Rig()
    rig.link(False)
    rig.hear_message(SAG, "hello", "3")
    rig.advance(20)
    assert not rig.sent
    rig.link(True)
    rig.hear_message(SAG, "hello", "3")
    assert len(rig.acks(SAG, "3")) == 1
    assert len(rig.of(Received)) == 1


def test_link_lost_while_an_ack_waits() -> None:
    rig = Rig()
    rig.hear_message(SAG, "hello", "3")
    rig.advance(8)
    rig.hear_message(SAG, "hello", "3")
    rig.link(False)
    rig.advance(60)
    assert len(rig.acks(SAG, "3")) == 1
    rig.link(True)
    rig.advance(60)
    assert len(rig.acks(SAG, "3")) == 1
    rig.hear_message(SAG, "hello", "3")
    assert len(rig.acks(SAG, "3")) == 2


def test_answered_where_it_was_heard() -> None:
    rig = Rig(BOTH)
    rig.hear_message(SAG, "hello", "1", port=("uhf", 0))
    rig.hear_message(SAG, "hello", "2", port=("vhf", 0))
    rig.hear_message(SAG, "hello", "3", port=("uhf", 0))
    assert [sent.port[0] for sent in rig.sent] == ["uhf", "vhf", "uhf"]


def test_one_transmission_heard_by_two_receivers_gets_one_ack() -> None:
    rig = Rig(BOTH)
    rig.hear_message(SAG, "hello", "1", port=("uhf", 0))
    rig.hear_message(SAG, "hello", "1", port=("vhf", 0))
    rig.advance(300)
    assert len(rig.sent) == 1


def test_heard_only_by_a_receive_only_port() -> None:
    """A second receiver with the better aerial: the transmitter beside it answers."""
    monitor = msgspec.structs.replace(UHF, receive_only=True)
    rig = Rig(msgspec.structs.replace(SETUP, ports=(monitor, VHF)))
    rig.hear_message(SAG, "hello", "1", port=("uhf", 0))
    assert [sent.port for sent in rig.sent] == [("vhf", 0)]


def test_heard_only_by_a_receive_only_port_of_several() -> None:
    """Where the sender was last heard by one that can answer; otherwise each in turn."""
    mast = msgspec.structs.replace(UHF, tnc="mast", receive_only=True)
    rig = Rig(msgspec.structs.replace(SETUP, ports=(mast, VHF, UHF)))
    for number in range(4):
        rig.hear_message(SAG, "hello", "1", port=("mast", 0))
        rig.advance(40)
        if number == 2:
            rig.hear_beacon(POST, port=("uhf", 0))
            rig.hear_message(POST, "hello", "1", port=("mast", 0))
            assert rig.sent[-1].port == ("uhf", 0)
    assert [s.port[0] for s in rig.sent if SAG in s.info] == ["vhf", "uhf", "vhf", "uhf"]


def test_on_a_port_that_is_not_in_the_settings() -> None:
    rig = Rig()
    rig.hear_message(SAG, "hello", "1", port=("vhf", 5))
    rig.hear_message(SAG, "hello", "2", port=("other", 0))
    assert {sent.port for sent in rig.sent} == {("vhf", 0)}
    assert len(rig.of(Received)) == 2


def test_a_flood_of_messages_does_not_make_us_jam_the_channel() -> None:
    """`ack_debt_s`: acknowledgements may run a minute ahead of our half of the channel."""
    rig = Rig()
    for number in range(1000):
        rig.hear_message(other(number), "spam", "1")
        rig.advance(0.1)
    on_air_s = rig.station.airtime_used_s
    assert 0.5 * 100 <= on_air_s <= 0.5 * (100 + STEADY.ack_debt_s) + 1.0
    counts = rig.station.totals()
    assert counts.acks_sent == len(rig.of(AckSent)) == len(rig.sent)
    assert counts.acks_sent + counts.acks_withheld == 1000
    rig.send(SAG)
    rig.advance(STEADY.ack_debt_s + 2)
    assert rig.sent[-1].info.startswith(f":{SAG}")
    rig.hear_message(other(1), "again", "2")
    assert rig.acks(other(1), "2")


# --- shown once ---------------------------------------------------------------------------------


def test_a_copy_is_known_by_sender_number_and_text() -> None:
    """APRS 1.2c ch. 14, New Message Number Format, step 3: the reply-ack does not count."""
    rig = Rig()
    for source, text, number in [
        (SAG, "hello", "12}"),
        (SAG, "hello", "12}07"),
        (SAG, "hello", "12}08"),
        (SAG, "hello", "13}08"),
        (SAG, "other", "12}08"),
        (POST, "hello", "12}"),
    ]:
        rig.hear_message(source, text, number)
        rig.advance(40)
    assert [(r.source, r.text, r.number) for r in rig.of(Received)] == [
        (SAG, "hello", "12}"),
        (SAG, "hello", "13}08"),
        (SAG, "other", "12}08"),
        (POST, "hello", "12}"),
    ]
    assert len(rig.acks(SAG, "12}07")) == len(rig.acks(SAG, "12}08")) - 1 == 1


def test_a_sender_that_tries_for_hours_is_shown_once() -> None:
    """The decay algorithm goes on at the net cycle time, 30 minutes at the most (APRS 1.2c
    ch. 2)."""
    rig = Rig()
    for _ in range(20):
        rig.hear_message(SAG, "hello", "3")
        rig.advance(1800)
    assert len(rig.of(Received)) == 1
    assert len(rig.acks(SAG, "3")) == 20


def test_the_same_words_another_day_are_shown_again() -> None:
    """Counters begin anew when a radio is switched on."""
    rig = Rig()
    rig.hear_message(SAG, "radio check", "1")
    rig.advance(3 * 3600)
    rig.hear_message(SAG, "radio check", "1")
    assert len(rig.of(Received)) == 2


def test_without_a_number_only_soon_after_is_a_copy() -> None:
    rig = Rig()
    for wait_s in (20, 200, 400):
        rig.hear_message(SAG, "back at the bridge")
        rig.advance(wait_s)
    rig.hear_message(SAG, "back at the bridge")
    assert len(rig.of(Received)) == 2


def test_what_is_shown() -> None:
    """The log says all that the bus tells: nothing has to be looked up."""
    rig = Rig()
    records = rig.hear_message(SAG, "Grüße", "3", path=f"{RIDGE}*,WIDE2-1")
    (received,) = rig.of(Received)
    heard = rig.entries[-len(records)].seq
    assert received == Received(
        message=f"a1b2c3.1.{heard + 1}",
        source=SAG,
        to=US,
        text="Grüße",
        number="3",
        path=[f"{RIDGE}*", "WIDE2-1"],
        heard=heard,
    )


def test_a_listener_shows_messages_too() -> None:
    """Transmit off: read, and not acknowledged."""
    rig = Rig(Setup(callsign=US, ports=(VHF,)))
    rig.hear_message(SAG, "hello", "3")
    rig.advance(40)
    rig.hear_message(SAG, "hello", "3")
    assert (len(rig.of(Received)), len(rig.sent)) == (1, 0)


def test_radiogram_lines_are_messages() -> None:
    """APRS 1.2c ch. 14, NTS Radiograms: lines of text in messages, acknowledged like them."""
    rig = Rig()
    rig.hear_message(SAG, "NA\\QZ1ABC\\John", "4")
    assert len(rig.acks(SAG, "4")) == 1
    assert rig.of(Received)[0].text == "NA\\QZ1ABC\\John"


@pytest.mark.parametrize("text", ["?APRSP", "?PING?", "PARM.Volt", "ack12", "rej12"])
def test_what_is_no_message_for_people(text: str) -> None:
    """APRS 1.2c ch. 13 (telemetry definitions), 14 (acks) and 15 (queries)."""
    rig = Rig()
    rig.hear_message(SAG, text)
    rig.advance(60)
    assert not rig.of(Received)
    assert not rig.of(AckSent)


# --- bulletins ----------------------------------------------------------------------------------


def test_a_bulletin_line_is_told_when_it_is_new_or_changed() -> None:
    """APRS 1.2c ch. 14: bulletins come 'a few times an hour'; a line with the same sender and
    identifier replaces the one before."""
    rig = Rig()
    for source, to, text in [
        (SAG, "BLN1", "Road closed"),
        (SAG, "BLN1", "Road closed"),
        (SAG, "BLN2", "Road closed"),
        (POST, "BLN1", "Road closed"),
        (SAG, "BLN1", "Road open"),
        (SAG, "BLN1", "Road closed"),
        (SAG, "BLNQ", "Party on Sunday"),
        (SAG, "BLN4WX", "Storm"),
    ]:
        rig.hear_message(source, text, to=to)
        rig.advance(1200)
    assert [(b.source, b.line, b.text) for b in rig.of(BulletinHeard)] == [
        (SAG, "BLN1", "Road closed"),
        (SAG, "BLN2", "Road closed"),
        (POST, "BLN1", "Road closed"),
        (SAG, "BLN1", "Road open"),
        (SAG, "BLN1", "Road closed"),
        (SAG, "BLNQ", "Party on Sunday"),
        (SAG, "BLN4WX", "Storm"),
    ]

"""One report for all copies of a frame.

APRS 1.2c ch. 2, Generic Digipeating: an identical packet, path apart, is a duplicate for 'typically
about 28 seconds'; the window here is 30 s. Ch. 4: digipeaters may use up the destination's SSID.
"""

import pytest

from ridgepost.station.records import CopiesHeard, Heard, Stopped
from station.rig import POST, RIDGE, SAG, Rig, frame_of, only, other


def heard(rig: Rig) -> int:
    return len(rig.of(Heard))


def test_copies_are_counted_and_their_paths_listed() -> None:
    rig = Rig()
    (first,) = rig.hear_info(SAG, ">here", "WIDE1-1,WIDE2-1")
    assert isinstance(first, Heard)
    seq = rig.entries[-1].seq
    for path in (f"{RIDGE}*,WIDE2-1", f"{RIDGE},QZ1GUL*", f"{RIDGE}*,WIDE2-1"):
        rig.advance(2)
        assert rig.hear_info(SAG, ">here", path) == []
    rig.advance(23)
    assert not rig.of(CopiesHeard)
    rig.advance(2)
    assert rig.of(CopiesHeard) == [
        CopiesHeard(
            of=seq,
            copies=4,
            paths=["WIDE1-1,WIDE2-1", f"{RIDGE}*,WIDE2-1", f"{RIDGE},QZ1GUL*"],
        )
    ]
    counts = rig.station.totals()
    assert (counts.frames, counts.reports, counts.copies) == (4, 1, 3)


def test_the_log_keeps_the_octets_of_the_first_copy() -> None:
    rig = Rig()
    octets = frame_of(SAG, ">here", f"{RIDGE}*,WIDE2-1")
    assert rig.hear(octets) == [Heard(tnc="vhf", port=0, frame=octets)]


def test_one_copy_needs_no_count() -> None:
    rig = Rig()
    rig.hear_info(SAG, ">here")
    rig.advance(100)
    assert not rig.of(CopiesHeard)


def test_after_the_window_it_is_news() -> None:
    rig = Rig()
    rig.hear_info(SAG, ">here")
    rig.pass_time(29.9)
    rig.hear_info(SAG, ">here")
    assert heard(rig) == 1
    rig.pass_time(0.1)
    rig.hear_info(SAG, ">here")
    assert heard(rig) == 2


@pytest.mark.parametrize(
    ("source", "destination", "info", "copy"),
    [
        (SAG, "APZ001", ">here", True),
        (SAG, "APZ001-2", ">here", True),
        (SAG, "APZ002", ">here", False),
        (SAG, "APZ001", ">there", False),
        (SAG, "APZ001", ">here ", False),
        ("QZ1SAG", "APZ001", ">here", False),
        (POST, "APZ001", ">here", False),
    ],
)
def test_what_makes_a_copy(source: str, destination: str, info: str, copy: bool) -> None:
    rig = Rig()
    rig.hear(frame_of(SAG, ">here", "WIDE1-1", "APZ001-1"))
    rig.hear(frame_of(source, info, f"{RIDGE}*", destination))
    assert heard(rig) == (1 if copy else 2)


def test_two_receivers_hear_one_report() -> None:
    rig = Rig()
    rig.hear_info(SAG, ">here", port=("vhf", 0))
    rig.hear_info(SAG, ">here", port=("uhf", 3))
    assert heard(rig) == 1


def test_our_own_frames_come_back() -> None:
    """Logged, since they tell that a digipeater heard us; no station of their own."""
    rig = Rig()
    rig.send(SAG)
    rig.hear(rig.sent[-1].octets)
    assert heard(rig) == 1
    counts = rig.station.totals()
    assert (counts.own_heard, counts.reports) == (1, 0)


def test_other_protocols_and_noise_are_counted() -> None:
    rig = Rig()
    connected_mode = bytearray(frame_of(SAG, "x"))
    connected_mode[14] = 0x3F  # AX.25 2.2 ch. 4: SABM with the P bit
    rig.hear(bytes(connected_mode[:15]))
    other_layer = bytearray(frame_of(SAG, "x"))
    other_layer[15] = 0xCC  # AX.25 2.2 ch. 3: PID of ARPA Internet Protocol
    rig.hear(bytes(other_layer))
    rig.hear(b"")
    rig.hear(b"\x00" * 40)
    counts = rig.station.totals()
    assert (counts.frames, counts.other_protocols, counts.malformed) == (4, 2, 2)
    assert heard(rig) == 0


def test_an_unreadable_report_is_a_report() -> None:
    """APRS 1.2c ch. 8: a position whose latitude is none."""
    rig = Rig()
    rig.hear_info(SAG, "!9999.99N/07201.75W>")
    counts = rig.station.totals()
    assert (counts.reports, counts.unreadable, heard(rig)) == (1, 1, 1)


def test_paths_are_listed_up_to_a_handful() -> None:
    rig = Rig()
    for number in range(100):
        rig.hear_info(SAG, ">here", f"{other(number)}*")
    rig.advance(31)
    (copies,) = rig.of(CopiesHeard)
    assert (copies.copies, len(copies.paths)) == (100, 8)


def test_stopping_closes_the_windows() -> None:
    rig = Rig()
    for path in ("", f"{RIDGE}*"):
        rig.hear_info(SAG, ">here", path)
    records = rig.take(rig.station.stop("asked to", rig.now))
    assert [type(record) for record in records] == [CopiesHeard, Stopped]
    assert only(Stopped, records)[0].reason == "asked to"


def test_a_used_mark_out_of_order_is_shown_where_it_is() -> None:
    """No station should send it; AX.25 can."""
    rig = Rig()
    octets = bytearray(frame_of(SAG, "hello", "QZ1AAA,QZ1BBB"))
    octets[27] |= 0x80  # the H bit of the second digipeater alone (AX.25 2.2 ch. 3)
    rig.hear(bytes(octets))
    rig.hear(frame_of(SAG, "hello", "QZ1AAA,QZ1BBB"))
    rig.advance(31)
    assert rig.of(CopiesHeard)[0].paths == ["QZ1AAA,QZ1BBB*", "QZ1AAA,QZ1BBB"]


def test_link_news_is_logged_once() -> None:
    rig = Rig(up=False)
    before = len(rig.entries)
    for up in (True, True, False, False, True):
        rig.link(up)
    assert len(rig.entries) == before + 3

"""Queries from the frame to the answering frame (APRS 1.2c ch. 15).

Query types, the forms of the answers and that neither has a message identifier or is acknowledged:
ch. 15. What is not known need not be answered; what is not understood is ignored (both ibid.).
Times and limits are the project's own.
"""

import itertools

import msgspec
import pytest

from ridgepost import aprs
from ridgepost.radio import ax25
from ridgepost.station.records import QueryAnswered, Received
from ridgepost.station.setup import OwnPosition
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
    frame_of,
    message_info,
    other,
)

replace = msgspec.structs.replace
HOUR_S = 3600.0
KNOWN = replace(
    SETUP,
    position=OwnPosition(49.058333, -72.029167),
    symbol="/>",
    comment="on the hill",
    status="Net Control Center",
)
# 49 degrees 3.50 minutes north, 72 degrees 1.75 minutes west: the position of ch. 6's examples.
POSITION = "=4903.50N/07201.75W>on the hill"
STATUS = ">Net Control Center"
serial = itertools.count()


def ask(rig: Rig, query: str, source: str = SAG, path: str = "", to: str = US) -> list[str]:
    """What is on the air because of a query, within ten minutes of nothing else."""
    before = len(rig.sent)
    rig.hear_message(source, query, to=to, path=path)
    return [sent.info for sent in rig.sent[before:]]


def ask_all(rig: Rig, footprint: str = "", source: str = SAG, wait_s: float = 120.0) -> list[str]:
    before = len(rig.sent)
    rig.hear_info(source, f"?APRS?{footprint}")
    rig.advance(wait_s)
    return [sent.info for sent in rig.sent[before:]]


# --- what is answered -----------------------------------------------------------------------------


def test_position_and_status() -> None:
    rig = Rig(KNOWN)
    assert ask(rig, "?APRSP") == [POSITION]
    rig.advance(5)
    assert ask(rig, "?APRSS") == [STATUS]
    report = aprs.decode(POSITION.encode(), US, "APZRGP")
    assert isinstance(report, aprs.Position)
    assert (report.place.symbol_table, report.place.symbol_code) == ("/", ">")


def test_heard_direct() -> None:
    rig = Rig()
    rig.hear_beacon(MED, path=f"{RIDGE}*")
    rig.hear_beacon(POST)
    (info,) = ask(rig, "?APRSD")
    assert info == message_info(SAG, f"Directs= {SAG} {POST}")
    assert aprs.stations_heard_direct(info[11:]) == (SAG, POST)


def test_heard_direct_as_many_as_fit() -> None:
    rig = Rig()
    for number in range(30):
        rig.hear_beacon(other(number))
    (info,) = ask(rig, "?APRSD")
    stations = aprs.stations_heard_direct(info[11:])
    assert stations is not None
    assert stations[:3] == (SAG, other(29), other(28))
    assert len(info) - 11 <= 67 < len(info) - 11 + len(" QZ0000")


def test_how_often_a_station_was_heard() -> None:
    """The present hour first, a dot for none: ch. 15's example."""
    rig = Rig(start_s=8 * HOUR_S)
    for count in (3, 0, 2):
        for _ in range(count):
            rig.hear_beacon(POST)
            rig.advance(60)
        rig.advance(HOUR_S - count * 60)
    rig.hear_beacon(POST)
    (info,) = ask(rig, f"?APRSH{POST}")
    assert info == message_info(SAG, f"{POST} HEARD: 1 2 . 3 . . . .")
    statistics = aprs.heard_statistics(info[11:])
    assert statistics is not None
    assert statistics.heard_counts == (1, 2, 0, 3, 0, 0, 0, 0)


def test_copies_by_digipeaters_are_no_further_transmissions() -> None:
    rig = Rig()
    frame = ">one beacon"
    rig.hear_info(POST, frame)
    rig.hear_info(POST, frame, path=f"{RIDGE}*")
    assert ask(rig, f"?APRSH{POST}")[0].endswith("HEARD: 1 . . . . . . .")


@pytest.mark.parametrize("query", ["?APRST", "?PING?"])
def test_trace(query: str) -> None:
    """Both names of one query; the way is that of the query's own frame."""
    rig = Rig()
    info = message_info(SAG, f"{SAG}>APZ001,{RIDGE}*,WIDE2-1:")
    assert ask(rig, query, path=f"{RIDGE}*,WIDE2-1") == [info]


def test_a_long_trace_says_that_there_is_more() -> None:
    rig = Rig()
    path = ",".join([*(f"QZ1DG{number}-1{number}" for number in range(6)), "QZ1LST*"])
    (info,) = ask(rig, "?APRST", path=path)
    assert info.startswith(message_info(SAG, f"{SAG}>APZ001,QZ1DG0-10,"))
    assert info.endswith(",...:")
    assert len(info) - 11 <= 67


def test_answers_have_no_number_and_are_not_repeated() -> None:
    rig = Rig(KNOWN)
    for query in ("?APRSP", "?APRSS", "?APRST", "?APRSD"):
        (info,) = ask(rig, query)
        assert "{" not in info
        rig.advance(3)
    rig.advance(HOUR_S)
    assert len(rig.sent) == 4
    assert not rig.of(Received)


def test_committed_with_its_reason_before_it_is_sent() -> None:
    """What every rig checks of each transmission; here the words."""
    rig = Rig(KNOWN)
    ask(rig, "?APRSP", path=f"{RIDGE}*")
    assert rig.of(QueryAnswered) == [
        QueryAnswered(
            asker=SAG,
            query="APRSP",
            why=f"{SAG} asks, heard via {RIDGE}",
            frame=rig.sent[0].octets,
            tnc="vhf",
            port=0,
        )
    ]
    frame = rig.sent[0].frame
    assert (frame.source, frame.destination) == (US, "APZRGP")
    assert frame.path == (RIDGE,), "by the way that the query came"
    assert rig.station.totals().queries_answered == 1


# --- what is not ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "query",
    ["?APRSP", "?APRSS", "?APRSO", f"?APRSH{POST}", "?APRSHanybody"],
)
def test_what_is_not_known_is_not_answered_but_counted(query: str) -> None:
    rig = Rig()
    assert ask(rig, query) == []
    assert rig.station.totals().queries_unanswered == 1


@pytest.mark.parametrize("query", ["?aprsp", "?APRSX", "?WX?", "?", "?APRSH", "?APRSP now"])
def test_what_is_not_understood_is_ignored(query: str) -> None:
    rig = Rig(KNOWN)
    assert ask(rig, query) == []
    assert rig.station.totals().queries_unanswered == 0


@pytest.mark.parametrize("to", [POST, "ALL", "QST", "BLN1"])
def test_others_are_asked(to: str) -> None:
    rig = Rig(KNOWN)
    assert ask(rig, "?APRSP", to=to) == []


def test_nothing_is_sent_where_nothing_may_be() -> None:
    rig = Rig(replace(KNOWN, transmit=False))
    assert ask(rig, "?APRSP") == []
    assert ask_all(rig) == []
    assert not rig.of(QueryAnswered)


# --- to all stations ------------------------------------------------------------------------------


def test_all_are_asked() -> None:
    rig = Rig(KNOWN)
    assert ask_all(rig) == [POSITION, STATUS]
    assert [record.why for record in rig.of(QueryAnswered)] == [
        f"{SAG} asks all, heard direct" for _ in range(2)
    ]


def test_not_all_at_the_same_time() -> None:
    delays = []
    for seed in range(20):
        rig = Rig(KNOWN, seed=seed)
        rig.hear_info(SAG, "?APRS?")
        rig.advance(120)
        delays.append(rig.sent[0].at_s - 1000.0)
    assert 0.0 <= min(delays) < 15.0
    assert 45.0 < max(delays) <= 60.0
    assert len(set(delays)) == 20


@pytest.mark.parametrize(
    ("footprint", "answered"),
    [
        # 49.058333, -72.029167 is 80 miles from 48, -72.8 (haversine on a sphere of 3958.8 miles,
        # reckoned by hand: 73.1 miles north, 35 to 36 miles east).
        (" 48.00,-72.80,0100", True),
        (" 48.00,-72.80,0060", False),
        (" 34.02,-117.15,0200", False),
        (" 34.02,-117.15", False),
    ],
)
def test_a_circle(footprint: str, answered: bool) -> None:
    assert (ask_all(Rig(KNOWN), footprint) != []) is answered


def test_who_does_not_know_where_it_is_is_outside_every_circle() -> None:
    rig = Rig(replace(KNOWN, position=None))
    assert ask_all(rig, " 48.00,-72.80,0100") == []
    assert ask_all(rig) == [STATUS]


@pytest.mark.parametrize("query", ["?WX?", "?IGATE?", "?ELSE?", "?APRS"])
def test_kinds_of_stations_that_this_is_not(query: str) -> None:
    rig = Rig(KNOWN)
    rig.hear_info(SAG, query)
    rig.advance(200)
    assert not rig.sent


def test_all_are_asked_through_a_gateway() -> None:
    """From another network one query would set off every station here: it is for those there."""
    rig = Rig(KNOWN)
    rig.hear_info(POST, f"}}{SAG}>APZ001,TCPIP,{POST}*:?APRS?")
    rig.advance(200)
    assert not rig.sent


def test_one_is_asked_through_a_gateway() -> None:
    rig = Rig(KNOWN)
    rig.hear_info(POST, f"}}{SAG}>APZ001,TCPIP,{POST}*:{message_info(US, '?APRST')}")
    assert [sent.info for sent in rig.sent] == [message_info(SAG, f"{POST}>APZ001:")]


# --- limits ---------------------------------------------------------------------------------------


def test_the_same_once_in_a_while() -> None:
    rig = Rig(KNOWN)
    answers = []
    for _ in range(12):
        answers += ask(rig, "?APRSP")
        rig.advance(10)
    assert len(answers) == 2
    totals = rig.station.totals()
    assert (totals.queries_answered, totals.queries_unanswered) == (2, 10)


def test_what_everybody_hears_is_said_once_to_all() -> None:
    rig = Rig(KNOWN)
    assert len(ask(rig, "?APRSP", SAG)) == 1
    rig.advance(11)
    assert ask(rig, "?APRSP", POST) == []
    assert len(ask(rig, "?APRST", SAG)) == 1
    rig.advance(11)
    assert len(ask(rig, "?APRST", POST)) == 1


def test_so_many_to_one_station() -> None:
    rig = Rig(KNOWN)
    sent = 0
    for number in range(30):
        rig.hear_beacon(other(number))
        rig.advance(2)
        sent += len(ask(rig, f"?APRSH{other(number)}"))
    assert sent == STEADY.answers_per_asker == 6
    assert len(ask(rig, "?APRST", POST)) == 1, "the others are answered all the same"


def test_so_many_in_all_and_then_again() -> None:
    rig = Rig(KNOWN)
    before = len(rig.sent)
    for number in range(100):
        rig.hear_message(other(number), "?APRST")
        rig.advance(3)
    assert len(rig.sent) - before == STEADY.answers_in_all == 30
    assert rig.station.totals().queries_unanswered == 70
    rig.advance(600)
    assert len(ask(rig, "?APRST")) == 1


def test_a_restart_is_no_way_around_it() -> None:
    rig = Rig(KNOWN)
    assert len(ask(rig, "?APRSP")) == 1
    rig.restart()
    rig.link(True)
    rig.pass_time(31)
    assert ask(rig, "?APRSP") == []
    rig.advance(60)
    assert len(ask(rig, "?APRSP")) == 1


def test_messages_go_first_and_an_answer_that_is_late_is_none() -> None:
    """Traffic of an emergency on a channel that it fills: the answer finds no room for a minute."""
    rig = Rig(KNOWN)
    rig.hear_beacon(POST)
    for number in range(200):
        rig.send(other(number), "Radio check")
    rig.hear_message(SAG, "?APRSP")
    rig.advance(90)
    assert not rig.of(QueryAnswered)
    assert rig.station.totals().queries_unanswered == 1


def test_an_answer_leaves_the_channel_to_others_after_it() -> None:
    rig = Rig(KNOWN)
    rig.hear_message(SAG, "?APRSP")
    rig.hear_message(POST, "?APRSS")
    assert len(rig.sent) == 1
    rig.advance(10)
    assert len(rig.sent) == 2
    # 1200 bit/s: a frame of 60 octets or so takes 0.7 s with keying, and leaves as long.
    assert rig.sent[1].at_s - rig.sent[0].at_s > 1.0


# --- ports ----------------------------------------------------------------------------------------


def test_answered_where_it_was_asked() -> None:
    rig = Rig(replace(KNOWN, ports=(VHF, UHF)))
    rig.hear(frame_of(SAG, message_info(US, "?APRSP")), ("uhf", 0))
    assert [sent.port for sent in rig.sent] == [("uhf", 0)]


def test_asked_on_a_port_that_only_listens() -> None:
    rig = Rig(replace(KNOWN, ports=(replace(UHF, receive_only=True), VHF)))
    rig.hear(frame_of(SAG, message_info(US, "?APRSP")), ("uhf", 0))
    assert [sent.port for sent in rig.sent] == [("vhf", 0)]


def test_a_tnc_that_comes_back_soon() -> None:
    rig = Rig(KNOWN)
    rig.link(False)
    rig.hear_message(SAG, "?APRSP")
    assert not rig.sent
    rig.advance(30)
    rig.link(True)
    assert [sent.info for sent in rig.sent] == [POSITION]
    rig.link(False)
    rig.hear_message(SAG, "?APRSS")
    rig.advance(61)
    rig.link(True)
    rig.advance(600)
    assert len(rig.sent) == 1, "nobody waits for it any more"
    assert ax25.decode(rig.of(QueryAnswered)[-1].frame).info.decode() == POSITION


# --- messages that wait for the asker -------------------------------------------------------------


def test_who_comes_back_asks_for_its_messages() -> None:
    rig = Rig(KNOWN)
    messages = [rig.send(SAG, text) for text in ("one", "two")]
    rig.advance(HOUR_S / 4)
    before = len(rig.sends(messages[0]))
    rig.hear_message(SAG, "?APRSM")
    rig.advance(5)
    assert len(rig.sends(messages[0])) == before + 1
    assert rig.station.totals().queries_answered == 1
    rig.advance(5)
    asked = len(rig.sends(messages[0]))
    rig.hear_message(SAG, "?APRSM")
    assert len(rig.sends(messages[0])) == asked, "once in a while"
    assert rig.station.totals().queries_unanswered == 1


def test_nothing_waits_for_the_asker() -> None:
    rig = Rig(KNOWN)
    rig.send(POST)
    rig.advance(5)
    before = len(rig.sent)
    rig.hear_message(SAG, "?APRSM")
    assert len(rig.sent) == before
    assert rig.station.totals().queries_unanswered == 1


def test_a_flood_of_queries_costs_no_memory() -> None:
    rig = Rig(KNOWN)
    for number in range(5000):
        rig.hear_message(other(number), ("?APRST", "?APRSD", f"?APRSH{SAG}")[number % 3])
        rig.hear_info(other(number), "?APRS?")
        assert len(rig.station._queries) <= STEADY.answers_in_all  # what it is about
    totals = rig.station.totals()
    rig.advance(700)
    assert totals.queries_answered <= STEADY.answers_in_all
    assert len(rig.station._queries) == 0
    assert rig.station.next_wakeup_s() is None

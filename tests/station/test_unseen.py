"""What waits for a person, and the asks that are about it or only want to know something.

Queries are APRS 1.2c ch. 15; that what is read stays read over restarts is our own promise.
"""

import msgspec
import pytest

from ridgepost.station.asks import Ask, Cancel, Clear, ListPending, Query, Read, StateOf
from ridgepost.station.effects import Log, Tell
from ridgepost.station.records import (
    Answered,
    Cleared,
    MarkedRead,
    Noticed,
    Precedence,
    QuestionChanged,
    QuestionState,
    Received,
    State,
)
from ridgepost.station.told import Told
from ridgepost.station.traffic.questions import MOST_WAITING, PATIENCE_S
from ridgepost.station.unseen import SEEN_KEPT, Unseen
from station.rig import MED, POST, SAG, SETUP, US, Rig, frame_of

replace = msgspec.structs.replace


def told(rig: Rig, ask: Ask) -> Told:
    """The answer to an ask that changes nothing: it is not in the log."""
    effects = rig.station.ask(ask, rig.now)
    assert not any(isinstance(effect, Log) for effect in effects)
    (tell,) = [effect for effect in effects if isinstance(effect, Tell)]
    return tell.told


def message_in(rig: Rig, text: str = "Come in", number: str = "1") -> str:
    (record,) = [r for r in rig.hear_message(SAG, text, number) if isinstance(r, Received)]
    assert record.message
    return record.message


def read(request: str, *messages: str, client: str = "") -> Read:
    return Read(request=request, messages=list(messages), client=client)


# --- read ---------------------------------------------------------------------------------------


def test_read() -> None:
    rig = Rig()
    first, second = message_in(rig, number="1"), message_in(rig, number="2")
    answer = rig.ask(read("r1", first, second, client="anna"))
    assert (answer.accepted, answer.state, answer.client) == (True, "read", "anna")
    assert rig.of(MarkedRead) == [MarkedRead(messages=[first, second], client="anna")]


def test_read_twice_is_no_mistake_and_no_second_entry() -> None:
    rig = Rig()
    message = message_in(rig)
    assert rig.ask(read("r1", message)).accepted
    assert rig.ask(read("r2", message, message)).accepted
    assert len(rig.of(MarkedRead)) == 1


def test_read_is_done_whole_or_not_at_all() -> None:
    rig = Rig()
    message = message_in(rig)
    answer = rig.ask(read("r1", message, "no-such"))
    assert (answer.accepted, answer.field) == (False, "messages")
    assert "no-such" in answer.why
    assert rig.of(MarkedRead) == []


@pytest.mark.parametrize("days", [0, 2])
def test_unread_over_a_restart(days: int) -> None:
    """However long it lasts; and what was read stays so."""
    rig = Rig()
    unread, seen = message_in(rig, number="1"), message_in(rig, number="2")
    rig.ask(read("r1", seen))
    rig.pass_time(days * 86400.0)
    rig.restart(boot="boot 2", mono_s=5.0)
    assert rig.ask(read("r2", unread)).accepted
    assert rig.of(MarkedRead)[-1].messages == [unread]
    rig.restart()
    assert rig.ask(read("r3", unread)).accepted
    assert len(rig.of(MarkedRead)) == 2


# --- clear --------------------------------------------------------------------------------------


def test_clear() -> None:
    """A notice as the station itself makes one: an acknowledgement after the cancel."""
    rig = Rig()
    message = rig.send(SAG)
    number = rig.number(message)
    rig.ask(Cancel(request="c", message=message))
    rig.hear_ack(SAG, number)
    (notice,) = rig.of(Noticed)
    assert notice.notice
    rig.restart()
    answer = rig.ask(Clear(request="r1", notice=notice.notice, client="anna"))
    assert (answer.accepted, answer.state) == (True, "cleared")
    assert rig.ask(Clear(request="r2", notice=notice.notice)).accepted
    assert rig.of(Cleared) == [Cleared(notice=notice.notice, client="anna")]
    unknown = rig.ask(Clear(request="r3", notice="no-such"))
    assert (unknown.accepted, unknown.field) == (False, "notice")


# --- state and list -----------------------------------------------------------------------------


def test_state() -> None:
    rig = Rig()
    message = rig.send(SAG, "Radio check", lifetime_s=600.0)
    rig.advance(3.0)
    answer = told(rig, StateOf(request="r1", message=message))
    (standing,) = answer.messages
    assert (standing.state, standing.attempts, standing.to) == (State.SENDING, 1, SAG)
    assert standing.expires_in_s == pytest.approx(597.0)
    # The decay algorithm's first wait is 8 s (APRS 1.2c ch. 2 leaves n open; see tuning).
    assert standing.next_try_s == pytest.approx(5.0)
    rig.hear_ack(SAG, rig.number(message))
    (standing,) = told(rig, StateOf(request="r1", message=message)).messages
    assert (standing.state, standing.next_try_s) == (State.ACKNOWLEDGED, None)
    assert rig.station.totals().asks_told == 2


def test_state_of_nothing() -> None:
    answer = told(Rig(), StateOf(request="r1", message="no-such"))
    assert (answer.messages, answer.field) == ([], "message")
    assert "no-such" in answer.why


def test_list() -> None:
    """The most urgent first, then in order of acceptance; settled ones are not in it."""
    rig = Rig(up=False)
    first = rig.send(SAG)
    second = rig.send(POST)
    urgent = rig.send(MED, precedence=Precedence.PRIORITY)
    done = rig.send(MED)
    rig.cancel(done)
    rig.ask(Query(request="q", to=SAG, query="APRSP"))
    answer = told(rig, ListPending(request="r1"))
    assert [standing.message for standing in answer.messages] == [urgent, first, second]
    assert [question.text for question in answer.questions] == ["?APRSP"]
    assert answer.more == 0
    rig.restart()
    assert len(told(rig, ListPending(request="r1")).messages) == 3


# --- query --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("query", "station", "info"),
    [
        # The forms of APRS 1.2c ch. 15, Directed Station Queries; no message number follows.
        ("APRSD", "", ":QZ1SAG-2 :?APRSD"),
        ("APRSH", "QZ1MED", ":QZ1SAG-2 :?APRSHQZ1MED   "),  # padded to nine characters
        ("APRST", "", ":QZ1SAG-2 :?APRST"),
        ("PING?", "", ":QZ1SAG-2 :?PING?"),
    ],
)
def test_query(query: str, station: str, info: str) -> None:
    rig = Rig()
    answer = rig.ask(Query(request="r1", to=SAG, query=query, station=station))
    assert (answer.accepted, answer.state) == (True, "queued")
    assert [sent.info for sent in rig.sent] == [info]
    states = [change.state for change in rig.of(QuestionChanged)]
    assert states == [QuestionState.QUEUED, QuestionState.SENT]
    rig.advance(600.0)
    assert len(rig.sent) == 1, "it is sent once"


def test_query_is_answered_as_stations_answer() -> None:
    """One station of ours asks another: the answer comes as a message (ch. 15)."""
    rig, other = Rig(), Rig(replace(SETUP, callsign=SAG))
    other.hear_beacon(MED)
    other.advance(60.0)
    rig.ask(Query(request="r1", to=SAG, query="APRSD"))
    other.hear(rig.sent[0].octets)
    (answer,) = other.sent
    rig.hear(answer.octets)
    (received,) = rig.of(Received)
    assert received.source == SAG
    assert MED in received.text


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"query": "APRSX"}, "query"),
        ({"query": "aprsd"}, "query"),
        ({"query": ""}, "query"),
        ({"query": "APRSH"}, "station"),
        ({"query": "APRSH", "station": "no call"}, "station"),
        ({"query": "APRSD", "station": "QZ1MED"}, "station"),
        ({"to": US}, "to"),
        ({"to": "BLN1"}, "to"),
        ({"to": "no call"}, "to"),
    ],
)
def test_query_refused(change: dict[str, str], field: str) -> None:
    rig = Rig()
    answer = rig.ask(replace(Query(request="r1", to=SAG, query="APRSD"), **change))
    assert (answer.accepted, answer.field) == (False, field)
    assert answer.why
    assert rig.sent == []


def test_query_without_transmit() -> None:
    rig = Rig(replace(SETUP, transmit=False))
    assert not rig.ask(Query(request="r1", to=SAG, query="APRSD")).accepted


def test_query_waits_for_a_tnc_but_not_for_ever() -> None:
    rig = Rig(up=False)
    rig.ask(Query(request="r1", to=SAG, query="APRSD"))
    rig.restart()  # accepted means kept
    rig.advance(PATIENCE_S / 2)
    rig.link(True)
    assert len(rig.sent) == 1
    late = Rig(up=False)
    late.ask(Query(request="r1", to=SAG, query="APRSD"))
    late.advance(PATIENCE_S)
    assert late.of(QuestionChanged)[-1].state is QuestionState.EXPIRED
    late.link(True)
    late.advance(60.0)
    assert late.sent == []


def test_queries_are_bounded_and_use_what_messages_leave() -> None:
    rig = Rig(up=False)
    answers = [
        rig.ask(Query(request=f"r{n}", to=SAG, query="APRSD")) for n in range(MOST_WAITING + 1)
    ]
    assert [answer.accepted for answer in answers] == [True] * MOST_WAITING + [False]
    message = rig.send(POST)
    rig.link(True)
    assert rig.sends(message) == [rig.sent[0].at_s], "messages go first"


# --- bounds -------------------------------------------------------------------------------------


def test_unseen_is_bounded() -> None:
    unseen: Unseen[int] = Unseen(10)
    for number in range(50):
        unseen.add(str(number), number)
    assert list(unseen) == list(range(49, 39, -1))
    assert not unseen.see("1")
    for number in range(2 * SEEN_KEPT):
        unseen.see(f"x{number}")
    assert not unseen.knows("x0")
    assert unseen.knows(f"x{2 * SEEN_KEPT - 1}")


def test_a_flood_of_messages_costs_no_memory() -> None:
    rig = Rig(replace(SETUP, transmit=False))
    for number in range(3000):
        rig.station.hear("vhf", 0, frame_of(SAG, f":{US:9}:text {number}"), rig.now)
    assert len(rig.station._unread) <= 2048


def test_answers_name_who_asked() -> None:
    """The same ask by another client is the same ask; the answer names who asked this time."""
    rig = Rig()
    message = message_in(rig)
    rig.ask(read("r1", message, client="anna"))
    again = rig.ask(read("r1", message, client="ben"))
    assert again.accepted
    assert [record.client for record in rig.of(Answered)] == ["anna", "ben"]

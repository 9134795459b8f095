"""Texts longer than a message: parted, sent, and put together again.

APRS 1.2c ch. 14: 67 characters of text in a message, {MM}AA after it; ch. 3: 256 octets of
information. The form '(1/3) ' is the project's own; that a text comes out as it went in is what the
tests hold it to.
"""

import random
import re
from collections.abc import Sequence

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ridgepost import aprs
from ridgepost.station.asks import Send
from ridgepost.station.records import Answered, Joined, OutboundChanged, Received, State
from ridgepost.station.traffic.parts import (
    MAX_LONG_TEXT,
    MAX_PARTS,
    Parts,
    TooLongError,
    join,
    read_part,
    split,
)
from station.rig import MED, POST, SAG, SETUP, STEADY, US, Rig, message_info

replace = msgspec.structs.replace
LONG = (
    "Bib 214 has a twisted knee at the creek below post 4, can walk with help, two people are "
    "with him; please send the cart up the south road as far as the gate and wait there."
)


def pieces_of(texts: Sequence[str]) -> list[str]:
    parts = [read_part(text) for text in texts]
    return [part.piece for part in parts if part is not None]


# --- parting and joining --------------------------------------------------------------------------


def test_people_can_read_the_parts() -> None:
    assert split(LONG) == [
        "(1/3) Bib 214 has a twisted knee at the creek below post 4, can",
        "(2/3) walk with help, two people are with him; please send the",
        "(3/3) cart up the south road as far as the gate and wait there.",
    ]
    assert join(pieces_of(split(LONG))) == LONG


texts = st.one_of(
    st.text(st.sampled_from("ab c"), min_size=68, max_size=560),
    st.text(st.sampled_from("a \N{BICYCLE}\U0001f6b4é"), min_size=68, max_size=400),
    st.lists(
        st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), max_size=70),
        min_size=10,
    )
    .map(" ".join)
    .filter(lambda text: len(text) > 67),
)


@given(texts)
def test_what_is_parted_comes_out_as_it_went_in(text: str) -> None:
    """Up to the number of blanks at a joint, and to the letter where a word is parted."""
    try:
        parts = split(text)
    except TooLongError:
        return
    assert 2 <= len(parts) <= MAX_PARTS
    joined = join(pieces_of(parts))
    assert re.sub(" +", " ", joined) == re.sub(" +", " ", text)
    for part in parts:
        assert len(part) <= 67
        assert len(message_info(SAG, part, "MM}AA").encode()) <= 256


@given(st.lists(st.text(st.sampled_from("abc\N{BICYCLE}"), min_size=3, max_size=40), min_size=18))
def test_words_stay_whole_where_they_can(words: list[str]) -> None:
    text = " ".join(words)
    try:
        pieces = pieces_of(split(text))
    except TooLongError:
        return
    assert [word for piece in pieces for word in piece.split(" ")] == words


def test_a_word_longer_than_a_message_is_parted_where_it_is_full() -> None:
    """61 characters are left beside '(1/3) '."""
    word = "x" * 130
    assert split(word) == ["(1/3) " + "x" * 61, "(2/3) " + "x" * 61, "(3/3) " + "x" * 8]
    assert join(pieces_of(split(word))) == word
    for text in (f"a {word}", f"{word} b", "x" * 61 + " y" * 10, "x" * 60 + " y" * 10):
        assert join(pieces_of(split(text))) == text


def test_the_longest_text() -> None:
    assert MAX_LONG_TEXT == 9 * 61
    assert len(split("x" * MAX_LONG_TEXT)) == 9
    with pytest.raises(TooLongError, match="9 messages of 67 characters"):
        split("x" * (MAX_LONG_TEXT + 1))


@pytest.mark.parametrize(
    "text",
    [
        *("", "(1/3)", "(1/3) ", "(0/3) x", "(4/3) x", "(1/1) x", "(1/10) x", "(1/3)x"),
        *("x (1/3) y", "( 1/3) x", "(\N{ARABIC-INDIC DIGIT ONE}/3) x"),
    ],
)
def test_what_is_no_part(text: str) -> None:
    assert read_part(text) is None


# --- putting together -----------------------------------------------------------------------------


def memory(limit: int = 10) -> Parts:
    return Parts(7200.0, limit)


PARTS = split(LONG)
NUMBERS = ["0Z}", "10}", "11}"]
"""As ours follow each other: 36 digits, the letters after the figures."""


@given(st.permutations([0, 1, 2]), st.lists(st.integers(0, 2), max_size=5))
def test_in_any_order_and_more_than_once(order: list[int], again: list[int]) -> None:
    parts = memory()
    found: list[Joined] = []
    for place in [order[0], *[p for p in again if p == order[0]], *order[1:]]:
        joined = parts.hear(SAG, US, PARTS[place], NUMBERS[place], f"m{place}", 0.0)
        found += [joined] if joined else []
    assert found == [Joined(source=SAG, to=US, text=LONG, parts=["m0", "m1", "m2"])]
    assert len(parts) == 0


def test_two_texts_of_one_sender_are_never_mixed() -> None:
    """The second one is more urgent and goes in between."""
    urgent = split("URGENT " + LONG)
    assert len(urgent) == len(PARTS)
    parts = memory()
    heard = [
        (PARTS[0], "A1"),
        (urgent[0], "A4"),
        (urgent[1], "A5"),
        (PARTS[1], "A2"),
        (PARTS[2], "A3"),
        (urgent[2], "A6"),
    ]
    joined = [parts.hear(SAG, US, text, number, number, 0.0) for text, number in heard]
    assert [j.text if j else None for j in joined] == [*4 * [None], LONG, "URGENT " + LONG]


def test_a_lost_part_is_not_made_up_for_by_another_text() -> None:
    other = split("URGENT " + LONG)
    parts = memory()
    for text, number in [(PARTS[0], "A1"), (PARTS[1], "A2"), (other[2], "A6")]:
        assert parts.hear(SAG, US, text, number, number, 0.0) is None


def test_two_senders_and_two_addressees() -> None:
    parts = memory()
    for source, to in [(SAG, US), (POST, US), (SAG, "QST")]:
        assert parts.hear(source, to, PARTS[0], "A1", "m", 0.0) is None
    assert parts.hear(POST, US, PARTS[1], "A2", "m", 0.0) is None
    joined = parts.hear(POST, US, PARTS[2], "A3", "m", 0.0)
    assert joined is not None
    assert joined.source == POST


def test_without_numbers_the_latest_count() -> None:
    parts = memory()
    parts.hear(SAG, US, "(1/2) old", "", "m0", 0.0)
    parts.hear(SAG, US, "(1/2) new", "", "m1", 1.0)
    joined = parts.hear(SAG, US, "(2/2) text", "", "m2", 2.0)
    assert joined is not None
    assert (joined.text, joined.parts) == ("new text", ["m1", "m2"])


def test_numbers_go_round() -> None:
    parts = memory()
    parts.hear(SAG, US, "(1/2) one", "ZZ}", "m1", 0.0)
    joined = parts.hear(SAG, US, "(2/2) two", "00}", "m2", 0.0)
    assert joined is not None
    assert joined.text == "one two"


def test_parts_wait_for_so_long() -> None:
    parts = memory()
    parts.hear(SAG, US, PARTS[0], NUMBERS[0], "m", 0.0)
    parts.hear(SAG, US, PARTS[1], NUMBERS[1], "m", 7000.0)
    assert parts.hear(SAG, US, PARTS[2], NUMBERS[2], "m", 14200.0) is None
    assert len(parts) == 1, "the first two are forgotten"


def test_memory_is_bounded() -> None:
    parts = memory(limit=10)
    for number in range(1000):
        parts.hear(SAG, US, f"(1/9) {number}", f"{number}", "m", 0.0)
    assert len(parts) == 10
    for number in range(1000):
        parts.hear(SAG, US, f"(1/9) {number}", "", "m", 0.0)
    assert len(parts) <= 10


@given(st.text(max_size=80), st.text(max_size=6))
def test_anything_may_be_heard(text: str, number: str) -> None:
    parts = memory()
    parts.hear(SAG, US, text, number, "m", 0.0)
    parts.hear(SAG, US, f"(1/2) {text}", number, "m", 0.0)
    parts.hear(SAG, US, f"(2/2) {text}", number, "m", 0.0)
    assert len(parts) <= 3


# --- from the ask to the frames -------------------------------------------------------------------


def ask(rig: Rig, text: str = LONG, request: str = "r1") -> Answered:
    return rig.ask(Send(request=request, to=SAG, text=text))


def test_accepted_as_several_and_each_is_sent_in_turn() -> None:
    rig = Rig()
    answer = ask(rig)
    assert answer.accepted
    assert answer.message == answer.messages[0]
    assert len(set(answer.messages)) == 3
    for place, message in enumerate(answer.messages):
        assert rig.sent[-1].info.startswith(message_info(SAG, PARTS[place], ""))
        rig.advance(2)
        rig.hear_ack(SAG, rig.number(message))
        rig.advance(2)
        assert rig.state(message) is State.ACKNOWLEDGED
    assert rig.station.open_messages == 0


def test_a_text_that_fits_is_one_message_and_names_no_others() -> None:
    rig = Rig()
    answer = ask(rig, "x" * 67)
    assert (answer.accepted, answer.messages) == (True, [])
    assert rig.station.open_messages == 1


def test_few_characters_of_many_octets_are_parted_too() -> None:
    """67 characters of four octets are 268."""
    rig = Rig()
    answer = ask(rig, "\U0001f6b4" * 67)
    assert len(answer.messages) == 2
    frame = rig.sent[0].frame
    report = aprs.decode(frame.info, frame.source, frame.destination)
    assert isinstance(report, aprs.Message)
    assert (report.text_encoding, report.departures) == ("utf-8", ())


def test_all_parts_or_none() -> None:
    rig = Rig(tuning=replace(STEADY, open_messages=2))
    answer = ask(rig)
    assert (answer.accepted, "full" in answer.why) == (False, True)
    assert rig.station.open_messages == 0
    assert not rig.sent


def test_no_numbers_left_for_all_parts() -> None:
    rig = Rig(tuning=replace(STEADY, numbers_memory=2))
    answer = ask(rig)
    assert not answer.accepted
    assert rig.station.open_messages == 0
    assert not rig.sent


def test_cancelling_the_first_cancels_what_is_open() -> None:
    rig = Rig()
    first, *others = ask(rig).messages
    rig.advance(1)
    rig.hear_ack(SAG, rig.number(first))
    answer = rig.cancel(first)
    assert (answer.accepted, answer.message, answer.messages) == (True, first, others)
    assert [rig.state(message) for message in (first, *others)] == [
        State.ACKNOWLEDGED,
        State.CANCELLED,
        State.CANCELLED,
    ]
    assert not rig.cancel(first).accepted


def test_cancelling_another_part_leaves_the_rest() -> None:
    rig = Rig()
    first, second, third = ask(rig).messages
    answer = rig.cancel(second)
    assert (answer.accepted, answer.messages) == (True, [])
    assert [rig.state(m).settled for m in (first, second, third)] == [False, True, False]


def test_cancelling_after_a_restart() -> None:
    rig = Rig()
    messages = ask(rig).messages
    rig.restart()
    assert rig.cancel(messages[0]).messages == messages
    assert {rig.state(message) for message in messages} == {State.CANCELLED}


def test_the_same_request_is_parted_once() -> None:
    rig = Rig()
    assert ask(rig).messages == ask(rig).messages
    assert len({change.message for change in rig.of(OutboundChanged)}) == 3


# --- from the frames to the whole -----------------------------------------------------------------


def shown(rig: Rig) -> list[str]:
    """The names of the messages shown: each entry's own."""
    return [
        f"a1b2c3.{entry.run}.{entry.seq}"
        for entry in rig.entries
        if isinstance(entry.record, Received)
    ]


def test_heard_out_of_order_and_repeated() -> None:
    rig = Rig()
    for place in (2, 0, 0, 1, 1):
        rig.hear_message(SAG, PARTS[place], NUMBERS[place])
        rig.advance(40)
    (joined,) = rig.of(Joined)
    third, first, second = shown(rig)
    assert joined == Joined(source=SAG, to=US, text=LONG, parts=[first, second, third])
    for number in NUMBERS:
        assert rig.acks(SAG, number), "each part is acknowledged as any message"


def test_parts_from_before_and_after_a_restart() -> None:
    rig = Rig()
    rig.hear_message(SAG, PARTS[0], NUMBERS[0])
    rig.hear_message(SAG, PARTS[2], NUMBERS[2])
    rig.restart()
    rig.hear_message(SAG, PARTS[1], NUMBERS[1])
    (joined,) = rig.of(Joined)
    first, third, second = shown(rig)
    assert (joined.text, joined.parts) == (LONG, [first, second, third])


def test_what_was_whole_before_a_restart_is_not_told_again() -> None:
    rig = Rig()
    for place in range(3):
        rig.hear_message(SAG, PARTS[place], NUMBERS[place])
    rig.restart()
    rig.hear_message(SAG, PARTS[0], NUMBERS[0])
    assert len(rig.of(Joined)) == 1


@pytest.mark.parametrize("seed", range(5))
def test_one_station_of_ours_to_another(seed: int) -> None:
    """What one sends the other puts together, whichever numbers and whichever frames get lost."""
    chance = random.Random(seed)
    sender = Rig(replace(SETUP, callsign=MED), seed=seed)
    receiver = Rig()
    answer = sender.ask(Send(request="r1", to=US, text=LONG * 2, lifetime_s=86400.0))
    assert len(answer.messages) == 6
    there = back = 0
    for step in range(1000):
        if step % 40 == 0:
            sender.hear_beacon(US)
        sender.advance(5)
        receiver.advance(5)
        for sent in sender.sent[there:]:
            if chance.random() < 0.6:
                receiver.hear(sent.octets)
        there = len(sender.sent)
        for sent in receiver.sent[back:]:
            if chance.random() < 0.6:
                sender.hear(sent.octets)
        back = len(receiver.sent)
    assert {sender.state(message) for message in answer.messages} == {State.ACKNOWLEDGED}
    (joined,) = receiver.of(Joined)
    assert joined.text == LONG * 2
    assert joined.source == MED

"""The small parts by themselves: the agenda against a plain list, numbers, and what a long log
comes down to."""

import itertools
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ridgepost.station.agenda import Agenda
from ridgepost.station.board import LINES_KEPT
from ridgepost.station.recall import Recall
from ridgepost.station.records import (
    AnyRecord,
    BulletinHeard,
    OutboundChanged,
    Precedence,
    Received,
    State,
)
from ridgepost.station.traffic.numbers import NoNumberError, Numbers
from ridgepost.station.traffic.reply_acks import STATIONS_KEPT, ReplyAcks
from station.rig import SAG, other

# --- agenda -------------------------------------------------------------------------------------

steps = st.one_of(
    st.tuples(st.just("put"), st.integers(0, 9), st.floats(0, 5)),
    st.tuples(st.just("drop"), st.integers(0, 9), st.just(0.0)),
    st.tuples(st.just("pop"), st.just(0), st.just(0.0)),
    st.tuples(st.just("clear"), st.just(0), st.just(0.0)),
)


@given(st.lists(steps, max_size=200))
def test_an_agenda_is_a_sorted_list(script: list[tuple[str, int, float]]) -> None:
    agenda: Agenda[int, float] = Agenda()
    model: list[tuple[float, int, int]] = []
    for count, (step, key, priority) in enumerate(script):
        without_key = [item for item in model if item[2] != key]
        if step == "put":
            agenda.put(key, priority)
            model = sorted([*without_key, (priority, count, key)])
        elif step == "drop":
            agenda.drop(key)
            model = without_key
        elif step == "pop" and model:
            assert agenda.pop() == model.pop(0)[2]
        elif step == "clear":
            assert sorted(agenda.pop_all()) == sorted(item[2] for item in model)
            model = []
        assert len(agenda) == len(model)
        assert agenda.first() == ((model[0][0], model[0][2]) if model else None)


def test_an_empty_agenda() -> None:
    agenda: Agenda[str, float] = Agenda()
    assert not agenda
    with pytest.raises(IndexError):
        agenda.pop()


def test_moving_and_dropping_leave_nothing_behind() -> None:
    """A message that is put off a million times takes no more room than one that never was."""
    agenda: Agenda[str, float] = Agenda()
    agenda.put("stays", 0.0)
    for number in range(100_000):
        agenda.put("moves", float(number))
        agenda.put(f"goes {number}", 1e9)
        agenda.drop(f"goes {number}")
        assert len(agenda._heap) < 100  # what it is about
    assert len(agenda) == 2


# --- numbers ------------------------------------------------------------------------------------


def test_numbers_go_round_in_turn() -> None:
    numbers = Numbers(100.0, 5000, random.Random(1))
    given_out = []
    for step in range(1500):
        number = numbers.take(SAG, step * 1.0)
        numbers.note(SAG, number, step * 1.0)
        given_out.append(number)
    assert all(len(number) == 2 for number in given_out)
    assert len(set(given_out[:1296])) == 1296
    assert given_out[1296:] == given_out[:204]


def test_a_number_is_free_for_others() -> None:
    """It only has to be told from others to the same station."""
    numbers = Numbers(100.0, 5000, random.Random(1))
    numbers.note("QZ1AAA", "ZZ", 0.0)
    numbers.note(SAG, "ZY", 0.0)
    assert numbers.take(SAG, 1.0) == "ZZ"
    assert numbers.take("QZ1AAA", 1.0) == "00"


def test_all_numbers_to_one_station() -> None:
    """36^2 + 36^3 of them; then none, until the first is free again."""
    numbers = Numbers(100.0, 100_000, random.Random(1))
    for number in map("".join, itertools.product("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ", repeat=2)):
        numbers.note(SAG, number, 0.0)
    assert len(numbers.take(SAG, 1.0)) == 3
    for number in map("".join, itertools.product("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ", repeat=3)):
        numbers.note(SAG, number, 50.0)
    with pytest.raises(NoNumberError):
        numbers.take(SAG, 99.0)
    assert len(numbers.take(other(1), 99.0)) == 2
    assert len(numbers.take(SAG, 100.0)) == 2


def test_numbers_of_a_log_longer_than_the_memory() -> None:
    numbers = Numbers(100.0, 10, random.Random(1))
    for count in range(100):
        numbers.note(other(count), "AA", 0.0)
        assert len(numbers._used) <= 10  # what it is about
    with pytest.raises(NoNumberError, match="10 messages"):
        numbers.take(SAG, 1.0)


def test_reply_acks_are_bounded() -> None:
    reply_acks = ReplyAcks(600.0)
    for number in range(5000):
        reply_acks.note(other(number), "12", 0.0)
    assert len(reply_acks) == STATIONS_KEPT
    assert reply_acks.for_addressee(other(4999), 1.0) == "12"
    assert reply_acks.for_addressee(other(0), 1.0) is None


# --- a long log ---------------------------------------------------------------------------------


def change(message: str, state: State) -> OutboundChanged:
    return OutboundChanged(
        message=message,
        to=SAG,
        text="hello",
        number="12",
        precedence=Precedence.ROUTINE,
        state=state,
        why="",
        expires_in_s=60.0,
    )


def line(number: int, text: str) -> BulletinHeard:
    return BulletinHeard(source=other(number), line="BLN1", text=text, heard=1)


def test_of_the_distant_past_only_what_is_not_settled() -> None:
    old: list[AnyRecord] = [
        change("a", State.QUEUED),
        change("b", State.QUEUED),
        change("a", State.SENDING),
        line(1, "old"),
        line(2, "other"),
        Received(source=SAG, to="QZ1HUB", text="hello", heard=1),
        change("b", State.ACKNOWLEDGED),
        line(1, "new"),
        change("c", State.QUEUED),
    ]
    recent: list[AnyRecord] = [
        change("a", State.EXPIRED),
        Received(source=SAG, to="QZ1HUB", text="hello again", heard=2),
        change("d", State.CANCELLED),
    ]
    recall = Recall(100.0)
    passed_on = [dated for record in old for dated in recall.take(record, 50.0)]
    assert passed_on == []
    for record in recent:
        passed_on += recall.take(record, 100.0)
    passed_on += recall.rest()
    assert [record for record, _ in passed_on] == [
        change("a", State.SENDING),
        change("c", State.QUEUED),
        line(2, "other"),
        line(1, "new"),
        *recent,
    ]
    assert [at_s for _, at_s in passed_on] == [50.0] * 4 + [100.0] * 3


def test_a_log_without_a_recent_past() -> None:
    recall = Recall(100.0)
    assert recall.take(change("a", State.WAITING), 1.0) == []
    assert recall.rest() == [(change("a", State.WAITING), 1.0)]
    assert recall.rest() == []


def test_memory_does_not_follow_the_length_of_the_log() -> None:
    recall = Recall(1e9)
    for number in range(5000):
        recall.take(change(f"m{number}", State.QUEUED), 0.0)
        recall.take(change(f"m{number}", State.EXPIRED), 1.0)
        recall.take(line(number, "text"), 1.0)
    assert len(recall.rest()) == LINES_KEPT

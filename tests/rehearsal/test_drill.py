"""The rehearsal: the real service, played in virtual time, and an account that would show a lie."""

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest

from ridgepost.logbook.book import Logbook
from ridgepost.logbook.storage import LogbookError
from ridgepost.rehearsal import drill
from ridgepost.rehearsal.drill import Drill, DrillError
from ridgepost.rehearsal.reckoning import Evidence, Reckoning, median_s, reckon
from ridgepost.rehearsal.scenario import Scenario, trail_race
from ridgepost.station.records import (
    AckSent,
    CopiesHeard,
    Heard,
    OutboundChanged,
    Received,
    State,
)

LENGTH_S = 300.0


def opening(seed: int) -> Scenario:
    """The first minutes of the race."""
    race = trail_race(seed)
    asks = tuple(ask for ask in race.asks if ask.at_s < LENGTH_S)
    return msgspec.structs.replace(race, end_s=LENGTH_S, asks=asks)


async def play(scenario: Scenario, folder: Path) -> tuple[Reckoning, list[tuple[str, Any]]]:
    seen: list[tuple[str, Any]] = []

    def on_bus(topic: str, payload: dict[str, Any]) -> None:
        # The log's own name is drawn anew for each log, and is part of every id.
        content = {
            key: value
            for key, value in payload.items()
            if key not in ("id", "of", "log", "message")
        }
        if not topic.startswith(("answer/", "presence", "copies", "unread")):
            seen.append((topic.rpartition("/")[0], content))

    return await Drill(scenario, folder, on_bus=on_bus).run(), seen


async def test_the_same_seed_gives_the_same_event(tmp_path: Path) -> None:
    """Reproducible by seed, to the frame and the millisecond (the rehearsal's promise)."""
    first, first_seen = await play(opening(3), tmp_path / "first")
    again, again_seen = await play(opening(3), tmp_path / "again")
    assert first == again
    assert first_seen == again_seen
    assert first.reconciled
    assert first.frames_heard > 20, "nothing happened, so nothing was compared"
    assert first.outgoing
    assert first.received


async def test_another_seed_gives_another_event(tmp_path: Path) -> None:
    first, _ = await play(opening(4), tmp_path / "first")
    other, _ = await play(opening(5), tmp_path / "other")
    assert (first.frames_heard, first.airtime_s) != (other.frames_heard, other.airtime_s)


async def test_a_logbook_in_use_is_said_in_one_sentence(tmp_path: Path) -> None:
    book = await Logbook.open(tmp_path)
    try:
        with pytest.raises(LogbookError, match="in use"):
            await Drill(opening(3), tmp_path).run()
    finally:
        await book.close()


async def test_a_station_that_hangs_ends_the_rehearsal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(drill, "SETTLE_TIMEOUT_S", 0.0)
    with pytest.raises(DrillError, match="waited"):
        await Drill(opening(3), tmp_path).run()


# -- an account that would show a lie -------------------------------------------------------------


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Evidence:
    """One rehearsal, whose evidence each of the tests below spoils in its own way."""
    played = Drill(opening(6), tmp_path_factory.mktemp("log"))
    assert asyncio.run(played.run()).reconciled
    return played.evidence


def lose(kind: type) -> Callable[[Evidence], Evidence]:
    """The log lacks one record of this kind."""

    def spoil(evidence: Evidence) -> Evidence:
        entries = list(evidence.entries)
        last = max(i for i, entry in enumerate(entries) if isinstance(entry.record, kind))
        del entries[last]
        return msgspec.structs.replace(evidence, entries=entries)

    return spoil


def lose_outcome(evidence: Evidence) -> Evidence:
    """The log lacks the end of one message."""
    entries = [
        entry
        for entry in evidence.entries
        if not (isinstance(entry.record, OutboundChanged) and entry.record.state.settled)
    ]
    assert len(entries) < len(evidence.entries)
    return msgspec.structs.replace(evidence, entries=entries)


def change(kind: type, **fields: object) -> Callable[[Evidence], Evidence]:
    """The log has one record of this kind with other contents."""

    def spoil(evidence: Evidence) -> Evidence:
        entries = list(evidence.entries)
        last = max(i for i, entry in enumerate(entries) if isinstance(entry.record, kind))
        record = msgspec.structs.replace(entries[last].record, **fields)
        entries[last] = msgspec.structs.replace(entries[last], record=record)
        return msgspec.structs.replace(evidence, entries=entries)

    return spoil


def quiet_bus(topic: str) -> Callable[[Evidence], Evidence]:
    """The bus client was not told something that the log has."""

    def spoil(evidence: Evidence) -> Evidence:
        witness = msgspec.structs.replace(evidence.witness)
        match topic:
            case "in":
                witness.inbound = witness.inbound[:-1]
            case "out":
                key, told = next(iter(witness.outbound.items()))
                witness.outbound = witness.outbound | {key: told[:-1]}
            case "any":
                witness.seqs = witness.seqs[:-1]
        return msgspec.structs.replace(evidence, witness=witness)

    return spoil


def unsent_frame(evidence: Evidence) -> Evidence:
    """The log claims a transmission that was never on the air."""
    return msgspec.structs.replace(evidence, on_air=evidence.on_air[1:])


@pytest.mark.parametrize(
    ("spoil", "figure"),
    [
        (lose(Heard), "frames heard"),
        (lose(CopiesHeard), "frames heard"),
        (lose(Received), "messages received"),
        (lose(AckSent), "frames sent, octet by octet"),
        (lose(AckSent), "own airtime"),
        (lose_outcome, "outcome of each message"),
        (lose(Heard), "entries for the bus"),
        (change(Received, text="never written"), "each of them"),
        (change(CopiesHeard, copies=99), "frames heard"),
        (lose(CopiesHeard), "copies among them"),
        (lose(AckSent), "acks among them"),
        (change(OutboundChanged, state=State.ACKNOWLEDGED, to="QZ1NIL"), "acknowledged messages"),
        (quiet_bus("in"), "messages received"),
        (quiet_bus("out"), "outcome of each message"),
        (quiet_bus("any"), "entries for the bus"),
        (unsent_frame, "frames sent, octet by octet"),
    ],
)
def test_a_log_that_lies_is_shown(
    played: Evidence, spoil: Callable[[Evidence], Evidence], figure: str
) -> None:
    """Each figure is held against somebody who knows better, so a wrong one is noticed."""
    reckoning = reckon(spoil(played))
    assert not reckoning.reconciled
    assert figure in [check.figure for check in reckoning.checks if not check.agrees]


def test_times_to_acknowledgement_are_held_against_the_bus(played: Evidence) -> None:
    entries = [
        msgspec.structs.replace(
            entry, at=msgspec.structs.replace(entry.at, mono_s=entry.at.mono_s + 0.01)
        )
        if isinstance(entry.record, OutboundChanged) and entry.record.state is State.ACKNOWLEDGED
        else entry
        for entry in played.entries
    ]
    reckoning = reckon(msgspec.structs.replace(played, entries=entries))
    wrong = [check.figure for check in reckoning.checks if not check.agrees]
    assert wrong == ["times to acknowledgement"]


def test_median() -> None:
    """The middle value, or the mean of the two middle ones (common practice)."""
    assert median_s([]) is None
    assert median_s([1.0, 2.0, 9.0]) == 2.0
    assert median_s([1.0, 2.0, 4.0, 9.0]) == 3.0

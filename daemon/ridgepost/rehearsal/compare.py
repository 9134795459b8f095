"""Delivery policies measured on the same channel with the same seeds.

Three experiments. `messages`: one pair with some time between its messages, and other traffic.
`back-to-back`: one pair that always has the next message ready. `many pairs`: several pairs and
no other traffic. Each run of a policy under one condition with one seed is a job of its own, so
that all processors work; what a run gives depends on the job alone.
"""

import random
from collections.abc import Callable, Sequence
from typing import Literal

import msgspec

from ridgepost.rehearsal.cell import Absence, Cell, Scene
from ridgepost.rehearsal.channel import Bursts, Channel
from ridgepost.rehearsal.observer import Exchange, Observer
from ridgepost.rehearsal.policies import (
    DOUBLING,
    FIXED,
    ORACLE,
    ORACLE_BY_EAR,
    ORACLE_NO_WINDOW,
    ORACLE_TO_PLAIN,
    OWN,
    OWN_TO_PLAIN,
    OWN_TWO,
    POLICIES,
    TRIES,
    Mailer,
    Policy,
    Watcher,
    put_on_air,
)
from ridgepost.rehearsal.statistics import Figure, over_runs, quantile, ratio, share_of
from ridgepost.rehearsal.talk import Talk
from ridgepost.rehearsal.workers import play_all

LOADS = (0.1, 0.3, 0.5, 0.7)
"""Of the first condition; the others are measured under two of them unless told otherwise."""

FEWER_LOADS = (0.3, 0.7)
SEEDS = 30
HOURS = 1.0
GAP_S = 90.0
BUSY_GAP_S = 30.0
BUSY_PAIRS = (4, 8, 12)
BUSY_STATIONS = 24
BACK_TO_BACK_LOADS = (0.0, 0.1, 0.3, 0.5)

QUEUE = 4
"""Messages that our own station is given ahead in `back-to-back`: whether it has more than one of
them on its way is its own decision."""

STEP_S = 60.0
AFTERGLOW_S = 90.0
"""Time after the last message has ended in which an acknowledgement may still be on its way."""

MAX_TAIL_S = 7200.0
PATIENCE_S = 1800.0
"""How long a message matters where stations come and go; the slowest delivery that is counted."""

DELIVERED_WITHIN_S = (120.0, 300.0, 1800.0)

Experiment = Literal["messages", "back-to-back", "many pairs"]


class Condition(msgspec.Struct, frozen=True, kw_only=True):
    """A scene with a name, and in more words.

    With `at_times` messages are asked for at set times, whatever became of those before; otherwise
    the next one follows some time after the last has ended.
    """

    key: str
    name: str
    title: str
    scene: Scene = Scene()
    policies: tuple[Policy, ...] = POLICIES
    at_times: bool = False


MAIN = (FIXED, DOUBLING, OWN_TO_PLAIN, ORACLE_TO_PLAIN, OWN, ORACLE)

HIDDEN = Condition(
    key="hidden", name="half hidden", title="half of all pairs of stations hidden from each other"
)
NONE_HIDDEN = Condition(
    key="none hidden",
    name="none hidden but the two ends",
    title="only the two ends hidden from each other",
    scene=Scene(hidden_share=0.0),
    policies=MAIN,
)
BURSTS = Condition(
    key="bursts",
    name="half hidden, links fail in bursts",
    title="half hidden, each link dead 15 s out of 135 s on average",
    scene=Scene(bursts=Bursts(mean_good_s=120.0, mean_bad_s=15.0)),
    policies=(FIXED, DOUBLING, OWN_TO_PLAIN, OWN),
)
"""Without the oracle: it spends its tries within a fade, so it is no bound here."""

AWAY = Condition(
    key="away",
    name="half hidden, addressee comes and goes",
    title="half hidden, addressee away 3 to 15 min after 10 min on average",
    scene=Scene(absence=Absence()),
    policies=MAIN,
    at_times=True,
)
CONDITIONS = (HIDDEN, NONE_HIDDEN, BURSTS, AWAY)

BACK_TO_BACK = Condition(
    key="back-to-back",
    name="back to back",
    title="one pair, the next message always ready, half hidden",
    policies=(
        FIXED,
        DOUBLING,
        OWN_TO_PLAIN,
        ORACLE_TO_PLAIN,
        OWN,
        OWN_TWO,
        ORACLE_BY_EAR,
        ORACLE,
        ORACLE_NO_WINDOW,
    ),
)
MANY_PAIRS = Condition(
    key="many pairs",
    name="many pairs",
    title=f"{BUSY_STATIONS} stations, no other traffic, half hidden",
    scene=Scene(stations=BUSY_STATIONS),
    policies=(FIXED, DOUBLING, OWN_TO_PLAIN, OWN),
)


class Row(msgspec.Struct, frozen=True):
    """One row of the comparison: a policy in one situation."""

    experiment: Experiment
    condition: Condition
    policy: Policy
    load: float
    pairs: int = 1


class Job(msgspec.Struct, frozen=True):
    """One run: a row with one seed. `tries` is the most transmissions of one message."""

    row: Row
    seed: int
    hours: float
    tries: int = TRIES


class Run(msgspec.Struct, frozen=True):
    """What one run gave: all messages of each pair, and what they did to the others."""

    seed: int
    hours: float
    pairs: list[list[Exchange]]
    spoilt: int
    busy_share: float

    @property
    def exchanges(self) -> list[Exchange]:
        return [exchange for pair in self.pairs for exchange in pair]


class Outcome(msgspec.Struct, frozen=True):
    """A row's figures over all its runs, by the name of the column."""

    row: Row
    seeds: list[int]
    hours: float
    tries: int
    messages: int
    figures: dict[str, Figure]


# --- what is compared ---------------------------------------------------------------------------


def message_rows(
    loads: Sequence[float] | None = None, conditions: Sequence[Condition] = CONDITIONS
) -> list[Row]:
    """One pair with time between its messages, under each condition and each of its loads."""
    return [
        Row("messages", condition, policy, load)
        for condition in conditions
        for load in loads or (LOADS if condition == HIDDEN else FEWER_LOADS)
        for policy in condition.policies
    ]


def back_to_back_rows(loads: Sequence[float] = BACK_TO_BACK_LOADS) -> list[Row]:
    """One pair that never runs out of messages."""
    return [
        Row("back-to-back", BACK_TO_BACK, policy, load)
        for load in loads
        for policy in BACK_TO_BACK.policies
    ]


def busy_rows(pairs: Sequence[int] = BUSY_PAIRS) -> list[Row]:
    """Pairs that are each other's only traffic."""
    return [
        Row("many pairs", MANY_PAIRS, policy, 0.0, number)
        for number in pairs
        for policy in MANY_PAIRS.policies
    ]


# --- one run ------------------------------------------------------------------------------------


def play(job: Job) -> Run:
    """Play one run to its end, in virtual time."""
    row = job.row
    scene = msgspec.structs.replace(row.condition.scene, load=row.load, pairs=row.pairs)
    cell = Cell(scene, job.seed, duplicate_window_s=row.policy.duplicate_window_s)
    observer = Observer(cell.channel)
    until_s = job.hours * 3600.0
    talks: list[Talk] = []
    watchers: list[Watcher] = []
    for pair in cell.pairs:
        talk, watcher = _put_pair(job, cell, observer, pair, until_s)
        talks.append(talk)
        if watcher is not None:
            watchers.append(watcher)
    channel = cell.channel
    step = _step_by_step if watchers else _in_strides
    step(channel, observer, watchers, until_s)
    busy_share = channel.busy_s / until_s
    while not all(talk.over for talk in talks) and channel.now_s < until_s + MAX_TAIL_S:
        step(channel, observer, watchers, channel.now_s + STEP_S)
    step(channel, observer, watchers, channel.now_s + AFTERGLOW_S)
    by_sender: dict[str, list[Exchange]] = {sender: [] for sender, _ in cell.pairs}
    for (sender, _), exchange in observer.exchanges.items():
        by_sender[sender].append(exchange)
    return Run(job.seed, job.hours, list(by_sender.values()), observer.spoilt, busy_share)


def _put_pair(
    job: Job, cell: Cell, observer: Observer, pair: tuple[str, str], until_s: float
) -> tuple[Talk, Watcher | None]:
    """A pair's stations on the air, and what its sender has to say."""
    row = job.row
    mailers: list[Mailer] = []
    sender, to = pair

    def say(text: str) -> None:
        observer.asked(sender, to, text)
        mailers[0].send(text)

    talk = Talk(
        cell.channel,
        cell.rng(f"talk/{sender}"),
        say,
        mean_gap_s=_GAP_S[row.experiment],
        until_s=until_s,
        at_times=row.condition.at_times,
        ahead=QUEUE if row.experiment == "back-to-back" and row.policy.sender == "own" else 1,
    )
    mailer, watcher = put_on_air(
        row.policy,
        cell,
        pair,
        tries=job.tries,
        lifetime_s=PATIENCE_S if row.condition.at_times else None,
        on_end=talk.ended,
    )
    mailers.append(mailer)
    talk.begin()
    return talk, watcher


_Step = Callable[[Channel, Observer, list[Watcher], float], None]


def _step_by_step(
    channel: Channel, observer: Observer, watchers: list[Watcher], to_s: float
) -> None:
    """Event by event: the watchers see what happened before anything else does."""
    while (next_s := channel.next_event_s()) is not None and next_s <= to_s:
        for happening in channel.advance(next_s):
            observer.note(happening)
            for watch in watchers:
                watch(happening)
    channel.advance(to_s)


def _in_strides(
    channel: Channel, observer: Observer, _watchers: list[Watcher], to_s: float
) -> None:
    while channel.now_s < to_s:
        observer.note_all(channel.advance(min(channel.now_s + STEP_S, to_s)))


# --- all runs -----------------------------------------------------------------------------------


def compare(
    rows: Sequence[Row],
    seeds: Sequence[int],
    *,
    hours: float = HOURS,
    tries: int = TRIES,
    workers: int | None = None,
    on_progress: Callable[[int, int], None] = lambda _done, _all: None,
) -> list[Outcome]:
    """Play every row with every seed and sum up; the outcomes are in the order of the rows.

    `workers` processes work at a time (1: this one; None: one for each processor); their number
    changes nothing in the result. `on_progress` is told how many runs of how many are over.
    """
    jobs = [Job(row, seed, hours, tries) for row in rows for seed in seeds]
    runs = play_all(play, jobs, workers=workers, on_progress=on_progress)
    outcomes = []
    for number, row in enumerate(rows):
        own = runs[number * len(seeds) : (number + 1) * len(seeds)]
        outcomes.append(sum_up(row, own, hours=hours, tries=tries))
    return outcomes


# --- figures ------------------------------------------------------------------------------------


def sum_up(row: Row, runs: Sequence[Run], *, hours: float, tries: int) -> Outcome:
    """A row's figures. The chance of the intervals is the row's own, so that they repeat."""
    name = f"{row.experiment}/{row.condition.key}/{row.policy.key}/{row.load}/{row.pairs}"
    figures: dict[str, Figure] = {}
    asked = [len(run.exchanges) for run in runs]
    for column, holds in _SHARES.items():
        good = [sum(map(holds, run.exchanges)) for run in runs]
        figures[column] = share_of(good, asked)
    for column, figure in _QUANTITIES.items():
        rng = random.Random(f"{name}/{column}")  # noqa: S311 - a simulation, not a secret
        figures[column] = over_runs(runs, figure, rng)
    return Outcome(row, [run.seed for run in runs], hours, tries, sum(asked), figures)


def _within(limit_s: float) -> Callable[[Exchange], bool]:
    return lambda exchange: (
        exchange.delivered_s is not None and exchange.delivered_s - exchange.asked_s <= limit_s
    )


_SHARES: dict[str, Callable[[Exchange], bool]] = {
    **{f"delivered_within_{limit_s:.0f}_s": _within(limit_s) for limit_s in DELIVERED_WITHIN_S},
    "delivered": lambda exchange: exchange.delivered_s is not None,
    "acked": lambda exchange: exchange.acked_s is not None,
}


def _to_ack(share: float) -> Callable[[Sequence[Run]], float | None]:
    def figure(runs: Sequence[Run]) -> float | None:
        return quantile(
            sorted(
                exchange.acked_s - exchange.asked_s
                for run in runs
                for exchange in run.exchanges
                if exchange.acked_s is not None
            ),
            share,
        )

    return figure


def _per_delivered(
    amount: Callable[[Run], float],
) -> Callable[[Sequence[Run]], float | None]:
    def figure(runs: Sequence[Run]) -> float | None:
        delivered = sum(
            exchange.delivered_s is not None for run in runs for exchange in run.exchanges
        )
        return ratio(sum(map(amount, runs)), delivered)

    return figure


def _per_message(runs: Sequence[Run]) -> float | None:
    exchanges = [exchange for run in runs for exchange in run.exchanges]
    return ratio(sum(exchange.tries for exchange in exchanges), len(exchanges))


def _acked_in_time(run: Run, pair: Sequence[Exchange]) -> int:
    until_s = run.hours * 3600.0
    return sum(one.acked_s is not None and one.acked_s <= until_s for one in pair)


def _acked_per_minute(runs: Sequence[Run]) -> float | None:
    acked = sum(_acked_in_time(run, pair) for run in runs for pair in run.pairs)
    return ratio(acked, sum(run.hours for run in runs) * 60.0)


def _worst_pair(runs: Sequence[Run]) -> float | None:
    """The worst pair's acknowledged messages as a share of the mean pair's, averaged over runs."""
    shares = []
    for run in runs:
        acked = [_acked_in_time(run, pair) for pair in run.pairs]
        share = ratio(min(acked) * len(acked), sum(acked))
        if share is not None:
            shares.append(share)
    return ratio(sum(shares), len(shares))


def _busy(runs: Sequence[Run]) -> float | None:
    return ratio(sum(run.busy_share for run in runs), len(runs))


_QUANTITIES: dict[str, Callable[[Sequence[Run]], float | None]] = {
    "median_to_ack_s": _to_ack(0.5),
    "p95_to_ack_s": _to_ack(0.95),
    "airtime_s_per_delivered": _per_delivered(
        lambda run: sum(exchange.airtime_s for exchange in run.exchanges)
    ),
    "sender_airtime_s_per_delivered": _per_delivered(
        lambda run: sum(exchange.sender_airtime_s for exchange in run.exchanges)
    ),
    "spoilt_frames_per_delivered": _per_delivered(lambda run: run.spoilt),
    "tries_per_message": _per_message,
    "acked_per_minute": _acked_per_minute,
    "worst_pair_share": _worst_pair,
    "channel_busy_share": _busy,
}

_GAP_S: dict[Experiment, float] = {
    "messages": GAP_S,
    "back-to-back": 0.0,
    "many pairs": BUSY_GAP_S,
}


# --- for programs -------------------------------------------------------------------------------


def record(outcome: Outcome) -> dict[str, object]:
    """An outcome as plain data: what was played, and each figure with its interval."""
    row = outcome.row
    return {
        "experiment": row.experiment,
        "condition": row.condition.key,
        "policy": row.policy.key,
        "load": row.load,
        "pairs": row.pairs,
        "tries_limit": outcome.tries,
        "hours_per_seed": outcome.hours,
        "seeds": outcome.seeds,
        "messages": outcome.messages,
        **{
            name: {"value": figure.value, "low": figure.low, "high": figure.high}
            for name, figure in outcome.figures.items()
        },
    }

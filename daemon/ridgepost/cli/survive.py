"""`ridgepost rehearse --survive`: drills in which our stations die and nothing may go wrong."""

import math
import time
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from ridgepost.cli.output import FAILED, INTERRUPTED, fail
from ridgepost.cli.progress import Progress

if TYPE_CHECKING:
    from ridgepost.rehearsal.survival import Outcome

TOLD = 20
"""Violations that are told one by one; who mends one of them mostly mends many."""

_Command = TypeVar("_Command", bound=Callable[..., Any])


def option(command: _Command) -> _Command:
    """The option that turns a rehearsal into these drills."""
    return click.option(
        "--survive",
        is_flag=True,
        help="Instead of the race: kill our stations again and again under hard conditions, and "
        "check that no message is lost, doubled or sent in vain; --hours is the time of all "
        "drills together, 1000 for the long run.  [default: each condition once]",
    )(command)


def run(*, seed: int, hours: float | None) -> None:
    """Play the drills, print the table, and end: with 1 if anything was found."""
    from ridgepost.rehearsal import survival
    from ridgepost.rehearsal.hardship import CONDITIONS

    seeds, length_s = _split(seed, hours)
    click.echo(
        f"{len(CONDITIONS)} conditions, {len(seeds)} x {length_s / 3600:.3g} h of each "
        f"(seeds {seeds[0]} to {seeds[-1]}); nothing is transmitted."
    )
    progress = Progress("drills")
    began_s = time.monotonic()
    try:
        outcomes = survival.survive(seeds, length_s, on_progress=progress.show)
    except KeyboardInterrupt:
        progress.clear()
        fail("drills broken off", INTERRUPTED)
    progress.clear()
    for line in table(outcomes):
        click.echo(line)
    click.echo()
    click.echo(f"Played in {time.monotonic() - began_s:.0f} s.")
    again = "" if hours is None or length_s == survival.DRILL_S else f" --hours {hours:g}"
    for line in findings(outcomes, again):
        click.echo(line)
    raise SystemExit(FAILED if any(outcome.violations for outcome in outcomes) else 0)


def _split(seed: int, hours: float | None) -> tuple[range, float]:
    """The seeds, and how long each drill is: whole rounds of all conditions, or a short one."""
    from ridgepost.rehearsal.hardship import CONDITIONS
    from ridgepost.rehearsal.survival import DRILL_S, SHORTEST_DRILL_S

    each_s = DRILL_S if hours is None else hours * 3600.0 / len(CONDITIONS)
    rounds = max(1, math.ceil(each_s / DRILL_S))
    return range(seed, seed + rounds), max(SHORTEST_DRILL_S, min(each_s, DRILL_S))


def table(outcomes: "Iterable[Outcome]") -> Iterable[str]:
    """A line for each condition, and one for all."""
    from ridgepost.rehearsal.survival import Outcome

    yield ""
    yield (
        f"{'':34}{'hours':>6}{'messages':>9}{'kills':>7}{'sent each':>10}{'acked':>7}"
        f"{'violations':>11}"
    )
    total = Outcome("all")
    for outcome in outcomes:
        total = total.plus(outcome)
        yield _row(outcome)
    yield _row(total)


def findings(outcomes: "Iterable[Outcome]", again: str = "") -> Iterable[str]:
    """What was found, with the command that shows it again; `again` are its other options."""
    found = [(outcome, *violation) for outcome in outcomes for violation in outcome.violations]
    if not found:
        yield "Nothing was lost, doubled or sent in vain."
        return
    for outcome, seed, violation in found[:TOLD]:
        yield f"seed {seed}, {outcome.condition}, at {violation}"
    if len(found) > TOLD:
        yield f"... and {len(found) - TOLD} more"
    yield f"To see the first again: ridgepost rehearse --survive --seed {found[0][1]}{again}"


def _row(outcome: "Outcome") -> str:
    return (
        f"{outcome.condition:34}{outcome.hours:>6.1f}{outcome.messages:>9}{outcome.kills:>7}"
        f"{_number(outcome.transmissions_per_message, '.2f'):>10}"
        f"{_number(outcome.acked_share, '.1%'):>7}{len(outcome.violations):>11}"
    )


def _number(value: float, form: str) -> str:
    return "-" if math.isnan(value) else format(value, form)

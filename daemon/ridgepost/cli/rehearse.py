"""`ridgepost rehearse`: an invented event without radio, played and accounted for."""

import asyncio
import logging
import math
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click
import structlog
from click.core import ParameterSource

from ridgepost.bus.embedded import EmbeddedBrokerError
from ridgepost.cli import compare as comparison
from ridgepost.cli import survive as survival
from ridgepost.cli.lines import line
from ridgepost.cli.output import FAILED, USAGE, fail, plain
from ridgepost.cli.waiting import Waiting
from ridgepost.logbook.storage import LogbookError
from ridgepost.rehearsal.drill import Drill, DrillError, Progress
from ridgepost.rehearsal.reckoning import Reckoning, median_s
from ridgepost.rehearsal.scenario import Scenario, trail_race
from ridgepost.station.records import State

DEFAULT_PACE = 60.0
TEXT_COLUMNS = 38
"""What a line of 80 columns has left for the text of a message."""


@click.command()
@click.option(
    "--seed",
    type=click.IntRange(0, 2**31 - 1),
    default=1,
    show_default=True,
    help="Chance: the same seed always gives the same event.",
)
@click.option(
    "--pace",
    default=f"{DEFAULT_PACE:.0f}",
    show_default=True,
    metavar="N|max",
    help="How many times faster than life; max: as fast as it goes.",
)
@click.option("--all", "show_all", is_flag=True, help="Show every report heard, not only traffic.")
@click.option("--quiet", is_flag=True, help="Show the summary only.")
@click.option(
    "--keep",
    type=click.Path(path_type=Path, file_okay=False),
    help="Keep the station's logbook in this folder, to look at it afterwards.",
)
@survival.option
@comparison.options
def command(
    seed: int,
    pace: str,
    show_all: bool,
    quiet: bool,
    keep: Path | None,
    survive: bool,
    compare: bool,
    **of_comparison: Any,
) -> None:
    """Play an invented trail race on a simulated 1200-baud channel with the real station: no
    radio, no TNC and no broker needed, and nothing is transmitted.

    The channel has one digipeater, stations that cannot hear each other, noise and collisions;
    one station never acknowledges and one goes off the air for a while. At the end every figure
    of the station's log is held against what the channel, the other stations and a bus client
    know; the exit status is 0 only if all agree.

    With --compare there is no race: ways of sending messages (plain stations', ours, and the best
    that is possible) are measured on the same channel, and tables say what each delivers, how
    fast, and at what price in airtime.

    With --survive there is no race either: our stations are killed and restarted again and again
    while they exchange messages under hard conditions. The exit status is 0 only if no message was
    lost, doubled or sent in vain.
    """
    if survive:
        if compare:
            fail("--survive and --compare are two different things", USAGE)
        hours = of_comparison.pop("hours")
        given = click.get_current_context().get_parameter_source("hours")
        comparison.refuse_without_compare(click.get_current_context(), but=("hours",))
        survival.run(seed=seed, hours=hours if given is ParameterSource.COMMANDLINE else None)
    if compare:
        comparison.run(seed=seed, **of_comparison)
        return
    comparison.refuse_without_compare(click.get_current_context())
    speed = _pace(pace)
    if keep is not None:
        _make(keep)
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    scenario = trail_race(seed)
    if not quiet:
        _introduce(scenario, speed)
    began_s = time.monotonic()
    try:
        if keep is not None:
            reckoning = _play(scenario, keep, speed, show_all=show_all, quiet=quiet)
        else:
            with tempfile.TemporaryDirectory(prefix="ridgepost-") as folder:
                reckoning = _play(scenario, Path(folder), speed, show_all=show_all, quiet=quiet)
    except (DrillError, EmbeddedBrokerError, LogbookError) as error:
        fail(str(error))
    except KeyboardInterrupt:
        fail("rehearsal broken off", 130)
    _summary(reckoning, scenario, time.monotonic() - began_s)
    if keep is not None:
        click.echo(f"The logbook is in {keep}.")
    raise SystemExit(0 if reckoning.reconciled else FAILED)


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            fail(f"--keep: {folder} is not empty; name a new folder", USAGE)
    except OSError as error:
        fail(f"--keep: cannot make {folder}: {(error.strerror or str(error)).lower()}", USAGE)


def _pace(text: str) -> float | None:
    if text.lower() == "max":
        return None
    try:
        pace = float(text)
    except ValueError:
        pace = math.nan
    if not 0 < pace <= 1e6:
        fail(f"--pace: expected a number above 0, or max, got {text!r}", USAGE)
    return pace


def _play(
    scenario: Scenario, folder: Path, pace: float | None, *, show_all: bool, quiet: bool
) -> Reckoning:
    def on_bus(topic: str, payload: dict[str, Any]) -> None:
        if topic.startswith("heard/") and not show_all:
            return
        text = line(topic, payload)
        if text:
            click.echo(text)

    def on_progress(progress: Progress) -> None:
        click.echo(
            f"--- {progress.at_s / 60:3.0f} of {progress.end_s / 60:.0f} min: "
            f"{progress.frames_heard} frames heard, channel {progress.busy_share:.0%} busy, "
            f"messages open: {progress.open_messages}"
        )

    if not quiet:
        drill = Drill(scenario, folder, pace=pace, on_bus=on_bus, on_progress=on_progress)
        return asyncio.run(drill.run())

    async def wait() -> Reckoning:
        async with Waiting("the race to end"):
            return await Drill(scenario, folder, pace=pace).run()

    return asyncio.run(wait())


def _introduce(scenario: Scenario, pace: float | None) -> None:
    length_min = scenario.end_s / 60
    speed = "as fast as it goes" if pace is None else f"{pace:g} times faster than life"
    click.echo(f"{scenario.title}: {length_min:.0f} minutes, {speed}. Nothing is transmitted.")
    for callsign, tactical in scenario.tacticals.items():
        click.echo(f"  {callsign:10} {tactical}")
    click.echo()


def _summary(reckoning: Reckoning, scenario: Scenario, took_s: float) -> None:
    names = scenario.tacticals
    outgoing = reckoning.outgoing
    click.echo()
    click.echo(f"{'to':12}{'state':14}{'sent':>4}  {'to ack':>8}  text")
    unknown = False
    for message in outgoing:
        to_ack = "-" if message.to_ack_s is None else f"{message.to_ack_s:.1f} s"
        if message.read and message.to_ack_s is None:
            to_ack, unknown = "read *", True
        name = plain(names.get(message.to, message.to))
        click.echo(
            f"{_cut(name, 11):12}{message.state:14}{message.attempts:>4}  {to_ack:>8}  "
            f"{_cut(plain(message.text), TEXT_COLUMNS)}"
        )
    if unknown:
        click.echo("* read by its addressee, but no acknowledgement reached us")
    click.echo()
    _row("messages sent", len(outgoing), _outcomes(reckoning))
    times_s = reckoning.ack_times_s
    if times_s:
        _row(
            "to acknowledgement",
            f"{median_s(times_s):.1f} s",
            f"median; the slowest took {times_s[-1]:.1f} s",
        )
    _row(
        "messages received", reckoning.received, f"each shown once; {reckoning.acks_sent} acks sent"
    )
    _row(
        "frames heard",
        reckoning.frames_heard,
        f"of {reckoning.frames_in_earshot} in earshot; {reckoning.copies_heard} were copies",
    )
    _row("own airtime", f"{reckoning.airtime_s:.1f} s", f"in {reckoning.frames_sent} frames")
    _row(
        "event",
        f"{reckoning.length_s / 60:.1f} min",
        f"played in {took_s:.0f} s, seed {reckoning.seed}",
    )
    click.echo()
    _checks(reckoning)


def _cut(text: str, columns: int) -> str:
    return text if len(text) <= columns else f"{text[: columns - 3]}..."


def _row(label: str, value: object, more: str) -> None:
    click.echo(f"{label:20}{value!s:>10}  {more}")


def _outcomes(reckoning: Reckoning) -> str:
    counts = reckoning.outcomes
    return ", ".join(f"{counts[state]} {state}" for state in State if counts[state])


def _checks(reckoning: Reckoning) -> None:
    agreeing: Sequence[bool] = [check.agrees for check in reckoning.checks]
    click.echo(f"{sum(agreeing)} of {len(agreeing)} figures of the log agree with their witnesses:")
    for check in reckoning.checks:
        sign = "agrees" if check.agrees else "DIFFERS"
        click.echo(f"  {sign:8}{check.figure:30}log {check.log}, {check.witness} {check.other}")

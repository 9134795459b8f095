"""`ridgepost rehearse --compare`: delivery policies side by side on the simulated channel."""

import json
import math
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click
from click.core import ParameterSource

from ridgepost.cli.output import INTERRUPTED, USAGE, fail
from ridgepost.cli.progress import Progress

if TYPE_CHECKING:
    from ridgepost.rehearsal.compare import Condition, Outcome
    from ridgepost.rehearsal.statistics import Figure

SEEDS = 30
HOURS = 1.0
MOST_HOURS = 24.0

_Command = TypeVar("_Command", bound=Callable[..., Any])
_FILE = click.Path(path_type=Path, dir_okay=False)


def options(command: _Command) -> _Command:
    """The options of a comparison, for the command that it is a part of."""
    for option in reversed(
        (
            click.option(
                "--compare",
                is_flag=True,
                help="Instead of the race: measure ways of sending side by side; takes minutes.",
            ),
            click.option(
                "--loads",
                metavar="P,P,...",
                help="Offered loads of other traffic, in percent of the time.  [default: 10,30,"
                "50,70]",
            ),
            click.option(
                "--seeds",
                type=click.IntRange(1, 10_000),
                default=SEEDS,
                show_default=True,
                help="Runs of each row, with seeds from --seed on.",
            ),
            click.option(
                "--hours",
                type=click.FloatRange(0.05, 100_000.0),
                default=HOURS,
                show_default=True,
                help="Virtual time of each run; with --survive of all drills together.",
            ),
            click.option("--json", "json_file", type=_FILE, help="Also write all figures there."),
            click.option(
                "--plot", "plot_file", type=_FILE, help="Also draw delivery against airtime (SVG)."
            ),
        )
    ):
        command = option(command)
    return command


def refuse_without_compare(context: click.Context, but: Sequence[str] = ()) -> None:
    """Say so if an option of a comparison was given and no comparison asked for.

    `but` are names of parameters that mean something else then.
    """
    for name in ("loads", "seeds", "hours", "json_file", "plot_file"):
        if name not in but and context.get_parameter_source(name) is ParameterSource.COMMANDLINE:
            fail(f"--{name.removesuffix('_file')} goes with --compare", USAGE)


def run(
    *,
    seed: int,
    loads: str | None,
    seeds: int,
    hours: float,
    json_file: Path | None,
    plot_file: Path | None,
) -> None:
    """Measure, print the tables, and write the files that were asked for."""
    from ridgepost.rehearsal import compare, plot

    shares = _loads(loads)
    if hours > MOST_HOURS:
        fail(f"--hours: at most {MOST_HOURS:.0f} for each run of --compare, got {hours:g}", USAGE)
    for option, file in (("--json", json_file), ("--plot", plot_file)):
        if file is not None:
            _try(option, file)
    rows = [
        *compare.message_rows(shares),
        *compare.back_to_back_rows(shares or compare.BACK_TO_BACK_LOADS),
        *compare.busy_rows(),
    ]
    click.echo(_introduction(len(rows), seeds, hours))
    progress = Progress("runs")
    try:
        outcomes = compare.compare(
            rows, range(seed, seed + seeds), hours=hours, on_progress=progress.show
        )
    except KeyboardInterrupt:
        progress.clear()
        fail("comparison broken off", INTERRUPTED)
    progress.clear()
    for line in tables(outcomes):
        click.echo(line.rstrip())
    if json_file is not None:
        document = [compare.record(outcome) for outcome in outcomes]
        _write("--json", json_file, json.dumps(document, indent=1) + "\n")
    if plot_file is not None:
        _write("--plot", plot_file, plot.picture(outcomes))


def _loads(text: str | None) -> tuple[float, ...] | None:
    """Shares of the time, ascending; None if the usual ones are wanted."""
    if text is None:
        return None
    loads = set()
    for part in text.split(","):
        try:
            percent = float(part)
        except ValueError:
            percent = math.nan
        if not 0.0 <= percent <= 150.0:
            fail(f"--loads: expected percentages from 0 to 150, got {part.strip()!r}", USAGE)
        loads.add(percent / 100.0)
    return tuple(sorted(loads))


def _try(option: str, file: Path) -> None:
    """Find out now, and not after minutes, whether a file can be written."""
    try:
        with file.open("a", encoding="utf-8"):
            pass
    except OSError as error:
        fail(f"{option}: cannot write {file}: {(error.strerror or str(error)).lower()}", USAGE)


def _write(option: str, file: Path, text: str) -> None:
    try:
        file.write_text(text, encoding="utf-8")
    except OSError as error:
        fail(f"{option}: cannot write {file}: {(error.strerror or str(error)).lower()}")
    click.echo(f"Written: {file}")


# --- tables -------------------------------------------------------------------------------------


def tables(outcomes: "Sequence[Outcome]") -> Iterable[str]:
    """All experiments in lines of at most 100 columns."""
    messages = [one for one in outcomes if one.row.experiment == "messages"]
    conditions: list[Condition] = []
    for outcome in messages:
        if outcome.row.condition not in conditions:
            conditions.append(outcome.row.condition)
    for condition in conditions:
        yield ""
        yield f"ONE PAIR, {condition.title}; {_gaps(condition)}"
        yield ""
        yield from _message_table([one for one in messages if one.row.condition == condition])
    yield from _back_to_back_table(
        [one for one in outcomes if one.row.experiment == "back-to-back"]
    )
    yield from _busy_table([one for one in outcomes if one.row.experiment == "many pairs"])
    if outcomes:
        yield ""
        yield from _NOTES.splitlines()


def _introduction(rows: int, seeds: int, hours: float) -> str:
    from ridgepost.rehearsal.policies import TRIES

    return (
        f"{rows} rows, each with {seeds} seeds of {hours:g} h; nothing is transmitted.\n"
        "20 stations and a digipeater that all of them hear, at 1200 bit/s; 5 % of all receptions\n"
        "fail by chance, collisions come on top; the digipeater repeats no copy within 30 s. At\n"
        f"most {TRIES} transmissions of a message. Brackets hold 95 % intervals."
    )


def _gaps(condition: "Condition") -> str:
    from ridgepost.rehearsal.compare import GAP_S

    return f"{GAP_S:.0f} s between " + ("asks" if condition.at_times else "messages")


def _message_table(outcomes: "Sequence[Outcome]") -> Iterable[str]:
    yield (
        f"{'':5}{'':18}{'delivered in min':^19}  {'':17}{'to ack, s':^11}{'airtime, s':^13}{'':12}"
    )
    yield (
        f"{'load':5}{'policy':18}{'2':>6}{'5':>6}{'30':>6}  {'acked, %':^18}{'med':>5}{'p95':>6}"
        f"{'all':>6}{'sender':>7}{'tries':>6}{'spoilt':>7}"
    )
    load: float | None = None
    for outcome in outcomes:
        if load is not None and outcome.row.load != load:
            yield ""
        label = f"{outcome.row.load:.0%}" if outcome.row.load != load else ""
        load = outcome.row.load
        figures = outcome.figures
        yield (
            f"{label:5}{outcome.row.policy.title:18}"
            f"{_percent(figures['delivered_within_120_s']):>6}"
            f"{_percent(figures['delivered_within_300_s']):>6}"
            f"{_percent(figures['delivered_within_1800_s']):>6}"
            f"  {_percent_with_doubt(figures['acked']):18}"
            f"{_number(figures['median_to_ack_s'], 1):>5}"
            f"{_number(figures['p95_to_ack_s'], 0):>6}"
            f"{_number(figures['airtime_s_per_delivered'], 2):>6}"
            f"{_number(figures['sender_airtime_s_per_delivered'], 2):>7}"
            f"{_number(figures['tries_per_message'], 2):>6}"
            f"{_number(figures['spoilt_frames_per_delivered'], 2):>7}"
        )


def _back_to_back_table(outcomes: "Sequence[Outcome]") -> Iterable[str]:
    if not outcomes:
        return
    loads = sorted({one.row.load for one in outcomes})
    titles = list(dict.fromkeys(one.row.policy.title for one in outcomes))
    found = {(one.row.policy.title, one.row.load): one for one in outcomes}
    bounds = {
        one.row.load: one.figures["acked_per_minute"].value
        for one in outcomes
        if one.row.policy.key == "oracle"
    }
    yield ""
    yield f"BACK TO BACK: {outcomes[0].row.condition.title};"
    yield "messages acknowledged each minute, and the ratio to the oracle's"
    for first in range(0, len(loads), 4):
        some = loads[first : first + 4]
        yield ""
        yield f"{'policy':19}" + "".join(f"{f'{load:>4.0%} load':<20}" for load in some)
        for title in titles:
            cells = []
            for load in some:
                figure = found[title, load].figures["acked_per_minute"]
                bound = bounds.get(load)
                share = "" if not bound or figure.value is None else f"{figure.value / bound:.2f}"
                cells.append(f"{_number(figure, 1):>4} {_half_width(figure):5} {share}")
            yield f"{title:19}" + "".join(f"{cell:20}" for cell in cells)


def _busy_table(outcomes: "Sequence[Outcome]") -> Iterable[str]:
    if not outcomes:
        return
    yield ""
    yield f"MANY PAIRS: {outcomes[0].row.condition.title}; 30 s between a pair's messages"
    yield ""
    yield (
        f"{'pairs':7}{'policy':18}{'acked, %':20}{'acked/min, total':20}{'worst pair':>10}"
        f"{'median':>8}{'p95 s':>7}{'air s':>7}"
    )
    pairs = 0
    for outcome in outcomes:
        if pairs and outcome.row.pairs != pairs:
            yield ""
        label = str(outcome.row.pairs) if outcome.row.pairs != pairs else ""
        pairs = outcome.row.pairs
        figures = outcome.figures
        yield (
            f"{label:7}{outcome.row.policy.title:18}"
            f"{_percent_with_doubt(figures['acked']):20}"
            f"{_number_with_doubt(figures['acked_per_minute'], 2):20}"
            f"{_percent(figures['worst_pair_share']):>9}%"
            f"{_number(figures['median_to_ack_s'], 1):>8}"
            f"{_number(figures['p95_to_ack_s'], 0):>7}"
            f"{_number(figures['airtime_s_per_delivered'], 2):>7}"
        )


_NOTES = """\
policy    fixed, doubling: plain stations that send again after 30 s, or after 8, 16, 32 ... s as
          in the standard's decay algorithm, which leaves both the first wait and the number of
          transmissions open. "to ours": our station receives. "to plain": it sends. The oracle
          knows the fate of every frame at once: nobody does better while the digipeater has its
          window. "by ear": it knows of a lost first hop when the repeat would have been over,
          as soon as any station can. "no window": with a digipeater that repeats every copy.
delivered share of the messages that their addressee had within so many minutes of the ask, in %
acked     the sender knows it; times run from the ask
airtime   seconds on air for each delivered message: of everything that belongs to messages (copies,
          acknowledgements and what the digipeater makes of them), and of the sender alone
tries     transmissions of a message by its sender
spoilt    frames of others that somebody lost to a frame of a message, for each delivered message
worst     acknowledged messages of the worst pair, as a share of the mean pair's"""


def _percent(figure: "Figure") -> str:
    if figure.value is None:
        return "-"
    text = f"{100 * figure.value:.1f}"
    # What is not all must not look like it.
    return "99.9" if text == "100.0" and figure.value < 1.0 else text


def _number(figure: "Figure", digits: int) -> str:
    return "-" if figure.value is None else f"{figure.value:.{digits}f}"


def _percent_with_doubt(figure: "Figure") -> str:
    if figure.low is None or figure.high is None:
        return f"{_percent(figure):>5}"
    return f"{_percent(figure):>5} ({100 * figure.low:.1f}-{100 * figure.high:.1f})"


def _half_width(figure: "Figure") -> str:
    if figure.low is None or figure.high is None:
        return ""
    return f"±{(figure.high - figure.low) / 2:.1f}"


def _number_with_doubt(figure: "Figure", digits: int) -> str:
    if figure.low is None or figure.high is None:
        return _number(figure, digits)
    return f"{_number(figure, digits)} ({figure.low:.{digits}f}-{figure.high:.{digits}f})"

"""`ridgepost checkin`: a station joins the event late, or changes what it does there."""

from pathlib import Path
from typing import Any

import click

from ridgepost.cli.asking import Asking
from ridgepost.cli.lines import Answer
from ridgepost.cli.output import plain
from ridgepost.cli.target import target, target_options
from ridgepost.cli.typed import callsign, seconds, tactical, words
from ridgepost.cli.waiting import Waiting
from ridgepost.station.setup import MAX_ROLE

LONGEST_S = 86400.0


@click.command()
@click.argument("callsign", callback=callsign)
@click.argument("role", nargs=-1, callback=words(MAX_ROLE))
@click.option("--as", "tactical", metavar="NAME", callback=tactical, help="Its tactical call.")
@click.option(
    "--every",
    "interval_s",
    callback=seconds(LONGEST_S),
    metavar="SECONDS",
    help="The longest time between its reports.  [default: learnt from them]",
)
@target_options
def command(
    callsign: str,
    role: str,
    tactical: str,
    interval_s: float | None,
    settings: Path | None,
    broker: str | None,
    station: str | None,
) -> None:
    """Put the station CALLSIGN on the roster, with its ROLE in a few words if you like, so that its
    silence is noticed. What the roster said of it before is replaced.

    It stays there until it is checked out, also when the station is started again.

    The exit status is 0 if it is on the roster, 1 if not, 6 if contact was lost, when it may be
    there all the same.
    """
    ask: dict[str, Any] = {"callsign": callsign, "role": role, "tactical": tactical}
    if interval_s is not None:
        ask["interval_s"] = interval_s
    asking = Asking(target(settings, broker, station), "checkin", ask, "ask")

    def accepted(answer: Answer, waiting: Waiting) -> None:
        waiting.say(f"checked in: {plain(answer.message or '')}")

    raise SystemExit(asking.run(accepted))

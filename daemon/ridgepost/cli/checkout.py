"""`ridgepost checkout`: a station leaves the event."""

from pathlib import Path

import click

from ridgepost.cli.asking import Asking
from ridgepost.cli.lines import Answer
from ridgepost.cli.output import plain
from ridgepost.cli.target import target, target_options
from ridgepost.cli.typed import in_capitals
from ridgepost.cli.waiting import Waiting


@click.command()
@click.argument("name", callback=in_capitals)
@target_options
def command(name: str, settings: Path | None, broker: str | None, station: str | None) -> None:
    """Take a station off the roster: NAME is its callsign or its tactical call. Nobody is told of
    its silence any more.

    The exit status is 0 if it is off the roster, 1 if not, 6 if contact was lost, when it may be
    off all the same.
    """
    asking = Asking(target(settings, broker, station), "checkout", {"callsign": name}, "ask")

    def accepted(answer: Answer, waiting: Waiting) -> None:
        waiting.say(f"checked out: {plain(answer.message or '')}")

    raise SystemExit(asking.run(accepted))

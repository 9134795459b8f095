"""`ridgepost withdraw`: a line of the station's own bulletin board is not sent any more."""

from pathlib import Path

import click

from ridgepost.cli.asking import Asking
from ridgepost.cli.lines import Answer
from ridgepost.cli.output import plain
from ridgepost.cli.post import typed_line
from ridgepost.cli.target import target, target_options
from ridgepost.cli.waiting import Waiting


@click.command()
@click.argument("line", callback=typed_line)
@target_options
def command(line: str, settings: Path | None, broker: str | None, station: str | None) -> None:
    """Send no further copy of what was posted on LINE.

    Who has heard it keeps it: to change what others read, post another text on the same line.

    The exit status is 0 if it was withdrawn, 1 if not, 6 if contact was lost, when it may be
    withdrawn all the same.
    """
    asking = Asking(target(settings, broker, station), "withdraw", {"line": line}, "ask")

    def accepted(answer: Answer, waiting: Waiting) -> None:
        waiting.say(f"withdrawn: {plain(answer.message or '')}")

    raise SystemExit(asking.run(accepted))

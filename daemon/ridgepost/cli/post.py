"""`ridgepost post`: a line on the station's own bulletin board."""

from pathlib import Path
from typing import Any

import click

from ridgepost import aprs
from ridgepost.aprs.text import MAX_TEXT
from ridgepost.cli.asking import Asking
from ridgepost.cli.lines import Answer
from ridgepost.cli.output import plain
from ridgepost.cli.target import target, target_options
from ridgepost.cli.typed import seconds, words
from ridgepost.cli.waiting import Waiting
from ridgepost.station.traffic.bulletins import addressee_of, encode_line
from ridgepost.station.tuning import Tuning

_TUNING = Tuning()


def typed_line(_context: click.Context, _parameter: click.Parameter, value: str) -> str:
    """A line as a person types it, in its one form: capitals, without BLN in front."""
    line = value.upper() if value.isascii() else value
    try:
        encode_line(line, "")
    except aprs.EncodeError as error:
        raise click.BadParameter(
            f"expected a digit, a digit and a group, or a letter: {error.detail}"
        ) from None
    return addressee_of(line)


@click.command()
@click.argument("line", callback=typed_line)
@click.argument("text", nargs=-1, required=True, callback=words(MAX_TEXT))
@click.option(
    "--lifetime",
    "lifetime_s",
    callback=seconds(_TUNING.max_bulletin_lifetime_s),
    metavar="SECONDS",
    help=f"Send it for this long, at most {_TUNING.max_bulletin_lifetime_s:.0f} (a week).  "
    f"[default: {_TUNING.bulletin_lifetime_s:.0f} (four hours) for a bulletin, "
    f"{_TUNING.announcement_lifetime_s:.0f} (three days) for an announcement]",
)
@target_options
def command(
    line: str,
    text: str,
    lifetime_s: float | None,
    settings: Path | None,
    broker: str | None,
    station: str | None,
) -> None:
    """Put TEXT (67 characters at most) on a LINE of the station's bulletin board, for everybody on
    the channel.

    LINE is a digit for a bulletin, which is sent a few times an hour for some hours; a digit and a
    group of up to five characters, such as 4WX; or a letter for an announcement, which is sent less
    often and for days. What was on the line before is replaced.

    The exit status is 0 if the station has accepted it, 1 if not, 6 if contact was lost, when the
    station may have taken it all the same.
    """
    ask: dict[str, Any] = {"line": line, "text": text}
    if lifetime_s is not None:
        ask["lifetime_s"] = lifetime_s
    asking = Asking(target(settings, broker, station), "bulletin", ask, "bulletin")

    def accepted(answer: Answer, waiting: Waiting) -> None:
        waiting.say(f"accepted as {plain(answer.message or '')}")

    raise SystemExit(asking.run(accepted))

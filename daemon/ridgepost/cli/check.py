"""`ridgepost check`: settings and surroundings, before the event."""

import shutil
import textwrap
from collections import Counter
from pathlib import Path

import click
import msgspec

from ridgepost.broker import broker_options
from ridgepost.bus.connection import BrokerOptions
from ridgepost.checkup import Finding, Grade, check_surroundings
from ridgepost.cli import event_loop
from ridgepost.cli.output import BAD_SETTINGS, FAILED, SETTINGS_FILE, json_line, plain
from ridgepost.cli.waiting import Waiting
from ridgepost.roster import load_all
from ridgepost.settings import Settings, SettingsError, find_settings

WIDTHS = (60, 100)
"""The narrowest and the widest lines; in between the terminal decides, and without one it is 80."""

_ABOUT_AT, _SAYS_AT = 10, 21


@click.command()
@click.argument("settings", required=False, type=SETTINGS_FILE)
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line, for other tools.")
def command(settings: Path | None, as_json: bool) -> None:
    """Look at the settings file and at what the station needs: TNCs, broker, log folder, clock.

    SETTINGS is the settings file; without it the file that the environment variable
    RIDGEPOST_SETTINGS names is taken, or else ./ridgepost.toml or /etc/ridgepost/ridgepost.toml.

    Each finding is good, doubtful or bad, and says how to mend it. Nothing is transmitted or
    changed, and a station that is running is not disturbed. The exit status is 0 unless something
    is bad: 78 for the settings themselves, 1 for anything else.
    """
    show = _show_json if as_json else _show
    try:
        path = find_settings(settings)
        loaded = load_all(path)
        options = broker_options(loaded)
    except SettingsError as error:
        for problem in error.problems:
            show(Finding(Grade.BAD, "settings", problem))
        raise SystemExit(BAD_SETTINGS) from None
    show(Finding(Grade.GOOD, "settings", f"{path} can be used"))
    grades = event_loop.run(_check(loaded, options, as_json=as_json))
    if not as_json:
        counted = [f"{grades[grade]} {grade}" for grade in Grade if grades[grade]]
        click.echo(f"\n{', '.join(counted)}")
    raise SystemExit(FAILED if grades[Grade.BAD] else 0)


async def _check(settings: Settings, options: BrokerOptions, *, as_json: bool) -> Counter[Grade]:
    grades = Counter([Grade.GOOD])  # the settings
    async with Waiting() as waiting:
        async for finding in check_surroundings(settings, options, waiting.begin):
            waiting.begin("")
            (_show_json if as_json else _show)(finding)
            grades[finding.grade] += 1
    return grades


def _show_json(finding: Finding) -> None:
    click.echo(json_line(msgspec.to_builtins(finding)))


def _show(finding: Finding) -> None:
    narrowest, widest = WIDTHS
    width = min(max(shutil.get_terminal_size().columns, narrowest), widest)
    first = f"{finding.grade:{_ABOUT_AT}}{finding.about:{_SAYS_AT - _ABOUT_AT}}"
    rest = " " * _SAYS_AT
    for start, text in ((first, finding.says), (f"{rest[3:]}-> ", finding.mend)):
        if text:
            lines = textwrap.wrap(
                plain(text),
                width,
                initial_indent=start,
                subsequent_indent=rest,
                break_long_words=False,  # paths and addresses are copied from here
                break_on_hyphens=False,
            )
            click.echo("\n".join(lines))

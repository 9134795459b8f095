"""`ridgepost bulletins`: the bulletin board of a station, as the bus keeps it."""

from pathlib import Path

import click

from ridgepost.bus.payloads import BulletinPayload
from ridgepost.cli.lines import clock_time
from ridgepost.cli.output import plain
from ridgepost.cli.retained import as_json, columns, read_kept
from ridgepost.cli.target import target, target_options


@click.command()
@click.option("--json", "in_json", is_flag=True, help="One JSON object a line, for other tools.")
@target_options
def command(in_json: bool, settings: Path | None, broker: str | None, station: str | None) -> None:
    """Show the bulletins and announcements that a station has heard, by sender and line.

    Columns: time (UTC), sender, line, and the text. BLN1 and the like are bulletins, BLNA and the
    like announcements, which stay for days.

    The exit status is 0, 1 if the broker cannot be reached, 78 for bad settings.
    """
    where = target(settings, broker, station)
    found = read_kept(where, {where.topics.all_bulletins: BulletinPayload})
    found.sort(key=lambda item: (item[1].source, item[1].line))
    if in_json:
        for line in as_json(found):
            click.echo(line)
        return
    for _, bulletin in found:
        head = f"{clock_time(bulletin.at)[:5]:5}  {plain(bulletin.source):9}  "
        click.echo(columns(f"{head}{plain(bulletin.line):9}", bulletin.text))

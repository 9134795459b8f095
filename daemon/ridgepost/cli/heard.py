"""`ridgepost heard`: where stations and objects are, as the bus keeps it."""

from pathlib import Path

import click

from ridgepost.bus.places import PlacePayload
from ridgepost.cli.output import plain
from ridgepost.cli.retained import age, as_json, read_kept
from ridgepost.cli.target import target, target_options

NAME_COLUMNS = 9
WHAT_COLUMNS = 20


@click.command()
@click.option("--json", "in_json", is_flag=True, help="One JSON object a line, for other tools.")
@target_options
def command(in_json: bool, settings: Path | None, broker: str | None, station: str | None) -> None:
    """Show the stations and objects whose position a station knows, the latest first.

    Columns: name, what it is, how long ago it was heard, latitude and longitude (degrees, WGS-84),
    speed if it moves, and the digipeater that it was heard from. An object has an asterisk.

    The exit status is 0, 1 if the broker cannot be reached, 78 for bad settings.
    """
    where = target(settings, broker, station)
    found = read_kept(where, {where.topics.all_places: PlacePayload})
    found.sort(key=lambda item: item[1].at, reverse=True)
    if in_json:
        for line in as_json(found):
            click.echo(line)
        return
    for _, place in found:
        click.echo(_row(place))


def _row(place: PlacePayload) -> str:
    known = place.properties
    longitude_deg, latitude_deg = place.geometry.coordinates
    name = plain(known.name) + ("" if known.kind == "station" else "*")
    what = plain(known.symbol_name or known.report)
    speed = f"{known.speed_kmh:.0f} km/h" if known.speed_kmh else ""
    via = f"via {plain(known.via)}" if known.via else "direct"
    return (
        f"{name:{NAME_COLUMNS + 1}} {what[:WHAT_COLUMNS]:{WHAT_COLUMNS}} {age(known.at):>6}  "
        f"{latitude_deg:8.4f} {longitude_deg:9.4f}  {speed:>8}  {via}"
    ).rstrip()

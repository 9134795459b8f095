"""`ridgepost roster`: who takes part in the event, as the bus keeps it."""

from pathlib import Path

import click

from ridgepost.bus.payloads import RosterPayload
from ridgepost.bus.places import PlacePayload
from ridgepost.cli.output import plain
from ridgepost.cli.retained import age, as_json, columns, read_kept
from ridgepost.cli.target import target, target_options
from ridgepost.station.records import Watched

ORDER = (Watched.OVERDUE, Watched.LATE, Watched.EXPECTED, Watched.HEARD, Watched.OFF)
"""Whoever needs a look comes first."""


@click.command()
@click.option("--json", "in_json", is_flag=True, help="One JSON object a line, for other tools.")
@target_options
def command(in_json: bool, settings: Path | None, broker: str | None, station: str | None) -> None:
    """Show the stations on the roster: those overdue first, then those late and not heard yet.

    Columns: tactical call, callsign, role, how it stands and for how long, and why; below it the
    last position, with its age.

    The exit status is 0, 1 if the broker cannot be reached, 78 for bad settings.
    """
    where = target(settings, broker, station)
    topics = where.topics
    kinds: dict[str, type[RosterPayload | PlacePayload]] = {
        topics.all_roster: RosterPayload,
        topics.all_places: PlacePayload,
    }
    found = read_kept(where, kinds)
    places = {
        place.properties.name: place
        for _, place in found
        if isinstance(place, PlacePayload) and place.properties.kind == "station"
    }
    members = [(kept, member) for kept, member in found if isinstance(member, RosterPayload)]
    members.sort(key=lambda item: _order(item[1]))
    if in_json:
        for line in as_json(members):
            click.echo(line)
        return
    for _, member in members:
        tactical, role = plain(member.tactical or "-"), plain(member.role or "")
        head = (
            f"{tactical:9} {plain(member.callsign):9} {role[:14]:14} "
            f"{member.state:8} {age(member.at):>6}"
        )
        click.echo(columns(head, member.why))
        if member.state is not Watched.EXPECTED:
            click.echo(columns(" " * 20, _where(member, places.get(member.callsign))))


def _order(member: RosterPayload) -> tuple[int, str, str]:
    return ORDER.index(member.state), member.tactical or "~", member.callsign


def _where(member: RosterPayload, place: PlacePayload | None) -> str:
    if place is not None:
        longitude_deg, latitude_deg = place.geometry.coordinates
        known = place.properties
        speed_kmh, when, via = known.speed_kmh, f", {age(known.at)} ago", known.via
    elif member.latitude_deg is not None and member.longitude_deg is not None:
        latitude_deg, longitude_deg = member.latitude_deg, member.longitude_deg
        speed_kmh, when, via = member.speed_kmh, "", member.via  # older than the change
    else:
        return "no position"
    speed = f", {speed_kmh:.0f} km/h" if speed_kmh else ""
    way = f"via {via}" if via else "direct"
    return f"{latitude_deg:.4f} {longitude_deg:.4f}{speed}{when}, {way}"

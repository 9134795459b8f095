"""`ridgepost traffic`: the messages of a station, as the bus keeps them."""

from pathlib import Path

import click

from ridgepost.bus.payloads import InboundPayload, OutboundPayload
from ridgepost.bus.summaries import UnreadPayload
from ridgepost.cli.lines import clock_time
from ridgepost.cli.output import plain
from ridgepost.cli.retained import as_json, columns, read_kept
from ridgepost.cli.target import target, target_options

Row = tuple[str, str, str, str, str]
"""When, 'to' or 'from', whom, how it stands, the text."""


@click.command()
@click.option("--json", "in_json", is_flag=True, help="One JSON object a line, for other tools.")
@click.option("--open", "only_open", is_flag=True, help="Only what is not settled or not read.")
@target_options
def command(
    in_json: bool, only_open: bool, settings: Path | None, broker: str | None, station: str | None
) -> None:
    """Show the messages of a station: those open, and the latest of those settled and received.

    Columns: time (UTC), to or from whom, how it stands, and the text.

    The exit status is 0, 1 if the broker cannot be reached, 78 for bad settings.
    """
    where = target(settings, broker, station)
    topics = where.topics
    kinds: dict[str, type[OutboundPayload | InboundPayload | UnreadPayload]] = {
        topics.all_traffic_out: OutboundPayload,
        topics.all_traffic_in: InboundPayload,
        topics.unread: UnreadPayload,
    }
    found = read_kept(where, kinds)
    unread: set[str] = set()
    for _, summary in found:
        if isinstance(summary, UnreadPayload):
            unread |= {message.message for message in summary.messages}
    chosen = [
        (kept, payload)
        for kept, payload in found
        if isinstance(payload, OutboundPayload | InboundPayload)
        and not (only_open and _is_done(payload, unread))
    ]
    chosen.sort(key=lambda item: (item[1].at, item[1].seq))
    if in_json:
        for line in as_json(chosen):
            click.echo(line)
        return
    for _, payload in chosen:
        at, way, who, state, text = _row(payload, unread)
        head = f"{clock_time(at)[:5]:5}  {way:4} {plain(who):9}  {plain(state):16}"
        click.echo(columns(head, text))


def _is_done(payload: OutboundPayload | InboundPayload, unread: set[str]) -> bool:
    if isinstance(payload, OutboundPayload):
        return payload.state.settled
    return payload.message not in unread


def _row(payload: OutboundPayload | InboundPayload, unread: set[str]) -> Row:
    if isinstance(payload, OutboundPayload):
        tries = f" ({payload.attempts})" if payload.attempts > 1 else ""
        return payload.at, "to", payload.to, f"{payload.state}{tries}", payload.text
    state = "unread" if payload.message in unread else "read"
    to = f"(to {payload.to}) " if payload.group else ""
    return payload.at, "from", payload.source, state, f"{to}{payload.text}"

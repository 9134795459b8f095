"""`ridgepost send`: one message, and if asked what became of it."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from ridgepost.bus.payloads import OutboundPayload, PresencePayload
from ridgepost.cli.asking import Asking, News
from ridgepost.cli.lines import Answer, clock_time
from ridgepost.cli.output import complain, plain
from ridgepost.cli.target import target, target_options
from ridgepost.cli.typed import seconds, words
from ridgepost.cli.waiting import Waiting
from ridgepost.radio.callsign import CallsignError
from ridgepost.roster import load_all
from ridgepost.settings import SettingsError, find_settings, typed_callsign, typed_tactical
from ridgepost.station.records import Precedence, State
from ridgepost.station.traffic.parts import MAX_LONG_TEXT
from ridgepost.station.tuning import Tuning

OUTCOMES = {State.ACKNOWLEDGED: 0, State.REJECTED: 3, State.EXPIRED: 4, State.CANCELLED: 5}
"""Exit status of --wait by how the message ended."""

_TUNING = Tuning()


@click.command()
@click.argument("to")
@click.argument("text", nargs=-1, required=True, callback=words(MAX_LONG_TEXT))
@click.option("--wait", is_flag=True, help="Stay and print each change until it is settled.")
@click.option(
    "--precedence",
    type=click.Choice([precedence.value.lower() for precedence in Precedence], False),
    default=Precedence.ROUTINE.value.lower(),
    show_default=True,
    help="How urgent it is; more urgent messages go first.",
)
@click.option(
    "--lifetime",
    "lifetime_s",
    callback=seconds(_TUNING.max_lifetime_s),
    metavar="SECONDS",
    help=f"Give up after this long, at most {_TUNING.max_lifetime_s:.0f} (a day).  "
    f"[default: {_TUNING.message_lifetime_s:.0f}, two hours]",
)
@target_options
def command(
    to: str,
    text: str,
    wait: bool,
    precedence: str,
    lifetime_s: float | None,
    settings: Path | None,
    broker: str | None,
    station: str | None,
) -> None:
    """Hand a message to the running station: TEXT to the callsign TO, or to the tactical call that
    the settings have for it.

    TO may be typed in small letters. TEXT is best put in quotes, since the shell takes some
    characters for itself; words without quotes are joined with one blank between. More than 67
    characters go out as several messages, at most nine.

    The exit status is 0 if the station has accepted the message, or with --wait if the addressee
    has acknowledged all of it; with --wait 3 if it was rejected, 4 expired, 5 cancelled; 1 if it
    was not accepted; 6 if contact was lost, when the message may be on its way all the same.
    """
    ask: dict[str, Any] = {
        "to": _addressee(to, settings),
        "text": text,
        "precedence": precedence.upper(),
    }
    if lifetime_s is not None:
        ask["lifetime_s"] = lifetime_s
    asking = Asking(target(settings, broker, station), "send", ask, "message")
    outcome = _Outcome()
    raise SystemExit(asking.run(outcome.accepted, outcome.change if wait else None))


def _addressee(typed: str, settings: Path | None) -> str:
    """A callsign, or a tactical call of the settings that could not be one."""
    try:
        return typed_callsign(typed)
    except CallsignError as error:
        try:
            name = typed_tactical(typed)
        except ValueError:
            name = ""
        if name not in _tactical_calls(settings):
            raise click.BadParameter(
                f"expected a callsign such as QZ1SAG-9: {error.detail}"
            ) from None
        return name


def _tactical_calls(settings: Path | None) -> Mapping[str, str]:
    try:
        return load_all(find_settings(settings)).setup().tactical_calls
    except SettingsError:
        return {}  # if they are needed for more, that is said then


class _Outcome:
    """What becomes of the message, which may be several."""

    def __init__(self) -> None:
        self._open: list[str] = []
        self._parts: list[str] = []
        self._status = 0

    def accepted(self, answer: Answer, waiting: Waiting) -> None:
        """Say which messages it is."""
        self._parts = answer.messages or []
        self._open = list(dict.fromkeys(self._parts)) or [answer.message or ""]
        parts = f" in {len(self._parts)} parts" if self._parts else ""
        to = f", to {plain(answer.to)}" if answer.to else ""
        waiting.say(f"accepted as {plain(answer.message or '')}{parts}{to}")

    def change(self, item: News, waiting: Waiting) -> int | None:
        """Print a change of the message; the exit status if all of it is settled."""
        if isinstance(item, PresencePayload):
            if not item.online:
                complain(["the station has stopped; the message waits until it runs again"])
            return None
        if not isinstance(item, OutboundPayload) or item.message not in self._open:
            return None
        tries = f" ({item.attempts})" if item.attempts else ""
        part = ""
        if self._parts:
            part = f"  part {self._parts.index(item.message) + 1}/{len(self._parts)}"
        waiting.say(f"{clock_time(item.at)}  {item.state}{tries}{part}  {plain(item.why)}")
        waiting.begin(f"{item.to} to acknowledge ({item.state})")
        if item.state.settled:
            self._open.remove(item.message)
            self._status = self._status or OUTCOMES[item.state]
        return None if self._open else self._status

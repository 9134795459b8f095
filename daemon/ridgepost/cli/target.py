"""Options of the commands that talk to a running station: which broker, which station."""

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import msgspec

from ridgepost.broker import broker_options, options_for
from ridgepost.bus.connection import BrokerOptions
from ridgepost.bus.topics import ROOT, Topics
from ridgepost.cli.output import BAD_SETTINGS, SETTINGS_FILE, fail, fail_for_settings
from ridgepost.settings import (
    SettingsError,
    find_settings,
    load_settings,
    parse_broker,
    typed_station,
)

MAX_PAYLOAD_OCTETS = 64 * 1024
"""Nothing that a station publishes is near this; what is longer is not by one."""

MAX_QUEUED = 10_000
"""Messages that wait to be shown; those beyond are lost."""

ROLL_CALL_S = 1.0
MAX_NAMES = 20


class Target(msgspec.Struct, frozen=True):
    """A station on a broker."""

    broker: BrokerOptions
    station: str

    @property
    def topics(self) -> Topics:
        """The station's topics."""
        return Topics(self.station)

    @property
    def address(self) -> str:
        """The broker, for people."""
        return f"{self.broker.host}:{self.broker.port}"


def target_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that `target` takes."""
    # The last one added is the first in --help.
    for option in (
        click.option(
            "--station",
            metavar="NAME",
            help="Another station: its callsign, or bus.name of its settings. With --broker no "
            "settings file is needed.",
        ),
        click.option(
            "--broker",
            metavar="URL",
            help="Another broker: mqtt://HOST:PORT, or mqtts:// for TLS. One that wants a login "
            "needs a settings file.",
        ),
        click.option(
            "--settings",
            metavar="FILE",
            type=SETTINGS_FILE,
            help="The station's settings file, for the broker and the station's name. Without it "
            "the same places are looked in as by 'ridgepost run'.",
        ),
    ):
        function = option(function)
    return function


def target(settings: Path | None, broker: str | None, station: str | None) -> Target:
    """The station meant by the options; ends the program if that is unclear."""
    options = name = None
    try:
        if broker is not None:
            hint = "--broker"
            options = options_for(parse_broker(broker), mqtt5=False)
        if station is not None:
            hint = "--station"
            name = typed_station(station)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint=hint) from None
    if settings is None and options is not None and name is not None:
        return Target(options, name)
    try:
        path = find_settings(settings)
    except SettingsError as error:
        fail(f"{error}; or say --broker and --station", BAD_SETTINGS)
    try:
        loaded = load_settings(path)
        return Target(options or broker_options(loaded), name or loaded.bus_name)
    except SettingsError as error:
        fail_for_settings(error)


async def stations_there(where: Target) -> str:
    """In words, which stations have left their presence with the broker."""
    names: list[str] = []
    async with where.broker.client() as client:
        await client.subscribe(f"{ROOT}/+/presence", qos=1)
        try:
            async with asyncio.timeout(ROLL_CALL_S):
                while len(names) < MAX_NAMES:
                    message = await anext(client.messages)
                    names.append(str(message.topic).split("/")[1])
        except TimeoutError:
            pass
    return f"the stations there are {', '.join(sorted(names))}" if names else "none is there"

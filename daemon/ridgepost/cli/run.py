"""`ridgepost run`: the station itself."""

import asyncio
import contextlib
import random
import signal
import sqlite3
from pathlib import Path
from typing import Any

import aiomqtt
import click
import structlog

from ridgepost import __version__
from ridgepost.broker import broker_options
from ridgepost.bus.connection import BrokerOptions
from ridgepost.bus.embedded import EmbeddedBroker, EmbeddedBrokerError
from ridgepost.checkup import CAUTION
from ridgepost.cli import event_loop
from ridgepost.cli.log_output import logging_to_stdout
from ridgepost.cli.output import SETTINGS_FILE, fail, fail_for_settings
from ridgepost.clock import SystemClock
from ridgepost.logbook.storage import LogbookError
from ridgepost.roster import load_all
from ridgepost.service import Service
from ridgepost.settings import Settings, SettingsError, find_settings

PATIENCE_S = 2.0
"""How long the start may take before a word is said about it; doubled after each."""

_log = structlog.get_logger()


@click.command()
@click.argument("settings", required=False, type=SETTINGS_FILE)
def command(settings: Path | None) -> None:
    """Run the station until it is told to stop (Ctrl-C, or SIGTERM from the service manager).

    SETTINGS is the settings file; without it the file that the environment variable
    RIDGEPOST_SETTINGS names is taken, or else ./ridgepost.toml or /etc/ridgepost/ridgepost.toml.

    The log goes to standard output. The exit status is 0 after an orderly stop, 78 for bad
    settings, 1 for any other failure.
    """
    try:
        path = find_settings(settings)
        loaded = load_all(path)
        options = broker_options(loaded)
    except SettingsError as error:
        fail_for_settings(error)
    failure = ""
    with logging_to_stdout():
        _log.info("starting", version=__version__, settings=str(path))
        if not loaded.tnc:
            _log.warning("no TNC in the settings: nothing will be heard or sent")
        try:
            event_loop.run(_run(loaded, options))
        except (LogbookError, EmbeddedBrokerError) as error:
            failure = str(error)
        except (sqlite3.Error, OSError) as error:
            failure = f"cannot use the logbook in {loaded.logbook.folder}: {error}"
    if failure:
        fail(failure)


async def _run(settings: Settings, options: BrokerOptions) -> None:
    loop = asyncio.get_running_loop()
    loop.set_exception_handler(_on_loop_error)
    service = Service(settings, options, SystemClock(), random.Random())  # noqa: S311 - no secret
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, service.stop, signal.Signals(number).name)
    if settings.station.transmit:
        _log.warning(f"transmit is on: {CAUTION}")
    async with contextlib.AsyncExitStack() as stack:
        if not settings.bus.broker:
            broker = await stack.enter_async_context(EmbeddedBroker())
            _log.info("embedded broker started", address=f"mqtt://127.0.0.1:{broker.port}")
        saying = loop.create_task(_say_what_takes_so_long(service))
        try:
            await service.run()
        finally:
            saying.cancel()


async def _say_what_takes_so_long(service: Service) -> None:
    """A logbook of months is read through at the start, from a slow card."""
    waited_s, step_s = 0.0, PATIENCE_S
    while True:
        try:
            async with asyncio.timeout(step_s):
                await service.ready.wait()
                return
        except TimeoutError:
            waited_s += step_s
            step_s = waited_s
            _log.info("still opening the logbook", waited_s=waited_s)


def _on_loop_error(_loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """Errors that no task of ours waits for."""
    error, what = context.get("exception"), str(context.get("message"))
    if isinstance(error, aiomqtt.MqttError | OSError | ValueError) and any(
        mark in what for mark in ("never retrieved", "add_reader", "add_writer")
    ):
        return  # the MQTT library leaves these behind when its broker dies, which the bus tells
    _log.error("error in the program, please report it", what=what, exc_info=error)

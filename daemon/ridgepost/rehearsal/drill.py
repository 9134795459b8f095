"""A rehearsal: the real service on a simulated channel, with time moved on step by step.

The service runs as in the field: KISS over TCP to its TNC, MQTT to a broker, SQLite on the disk.
Only its clock is ours. Time moves to the next thing that happens on the channel or falls due at
the station, and no further until the service has dealt with it; so a seed always gives the same
event, however fast it is played.
"""

import asyncio
import contextlib
import random
import socket
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import aiomqtt
import msgspec

from ridgepost.bus.connection import BrokerOptions
from ridgepost.bus.embedded import HOST, EmbeddedBroker
from ridgepost.bus.topics import Topics
from ridgepost.clock import SteppedClock
from ridgepost.logbook.book import Logbook
from ridgepost.rehearsal.channel import Channel, Happening, Received, Sent
from ridgepost.rehearsal.reckoning import Evidence, Reckoning, Witness, reckon
from ridgepost.rehearsal.scenario import Cast, OperatorAsk, Scenario
from ridgepost.rehearsal.tnc import SimulatedTnc
from ridgepost.service import Service
from ridgepost.settings import (
    BusTable,
    LogbookTable,
    MemberTable,
    PositionTable,
    Settings,
    StationTable,
    TncTable,
)
from ridgepost.station.channel import PortSetup
from ridgepost.station.moment import Moment
from ridgepost.station.records import Entry

STARTS_AT_S = 1_781_337_600.0
"""2026-06-13T08:00:00Z, the morning of the invented event: its log looks the same every time."""

ASK_LIFETIME_S = 900.0
"""What the operators give each message: it is settled within the rehearsal, well or badly."""

TNC = "vhf"
REPORT_EVERY_S = 60.0
SETTLE_TIMEOUT_S = 30.0
"""Real time within which the service must have dealt with a step."""

SPINS = 50
"""Turns of the event loop before a waiting driver lets the database thread have the processor."""

LAST_FRAMES_S = 60.0
"""Virtual time after the end in which frames still queued go out."""


class Progress(msgspec.Struct, frozen=True):
    """Where a rehearsal stands."""

    at_s: float
    end_s: float
    frames_heard: int
    open_messages: int
    busy_share: float


class DrillError(Exception):
    """The rehearsal could not be played; the text says why."""


class Drill:
    """Plays a scenario. `pace` is how many times faster than life; None: as fast as it goes.

    `on_bus(topic, payload)` gets every message that a bus client sees, the topic below the
    station's own level; `on_progress` is called once a minute of the event.
    """

    def __init__(
        self,
        scenario: Scenario,
        folder: Path,
        *,
        pace: float | None = None,
        on_bus: Callable[[str, dict[str, Any]], None] = lambda _topic, _payload: None,
        on_progress: Callable[[Progress], None] = lambda _progress: None,
    ) -> None:
        self._scenario = scenario
        self._folder = folder
        self._pace = pace
        self._on_bus = on_bus
        self._on_progress = on_progress
        self._channel: Channel = scenario.open_channel()
        self._cast: Cast = scenario.build(self._channel)
        self._clock = SteppedClock(Moment(0.0, STARTS_AT_S), f"rehearsal-{scenario.seed}")
        self._on_air: list[bytes] = []
        self._decoded: list[tuple[float, bytes]] = []
        self._witness = Witness()
        self._heard_offline = False
        self.evidence: Evidence
        """What the account was drawn up from; there once `run` has returned."""

    async def run(self) -> Reckoning:
        """Play the event to its end and account for it.

        Raises `DrillError`, or what keeps the service from running: `LogbookError`,
        `EmbeddedBrokerError`.
        """
        try:
            port = await self._play_with_everything()
        except BaseExceptionGroup as group:
            # The first failure is the story; the others are what it broke.
            raise _first(group) from group
        self.evidence = Evidence(
            scenario=self._scenario,
            entries=await self._whole_log(),
            port=port,
            channel=self._channel,
            on_air=self._on_air,
            decoded=self._decoded,
            cast=self._cast,
            witness=self._witness,
        )
        return reckon(self.evidence)

    async def _play_with_everything(self) -> PortSetup:
        """Broker, TNC, service and a bus client around the playing; what the service was told of
        its TNC is returned."""
        async with contextlib.AsyncExitStack() as stack:
            broker = await stack.enter_async_context(EmbeddedBroker(_free_port()))
            tnc = SimulatedTnc(
                self._channel, self._scenario.gateway, lambda: self._clock.now().mono_s
            )
            await stack.enter_async_context(tnc)
            options = BrokerOptions(host=HOST, port=broker.port, mqtt5=False, keep_session=False)
            settings = self._settings(tnc, broker.port)
            client = await stack.enter_async_context(options.client())
            topics = Topics(settings.bus_name)
            await client.subscribe(f"{topics.base}/#", qos=1)
            rng = random.Random(f"{self._scenario.seed}/gateway")  # noqa: S311 - a simulation
            service = Service(settings, options, self._clock, rng)
            async with asyncio.TaskGroup() as group:
                watching = group.create_task(self._watch(client, topics))
                running = group.create_task(service.run())
                await self._play(service, tnc, client, topics)
                service.stop("rehearsal over")
                await running
                await self._until(lambda: self._heard_offline, "the bus")
                watching.cancel()
            return settings.setup().ports[0]

    async def _whole_log(self) -> list[Entry]:
        """The log as it lies on the disk now that the service has closed it."""
        logbook = await Logbook.open(self._folder)
        try:
            entries: list[Entry] = []
            while len(entries) < logbook.last_seq:
                entries += await logbook.read(len(entries), 1000)
            return entries
        finally:
            await logbook.close()

    # -- playing ---------------------------------------------------------------------------------

    async def _play(
        self, service: Service, tnc: SimulatedTnc, client: aiomqtt.Client, topics: Topics
    ) -> None:
        await service.ready.wait()
        await self._until(lambda: tnc.hosts > 0 and service.bus.connected, "the station to start")
        await self._settle(service, tnc)
        began_s = time.monotonic()
        asks = sorted(self._scenario.asks, key=lambda ask: ask.at_s)
        report_s = REPORT_EVERY_S
        end_s = self._scenario.end_s
        while True:
            now_s = self._next_time_s(service, [report_s, *(ask.at_s for ask in asks[:1])])
            if now_s > end_s and not self._frames_left(now_s, end_s):
                break
            if self._pace is not None:
                # The only wait for the wall clock: somebody is watching.
                await asyncio.sleep(max(0.0, began_s + now_s / self._pace - time.monotonic()))
            self._note(self._channel.advance(now_s))
            self._clock.advance(now_s)
            await self._settle(service, tnc)
            while asks and asks[0].at_s <= now_s:
                await self._ask(asks.pop(0), client, topics)
                await self._settle(service, tnc)
            if now_s >= report_s:
                report_s += REPORT_EVERY_S
                self._report(service, now_s)

    def _next_time_s(self, service: Service, others: list[float]) -> float:
        times = [
            *others,
            self._channel.next_event_s(),
            self._clock.next_deadline_s(),
            service.station.next_wakeup_s(),
        ]
        earliest_s = min(at_s for at_s in times if at_s is not None)
        return max(earliest_s, self._clock.now().mono_s)

    def _frames_left(self, now_s: float, end_s: float) -> bool:
        """Something that the station handed over has not been on the air yet."""
        own = self._channel.totals(self._scenario.gateway)
        return own.sent < own.handed_over and now_s < end_s + LAST_FRAMES_S

    async def _settle(self, service: Service, tnc: SimulatedTnc) -> None:
        """Return when what was sent either way has arrived, been decided, committed and done."""

        def settled() -> bool:
            link = service.links[TNC].counts
            due_s = service.station.next_wakeup_s()
            return (
                service.frames_decided == tnc.frames_to_host
                and link.frames_sent == tnc.frames_from_host
                and service.idle
                and service.bus.published_to == service.logbook.last_seq
                and (due_s is None or due_s > self._clock.now().mono_s)
            )

        await self._until(settled, "the station")

    async def _until(self, condition: Callable[[], bool], whom: str) -> None:
        """Wait for the other side of a socket or a thread, in real time and bounded."""
        deadline_s = time.monotonic() + SETTLE_TIMEOUT_S
        spins = 0
        while not condition():
            spins += 1
            await asyncio.sleep(0 if spins % SPINS else 0.0005)
            if time.monotonic() > deadline_s:
                raise DrillError(f"waited {SETTLE_TIMEOUT_S:.0f} s for {whom}")

    # -- the operators ---------------------------------------------------------------------------

    async def _ask(self, ask: OperatorAsk, client: aiomqtt.Client, topics: Topics) -> None:
        request = f"operator-{len(self._witness.asked) + 1}"
        self._witness.asked[request] = ask
        content = {
            "request": request,
            "to": ask.to,
            "text": ask.text,
            "precedence": ask.precedence,
            "lifetime_s": ASK_LIFETIME_S,
        }
        await client.publish(topics.ask("send"), msgspec.json.encode(content), qos=1)
        await self._until(lambda: request in self._witness.answers, "an answer")

    async def _watch(self, client: aiomqtt.Client, topics: Topics) -> None:
        """What any client on the bus sees; the rehearsal's account is checked against it."""
        async for message in client.messages:
            topic = str(message.topic).removeprefix(f"{topics.base}/")
            if topic.startswith("ask/") or not isinstance(message.payload, bytes):
                continue
            if not message.payload:
                continue  # a topic on which nothing is retained any more
            payload = msgspec.json.decode(message.payload)
            self._witness.note(topic, payload)
            if topic == "presence":
                # The station's last word: it comes after everything else.
                self._heard_offline = not payload["online"]
            self._on_bus(topic, payload)

    # -- small things ----------------------------------------------------------------------------

    def _settings(self, tnc: SimulatedTnc, broker_port: int) -> Settings:
        scenario = self._scenario
        return Settings(
            station=StationTable(
                callsign=scenario.gateway,
                transmit=True,
                position=PositionTable(
                    latitude_deg=scenario.gateway_latitude_deg,
                    longitude_deg=scenario.gateway_longitude_deg,
                ),
            ),
            tnc=(TncTable(name=TNC, link=tnc.url),),
            bus=BusTable(broker=f"mqtt://{HOST}:{broker_port}", protocol="3.1.1"),
            logbook=LogbookTable(folder=str(self._folder)),
            member=tuple(
                MemberTable(
                    callsign=plan.callsign,
                    # Nobody writes a tactical call with a blank in it into a frame.
                    tactical=plan.tactical.replace(" ", ""),
                    interval_s=round(plan.beacons.interval_s),
                )
                for plan in scenario.stations
                if not plan.repeats
            ),
        )

    def _note(self, happenings: list[Happening]) -> None:
        """What the gateway's node sent and received: the channel's testimony."""
        for happening in happenings:
            if happening.node != self._scenario.gateway:
                continue
            match happening:
                case Sent():
                    self._on_air.append(happening.octets)
                case Received():
                    self._decoded.append((happening.at_s, happening.octets))

    def _report(self, service: Service, now_s: float) -> None:
        self._on_progress(
            Progress(
                at_s=now_s,
                end_s=self._scenario.end_s,
                frames_heard=service.frames_decided,
                open_messages=service.station.open_messages,
                busy_share=self._channel.busy_s / now_s,
            )
        )


def _first(group: BaseExceptionGroup[BaseException]) -> BaseException:
    error: BaseException = group
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return error


def _free_port() -> int:
    """A TCP port that nobody listens on just now."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])

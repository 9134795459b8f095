"""The service: wires links, station, logbook and bus together, and waits for things to happen."""

import asyncio
import contextlib
import functools
import random
import sqlite3
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import msgspec
import structlog

from ridgepost import __version__
from ridgepost.bus.connection import BrokerOptions, Bus
from ridgepost.bus.payloads import PresencePayload, time_text
from ridgepost.bus.topics import Topics
from ridgepost.clock import Clock
from ridgepost.logbook.book import Logbook
from ridgepost.logbook.storage import LogbookError
from ridgepost.radio.address import parse_link
from ridgepost.radio.link import FrameHeard, Link, LinkDown, LinkEvent, LinkUp
from ridgepost.settings import Settings, kiss_parameters
from ridgepost.station.asks import Ask
from ridgepost.station.effects import Effect, Log, Tell, Transmit
from ridgepost.station.moment import Moment
from ridgepost.station.records import (
    BulletinOut,
    Entry,
    Joined,
    LinkChanged,
    OutboundChanged,
    QueryAnswered,
    Received,
)
from ridgepost.station.station import Station
from ridgepost.station.tuning import Tuning

MAX_FRAMES_WAITING = 4096
"""Frames that may wait for a decision: a minute of 9600-baud saturation; more are counted lost."""

MAX_ASKS_WAITING = 256
DECISIONS_AT_ONCE = 256
"""Events decided before one commit: the more there is to do, the fewer commits for each."""

COMMIT_RETRY_S = 1.0
NEW_LOG_AFTER_S = 1.0
# Stopping takes less than 5 s whatever hangs. The links take up to 2 s for what is left to send
# (radio/link.py), at the same time as the bus; leaving the broker takes 0.5 s (bus/client.py).
LAST_DECISION_S = 1.0
"""For how long a stopping station still decides, if the disk does not answer."""

DRAIN_S = 1.5
"""For how long it still publishes; the rest goes out after the next start."""

FAREWELL_S = 0.5

_log = structlog.get_logger()
_Decision = Callable[[Moment], list[Effect]]


class Service:
    """One running station. `run` returns when `stop` was called and everything is put away."""

    def __init__(
        self,
        settings: Settings,
        broker: BrokerOptions,
        clock: Clock,
        rng: random.Random,
        tuning: Tuning | None = None,
    ) -> None:
        self.settings = settings
        self.topics = Topics(settings.bus_name)
        self._broker = broker
        self._clock = clock
        self._rng = rng
        self._tuning = tuning or Tuning()
        self._inbox: deque[_Decision] = deque()
        self._asks_waiting = 0
        self._deciding = False
        self._log_lost = False
        self._wake = asyncio.Event()
        self._stopping = asyncio.Event()
        self._stop_reason = ""
        self._since = ""
        self.ready = asyncio.Event()
        """Set once the log is open and the links are being tried."""

        self.frames_decided = 0
        self.frames_dropped = 0
        self.commit_failures = 0
        self.faults = 0
        self.links: dict[str, Link] = {}
        self.logbook: Logbook
        self.station: Station
        self.bus: Bus

    def stop(self, reason: str) -> None:
        """Ask `run` to end."""
        self._stop_reason = self._stop_reason or reason
        self._stopping.set()

    @property
    def idle(self) -> bool:
        """Everything that came in has been decided, committed and carried out."""
        return not self._inbox and not self._deciding

    def counts(self) -> dict[str, dict[str, Any]]:
        """Everything counted since the start, by room; numbers only."""
        return {
            "station_counts": msgspec.to_builtins(self.station.totals()),
            "bus_counts": msgspec.to_builtins(self.bus.counts),
            "link_counts": {
                name: msgspec.to_builtins(link.counts) for name, link in self.links.items()
            },
            "service_counts": {
                "frames_dropped": self.frames_dropped,
                "commit_failures": self.commit_failures,
                "faults": self.faults,
                "commits": self.logbook.commits,
                "commits_to_disk": self.logbook.full_commits,
            },
        }

    # -- life ------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Open the log, restore the station, and work until stopped.

        If the log turns out damaged, it is set aside and the work goes on with a new one. Raises
        `LogbookError` if none can be had.
        """
        while await self._damaged_in_the_end() and not self._stopping.is_set():
            _log.error("the logbook is damaged; beginning a new one")
            await self._clock.wait(self._stopping, self._clock.now().mono_s + NEW_LOG_AFTER_S)

    async def _damaged_in_the_end(self) -> bool:
        """Work on one log until stopped or, and that is true then, until it is found damaged."""
        self.logbook = await Logbook.open(Path(self.settings.logbook.folder))
        try:
            await self._prepare()
            await self._work()
            _log.info("counted", **self.counts())
            _log.info(
                "stopped", published_to=self.bus.published_to, last_entry=self.logbook.last_seq
            )
        except* _LogDamagedError:
            pass  # it is set aside when it is opened next
        finally:
            with contextlib.suppress(sqlite3.Error):
                await self.logbook.close()
        return self.logbook.damaged

    async def _work(self) -> None:
        async with asyncio.TaskGroup() as group:
            links = [
                group.create_task(link.run(), name=f"link {name}")
                for name, link in self.links.items()
            ]
            bus = group.create_task(self.bus.run(), name="bus")
            decide = group.create_task(self._decide(), name="decide")
            self.ready.set()
            await self._stopping.wait()
            _log.info("stopping", reason=self._stop_reason)
            # What came in is decided, and leaves by links and bus, before these are closed.
            self._wake.set()
            await asyncio.wait([decide], timeout=LAST_DECISION_S)
            await _end([decide])
            await asyncio.gather(_end(links), self._leave_bus())
            await _end([bus])

    async def _leave_bus(self) -> None:
        if self.bus.connected:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(DRAIN_S):
                    await self.bus.wait_published(self.logbook.last_seq)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(FAREWELL_S):
                    await self.bus.farewell()

    async def _prepare(self) -> None:
        now = self._clock.now()
        self._since = time_text(now)
        try:
            self.station = await self._restored_station(now)
        except sqlite3.Error as error:
            if self.logbook.damaged:
                raise _LogDamagedError from error
            raise LogbookError(
                f"cannot use the logbook in {self.settings.logbook.folder}: {error}; is there room "
                "on the disk?"
            ) from error
        for tnc in self.settings.tnc:
            parameters = dict.fromkeys(tnc.ports, kiss_parameters(tnc))
            self.links[tnc.name] = Link(
                tnc.name,
                parse_link(tnc.link),
                parameters,
                self._on_link_event,
                sleep=self._clock.sleep,
                rng=self._rng,
            )
        self.bus = Bus(
            self._broker,
            self.topics,
            self.logbook,
            on_ask=self._on_ask,
            presence=self._presence,
            now=self._clock.now,
            rng=self._rng,
        )
        await self._carry_out(self.station.start(__version__, now))
        _log.info(
            "started",
            version=__version__,
            callsign=self.station.setup.callsign or "none, listening only",
            transmit=self.station.setup.transmit,
            log=f"{self.logbook.log}.{self.logbook.run}",
            open_messages=self.station.open_messages,
        )

    async def _restored_station(self, now: Moment) -> Station:
        logbook = self.logbook
        if logbook.set_aside:
            _log.error("damaged logbook set aside, new one begun", file=str(logbook.set_aside))
        run = await logbook.begin_run(self._clock.boot)
        station = Station(
            self.settings.setup(),
            self._tuning,
            self._rng,
            log=logbook.log,
            run=run,
            next_seq=logbook.last_seq + 1,
        )
        tuning = self._tuning
        history = logbook.history(
            self._clock.boot, now, tuning.max_lifetime_s, tuning.heard_recall_s
        )
        station.restore([item async for item in history])
        return station

    def _presence(self, online: bool) -> PresencePayload:
        setup = self.station.setup
        return PresencePayload(
            online=online,
            at=time_text(self._clock.now()),
            since=self._since,
            version=__version__,
            callsign=setup.callsign,
            transmit=setup.transmit,
            latitude_deg=setup.position.latitude_deg if setup.position else None,
            longitude_deg=setup.position.longitude_deg if setup.position else None,
        )

    # -- events in -------------------------------------------------------------------------------

    def _on_link_event(self, event: LinkEvent) -> None:
        match event:
            case FrameHeard(tnc, port, octets):
                if len(self._inbox) >= MAX_FRAMES_WAITING:
                    self.frames_dropped += 1
                    return
                self._put(lambda now: self._hear(tnc, port, octets, now))
            case LinkUp(tnc):
                _log.info("TNC up", tnc=tnc)
                self._put(lambda now: self.station.link_changed(tnc, True, "", now))
            case LinkDown(tnc, reason, retry_in_s):
                _log.warning("TNC down", tnc=tnc, reason=reason, retry_in_s=round(retry_in_s, 1))
                self._put(lambda now: self.station.link_changed(tnc, False, reason, now))

    def _hear(self, tnc: str, port: int, octets: bytes, now: Moment) -> list[Effect]:
        self.frames_decided += 1
        return self.station.hear(tnc, port, octets, now)

    def _on_ask(self, ask: Ask) -> bool:
        if self._asks_waiting >= MAX_ASKS_WAITING or self._stopping.is_set():
            return False
        self._asks_waiting += 1
        self._put(lambda now: self._ask(ask, now))
        return True

    def _ask(self, ask: Ask, now: Moment) -> list[Effect]:
        self._asks_waiting -= 1
        return self.station.ask(ask, now)

    def _put(self, decision: _Decision) -> None:
        self._inbox.append(decision)
        self._wake.set()

    # -- decisions -------------------------------------------------------------------------------

    async def _decide(self) -> None:
        while not self._stopping.is_set():
            await self._clock.wait(self._wake, self.station.next_wakeup_s())
            self._deciding = True
            self._wake.clear()
            await self._decide_now()
            self._deciding = False
        while self._inbox and not self._log_lost:
            await self._decide_now()
        if not self._log_lost:
            await self._carry_out(self.station.stop(self._stop_reason, self._clock.now()))

    async def _decide_now(self) -> None:
        if self.logbook.damaged:
            raise _LogDamagedError
        now = self._clock.now()
        effects: list[Effect] = []
        for _ in range(min(len(self._inbox), DECISIONS_AT_ONCE)):
            effects += self._decided(self._inbox.popleft(), now)
        effects += self.station.tick(now)
        if self._inbox:
            self._wake.set()
        await self._carry_out(effects)

    def _decided(self, decision: _Decision, now: Moment) -> list[Effect]:
        try:
            return decision(now)
        except Exception:
            # One frame that the station trips over must not take the service down, and again
            # each time it is repeated. What was decided before the fault is among the next effects.
            self.faults += 1
            _log.exception("fault: what came in is passed over")
            return []

    async def _carry_out(self, effects: Sequence[Effect]) -> None:
        """Commit, then act."""
        entries = [effect.entry for effect in effects if isinstance(effect, Log)]
        if entries and not await self._commit(entries):
            return
        for effect in effects:
            if isinstance(effect, Tell):
                self.bus.tell(effect.told)
            elif isinstance(effect, Transmit) and not self.links[effect.tnc].send(
                effect.port, effect.octets
            ):
                _log.warning("not sent, the TNC is gone or busy", tnc=effect.tnc)
                self._put(functools.partial(self.station.not_sent, effect))

    async def _commit(self, entries: list[Entry]) -> bool:
        """Write to the log, however long it takes; False only if the station is to stop first."""
        while True:
            try:
                await self.logbook.append(entries)
            except sqlite3.Error as error:
                self.commit_failures += 1
                if self.logbook.damaged:
                    raise _LogDamagedError from error
                _log.error("cannot write the log; nothing is sent until it can", reason=str(error))
                if self._stopping.is_set():
                    self._log_lost = True
                    return False
                await self._clock.wait(self._stopping, self._clock.now().mono_s + COMMIT_RETRY_S)
            else:
                for entry in entries:
                    _tell(entry)
                return True


class _LogDamagedError(Exception):
    """Nothing more can be written to this log."""


def _tell(entry: Entry) -> None:
    """The service's own log of what matters; everything is on the bus and in the logbook."""
    match entry.record:
        case OutboundChanged() as out:
            _log.info(
                f"message {out.state}",
                to=out.to,
                why=out.why,
                attempts=out.attempts,
                message=out.message,
            )
        case Received() as received:
            _log.info("message received", source=received.source, to=received.to)
        case Joined() as joined:
            _log.info("long message received", source=joined.source, to=joined.to)
        case BulletinOut() as line:
            _log.info(
                f"bulletin {line.state}", line=line.line, why=line.why, attempts=line.attempts
            )
        case QueryAnswered() as query:
            _log.info("query answered", asker=query.asker, query=query.query, why=query.why)
        case LinkChanged():
            pass  # said when it happened
        case _:
            pass


async def _end(tasks: Sequence[asyncio.Task[None]]) -> None:
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)

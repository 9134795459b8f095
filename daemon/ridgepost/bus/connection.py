"""The bus: publishes the log to an MQTT broker, and hands in what clients ask.

The broker may be away for a day: nothing is queued here, because the log is the queue. A reader's
place in it moves on the broker's acknowledgement, so that each entry is published at least once
and in order.
"""

import asyncio
import contextlib
import random
import sqlite3
import ssl
from collections.abc import Awaitable, Callable
from typing import Any

import aiomqtt
import msgspec
import structlog
from paho.mqtt.properties import Properties

from ridgepost.bus.asks import AskProblem, frames_in, read_ask, reply_problem
from ridgepost.bus.client import (
    IN_FLIGHT,
    BadPacketError,
    Client,
    RefusedError,
    TooLargeError,
    connect_properties,
    publish_properties,
)
from ridgepost.bus.discovery import Discovery, announced, read_announced
from ridgepost.bus.kept import KINDS, Projection
from ridgepost.bus.outbox import Numbered, Outbox
from ridgepost.bus.payloads import (
    PresencePayload,
    Publication,
    RefusalPayload,
    time_text,
    told,
)
from ridgepost.bus.summaries import PublishedPayload
from ridgepost.bus.throttle import ON_AIR, OTHER, Throttle
from ridgepost.bus.topics import Topics
from ridgepost.logbook.book import Logbook
from ridgepost.radio.backoff import Backoff
from ridgepost.station.asks import Ask
from ridgepost.station.moment import Moment
from ridgepost.station.records import Entry
from ridgepost.station.told import Told

READ_AHEAD = 200
"""Entries taken from the log at a time."""

STATES_EVERY = 4000
"""So many entries of a backlog go by without the states that follow from them; otherwise these go
out at once."""

READER = "bus"
"""The name of this reader of the log."""

READ_BACK = 20_000
"""Entries whose frames are read again at the start, for the positions in them: some hours."""

SAVE_PLACE_S = 2.0
"""How often the place in the log is saved; after a crash that much is published again."""

MARK_EVERY = 15
"""So many times that, the broker is told how far it has got: every 30 s. What it was given to keep
since then it is given again if it has lost something."""

MARK_TIMEOUT_S = 2.0
"""For how long it may take to hand that back; as a rule the answer is there at once."""

READ_RETRY_S = 1.0
CANCEL_AGAIN_S = 0.2
KEEPALIVE_S = 15
SESSION_EXPIRY_S = 3600
"""For how long the broker keeps asks for a station that is away."""

MAX_ASKS_QUEUED = 1000
LARGEST_PACKET = 65536
"""Octets; a broker of MQTT 5 keeps larger asks to itself. One of 3.1.1 has to be told by its own
settings."""

NOTHING = -1
NOT_FROM_THE_LOG = 0

BACKOFF = Backoff(first_s=0.5, factor=2.0, max_s=30.0, stable_s=10.0)

_log = structlog.get_logger()
_encode = msgspec.json.encode


class BrokerOptions(msgspec.Struct, frozen=True, kw_only=True):
    """Where the broker is and how to log in."""

    host: str
    port: int
    tls: bool = False
    ca_file: str = ""
    certificate_file: str = ""
    key_file: str = ""
    user: str = ""
    password: str = ""
    mqtt5: bool = True
    keep_session: bool = True
    discovery_prefix: str = ""
    """Where home automation is told what there is; '' for nowhere."""

    def __repr__(self) -> str:
        return f"BrokerOptions({'mqtts' if self.tls else 'mqtt'}://{self.host}:{self.port})"

    def client(self, **more: Any) -> Client:
        """A client for this broker, not yet connected."""
        context = ssl.create_default_context(cafile=self.ca_file or None) if self.tls else None
        if context is not None and self.certificate_file:
            show_certificate(context, self.certificate_file, self.key_file)
        return Client(
            self.host,
            self.port,
            username=self.user or None,
            password=self.password or None,
            tls_context=context,
            protocol=aiomqtt.ProtocolVersion.V5 if self.mqtt5 else aiomqtt.ProtocolVersion.V311,
            **more,
        )


def show_certificate(context: ssl.SSLContext, certificate: str, key: str) -> None:
    """Have `context` tell the broker who we are. Raises ssl.SSLError, OSError or ValueError."""

    def no_password() -> str:
        # Without this, OpenSSL would ask at the terminal, and wait.
        raise ValueError("the key wants a password")

    context.load_cert_chain(certificate, key, no_password)


class BusCounts(msgspec.Struct):
    """What the bus has done since the start."""

    connects: int = 0
    published: int = 0
    states: int = 0
    """Retained states that followed from entries, beside these."""

    refused: int = 0
    """Entries and answers that the broker would not have: passed over, still in the log."""

    unpublishable: int = 0
    """Entries that no payload could be made of: a fault in this program."""

    asks_taken: int = 0
    asks_refused: int = 0
    """Unreadable, or too many at once: the station has not seen them."""

    asks_dropped: int = 0
    """Far too many at once: nobody has seen them, and nobody is told."""


class Bus:
    """Keeps the station on the bus until cancelled.

    `on_ask` takes an ask and says whether there was room for it. `presence` gives the state of
    the station, on the bus or not, when it is asked for; `now` dates what is not in the log.
    """

    def __init__(
        self,
        options: BrokerOptions,
        topics: Topics,
        logbook: Logbook,
        *,
        on_ask: Callable[[Ask], bool],
        presence: Callable[[bool], PresencePayload],
        now: Callable[[], Moment],
        rng: random.Random,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self._options = options
        self._topics = topics
        self._logbook = logbook
        self._on_ask = on_ask
        self._presence = presence
        self._now = now
        self._rng = rng
        self._sleep = sleep
        prefix = options.discovery_prefix
        self._discovery = Discovery(prefix, topics.station, topics) if prefix else None
        self._projection = Projection(logbook.log, topics, self._discovery)
        self._outbox = Outbox(0)
        self._throttles = (Throttle(OTHER), Throttle(ON_AIR))
        self._saved = 0
        self._marked = NOTHING
        self._owed = 0
        """Messages that the broker has lost, and that are not with it again yet."""

        self._mark: asyncio.Future[PublishedPayload | None] | None = None
        self._prefixes: frozenset[str] = frozenset({prefix} if prefix else ())
        """Below these home automation is to be told of us, and below no other."""

        self._tidied = False
        """It is so, with the broker of these settings."""

        self._told_before: asyncio.Future[frozenset[str]] | None = None
        self._looked: asyncio.Future[None] | None = None
        self._look_at: list[str] = []
        """Where the broker may keep what is not ours any more."""

        self._may_announce = asyncio.Event()
        self._presence_said = b""
        self._answers: asyncio.Queue[Publication] = asyncio.Queue(MAX_ASKS_QUEUED)
        self._moved = asyncio.Event()
        self._client: Client | None = None
        self._parted = False
        self._clean_session = not options.keep_session
        self._refusals_told: set[str] = set()
        self.counts = BusCounts()

    @property
    def connected(self) -> bool:
        """The broker is there and has let us in."""
        return self._client is not None

    @property
    def published_to(self) -> int:
        """Every log entry up to this one is with the broker."""
        return self._outbox.floor

    async def wait_published(self, seq: int) -> None:
        """Return when every entry up to `seq` is with the broker."""
        while self._outbox.floor < seq:
            self._moved.clear()
            await self._moved.wait()

    async def run(self) -> None:
        """Connect, publish, listen; on failure wait and do it again. Ends when cancelled.

        Nothing but that ends it: the station works on without a bus, whatever is wrong with it.
        """
        await self._find_place()
        loop = asyncio.get_running_loop()
        delays = BACKOFF.delays(self._rng)
        try:
            while True:
                began_s = loop.time()
                reason = await self._connection_ended()
                if loop.time() - began_s >= BACKOFF.stable_s:
                    delays = BACKOFF.delays(self._rng)
                delay_s = next(delays)
                _log.warning("bus down", reason=reason, retry_in_s=round(delay_s, 1))
                await self._sleep(delay_s)
        finally:
            await self._save_place()

    async def _connection_ended(self) -> str:
        """Use one connection until it fails, and say why it did."""
        # In a task of its own, so that a failure on the way out can't be taken for the reason, and
        # swallow the cancellation that led there.
        connection = asyncio.create_task(self._one_connection(), name="broker connection")
        try:
            await asyncio.wait([connection])
        finally:
            while not connection.done():
                # Again and again: what aiomqtt waits with may swallow one in Python 3.11.
                connection.cancel()
                await asyncio.wait([connection], timeout=CANCEL_AGAIN_S)
            self._client = None
            self._marked = NOTHING
        error = _first_of(None if connection.cancelled() else connection.exception())
        if not isinstance(error, aiomqtt.MqttError | OSError):
            _log.error("fault in the bus", exc_info=error)
        if isinstance(error, BadPacketError):
            self._clean_session = True
        return str(error) or type(error).__name__

    async def _one_connection(self) -> None:
        # The broker does not say when it lost us, so the will names no time.
        will = msgspec.structs.replace(self._presence(False), at=None)
        client = self._options.client(
            will=aiomqtt.Will(self._topics.presence, _encode(will), qos=1, retain=True),
            keepalive=KEEPALIVE_S,
            max_queued_incoming_messages=MAX_ASKS_QUEUED,
            **self._session(),
        )
        async with client:
            try:
                self._clean_session = not self._options.keep_session
                await self._greet(client)
                # A pending publish does not notice a dead broker; the listener does, and its error
                # ends the others with it.
                async with asyncio.TaskGroup() as group:
                    queue: asyncio.Queue[Numbered] = asyncio.Queue(IN_FLIGHT)
                    group.create_task(self._listen(client))
                    group.create_task(self._feed(client, queue))
                    group.create_task(self._answer(client))
                    group.create_task(self._keep_place(client))
                    group.create_task(self._tidy_discovery(client))
                    for _ in range(IN_FLIGHT):
                        group.create_task(self._publish_from(client, queue))
            finally:
                if not self._parted:
                    client.hang_up()

    def _session(self) -> dict[str, Any]:
        """How this connection treats what the broker kept for us."""
        named = (
            {"identifier": self._topics.base.replace("/", "-")}
            if self._options.keep_session
            else {}
        )
        if not self._options.mqtt5:
            return {**named, "clean_session": self._clean_session}
        expiry_s = SESSION_EXPIRY_S if self._options.keep_session else 0
        return {
            **named,
            "clean_start": self._clean_session,
            "properties": connect_properties(expiry_s, LARGEST_PACKET),
        }

    async def _greet(self, client: Client) -> None:
        for granted in await client.subscribe([(topic, 1) for topic in self._topics.asks]):
            # A number in MQTT 3.1.1 and a reason in MQTT 5; from 0x80 on it is a refusal in both.
            if getattr(granted, "value", granted) >= 0x80:
                _log.error("the broker lets no asks through to the station", reason=str(granted))
        loop = asyncio.get_running_loop()
        self._mark = loop.create_future() if client.session_present else None
        self._told_before = None if self._tidied else loop.create_future()
        self._may_announce.clear()
        # Our presence comes back to us after what the broker has kept.
        wanted = [
            *([self._topics.published] if self._mark is not None else []),
            *([self._topics.announced] if self._told_before is not None else []),
        ]
        if wanted:
            await client.subscribe([(topic, 1) for topic in (*wanted, self._topics.presence)])
        await self._say_presence(client, online=True)
        self.counts.connects += 1
        self._client = client
        _log.info("bus up", broker=f"{self._options.host}:{self._options.port}")

    async def farewell(self) -> None:
        """Tell the bus, if it is there, that the station ends in order."""
        if self._client is not None:
            try:
                await self._say_how_far(self._client)
                await self._say_presence(self._client, online=False)
            except aiomqtt.MqttError as error:
                _log.warning("left the bus without a word", reason=str(error))
            else:
                self._parted = True

    def tell(self, what: Told) -> None:
        """Answer an ask that only wanted to know; forgotten if the broker is away."""
        if not self._answers.full():
            self._answers.put_nowait(told(what, self._now(), self._topics))

    async def _say_presence(self, client: Client, *, online: bool) -> None:
        self._presence_said = said = _encode(self._presence(online))
        await self._publish(client, Publication(self._topics.presence, said, retain=True))

    # -- out -------------------------------------------------------------------------------------

    async def _feed(self, client: Client, queue: asyncio.Queue[Numbered]) -> None:
        if self._prefixes:
            await self._may_announce.wait()
        self._look_at = []
        lost = await self._lost()
        self._owed = len(lost)
        for message in lost:
            await queue.put((NOT_FROM_THE_LOG, message))
        for item in self._outbox.again():
            await queue.put(item)
        self._moved.set()
        outbox, stated = self._outbox, self._outbox.fed
        while True:
            all_fed = self._logbook.last_seq <= outbox.fed
            if all_fed or outbox.fed - stated >= STATES_EVERY:
                stated = outbox.fed
                for item in outbox.states():
                    await queue.put(item)
            if all_fed and self._look_at:
                # Not before: what follows from an entry that has not been read again is ours too.
                client.glance(self._look_at)
                self._look_at = []
            for entry in await self._read(outbox.fed):
                for item in outbox.add(entry.seq, self._made(entry)):
                    await queue.put(item)
            self._moved.set()

    async def _lost(self) -> list[Publication]:
        """What this broker was given to keep, and has no longer as far as can be told."""
        after = await self._broker_has()
        kept = self._outbox.kept
        lost = list(kept.after(after))
        again = self.counts.connects > 1
        emptied = kept.emptied_after(after) if again and after != NOTHING else None
        if emptied is None:
            # The broker may have what earlier runs, with other settings or another log, have left,
            # or an old store of this one: `_listen` takes away what is not ours any more.
            told = (self._discovery.mine,) if self._discovery else ()
            self._look_at = [*self._topics.retained, *told]
        if again:
            # With an old store come topics that have been emptied since.
            lost = [*(emptied or ()), *lost]
            if lost:
                _log.info("the broker is given again what it may have lost", topics=len(lost))
            return lost
        if after == NOTHING:
            return lost
        # What is said outside of our own topics may be new with these settings.
        base = f"{self._topics.base}/"
        everything = kept.after(NOTHING)
        return [*lost, *(message for message in everything if not message.topic.startswith(base))]

    async def _broker_has(self) -> int:
        """The entry up to which the broker has everything, by what it has kept of our own word.

        A broker that has forgotten our session has forgotten that too. One that was killed may come
        back with a store from an hour ago, session and all; but the word in it is as old.
        """
        if self._mark is None:
            return NOTHING
        try:
            async with asyncio.timeout(MARK_TIMEOUT_S):
                mark = await self._mark
        except TimeoutError:
            return NOTHING
        if mark is None or mark.log != self._logbook.log or mark.up_to > self._logbook.last_seq:
            return NOTHING
        return mark.up_to

    async def _tidy_discovery(self, client: Client) -> None:
        """Have the broker know below which prefixes home automation is told of us, and take away
        what earlier runs have told it below others.

        What the broker says of these is a claim by anybody; but nothing goes that is not told of
        this station.
        """
        before = await self._announced_before()
        old = sorted(before - self._prefixes)
        looked = self._looked = asyncio.get_running_loop().create_future() if old else None
        if old:
            _log.info("discovery is taken back", below=old)
            station = self._topics.station
            client.glance([Discovery(prefix, station, self._topics).mine for prefix in old])
        if old or self._prefixes:
            # Before the first word of it goes out. It comes back behind all that is found there.
            await self._say_announced(client, before | self._prefixes)
        self._may_announce.set()
        if looked is not None:
            await looked
            await self._answers.join()  # among them what `_listen` takes away
            await self._say_announced(client, self._prefixes)
        self._tidied = True

    async def _announced_before(self) -> frozenset[str]:
        """The prefixes that the broker knows of; none that matter once this has been looked at."""
        if self._told_before is None:
            return frozenset()
        try:
            async with asyncio.timeout(MARK_TIMEOUT_S):
                return await asyncio.shield(self._told_before)
        except TimeoutError:
            return frozenset()

    async def _say_announced(self, client: Client, prefixes: frozenset[str]) -> None:
        said = announced(prefixes)
        await self._publish(client, Publication(self._topics.announced, said, retain=True))

    async def _read(self, after: int) -> list[Entry]:
        while True:
            try:
                return await self._logbook.read(after, READ_AHEAD)
            except sqlite3.Error as error:
                _log.error("cannot read the log for the bus", reason=str(error))
                await self._sleep(READ_RETRY_S)

    def _made(self, entry: Entry) -> list[Publication]:
        try:
            return self._projection.take(entry)
        except Exception:
            # Passed over, or everything after it would wait for ever, over every restart.
            self.counts.unpublishable += 1
            _log.exception("fault: no payload for a log entry", entry=entry.seq)
            return []

    async def _publish_from(self, client: Client, queue: asyncio.Queue[Numbered]) -> None:
        while True:
            seq, message = await queue.get()
            await self._publish(client, message)
            if seq == NOT_FROM_THE_LOG:
                self._owed -= 1
            else:
                self._outbox.end(seq, message)
                self._moved.set()

    async def _answer(self, client: Client) -> None:
        while True:
            message = await self._answers.get()
            try:
                if not (message.state and self._outbox.keeps(message.topic)):
                    await self._publish(client, message)
            finally:
                self._answers.task_done()

    async def _publish(self, client: Client, message: Publication) -> None:
        """Return when the broker has it, or has said that it never will."""
        properties = None
        if message.correlation and self._options.mqtt5:
            properties = publish_properties(message.correlation)
        try:
            await client.deliver(
                message.topic, message.payload, retain=message.retain, properties=properties
            )
        except (RefusedError, TooLargeError) as error:
            self.counts.refused += 1
            self._tell_refusal(message.topic, str(error))
        else:
            self.counts.states += message.state
            self.counts.published += not message.state

    def _tell_refusal(self, topic: str, reason: str) -> None:
        """Say it once for each room of the bus: a broker that refuses one topic refuses many."""
        below = topic.removeprefix(f"{self._topics.base}/")
        room = below.partition("/")[0] if below != topic else "a reply topic"
        if room not in self._refusals_told:
            self._refusals_told.add(room)
            _log.error("refused by the broker", room=room, topic=topic, reason=reason)

    async def _find_place(self) -> None:
        """Where to go on, and what the broker has been given to keep up to there."""
        while True:
            try:
                self._saved = await self._logbook.reader_at(READER)
                await self._look_back()
            except sqlite3.Error as error:
                _log.error("cannot read the log for the bus", reason=str(error))
                await self._sleep(READ_RETRY_S)
            else:
                return

    async def _look_back(self) -> None:
        floor = self._saved
        self._projection = Projection(self._logbook.log, self._topics, self._discovery)
        self._outbox = Outbox(floor)
        for message in self._projection.beginning():
            self._outbox.kept.apply(0, message)
        for kinds, after in ((KINDS, 0), (("heard",), floor - READ_BACK)):
            async for entry in self._logbook.entries(kinds, after, floor):
                for message in self._made(entry):
                    self._outbox.kept.apply(entry.seq, message)
        self._outbox.kept.make()

    async def _keep_place(self, client: Client) -> None:
        while True:
            for _ in range(MARK_EVERY):
                await self._sleep(SAVE_PLACE_S)
                await self._save_place()
            await self._say_how_far(client)

    async def _say_how_far(self, client: Client) -> None:
        floor = self._outbox.floor
        if floor != self._marked and not self._owed:
            mark = PublishedPayload(log=self._logbook.log, up_to=floor)
            await client.deliver(self._topics.published, _encode(mark), retain=True)
            self._marked = floor

    async def _save_place(self) -> None:
        floor = self._outbox.floor
        if floor == self._saved:
            return
        try:
            await self._logbook.move_reader(READER, floor)
            self._saved = floor
        except sqlite3.Error as error:
            # The cost is that entries are published again after a crash.
            _log.warning("place in the log not saved", reason=str(error))

    # -- in --------------------------------------------------------------------------------------

    async def _listen(self, client: Client) -> None:
        async for message in client.messages:
            octets = message.payload if isinstance(message.payload, bytes) else b""
            topic = str(message.topic)
            if topic.startswith(self._topics.all_asks):
                self._take(topic, octets, message.retain, message.properties)
            elif topic == self._topics.published:
                self._note_mark(octets)
            elif topic == self._topics.announced:
                self._note_announced(octets, retained=message.retain)
            elif topic == self._topics.presence:
                # Another one of ours may have waited in the session, such as the last will.
                if not message.retain and octets == self._presence_said:
                    self._settle_mark(None)
                    self._note_announced(b"", retained=True)
            elif message.retain and octets:
                self._take_away(topic)
            if client.discarded:
                self.counts.asks_dropped += client.discarded
                _log.warning("asks came too fast and were dropped", dropped=client.discarded)
                client.discarded = 0

    def _take_away(self, topic: str) -> None:
        """The broker keeps something below our name; it goes unless we would have it kept."""
        if not self._outbox.keeps(topic) and not self._answers.full():
            self._answers.put_nowait(Publication(topic, b"", retain=True, state=True))

    def _note_mark(self, octets: bytes) -> None:
        # What cannot be read is not by us.
        with contextlib.suppress(msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
            self._settle_mark(msgspec.json.decode(octets, type=PublishedPayload))

    def _note_announced(self, octets: bytes, *, retained: bool) -> None:
        if retained:
            if self._told_before is not None and not self._told_before.done():
                self._told_before.set_result(read_announced(octets))
        elif self._looked is not None and not self._looked.done():
            self._looked.set_result(None)

    def _settle_mark(self, mark: PublishedPayload | None) -> None:
        if self._mark is not None and not self._mark.done():
            self._mark.set_result(mark)

    def _take(
        self, topic: str, octets: bytes, retained: bool, properties: Properties | None
    ) -> None:
        verb, _, client = topic.removeprefix(self._topics.all_asks).partition("/")
        reply_topic = getattr(properties, "ResponseTopic", "")
        correlation = getattr(properties, "CorrelationData", b"")
        prefix = self._options.discovery_prefix
        closed = (prefix,) if prefix else ()
        field, why = reply_problem(reply_topic, correlation, self._topics, closed)
        if field:
            reply_topic, correlation = "", b""
        ask = read_ask(verb, octets, reply_topic, correlation, client)
        retry_in_s: float | None = None
        if isinstance(ask, AskProblem):
            problem = ask
        elif field:
            problem = AskProblem(verb, ask.request, field, why)
        elif retained:
            # It would come again with every connection, long after its request id is forgotten.
            why = "an ask must not be a retained message"
            problem = AskProblem(verb, ask.request, "", why)
        elif wait_s := self._too_soon_s(ask):
            retry_in_s = round(wait_s, 1)
            why = f"too many asks by {client or 'nameless clients'}; again in {wait_s:.0f} s"
            problem = AskProblem(verb, ask.request, "", why)
        elif self._on_ask(ask):
            self.counts.asks_taken += 1
            return
        else:
            problem = AskProblem(verb, ask.request, "", "too many asks at once; try again later")
        self.counts.asks_refused += 1
        self._refuse(problem, reply_topic, correlation, retry_in_s)

    def _too_soon_s(self, ask: Ask) -> float:
        """For how long its client has to wait with this ask; 0.0: not at all."""
        frames = frames_in(ask)
        throttle = self._throttles[frames > 0]
        return throttle.wait_s(ask.client, self._now().mono_s, max(1, frames))

    def _refuse(
        self,
        problem: AskProblem,
        reply_topic: str,
        correlation: bytes,
        retry_in_s: float | None,
    ) -> None:
        """Answer an ask that the station never sees; nothing rests on it, so nothing is logged."""
        now = self._now()
        answer = RefusalPayload(
            at=time_text(now),
            clock_trusted=now.wall_trusted,
            request=problem.request or None,
            verb=problem.verb,
            field=problem.field or None,
            why=problem.why,
            retry_in_s=retry_in_s,
        )
        topic = reply_topic or self._topics.answer(problem.request or "unreadable")
        if not self._answers.full():
            self._answers.put_nowait(Publication(topic, _encode(answer), correlation=correlation))


def _first_of(error: BaseException | None) -> BaseException:
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return error or RuntimeError("the connection ended for no known reason")

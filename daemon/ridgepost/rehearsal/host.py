"""Our own station on a node of the simulated channel, in virtual time.

It stands where the service, the links and the logbook stand in the field: it hands the station
what its node hears, commits what the station logs, transmits what it asks for and wakes it when
something falls due. Nothing waits and nothing is written; the log is a list. Like a real host it
cannot see when the TNC keys up.
"""

import functools
import random
from collections.abc import Callable, Iterable

import msgspec

from ridgepost import __version__
from ridgepost.rehearsal.channel import Channel, Received
from ridgepost.station import records
from ridgepost.station.asks import Ask, Cancel, Send
from ridgepost.station.channel import PortSetup
from ridgepost.station.effects import Effect, Log, Transmit
from ridgepost.station.moment import Moment
from ridgepost.station.recall import Recall
from ridgepost.station.records import Answered, Entry, OutboundChanged, Precedence, State
from ridgepost.station.setup import Setup
from ridgepost.station.station import Station
from ridgepost.station.tuning import Tuning

TNC = "vhf"
"""The name of the only TNC, whose port 0 is the node."""

STARTS_AT_S = 1_781_337_600.0
"""Wall clock at virtual time 0: 2026-06-13T08:00:00Z."""

_WAKE_UPS_IN_ONE_INSTANT = 1000
"""More than these in a row without time moving on, and the station would never let it."""


class HostedMessage(msgspec.Struct):
    """A message the station took, and what became of it. Times are of the channel's clock."""

    message: str
    to: str
    text: str
    number: str
    precedence: Precedence
    asked_s: float
    state: State = State.QUEUED
    attempts: int = 0
    sent_s: list[float] = msgspec.field(default_factory=list)
    """When each transmission of it was handed to the TNC."""

    acked_s: float | None = None
    ended_s: float | None = None
    """When it was settled, well or badly."""

    @property
    def to_ack_s(self) -> float | None:
        """Seconds from the ask to its acknowledgement."""
        return None if self.acked_s is None else self.acked_s - self.asked_s


class ShownMessage(msgspec.Struct, frozen=True):
    """A message as the station showed it; one that is shown twice is here twice."""

    source: str
    to: str
    text: str
    number: str
    at_s: float


class HostAccount(msgspec.Struct):
    """All that a station did, over all its runs, as its host saw it."""

    outgoing: dict[str, HostedMessage] = msgspec.field(default_factory=dict)
    shown: list[ShownMessage] = msgspec.field(default_factory=list)
    frames_sent: list[tuple[float, bytes]] = msgspec.field(default_factory=list)
    """When each frame was handed to the TNC, and its octets."""

    acks_sent: int = 0
    frames_heard: int = 0
    wake_ups: int = 0
    runs: int = 0
    entries_lost: int = 0
    """Taken back by power cuts: what is merely heard may be."""

    @property
    def acked(self) -> list[HostedMessage]:
        return [message for message in self.outgoing.values() if message.acked_s is not None]


class StationHost:
    """A station on the node of the same name, which must be on the channel already.

        host = StationHost(channel, "QZ1HUB-10", random.Random(1))
        host.start()
        channel.schedule(10.0, lambda: host.ask(host.send("QZ1SAG", "Radio check")))
        channel.advance(600.0)

    `rng` is the station's chance. `hand_over_delay_s` lies between a decision and the frame's
    arrival in the TNC. `on_entry` is called with each log entry once it is committed, and must
    not ask, kill or restart from within: schedule that.
    """

    def __init__(
        self,
        channel: Channel,
        callsign: str,
        rng: random.Random,
        *,
        path: tuple[str, ...] = ("WIDE1-1", "WIDE2-1"),
        tuning: Tuning | None = None,
        setup: Setup | None = None,
        hand_over_delay_s: float = 0.0,
        on_entry: Callable[[Entry], None] = lambda _entry: None,
    ) -> None:
        radio = channel.radio(callsign)
        self.callsign = callsign
        self.account = HostAccount()
        self.log: list[Entry] = []
        """What is committed, oldest first, across kills and restarts."""

        self.tuning = tuning or Tuning()
        self.setup = setup or Setup(
            callsign=callsign,
            transmit=True,
            path=path,
            ports=(
                PortSetup(tnc=TNC, port=0, txdelay_s=radio.txdelay_s, tx_tail_s=radio.tx_tail_s),
            ),
        )
        self.fuse: int | None = None
        """Steps still carried out before the process dies by itself; None: it does not. A commit
        of all that one decision logs is a step, and so is each frame handed over."""

        self._channel = channel
        self._rng = rng
        self._hand_over_delay_s = hand_over_delay_s
        self._on_entry = on_entry
        self._station: Station | None = None
        self._plugged_in = True
        self._dark = False
        self._requests = 0
        self._wake_at_s: float | None = None
        self._wake_version = 0
        self._idle_wake_ups = 0
        self._last_wake_s = -1.0
        channel.on_received(callsign, self._hear)

    # -- life ------------------------------------------------------------------------------------

    @property
    def running(self) -> bool:
        return self._station is not None

    @property
    def station(self) -> Station:
        """The present run's. Raises RuntimeError while none runs."""
        if self._station is None:
            raise RuntimeError(f"{self.callsign} is not running")
        return self._station

    def start(self) -> None:
        """Begin a run, restored from the log, with the TNC's link up if it is plugged in.

        Call it as often as the station was killed, for the first run before or in `advance`.
        Raises RuntimeError if one runs already.
        """
        if self._station is not None:
            raise RuntimeError(f"{self.callsign} is running already")
        if self._dark:
            self._dark = False
            self._channel.switch_on(self.callsign, self._channel.now_s)
        self.account.runs += 1
        now = self._now()
        last_seq = self.log[-1].seq if self.log else 0
        station = Station(
            self.setup,
            self.tuning,
            self._rng,
            log=self.callsign,
            run=self.account.runs,
            next_seq=last_seq + 1,
        )
        station.restore(self._history(now.mono_s))
        self._station = station
        self._carry_out(station.start(__version__, now))
        if self._plugged_in:
            self._link_changed(True, "connected")

    def kill(self, *, power_cut: bool = False) -> None:
        """End the run without a word, as kill -9 does. What the TNC has, it still sends.

        With `power_cut` the TNC falls silent as well, and what was committed after the last
        durable entry is lost (two durabilities: `ridgepost.station.records.is_durable`).
        """
        self._station = None
        self.fuse = None
        self._wake_at_s = None
        self._wake_version += 1
        if power_cut:
            self._dark = True
            self._channel.switch_off(self.callsign, self._channel.now_s)
            while self.log and not records.is_durable(self.log[-1].record):
                self.log.pop()
                self.account.entries_lost += 1

    def stop(self, reason: str = "stopped") -> None:
        """End the run in order."""
        self._carry_out(self.station.stop(reason, self._now()))
        self.kill()

    def kill_between(self, off_s: float, on_s: float, *, power_cut: bool = False) -> None:
        """Be killed at one time and started again at another."""
        self._channel.schedule(off_s, functools.partial(self.kill, power_cut=power_cut))
        self._channel.schedule(on_s, self.start)

    def unplug(self) -> None:
        """The cable between host and TNC is pulled; the TNC sends what it has."""
        self._plugged_in = False
        self._link_changed(False, "connection lost")

    def plug_in(self) -> None:
        """The cable is back."""
        self._plugged_in = True
        self._link_changed(True, "connected")

    # -- asks ------------------------------------------------------------------------------------

    def send(
        self,
        to: str,
        text: str,
        *,
        precedence: Precedence = Precedence.ROUTINE,
        lifetime_s: float | None = None,
    ) -> Send:
        """An ask to send a message, under a request id of its own."""
        return Send(
            request=self._request(),
            to=to,
            text=text,
            precedence=precedence,
            lifetime_s=lifetime_s,
        )

    def cancel(self, message: str) -> Cancel:
        """An ask to cancel a message, under a request id of its own."""
        return Cancel(request=self._request(), message=message)

    def ask(self, ask: Ask) -> Answered | None:
        """Put an ask to the station at the present time; None: it died or did not run, and nobody
        knows whether it took the ask. Ask again with the same request id."""
        if self._station is None:
            return None
        return self._carry_out(self._station.ask(ask, self._now()))

    # -- inside ----------------------------------------------------------------------------------

    def _request(self) -> str:
        self._requests += 1
        return f"{self.callsign}-{self._requests}"

    def _now(self) -> Moment:
        now_s = self._channel.now_s
        return Moment(now_s, STARTS_AT_S + now_s)

    def _history(self, now_s: float) -> Iterable[tuple[records.AnyRecord, float]]:
        """What the logbook would restore from: all runs are of one boot and share its clock."""
        tuning = self.tuning
        recall = Recall(now_s - tuning.max_lifetime_s, now_s - tuning.heard_recall_s)
        for entry in self.log:
            yield from recall.take(entry.record, entry.at.mono_s)
        yield from recall.rest()

    def _hear(self, got: Received) -> None:
        if self._station is None or not self._plugged_in:
            return
        self.account.frames_heard += 1
        self._carry_out(self._station.hear(TNC, 0, got.octets, self._now()))

    def _link_changed(self, up: bool, reason: str) -> None:
        if self._station is not None:
            self._carry_out(self._station.link_changed(TNC, up, reason, self._now()))

    def _carry_out(self, effects: list[Effect]) -> Answered | None:
        """Commit what one decision logged, then act on it; the answer among it is returned."""
        answer: Answered | None = None
        entries = [effect.entry for effect in effects if isinstance(effect, Log)]
        if entries:
            if self._burnt_down():
                return None
            self.log += entries
            for entry in entries:
                self._note(entry)
                if isinstance(entry.record, Answered):
                    answer = entry.record
        for effect in effects:
            if isinstance(effect, Transmit):
                if self._burnt_down():
                    return None
                self._hand_over(effect)
        self._set_wake_up()
        return answer

    def _burnt_down(self) -> bool:
        """The fuse has reached its end: the process is dead from here on."""
        if self.fuse is None:
            return False
        if self.fuse == 0:
            self.kill()
            return True
        self.fuse -= 1
        return False

    def _hand_over(self, transmit: Transmit) -> None:
        now_s = self._channel.now_s
        if not self._plugged_in:
            self._carry_out(self.station.not_sent(transmit, self._now()))
            return
        self.account.frames_sent.append((now_s, transmit.octets))
        self._channel.transmit(self.callsign, transmit.octets, now_s + self._hand_over_delay_s)

    def _note(self, entry: Entry) -> None:
        """Keep the account, and tell whoever follows the log."""
        at_s = entry.at.mono_s
        match entry.record:
            case OutboundChanged() as record:
                self._note_outbound(record, at_s)
            case records.Received() as record:
                self.account.shown.append(
                    ShownMessage(record.source, record.to, record.text, record.number, at_s)
                )
            case records.AckSent():
                self.account.acks_sent += 1
            case _:
                pass
        self._on_entry(entry)

    def _note_outbound(self, record: OutboundChanged, at_s: float) -> None:
        message = self.account.outgoing.get(record.message)
        if message is None:
            message = self.account.outgoing[record.message] = HostedMessage(
                record.message, record.to, record.text, record.number, record.precedence, at_s
            )
        message.state = record.state
        message.attempts = record.attempts
        if record.frame is not None:
            message.sent_s.append(at_s)
        if record.state is State.ACKNOWLEDGED:
            message.acked_s = at_s
        if record.state.settled:
            message.ended_s = at_s

    # -- inside: time ----------------------------------------------------------------------------

    def _set_wake_up(self) -> None:
        """See to it that the station is woken in time, with at most one wake-up that counts.

        A wake-up that is earlier than needed stays and sets the next one when it comes: what was
        put in the channel's time cannot be taken out, and due times mostly move on.
        """
        if self._station is None:
            return
        due_s = self._station.next_wakeup_s()
        if due_s is None:
            return
        due_s = max(due_s, self._channel.now_s)
        if self._wake_at_s is not None and self._wake_at_s <= due_s:
            return
        self._wake_at_s = due_s
        self._wake_version += 1
        self._channel.schedule(due_s, functools.partial(self._wake, self._wake_version))

    def _wake(self, version: int) -> None:
        if version != self._wake_version or self._station is None:
            return
        self._wake_at_s = None
        due_s = self._station.next_wakeup_s()
        now = self._now()
        if due_s is None or due_s > now.mono_s:
            self._set_wake_up()
            return
        self.account.wake_ups += 1
        self._idle_wake_ups = self._idle_wake_ups + 1 if now.mono_s == self._last_wake_s else 0
        self._last_wake_s = now.mono_s
        if self._idle_wake_ups > _WAKE_UPS_IN_ONE_INSTANT:
            raise RuntimeError(
                f"{self.callsign} wants to be woken at {due_s} s again and again, and it is "
                f"{now.mono_s} s: its tick does not do what is due"
            )
        self._carry_out(self._station.tick(now))

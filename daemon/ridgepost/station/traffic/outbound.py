"""The queue of outgoing messages: which one goes out when, and what became of it.

Each addressee has one message in the air at a time, the most urgent first and then in order of
acceptance. A message is sent on the decay schedule; if its addressee stays silent it waits until
the addressee is heard. Costs grow with the logarithm of the queue, not with its length.
"""

import random
from collections import OrderedDict
from dataclasses import dataclass, field

from ridgepost import aprs
from ridgepost.radio import ax25
from ridgepost.station.agenda import Agenda
from ridgepost.station.channel import Channel, Port
from ridgepost.station.heard import HeardStations
from ridgepost.station.journal import Journal
from ridgepost.station.moment import Moment
from ridgepost.station.records import Noticed, OutboundChanged, Precedence, State
from ridgepost.station.setup import SOFTWARE_ADDRESS, Setup
from ridgepost.station.traffic.numbers import Numbers
from ridgepost.station.traffic.reply_acks import ReplyAcks
from ridgepost.station.traffic.schedule import wait_after_s
from ridgepost.station.tuning import Tuning

SETTLED_KEPT = 2048
"""Settled messages remembered: a late cancel is told how the message ended, and a late
acknowledgement is told from one that belongs to nothing."""

REPLY_CAPABLE_LENGTH = 2
"""Characters of a number that leave room for a reply-ack (APRS 1.2 ch. 14: '{MM}AA')."""


@dataclass(slots=True, eq=False)
class _Message:
    key: str
    order: int
    to: str
    text: str
    number: str
    precedence: Precedence
    expires_at_s: float
    state: State = State.QUEUED
    attempts: int = 0
    last_sent_s: float | None = None
    due_s: float | None = None
    """When to send next, once it is its turn; None while it waits to be heard of."""

    late_ack_told: bool = False

    @property
    def turn(self) -> tuple[int, int]:
        return (self.precedence.rank, self.order)


@dataclass(slots=True, eq=False)
class _Addressee:
    """The messages to one station, and the one of them that is in the air."""

    queue: Agenda[_Message, tuple[int, int]] = field(default_factory=Agenda)
    current: _Message | None = None
    ready_on: Port | None = None
    """Where the current message is due and goes as soon as there is room."""


class Outbound:
    """Decides on outgoing messages. All methods are told the time; records go to the journal.

    The current message of each addressee is in one of three places: timed until it is due, ready
    on a port until that has room, or nowhere while it waits to be heard of. The others wait in the
    addressee's own queue.
    """

    def __init__(
        self,
        setup: Setup,
        tuning: Tuning,
        journal: Journal,
        *,
        channel: Channel,
        heard: HeardStations,
        reply_acks: ReplyAcks,
        rng: random.Random,
    ) -> None:
        self._setup = setup
        self._tuning = tuning
        self._journal = journal
        self._channel = channel
        self._heard = heard
        self._reply_acks = reply_acks
        self._rng = rng
        self._numbers = Numbers(tuning.max_lifetime_s, tuning.numbers_memory, rng)
        self._order = 0
        self._messages: dict[str, _Message] = {}
        self._settled: OrderedDict[str, _Message] = OrderedDict()
        self._by_number: dict[tuple[str, str], _Message] = {}
        """The latest message with this number to this addressee, open or settled."""

        self._addressees: dict[str, _Addressee] = {}
        self._expiries: Agenda[_Message, float] = Agenda()
        self._timed: Agenda[_Message, float] = Agenda()
        self._ready: dict[Port, Agenda[_Message, tuple[int, int]]] = {}
        self.late_acks = 0
        self.unmatched_acks = 0

    def __len__(self) -> int:
        return len(self._messages)

    # -- asks ------------------------------------------------------------------------------------

    def full(self) -> bool:
        """The queue takes no further message."""
        return len(self._messages) >= self._tuning.open_messages

    def accept(
        self, to: str, text: str, precedence: Precedence, lifetime_s: float, now: Moment
    ) -> str:
        """Queue a message (already checked) and return its name. Raises NoNumberError."""
        self._expire(now)  # an overdue one may hold the number that comes free
        number = self._numbers.take(to, now.mono_s)
        record = OutboundChanged(
            message=self._journal.upcoming_id(),
            to=to,
            text=text,
            number=number,
            precedence=precedence,
            state=State.QUEUED,
            why="accepted",
            expires_in_s=lifetime_s,
        )
        self._journal.write(record, now)
        self.apply(record, now.mono_s)
        return record.message

    def cancel(self, key: str, why: str, now: Moment) -> State | None:
        """Settle a message; the state it was found in is returned, None if it is unknown."""
        message = self._messages.get(key)
        if message is None:
            settled = self._settled.get(key)
            return settled.state if settled else None
        before = message.state
        self._change(message, State.CANCELLED, why, now)
        return before

    # -- what was heard --------------------------------------------------------------------------

    def acknowledged(self, source: str, number: str, how: str, now: Moment) -> None:
        """`source` has acknowledged our message with this number."""
        message = self._sent_to(source, number)
        if message is None:
            return
        if not message.state.settled:
            self._change(message, State.ACKNOWLEDGED, how, now)
        elif message.state in (State.EXPIRED, State.CANCELLED) and not message.late_ack_told:
            message.late_ack_told = True
            text = f"{source} acknowledged {message.key} after it was {message.state}: {how}"
            self._journal.write(Noticed(kind="late-ack", text=text), now)

    def rejected(self, source: str, number: str, how: str, now: Moment) -> None:
        """`source` refuses our message with this number."""
        message = self._sent_to(source, number)
        if message is not None and not message.state.settled:
            self._change(message, State.REJECTED, how, now)

    def addressee_heard(self, source: str, now: Moment) -> None:
        """A station was heard: a message that waits for it may go (APRS 1.2, message-on-heard)."""
        addressee = self._addressees.get(source)
        message = addressee.current if addressee else None
        if addressee is None or message is None:
            return
        if message.state is State.WAITING and message.due_s is None:
            earliest_s = now.mono_s
            if message.last_sent_s is not None:
                gap_s = self._tuning.heard_retry_gap_s
                earliest_s = max(earliest_s, message.last_sent_s + gap_s)
            message.due_s = earliest_s
            self._timed.put(message, earliest_s)
        elif addressee.ready_on and addressee.ready_on != self._heard.port_of(source):
            self._unready(message)  # it was heard elsewhere: look again where to send

    # -- time ------------------------------------------------------------------------------------

    def next_wakeup_s(self) -> float | None:
        """When `tick` has something to do, if nothing else happens before."""
        expiry, timed = self._expiries.first(), self._timed.first()
        times = [expiry[0]] if expiry else []
        if self._can_transmit():
            times += [timed[0]] if timed else []
            times += [
                self._channel.free_at_s(port)
                for port in self._channel.usable()
                if self._ready.get(port)
            ]
        return min(times, default=None)

    def tick(self, now: Moment) -> None:
        """Expire what is over, then send what is due and what the channel has room for."""
        self._expire(now)
        if not self._can_transmit():
            return
        for port, ready in self._ready.items():
            if ready and not self._channel.can_transmit(port):
                for message in ready.pop_all():
                    self._unready(message)
        while (timed := self._timed.first()) and timed[0] <= now.mono_s:
            self._fallen_due(self._timed.pop(), now)
        for port in self._channel.usable():
            ready = self._ready.get(port, Agenda())
            while ready and self._channel.free_at_s(port) <= now.mono_s:
                self._send(ready.pop(), port, now)

    # -- restoring -------------------------------------------------------------------------------

    def apply(self, record: OutboundChanged, at_s: float) -> None:
        """Take over a message as a record tells it: how decisions and the log change the queue."""
        message = self._messages.get(record.message) or self._enter(record, at_s)
        message.state = record.state
        message.attempts = record.attempts
        if record.frame is not None:
            message.last_sent_s = at_s
        if record.state is State.WAITING:
            message.due_s = None
        else:
            message.due_s = at_s + (record.wait_s or 0.0)
        addressee = self._addressees[message.to]
        self._park(addressee)
        if record.state.settled:
            self._settle(message, addressee)
        self._next_turn(message.to, addressee)

    # -- inside: answers -------------------------------------------------------------------------

    def _sent_to(self, source: str, number: str) -> _Message | None:
        """The message that an answer belongs to; others are counted.

        What was never on the air cannot have been answered: its number was used before, in a log
        that is lost.
        """
        message = self._by_number.get((source, number))
        if message is None or not message.attempts:
            self.unmatched_acks += 1
            return None
        self.late_acks += message.state.settled
        return message

    # -- inside: whose turn it is ----------------------------------------------------------------

    def _enter(self, record: OutboundChanged, at_s: float) -> _Message:
        self._order += 1
        message = _Message(
            record.message,
            self._order,
            record.to,
            record.text,
            record.number,
            record.precedence,
            expires_at_s=at_s + record.expires_in_s,
        )
        self._messages[message.key] = message
        self._by_number[message.to, message.number] = message
        self._numbers.note(message.to, message.number, at_s)
        self._addressees.setdefault(message.to, _Addressee()).queue.put(message, message.turn)
        self._expiries.put(message, message.expires_at_s)
        return message

    def _settle(self, message: _Message, addressee: _Addressee) -> None:
        del self._messages[message.key]
        addressee.queue.drop(message)
        self._expiries.drop(message)
        self._settled[message.key] = message
        if len(self._settled) > SETTLED_KEPT:
            _, oldest = self._settled.popitem(last=False)
            if self._by_number.get((oldest.to, oldest.number)) is oldest:
                del self._by_number[oldest.to, oldest.number]

    def _park(self, addressee: _Addressee) -> None:
        """Take an addressee's current message out of its place; it keeps its time."""
        if addressee.current is not None:
            self._timed.drop(addressee.current)
            if addressee.ready_on is not None:
                self._ready[addressee.ready_on].drop(addressee.current)
                addressee.ready_on = None
            addressee.current = None

    def _next_turn(self, to: str, addressee: _Addressee) -> None:
        """Put the first message of an addressee's queue where it belongs."""
        first = addressee.queue.first()
        if first is None:
            del self._addressees[to]
            return
        _, message = first
        addressee.current = message
        if message.due_s is not None:
            self._timed.put(message, message.due_s)

    def _unready(self, message: _Message) -> None:
        """A message that was ready on a port is due and on none again."""
        addressee = self._addressees[message.to]
        self._park(addressee)
        self._next_turn(message.to, addressee)

    # -- inside: sending -------------------------------------------------------------------------

    def _can_transmit(self) -> bool:
        return self._setup.transmit and bool(self._channel.usable())

    def _expire(self, now: Moment) -> None:
        while (expiry := self._expiries.first()) and expiry[0] <= now.mono_s:
            message = expiry[1]
            sent = f"after {message.attempts} transmissions" if message.attempts else "unsent"
            self._change(message, State.EXPIRED, f"lifetime over, {sent}", now)

    def _fallen_due(self, message: _Message, now: Moment) -> None:
        if message.state is State.SENDING and message.attempts >= self._tuning.attempts:
            why = f"no acknowledgement to {message.attempts} transmissions; waiting to hear it"
            self._change(message, State.WAITING, why, now)
            return
        # Where it was last heard; for a stranger each port in turn.
        port = self._channel.choose([self._heard.port_of(message.to)], message.attempts)
        if port is None:
            raise AssertionError("nothing falls due while no port can transmit")
        self._addressees[message.to].ready_on = port
        self._ready.setdefault(port, Agenda()).put(message, message.turn)

    def _send(self, message: _Message, port: Port, now: Moment) -> None:
        reply_capable = len(message.number) == REPLY_CAPABLE_LENGTH
        reply_ack = (
            self._reply_acks.for_addressee(message.to, now.mono_s) if reply_capable else None
        )
        info = aprs.encode_message(
            message.to, message.text, message.number, reply_capable, reply_ack
        )
        frame = ax25.encode(
            ax25.Frame(self._setup.callsign, SOFTWARE_ADDRESS, path=self._setup.path, info=info)
        )
        message.attempts += 1
        if message.state is State.WAITING:
            # Once for each time it is heard, and then on waiting: no further time is set.
            state, why, wait_s = State.WAITING, f"{message.to} heard", None
        else:
            state = State.SENDING
            why = "first transmission" if message.attempts == 1 else "no acknowledgement yet"
            wait_s = wait_after_s(message.attempts, self._tuning, self._rng)
        self._change(message, state, why, now, wait_s=wait_s, frame=frame, port=port)
        self._journal.transmit(*port, frame)
        self._channel.book(port, frame, now.mono_s)

    def _change(
        self,
        message: _Message,
        state: State,
        why: str,
        now: Moment,
        *,
        wait_s: float | None = None,
        frame: bytes | None = None,
        port: Port = ("", 0),
    ) -> None:
        record = OutboundChanged(
            message=message.key,
            to=message.to,
            text=message.text,
            number=message.number,
            precedence=message.precedence,
            state=state,
            why=why,
            attempts=message.attempts,
            expires_in_s=round(message.expires_at_s - now.mono_s, 3),
            wait_s=wait_s,
            frame=frame,
            tnc=port[0],
            port=port[1],
        )
        self._journal.write(record, now)
        self.apply(record, now.mono_s)

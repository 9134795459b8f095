"""The queue of outgoing messages: which one goes out when, and what became of it.

Each addressee has one message in the air at a time (`Tuning.messages_in_flight`), the most urgent
first and then in order of acceptance. After each transmission we listen for a digipeater's repeat
of our frame: none in time, and the frame is sent again soon; heard, and no copy goes out while the
digipeater would suppress it. Where no repeat can be expected the standard's decay schedule serves.
If the addressee stays silent its messages wait until it is heard. Costs grow with the logarithm of
the queue, not with its length.
"""

import random
from collections import OrderedDict
from dataclasses import dataclass, field

from ridgepost import aprs
from ridgepost.station.agenda import Agenda
from ridgepost.station.channel import Channel, Port
from ridgepost.station.echoes import Echo, Echoes
from ridgepost.station.heard import HeardStations
from ridgepost.station.journal import Journal
from ridgepost.station.moment import Moment
from ridgepost.station.records import Noticed, OutboundChanged, Precedence, State
from ridgepost.station.setup import Setup
from ridgepost.station.traffic.contention import Contention
from ridgepost.station.traffic.numbers import Numbers
from ridgepost.station.traffic.reply_acks import ReplyAcks
from ridgepost.station.traffic.round_trips import RoundTrips
from ridgepost.station.traffic.schedule import Schedule
from ridgepost.station.tuning import Tuning
from ridgepost.station.ways import Ways

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
    tactical: str
    text: str
    number: str
    precedence: Precedence
    expires_at_s: float
    state: State = State.QUEUED
    attempts: int = 0
    tries_left: int = 0
    """Transmissions before it waits for its addressee to be heard."""

    rounds: int = 0
    """How often it was tried anew because its addressee was heard."""

    last_sent_s: float | None = None
    due_s: float | None = None
    """When to send next, once it is its turn; None while it waits to be heard of."""

    ready_on: Port | None = None
    """Where it is due and goes as soon as there is room."""

    ready_since_s: float = 0.0

    # What became of the latest transmission, and of those before it.
    info: bytes = b""
    port: Port = ("", 0)
    listening_on: Port | None = None
    """Where its repeat is expected, until it is heard or missed."""

    echo: Echo | None = None
    echoed_s: float | None = None
    idle_from_s: float | None = None
    """Since when, or from when on, it only waits for a window to pass."""

    missed: int = 0
    """Repeats missed in a row."""

    silent_since_s: float = 0.0
    silent_copies: int = 0
    """When the first of those copies went out that one window may hold, and how many there are.
    If one of them was repeated unheard it was most likely the first: the window runs from it."""

    unanswered: int = 0
    """Transmissions in this round that were repeated, or could not be known to be, for nothing."""

    late_ack_told: bool = False

    @property
    def turn(self) -> tuple[int, int]:
        return (self.precedence.rank, self.order)


@dataclass(slots=True, eq=False)
class _Addressee:
    """The messages to one station: those whose turn it is, and the others."""

    queue: Agenda[_Message, tuple[int, int]] = field(default_factory=Agenda)
    active: list[_Message] = field(default_factory=list)


class Outbound:
    """Decides on outgoing messages. All methods are told the time; records go to the journal.

    An active message is in one of three places: timed until it is due, ready on a port until that
    has room, or nowhere while it waits to be heard of. The others wait in the addressee's own
    queue.
    """

    def __init__(
        self,
        setup: Setup,
        tuning: Tuning,
        journal: Journal,
        *,
        channel: Channel,
        heard: HeardStations,
        ways: Ways,
        echoes: Echoes,
        contention: Contention,
        reply_acks: ReplyAcks,
        rng: random.Random,
    ) -> None:
        self._setup = setup
        self._tuning = tuning
        self._journal = journal
        self._channel = channel
        self._heard = heard
        self._ways = ways
        self._echoes = echoes
        self._contention = contention
        self._reply_acks = reply_acks
        self._rng = rng
        self._schedule = Schedule(tuning, rng)
        self._round_trips = RoundTrips()
        self._numbers = Numbers(tuning.max_lifetime_s, tuning.numbers_memory, rng)
        self._order = 0
        self._messages: dict[str, _Message] = {}
        self._settled: OrderedDict[str, _Message] = OrderedDict()
        self._by_number: dict[tuple[str, str], _Message] = {}
        """The latest message with this number to this addressee, open or settled."""

        self._by_info: dict[bytes, _Message] = {}
        """Open messages by the information field that was sent last."""

        self._addressees: dict[str, _Addressee] = {}
        self._expiries: Agenda[_Message, float] = Agenda()
        self._timed: Agenda[_Message, float] = Agenda()
        self._beside: Agenda[str, float] = Agenda()
        """When an addressee may have a further message, if its first is not answered by then."""

        self._ready: dict[Port, Agenda[_Message, tuple[int, int]]] = {}
        self._readied = 0
        self.late_acks = 0
        self.unmatched_acks = 0

    def __len__(self) -> int:
        return len(self._messages)

    # -- asks ------------------------------------------------------------------------------------

    def full(self, precedence: Precedence, more: int = 1) -> bool:
        """The queue does not take `more` messages; room is kept for the urgent ones."""
        kept = self._tuning.kept_for_urgent * precedence.rank / Precedence.ROUTINE.rank
        limit = self._tuning.open_messages
        return len(self._messages) + more > limit - int(limit * kept)

    def accept(
        self,
        to: str,
        text: str,
        precedence: Precedence,
        lifetime_s: float,
        now: Moment,
        tactical: str = "",
    ) -> str:
        """Queue a message (already checked) and return its name. Raises NoNumberError."""
        self._expire(now)  # an overdue one may hold the number that comes free
        number = self._numbers.take(to, now.mono_s)
        record = OutboundChanged(
            message=self._journal.upcoming_id(),
            to=to,
            tactical=tactical,
            text=text,
            number=number,
            precedence=precedence,
            state=State.QUEUED,
            why="accepted",
            tries_left=self._tuning.attempts,
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
            if message.echo is not None or message.listening_on is not None:
                self._echoes.answered(message.port, repeat_heard=message.echo is not None)
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

    def repeated(self, info: bytes, echo: Echo, now: Moment) -> None:
        """Our frame with this information field was heard back from a digipeater."""
        message = self._by_info.get(info)
        if message is None or message.echo is not None or message.state is not State.SENDING:
            return  # not waited for; a late one still counts
        message.listening_on = None
        message.missed = 0
        message.echo = echo
        message.echoed_s = message.idle_from_s = now.mono_s
        wait_s = self._schedule.after_repeat_s(
            message.unanswered,
            self._contention.others(message.port, message.to, now.mono_s),
            self._window_left_s(message, now.mono_s),
        )
        message.unanswered += 1
        why = f"repeated by {echo.via} after {echo.after_s:.1f} s"
        self._change(message, State.SENDING, why, now, wait_s=wait_s)

    def addressee_heard(self, source: str, now: Moment) -> None:
        """A station was heard: a message that waits for it may go (APRS 1.2, message-on-heard)."""
        addressee = self._addressees.get(source)
        if addressee is None:
            return
        for message in list(addressee.active):
            if message.state is State.WAITING and message.due_s is None:
                if message.rounds < self._tuning.heard_rounds:
                    self._hasten(message, self._schedule.gap_between_rounds_s(message.rounds), now)
            elif message.ready_on is not None:
                if message.ready_on != self._heard.port_of(source):
                    self._unready(message)  # it was heard elsewhere: look again where to send
            elif message.state is State.SENDING and message.listening_on is None:
                # It is there: no need to sit out a wait that was meant for a station that is not.
                self._hasten(message, self._tuning.heard_retry_gap_s, now)

    def asked_for(self, source: str, now: Moment) -> int:
        """A station asks for what is waiting for it (?APRSM, APRS 1.2c ch. 15); how many messages
        there are."""
        addressee = self._addressees.get(source)
        if addressee is None:
            return 0
        for message in list(addressee.active):
            if message.ready_on is None:
                self._hasten(message, 0.0, now)
        return len(addressee.active) + len(addressee.queue)

    # -- time ------------------------------------------------------------------------------------

    def next_wakeup_s(self) -> float | None:
        """When `tick` has something to do, if nothing else happens before."""
        expiry, timed = self._expiries.first(), self._timed.first()
        times = [expiry[0]] if expiry else []
        if self._can_transmit():
            times += [timed[0]] if timed else []
            beside = self._beside.first()
            times += [beside[0]] if beside else []
            for port in self._channel.usable():
                first = self._first_ready(port)
                if first is not None:
                    times.append(self._channel.free_at_s(port, first.precedence))
        return min(times, default=None)

    def tick(self, now: Moment) -> None:
        """Expire what is over, then send what is due and what the channel has room for."""
        self._expire(now)
        if not self._can_transmit():
            return
        for port, ready in self._ready.items():
            if ready and not self._channel.can_transmit(port):
                for message in ready.pop_all():
                    message.ready_on = None
                    self._place(message)
        while (beside := self._beside.first()) and beside[0] <= now.mono_s:
            to = self._beside.pop()
            if to in self._addressees:
                self._fill(to, self._addressees[to], now.mono_s)
        while (timed := self._timed.first()) and timed[0] <= now.mono_s:
            self._fallen_due(self._timed.pop(), now)
        for port in self._channel.usable():
            while (first := self._first_ready(port)) is not None:
                if self._channel.free_at_s(port, first.precedence) > now.mono_s:
                    break
                self._send(first, port, now)

    # -- restoring -------------------------------------------------------------------------------

    def apply(self, record: OutboundChanged, at_s: float) -> None:
        """Take over a message as a record tells it: how decisions and the log change the queue."""
        message = self._messages.get(record.message) or self._enter(record, at_s)
        message.state = record.state
        message.attempts = record.attempts
        message.tries_left = record.tries_left
        message.rounds = record.rounds
        message.unanswered = record.unanswered
        if record.frame is not None:
            message.last_sent_s = at_s
        if record.state is State.WAITING:
            message.due_s = None
        else:
            message.due_s = at_s + (record.wait_s or 0.0)
        if (
            record.state is State.ACKNOWLEDGED
            and record.attempts == 1
            and message.last_sent_s is not None
        ):
            # With several copies out nobody can say which one was answered (Karn's rule).
            self._round_trips.note(message.to, at_s - message.last_sent_s)
        addressee = self._addressees[message.to]
        self._displace(message)
        if record.state.settled:
            self._settle(message, addressee)
        elif message in addressee.active:
            self._place(message)
        self._fill(message.to, addressee, at_s)

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
            record.tactical,
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
        self._by_info.pop(message.info, None)
        if message in addressee.active:
            addressee.active.remove(message)
        addressee.queue.drop(message)
        self._expiries.drop(message)
        self._settled[message.key] = message
        if len(self._settled) > SETTLED_KEPT:
            _, oldest = self._settled.popitem(last=False)
            if self._by_number.get((oldest.to, oldest.number)) is oldest:
                del self._by_number[oldest.to, oldest.number]

    def _fill(self, to: str, addressee: _Addressee, now_s: float) -> None:
        """Give their turn to as many messages of an addressee's queue as may be in the air."""
        queue, active = addressee.queue, addressee.active
        while (first := queue.first()) is not None:
            _, message = first
            if active and message.precedence.rank < active[0].precedence.rank:
                # The more urgent goes first; who makes way keeps its time.
                made_way = active.pop()
                self._displace(made_way)
                queue.put(made_way, made_way.turn)
                continue
            if active and not self._room_beside(to, active, now_s):
                return
            queue.pop()
            active.append(message)
            self._place(message)
        if not active:
            del self._addressees[to]
            self._beside.drop(to)

    def _room_beside(self, to: str, active: list[_Message], now_s: float) -> bool:
        """A further message may fill the time in which no copy of the first would be repeated, but
        not the moment in which its acknowledgement comes."""
        if len(active) >= self._tuning.messages_in_flight:
            return False
        latest_s = 0.0
        for message in active:
            if message.idle_from_s is None or message.state is not State.SENDING:
                return False
            latest_s = max(latest_s, message.idle_from_s + self._tuning.beside_after_s)
        if now_s < latest_s:
            self._beside.put(to, latest_s)
            return False
        return True

    def _place(self, message: _Message) -> None:
        """Put an active message where it belongs."""
        if message.due_s is not None:
            self._timed.put(message, message.due_s)

    def _displace(self, message: _Message) -> None:
        """Take a message out of its place; it keeps its time."""
        self._timed.drop(message)
        if message.ready_on is not None:
            self._ready[message.ready_on].drop(message)
            message.ready_on = None

    def _unready(self, message: _Message) -> None:
        """A message that was ready on a port is due and on none again."""
        self._displace(message)
        self._place(message)

    def _first_ready(self, port: Port) -> _Message | None:
        ready = self._ready.get(port)
        first = ready.first() if ready else None
        return first[1] if first else None

    def _hasten(self, message: _Message, gap_s: float, now: Moment) -> None:
        """Send an active message as soon as `gap_s` have passed since it was sent last, and no
        digipeater would suppress it; unless that is no gain."""
        due_s = now.mono_s + self._window_left_s(message, now.mono_s)
        if message.last_sent_s is not None:
            due_s = max(due_s, message.last_sent_s + gap_s)
        if message.due_s is None or due_s < message.due_s:
            message.due_s = due_s
            self._timed.put(message, due_s)

    # -- inside: sending -------------------------------------------------------------------------

    def _can_transmit(self) -> bool:
        return self._setup.transmit and bool(self._channel.usable())

    def _expire(self, now: Moment) -> None:
        while (expiry := self._expiries.first()) and expiry[0] <= now.mono_s:
            message = expiry[1]
            sent = f"after {message.attempts} transmissions" if message.attempts else "unsent"
            self._change(message, State.EXPIRED, f"lifetime over, {sent}", now)

    def _window_left_s(self, message: _Message, now_s: float) -> float:
        """For how long yet a digipeater that repeated the latest copy would suppress the next."""
        if message.echoed_s is None:
            return 0.0
        return max(message.echoed_s + self._tuning.duplicate_window_s - now_s, 0.0)

    def _fallen_due(self, message: _Message, now: Moment) -> None:
        if message.listening_on is not None:
            self._echoes.missed(message.listening_on)
            message.listening_on = None
            message.missed += 1
        if message.state is State.SENDING and message.tries_left <= 0:
            why = f"no acknowledgement to {message.attempts} transmissions; waiting to hear it"
            self._change(message, State.WAITING, why, now)
            return
        # Where it was last heard; for a stranger each port in turn.
        port = self._channel.choose([self._heard.port_of(message.to)], message.attempts)
        if port is None:
            raise AssertionError("nothing falls due while no port can transmit")
        message.ready_on = port
        message.ready_since_s = now.mono_s
        self._readied += 1
        # Whoever has been ready longest goes first, so that many messages to one addressee, or
        # long service, give no advantage.
        turn = (message.precedence.rank, self._readied)
        self._ready.setdefault(port, Agenda()).put(message, turn)

    def _send(self, message: _Message, port: Port, now: Moment) -> None:
        reply_capable = len(message.number) == REPLY_CAPABLE_LENGTH
        reply_ack = (
            self._reply_acks.for_addressee(message.to, now.mono_s) if reply_capable else None
        )
        info = aprs.encode_message(
            message.to, message.text, message.number, reply_capable, reply_ack
        )
        if message.state is State.WAITING:
            message.rounds += 1
            message.tries_left = self._tuning.heard_tries
            message.missed = message.unanswered = 0
            why = f"{message.to} heard"
        else:
            why = self._why(message)
        tried = self._tuning.attempts if not message.rounds else self._tuning.heard_tries
        path = self._ways.to(message.to, now.mono_s, max(tried - message.tries_left, 0))
        frame = self._setup.frame(info, path)
        held_s = now.mono_s - message.ready_since_s
        if held_s >= 1.0:
            why += f"; held {held_s:.0f} s, channel busy"
        message.attempts += 1
        message.tries_left -= 1
        self._by_info.pop(message.info, None)
        message.info = info
        self._by_info[info] = message
        message.port = port
        message.echo = message.echoed_s = message.idle_from_s = None
        wait_s = self._wait_s(message, port, frame, repeats=bool(path), now_s=now.mono_s)
        self._change(message, State.SENDING, why, now, wait_s=wait_s, frame=frame, port=port)
        self._channel.transmit(self._journal, port, frame, now.mono_s)

    def _why(self, message: _Message) -> str:
        if not message.attempts:
            return "first transmission"
        if message.echo is not None:
            return f"repeated by {message.echo.via}, but no acknowledgement"
        if message.missed:
            return "no repeat heard"
        return "no acknowledgement yet"

    def _wait_s(
        self, message: _Message, port: Port, frame: bytes, *, repeats: bool, now_s: float
    ) -> float:
        """Seconds from this transmission to the next, unless its repeat or its answer is heard."""
        others = self._contention.others(port, message.to, now_s)
        message.listening_on = None
        if repeats:
            patience_s = self._echoes.sent(port, frame, message.info, now_s)
            if self._echoes.expected(port, now_s):
                message.listening_on = port
                window_s = self._tuning.duplicate_window_s
                if not message.missed or now_s - message.silent_since_s >= window_s:
                    message.silent_since_s, message.silent_copies = now_s, 0
                message.silent_copies += 1
                odds = self._echoes.nobody_has_it(port, message.silent_copies)
                if odds >= self._tuning.worth_another_copy and message.tries_left:
                    return self._schedule.no_repeat_s(patience_s, message.missed, others)
                # Likely one was repeated unheard: wait for its answer, and the window out.
                message.idle_from_s = now_s + patience_s
                left_s = message.silent_since_s + window_s - now_s
                return self._schedule.after_repeat_s(
                    message.unanswered, others, patience_s + max(left_s, 0.0)
                )
        message.unanswered += 1
        return self._schedule.no_answer_s(
            self._round_trips.patience_s(message.to), message.unanswered, others
        )

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
            tactical=message.tactical,
            text=message.text,
            number=message.number,
            precedence=message.precedence,
            state=state,
            why=why,
            attempts=message.attempts,
            tries_left=message.tries_left,
            rounds=message.rounds,
            unanswered=message.unanswered,
            expires_in_s=round(message.expires_at_s - now.mono_s, 3),
            wait_s=wait_s if wait_s is None else round(wait_s, 3),
            frame=frame,
            tnc=port[0],
            port=port[1],
        )
        self._journal.write(record, now)
        self.apply(record, now.mono_s)

"""Asks: checked, carried out once, and answered the same however often they come."""

from collections import OrderedDict

import msgspec

from ridgepost import aprs
from ridgepost.radio.callsign import CallsignError, parse_callsign
from ridgepost.station.asks import VERBS, Ask, Cancel, Send, digest
from ridgepost.station.counts import Counts
from ridgepost.station.journal import Journal
from ridgepost.station.moment import Moment
from ridgepost.station.records import Answered, State
from ridgepost.station.setup import Setup
from ridgepost.station.traffic.numbers import NoNumberError
from ridgepost.station.traffic.outbound import Outbound
from ridgepost.station.tuning import Tuning


class _RefusalError(Exception):
    """The ask can't be done: which field, and why in words for whoever asked."""

    def __init__(self, field: str, why: str) -> None:
        super().__init__(why)
        self.field = field
        self.why = why


class Desk:
    """Carries out asks. Remembers answers, bounded by `Tuning.ask_memory` and `ask_memory_s`."""

    def __init__(
        self,
        setup: Setup,
        tuning: Tuning,
        journal: Journal,
        outbound: Outbound,
        counts: Counts,
    ) -> None:
        self._setup = setup
        self._tuning = tuning
        self._journal = journal
        self._outbound = outbound
        self._counts = counts
        self._answers: OrderedDict[str, tuple[Answered, float]] = OrderedDict()

    def __len__(self) -> int:
        return len(self._answers)

    def ask(self, ask: Ask, now: Moment) -> None:
        """Decide on an ask; the answer goes to the journal, after what it promises."""
        fingerprint = digest(ask)
        earlier = self._earlier(ask.request, now.mono_s)
        if earlier is None:
            answer = self._decide(ask, fingerprint, now)
        elif earlier.digest == fingerprint:
            self._counts.asks_repeated += 1
            answer = msgspec.structs.replace(
                earlier, reply_topic=ask.reply_topic, correlation=ask.correlation
            )
        else:
            self._counts.asks_refused += 1
            why = "this request id was used for a different ask"
            answer = self._refused(ask, fingerprint, "request", why)
        self._journal.write(answer, now)
        self.apply(answer, now.mono_s)

    def apply(self, record: Answered, at_s: float) -> None:
        """Remember an answer, unless it came to a request that has one already."""
        if self._earlier(record.request, at_s) is not None:
            return
        self._answers[record.request] = (record, at_s)
        self._answers.move_to_end(record.request)
        if len(self._answers) > self._tuning.ask_memory:
            self._answers.popitem(last=False)

    # -- inside ----------------------------------------------------------------------------------

    def _earlier(self, request: str, now_s: float) -> Answered | None:
        record, at_s = self._answers.get(request, (None, 0.0))
        return record if record and now_s - at_s < self._tuning.ask_memory_s else None

    def _decide(self, ask: Ask, fingerprint: str, now: Moment) -> Answered:
        try:
            answer = self._carry_out(ask, fingerprint, now)
        except _RefusalError as refusal:
            self._counts.asks_refused += 1
            return self._refused(ask, fingerprint, refusal.field, refusal.why)
        self._counts.asks_accepted += 1
        return answer

    def _carry_out(self, ask: Ask, fingerprint: str, now: Moment) -> Answered:
        match ask:
            case Send():
                message, state = self._send(ask, now), State.QUEUED
            case Cancel():
                message, state = self._cancel(ask, now), State.CANCELLED
        return Answered(
            request=ask.request,
            verb=VERBS[type(ask)],
            digest=fingerprint,
            accepted=True,
            message=message,
            state=state,
            reply_topic=ask.reply_topic,
            correlation=ask.correlation,
        )

    def _send(self, ask: Send, now: Moment) -> str:
        if not self._setup.transmit:
            raise _RefusalError(
                "", "transmit is off: set station.callsign and station.transmit = true to send"
            )
        if all(port.receive_only for port in self._setup.ports):
            raise _RefusalError("", "no TNC in the settings may transmit")
        try:
            to = parse_callsign(ask.to)
        except CallsignError as error:
            raise _RefusalError("to", str(error)) from None
        if to == self._setup.callsign:
            raise _RefusalError("to", "this is the station's own callsign")
        if aprs.is_group_addressee(to) or to in self._setup.groups:
            raise _RefusalError("to", f"{to} is a group, and nobody acknowledges for a group")
        try:
            aprs.encode_message(to, ask.text, "00", reply_capable=True, reply_ack="00")
        except aprs.EncodeError as error:
            raise _RefusalError("text", str(error)) from None
        lifetime_s = self._tuning.message_lifetime_s if ask.lifetime_s is None else ask.lifetime_s
        if not 1.0 <= lifetime_s <= self._tuning.max_lifetime_s:
            raise _RefusalError(
                "lifetime_s", f"must be 1 to {self._tuning.max_lifetime_s:.0f} seconds"
            )
        if self._outbound.full():
            raise _RefusalError(
                "", f"the queue is full ({self._tuning.open_messages} messages not yet settled)"
            )
        try:
            return self._outbound.accept(to, ask.text, ask.precedence, lifetime_s, now)
        except NoNumberError as error:
            raise _RefusalError("", str(error)) from None

    def _cancel(self, ask: Cancel, now: Moment) -> str:
        before = self._outbound.cancel(ask.message, "cancelled on request", now)
        if before is None:
            raise _RefusalError("message", f"no message {ask.message!r} is known here")
        if before.settled:
            raise _RefusalError("message", f"the message is already {before}")
        return ask.message

    def _refused(self, ask: Ask, fingerprint: str, field: str, why: str) -> Answered:
        return Answered(
            request=ask.request,
            verb=VERBS[type(ask)],
            digest=fingerprint,
            accepted=False,
            field=field,
            why=why,
            reply_topic=ask.reply_topic,
            correlation=ask.correlation,
        )

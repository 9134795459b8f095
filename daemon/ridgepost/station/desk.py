"""Asks: checked, carried out once, and answered the same however often they come."""

from collections import OrderedDict

import msgspec

from ridgepost import aprs
from ridgepost.radio.callsign import CallsignError, parse_callsign
from ridgepost.station.alarms import Alarms
from ridgepost.station.asks import (
    VERBS,
    Ask,
    Bulletin,
    Cancel,
    CheckIn,
    CheckOut,
    Clear,
    Deed,
    ListPending,
    Look,
    Query,
    Read,
    Send,
    StateOf,
    Withdraw,
    digest,
)
from ridgepost.station.counts import Counts
from ridgepost.station.journal import Journal
from ridgepost.station.moment import Moment
from ridgepost.station.overview import Overview
from ridgepost.station.records import (
    Answered,
    Cleared,
    LineState,
    MarkedRead,
    Noticed,
    OutboundChanged,
    Precedence,
    QuestionState,
    Received,
    State,
)
from ridgepost.station.setup import MAX_ROLE, MAX_TACTICAL, Member, Setup
from ridgepost.station.told import MessageTold, QuestionTold, Told
from ridgepost.station.traffic import parts
from ridgepost.station.traffic.bulletins import Bulletins, addressee_of, encode_line
from ridgepost.station.traffic.numbers import NoNumberError
from ridgepost.station.traffic.outbound import Outbound
from ridgepost.station.traffic.questions import ABOUT_A_STATION, Questions, question_text
from ridgepost.station.tuning import Tuning
from ridgepost.station.unseen import Unseen
from ridgepost.station.watch import Watch

MOST_LISTED = 100
"""Messages told in one answer, the most urgent first."""


class _RefusalError(Exception):
    """The ask can't be done: which field, and why in words for whoever asked."""

    def __init__(self, field: str, why: str) -> None:
        super().__init__(why)
        self.field = field
        self.why = why


class _Done(msgspec.Struct, frozen=True, kw_only=True):
    """What an accepted ask led to, as its answer tells it."""

    message: str
    state: str
    messages: list[str] = msgspec.field(default_factory=list)
    to: str = ""
    tactical: str = ""


class Desk:
    """Carries out asks. Remembers answers, bounded by `Tuning.ask_memory` and `ask_memory_s`."""

    def __init__(
        self,
        setup: Setup,
        tuning: Tuning,
        journal: Journal,
        outbound: Outbound,
        bulletins: Bulletins,
        counts: Counts,
        *,
        questions: Questions,
        overview: Overview,
        unread: Unseen[Received],
        notices: Unseen[Noticed],
        watch: Watch,
        alarms: Alarms,
    ) -> None:
        self._setup = setup
        self._tuning = tuning
        self._journal = journal
        self._outbound = outbound
        self._bulletins = bulletins
        self._counts = counts
        self._questions = questions
        self._overview = overview
        self._unread = unread
        self._notices = notices
        self._watch = watch
        self._alarms = alarms
        self._answers: OrderedDict[str, tuple[Answered, float]] = OrderedDict()
        self._further_parts: OrderedDict[str, list[str]] = OrderedDict()
        """Of each text in parts, by its first message: the others."""

    def __len__(self) -> int:
        return len(self._answers)

    def ask(self, ask: Ask, now: Moment) -> None:
        """Decide on an ask; the answer goes to the journal, after what it promises."""
        if isinstance(ask, Look):
            self._tell(ask, now)
            return
        fingerprint = digest(ask)
        earlier = self._earlier(ask.request, now.mono_s)
        if earlier is None:
            answer = self._decide(ask, fingerprint, now)
        elif earlier.digest == fingerprint:
            self._counts.asks_repeated += 1
            answer = msgspec.structs.replace(
                earlier,
                client=ask.client,
                reply_topic=ask.reply_topic,
                correlation=ask.correlation,
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
        if record.verb == VERBS[Send] and record.messages:
            first, *others = record.messages
            self._further_parts[first] = others
            if len(self._further_parts) > self._tuning.ask_memory:
                self._further_parts.popitem(last=False)

    # -- inside ----------------------------------------------------------------------------------

    def _earlier(self, request: str, now_s: float) -> Answered | None:
        record, at_s = self._answers.get(request, (None, 0.0))
        return record if record and now_s - at_s < self._tuning.ask_memory_s else None

    def _decide(self, ask: Deed, fingerprint: str, now: Moment) -> Answered:
        try:
            answer = self._carry_out(ask, fingerprint, now)
        except _RefusalError as refusal:
            self._counts.asks_refused += 1
            return self._refused(ask, fingerprint, refusal.field, refusal.why)
        self._counts.asks_accepted += 1
        return answer

    def _carry_out(self, ask: Deed, fingerprint: str, now: Moment) -> Answered:
        match ask:
            case Send():
                done = self._send(ask, now)
            case Cancel():
                done = self._cancel(ask, now)
            case Bulletin():
                done = self._post(ask, now)
            case Withdraw():
                done = self._withdraw(ask, now)
            case Query():
                done = self._query(ask, now)
            case Read():
                done = self._read(ask, now)
            case Clear():
                done = self._clear(ask, now)
            case CheckIn():
                done = self._check_in(ask, now)
            case CheckOut():
                done = self._check_out(ask, now)
        return Answered(
            request=ask.request,
            verb=VERBS[type(ask)],
            digest=fingerprint,
            accepted=True,
            message=done.message,
            messages=done.messages,
            to=done.to,
            tactical=done.tactical,
            state=done.state,
            client=ask.client,
            reply_topic=ask.reply_topic,
            correlation=ask.correlation,
        )

    def _send(self, ask: Send, now: Moment) -> _Done:
        self._must_transmit()
        to, tactical = self._addressee(ask.to)
        texts = _texts(to, ask.text)
        lifetime_s = _lifetime_s(
            ask.lifetime_s, self._tuning.message_lifetime_s, self._tuning.max_lifetime_s
        )
        if self._outbound.full(ask.precedence, len(texts)):
            raise _RefusalError(
                "",
                f"the queue is full for {ask.precedence} ({len(self._outbound)} messages not yet "
                f"settled, at most {self._tuning.open_messages})",
            )
        messages: list[str] = []
        for text in texts:
            try:
                messages.append(
                    self._outbound.accept(to, text, ask.precedence, lifetime_s, now, tactical)
                )
            except NoNumberError as error:
                for message in messages:
                    self._outbound.cancel(message, "not all parts could be taken", now)
                raise _RefusalError("", str(error)) from None
        if ask.precedence is Precedence.EMERGENCY:
            by = f" by {ask.client}" if ask.client else ""
            text = f'EMERGENCY traffic{by} for {self._watch.name_of(to)}, "{ask.text}"'
            # About us: that of the addressee is a matter of its own, and must not wait for this.
            self._alarms.say(self._setup.callsign, text, now)
        return _Done(
            message=messages[0],
            messages=messages if len(messages) > 1 else [],
            to=to if tactical else "",
            tactical=tactical,
            state=State.QUEUED,
        )

    def _must_transmit(self) -> None:
        if not self._setup.transmit:
            raise _RefusalError(
                "", "transmit is off: set station.callsign and station.transmit = true to send"
            )
        if all(port.receive_only for port in self._setup.ports):
            raise _RefusalError("", "no TNC in the settings may transmit")

    def _addressee(self, name: str) -> tuple[str, str]:
        """The callsign to send to, and the tactical call that stood for it ('' if none did)."""
        if name in self._setup.tactical:
            raise _RefusalError("to", "this is a tactical call of the station itself")
        found = self._setup.tactical_calls.get(name) or self._watch.callsign_of(name)
        tactical = name if found else ""
        try:
            to = parse_callsign(found or name)
        except CallsignError as error:
            raise _RefusalError("to", str(error)) from None
        if to == self._setup.callsign:
            raise _RefusalError("to", "this is the station's own callsign")
        if aprs.is_group_addressee(to) or to in self._setup.groups:
            raise _RefusalError("to", f"{to} is a group, and nobody acknowledges for a group")
        return to, tactical

    def _cancel(self, ask: Cancel, now: Moment) -> _Done:
        """Settle a message; the first part of a text takes the others with it."""
        first = ask.message
        before = self._outbound.cancel(first, "cancelled on request", now)
        cancelled = [] if before is None or before.settled else [first]
        for part in self._further_parts.get(first, ()):
            state = self._outbound.cancel(part, "cancelled with its first part", now)
            cancelled += [] if state is None or state.settled else [part]
        if not cancelled and before is None:
            raise _RefusalError("message", f"no message {first!r} is known here")
        if not cancelled:
            raise _RefusalError("message", f"the message is already {before}")
        return _Done(
            message=first,
            messages=cancelled if cancelled != [first] else [],
            state=State.CANCELLED,
        )

    def _post(self, ask: Bulletin, now: Moment) -> _Done:
        self._must_transmit()
        _line_must_be_right(ask.line)
        try:
            encode_line(ask.line, ask.text)
        except aprs.EncodeError as error:
            raise _RefusalError("text", str(error)) from None
        addressee = addressee_of(ask.line)
        lifetime_s = _lifetime_s(
            ask.lifetime_s,
            self._bulletins.lifetime_s(addressee),
            self._tuning.max_bulletin_lifetime_s,
        )
        if self._bulletins.full_for(addressee):
            raise _RefusalError(
                "line", f"there are {self._tuning.open_bulletins} lines already; withdraw one first"
            )
        name = self._bulletins.post(addressee, ask.text, lifetime_s, now)
        return _Done(message=name, state=LineState.QUEUED)

    def _withdraw(self, ask: Withdraw, now: Moment) -> _Done:
        _line_must_be_right(ask.line)
        addressee = addressee_of(ask.line)
        name = self._bulletins.withdraw(addressee, "withdrawn on request", now)
        if name is None:
            raise _RefusalError("line", f"nothing of ours is on {addressee}")
        return _Done(message=name, state=LineState.WITHDRAWN)

    def _query(self, ask: Query, now: Moment) -> _Done:
        self._must_transmit()
        to, tactical = self._addressee(ask.to)
        if (ask.query == ABOUT_A_STATION) != bool(ask.station):
            raise _RefusalError("station", f"{ABOUT_A_STATION} asks about a station, others do not")
        try:
            text = question_text(ask.query, ask.station and parse_callsign(ask.station))
        except CallsignError as error:
            raise _RefusalError("station", str(error)) from None
        except ValueError as error:
            raise _RefusalError("query", str(error)) from None
        if self._questions.full():
            raise _RefusalError("", f"{len(self._questions)} queries wait to be sent already")
        name = self._questions.accept(to, text, now)
        return _Done(
            message=name,
            to=to if tactical else "",
            tactical=tactical,
            state=QuestionState.QUEUED,
        )

    def _read(self, ask: Read, now: Moment) -> _Done:
        for message in ask.messages:
            if not self._unread.knows(message):
                raise _RefusalError("messages", f"no message {message!r} has come in")
        news = [message for message in dict.fromkeys(ask.messages) if message in self._unread]
        if news:
            self._journal.write(MarkedRead(messages=news, client=ask.client), now)
        return _Done(message=ask.messages[0], messages=ask.messages, state="read")

    def _clear(self, ask: Clear, now: Moment) -> _Done:
        if not self._notices.knows(ask.notice):
            raise _RefusalError("notice", f"no notice {ask.notice!r} is known here")
        if ask.notice in self._notices:
            self._journal.write(Cleared(notice=ask.notice, client=ask.client), now)
        return _Done(message=ask.notice, state="cleared")

    def _check_in(self, ask: CheckIn, now: Moment) -> _Done:
        try:
            callsign = parse_callsign(ask.callsign)
        except CallsignError as error:
            raise _RefusalError("callsign", str(error)) from None
        name = ask.tactical
        if name and (aprs.is_group_addressee(name) or not _is_tactical(name)):
            raise _RefusalError(
                "tactical", f"expected up to {MAX_TACTICAL} printable characters, and for no group"
            )
        if not ask.role.isprintable() or len(ask.role) > MAX_ROLE:
            raise _RefusalError("role", f"expected up to {MAX_ROLE} printable characters")
        if callsign not in self._watch and self._watch.full:
            raise _RefusalError("", f"there are {len(self._watch)} stations on the roster already")
        if name in self._setup.tactical:
            raise _RefusalError("tactical", "this is a tactical call of the station itself")
        holder = self._setup.tactical_calls.get(name) or self._watch.callsign_of(name)
        if name and holder not in (None, callsign):
            raise _RefusalError("tactical", f"this is the tactical call of {holder}")
        member = Member(callsign=callsign, tactical=name, role=ask.role, interval_s=ask.interval_s)
        self._watch.check_in(member, ask.client, now)
        return _Done(message=callsign, state="checked in")

    def _check_out(self, ask: CheckOut, now: Moment) -> _Done:
        callsign = self._watch.callsign_of(ask.callsign) or ask.callsign
        if callsign not in self._watch:
            raise _RefusalError("callsign", f"{ask.callsign!r} is not on the roster")
        self._watch.check_out(callsign, ask.client, now)
        return _Done(message=callsign, state="checked out")

    def _tell(self, ask: Look, now: Moment) -> None:
        """Answer an ask that changes nothing."""
        found: list[tuple[OutboundChanged, float]] = []
        questions: list[QuestionTold] = []
        field = why = ""
        match ask:
            case StateOf():
                known = self._overview.find(ask.message)
                if known is None:
                    field, why = "message", f"no message {ask.message!r} is known here"
                else:
                    found = [known]
            case ListPending():
                found = self._overview.pending()
                questions = [
                    QuestionTold(
                        question=waiting.question,
                        to=waiting.to,
                        text=waiting.text,
                        state=waiting.state,
                    )
                    for waiting in self._questions.waiting()
                ]
        self._counts.asks_told += 1
        self._journal.tell(
            Told(
                request=ask.request,
                verb=VERBS[type(ask)],
                client=ask.client,
                messages=[_told(*item, now.mono_s) for item in found[:MOST_LISTED]],
                more=max(0, len(found) - MOST_LISTED),
                questions=questions,
                field=field,
                why=why,
                reply_topic=ask.reply_topic,
                correlation=ask.correlation,
            )
        )

    def _refused(self, ask: Deed, fingerprint: str, field: str, why: str) -> Answered:
        return Answered(
            request=ask.request,
            verb=VERBS[type(ask)],
            digest=fingerprint,
            accepted=False,
            field=field,
            why=why,
            client=ask.client,
            reply_topic=ask.reply_topic,
            correlation=ask.correlation,
        )


def _is_tactical(name: str) -> bool:
    """It can stand where a callsign stands in a message: printable ASCII without blanks."""
    return len(name) <= MAX_TACTICAL and all("!" <= character <= "~" for character in name)


def _told(record: OutboundChanged, at_s: float, now_s: float) -> MessageTold:
    """A message as it stands at `now_s`, by the record of its latest change at `at_s`."""
    settled = record.state.settled
    left_s = record.expires_in_s - (now_s - at_s)
    next_s = None if record.wait_s is None else max(0.0, record.wait_s - (now_s - at_s))
    return MessageTold(
        message=record.message,
        to=record.to,
        tactical=record.tactical or None,
        text=record.text,
        number=record.number,
        precedence=record.precedence,
        state=record.state,
        why=record.why,
        attempts=record.attempts,
        expires_in_s=0.0 if settled else round(max(0.0, left_s), 3),
        next_try_s=None if settled or next_s is None else round(next_s, 3),
    )


def _texts(to: str, text: str) -> list[str]:
    """The texts of the messages that carry `text`: itself, or its parts if it is too long."""
    try:
        _encodes(to, text)
    except aprs.EncodeError as error:
        if error.reason != "text_too_long":
            raise _RefusalError("text", str(error)) from None
    else:
        return [text]
    try:
        texts = parts.split(text)
        for part in texts:
            _encodes(to, part)
    except (parts.TooLongError, aprs.EncodeError) as error:
        raise _RefusalError("text", str(error)) from None
    return texts


def _encodes(to: str, text: str) -> None:
    """Raises aprs.EncodeError if the text does not fit into a message, with all that may follow."""
    aprs.encode_message(to, text, "00", reply_capable=True, reply_ack="00")


def _lifetime_s(asked_s: float | None, usual_s: float, longest_s: float) -> float:
    lifetime_s = usual_s if asked_s is None else asked_s
    if not 1.0 <= lifetime_s <= longest_s:  # which a NaN is not either
        raise _RefusalError("lifetime_s", f"must be 1 to {longest_s:.0f} seconds")
    return lifetime_s


def _line_must_be_right(line: str) -> None:
    try:
        encode_line(line, "")
    except aprs.EncodeError as error:
        raise _RefusalError("line", str(error)) from None

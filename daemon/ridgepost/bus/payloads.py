"""What is published: one payload model for each kind of record, made from the record alone."""

import functools
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import msgspec

from ridgepost import aprs
from ridgepost.bus.common import SCHEMA, SchemaVersion, Time, kmh
from ridgepost.bus.topics import Topics
from ridgepost.radio import ax25
from ridgepost.station.arrival import path_list
from ridgepost.station.moment import Moment
from ridgepost.station.records import (
    AckSent,
    Answered,
    BulletinHeard,
    BulletinOut,
    Cleared,
    CopiesHeard,
    Entry,
    Heard,
    Joined,
    LineState,
    LinkChanged,
    MarkedRead,
    MemberChanged,
    Noticed,
    OutboundChanged,
    Precedence,
    QueryAnswered,
    QuestionChanged,
    QuestionState,
    Received,
    Started,
    State,
    Stopped,
    WatchChanged,
    Watched,
    entry_id,
)
from ridgepost.station.told import MessageTold, QuestionTold, Told


class Payload(msgspec.Struct, frozen=True, kw_only=True):
    """Base: `id` names the log entry for ever, `seq` is its place, `at` its time (RFC 3339, UTC).

    Delivery is at least once and in order; the same `id` twice is the same event.
    """

    schema: SchemaVersion = SCHEMA
    id: str
    seq: int
    at: Time
    clock_trusted: bool


class HeardPayload(Payload, frozen=True, kw_only=True):
    """A report, once for all its copies. `monitor` is the frame in text form."""

    tnc: str
    port: int
    source: str
    destination: str
    path: list[str]
    kind: str
    report: dict[str, Any]
    monitor: str


class CopiesPayload(Payload, frozen=True, kw_only=True):
    """How often a report was heard within its window. `of` is the `id` of the report."""

    of: str
    copies: int
    paths: list[str]


class OutboundPayload(Payload, frozen=True, kw_only=True):
    """An outgoing message after a change. `next_try_s` is the wait that began with it.

    `tactical` is the tactical call that it was sent to, if `to` was found by one.
    """

    message: str
    to: str
    tactical: str | None = None
    text: str
    number: str
    precedence: Precedence
    state: State
    why: str
    attempts: int
    expires_in_s: float
    next_try_s: float | None
    sent: str | None
    tnc: str | None
    port: int | None


class InboundPayload(Payload, frozen=True, kw_only=True):
    """A message to us or to a group of ours, once."""

    message: str
    source: str
    to: str
    group: bool
    text: str
    number: str | None
    path: list[str]
    text_encoding: str


class AckPayload(Payload, frozen=True, kw_only=True):
    """An acknowledgement handed to the TNC."""

    to: str
    number: str
    sent: str
    tnc: str
    port: int


class JoinedPayload(Payload, frozen=True, kw_only=True):
    """A long text, once all its parts have come; `parts` are their messages, in order."""

    source: str
    to: str
    text: str
    parts: list[str]


class BulletinOutPayload(Payload, frozen=True, kw_only=True):
    """A bulletin or announcement of ours after a change. `next_try_s` is the wait that began."""

    bulletin: str
    line: str
    text: str
    state: LineState
    why: str
    attempts: int
    expires_in_s: float
    next_try_s: float | None
    sent: str | None
    tnc: str | None
    port: int | None


class QueryPayload(Payload, frozen=True, kw_only=True):
    """An answer to a query, handed to the TNC. `query` is its type, e.g. 'APRSD'."""

    asker: str
    query: str
    why: str
    sent: str
    tnc: str
    port: int


class QuestionPayload(Payload, frozen=True, kw_only=True):
    """A query of ours to a station, after a change. `text` is what goes on the air."""

    question: str
    to: str
    text: str
    state: QuestionState
    why: str
    sent: str | None
    tnc: str | None
    port: int | None


class ReadPayload(Payload, frozen=True, kw_only=True):
    """Messages that had come in were marked as read, by `client` as far as the bus tells."""

    messages: list[str]
    client: str | None


class BulletinPayload(Payload, frozen=True, kw_only=True):
    """A bulletin or announcement line, new or changed."""

    source: str
    line: str
    text: str


class LinkPayload(Payload, frozen=True, kw_only=True):
    """A TNC came or went."""

    tnc: str
    up: bool
    reason: str


class RosterPayload(Payload, frozen=True, kw_only=True):
    """A station that takes part in the event, after a change: expected until it is first heard,
    heard, late or overdue as it goes quiet, off once it is taken off the roster.

    `silent_s` is how long it had not been heard at the change, `interval_s` the time between its
    reports as given or learnt, `loss` the share of them that is lost. The position is the last one,
    with course and speed; `via` the digipeater that it was last heard from, null for none. `notice`
    names the notice of its silence, while there is one.
    """

    callsign: str
    tactical: str | None
    role: str | None
    state: Watched
    why: str
    silent_s: float | None
    interval_s: float | None
    loss: float | None
    latitude_deg: float | None
    longitude_deg: float | None
    course_deg: float | None
    speed_kmh: float | None
    via: str | None
    notice: str | None


class NoticePayload(Payload, frozen=True, kw_only=True):
    """Something that a person should look at. `notice` is its name, to clear it by; `about` the
    station that it is about, if it is about one."""

    notice: str
    kind: str
    about: str | None
    text: str


class ClearedPayload(Payload, frozen=True, kw_only=True):
    """A notice was dealt with, by `client` as far as the bus tells."""

    notice: str
    client: str | None


class AnswerPayload(Payload, frozen=True, kw_only=True):
    """What became of an ask. Refused ones say why, and which field is to be mended.

    `message` names what it is about: a message, a line of ours, a query or a notice; `messages` are
    all that a long text, its cancelling or `read` concerns; `to` is the callsign that a tactical
    call stands for.
    """

    request: str
    verb: str
    accepted: bool
    message: str | None
    messages: list[str] | None = None
    to: str | None = None
    tactical: str | None = None
    state: str | None
    field: str | None
    why: str | None
    client: str | None = None


class ToldPayload(msgspec.Struct, frozen=True, kw_only=True):
    """The answer to `state` and `list`: how things stand when it is given.

    Asks that change nothing are not in the log, so it has no `id`. Of many messages the first are
    listed, the most urgent in front, and `more` counts the others.
    """

    schema: SchemaVersion = SCHEMA
    at: Time
    clock_trusted: bool
    request: str
    verb: str
    accepted: bool
    outgoing: list[MessageTold]
    more: int
    questions: list[QuestionTold]
    field: str | None
    why: str | None
    client: str | None = None


class RefusalPayload(msgspec.Struct, frozen=True, kw_only=True):
    """The answer to an ask that the station could not read or had no room for.

    The keys are those of `AnswerPayload` without `id` and `seq`, since it is not in the log.
    `request` is None if it could not be made out. With `retry_in_s` the ask may be right, but came
    too soon after others of the same client: it can come again after so many seconds.
    """

    schema: SchemaVersion = SCHEMA
    at: Time
    clock_trusted: bool
    request: str | None
    verb: str
    accepted: bool = False
    message: str | None = None
    messages: list[str] | None = None
    to: str | None = None
    tactical: str | None = None
    state: str | None = None
    field: str | None
    why: str
    retry_in_s: float | None = None


class PresencePayload(msgspec.Struct, frozen=True, kw_only=True):
    """Whether the station is on the bus. Retained; the last will has `online` false.

    `at` is None in the last will: the broker does not say when it lost the station. The position
    is the one in the settings, None without.
    """

    schema: SchemaVersion = SCHEMA
    online: bool
    at: Time | None
    since: Time
    version: str
    callsign: str
    transmit: bool
    latitude_deg: float | None = None
    longitude_deg: float | None = None


class Publication(msgspec.Struct, frozen=True):
    """One message for the broker. An empty payload that is retained takes away what was retained.

    A `state` says how things are: the next one on its topic takes its place, whether or not anybody
    has seen it. All others are events, each of which counts.
    """

    topic: str
    payload: bytes
    retain: bool = False
    correlation: bytes = b""
    state: bool = False
    later: Callable[[], bytes] | None = None
    """Makes the payload of a state that may never be sent."""

    @property
    def empties(self) -> bool:
        """It takes away what was retained."""
        return self.retain and not self.payload and self.later is None

    def made(self) -> "Publication":
        """The same, with its payload."""
        if self.later is None:
            return self
        return Publication(self.topic, self.later(), self.retain, state=self.state)


class Reading(msgspec.Struct, frozen=True):
    """A heard frame, read."""

    frame: ax25.Frame
    report: aprs.Report


def read_frame(heard: Heard) -> Reading:
    """What the frame of a record says. Raises FrameError for octets that are no frame."""
    frame = ax25.decode(heard.frame)
    return Reading(frame, aprs.decode(frame.info, frame.source, frame.destination))


def time_text(moment: Moment) -> str:
    """RFC 3339 in UTC, to the millisecond: rounded as the log does it, so that an entry says the
    same before and after a restart."""
    whole_s, ms = divmod(round(moment.wall_s * 1000), 1000)
    return f"{_seconds_text(whole_s)}.{ms:03d}Z"


@functools.lru_cache(maxsize=16)
def _seconds_text(whole_s: int) -> str:
    return datetime.fromtimestamp(whole_s, UTC).isoformat()[:19]


def publication(
    entry: Entry, log: str, topics: Topics, reading: Reading | None = None
) -> Publication | None:
    """What the bus is told of a log entry; None for what only the log keeps.

    `reading` is that of a heard frame, for a caller that has it already.
    """
    key = entry_id(log, entry.run, entry.seq)
    common: dict[str, Any] = {
        "id": key,
        "seq": entry.seq,
        "at": time_text(entry.at),
        "clock_trusted": entry.at.wall_trusted,
    }
    payload: Payload
    retain = False
    match entry.record:
        case Heard() as heard:
            report = _heard(heard, reading or read_frame(heard), common)
            topic, payload = topics.heard(report.kind), report
        case CopiesHeard() as copies:
            topic = topics.copies()
            payload = CopiesPayload(
                **common,
                of=entry_id(log, entry.run, copies.of),
                copies=copies.copies,
                paths=copies.paths,
            )
        case OutboundChanged() as out:
            topic, retain = topics.traffic_out(out.message), True
            payload = OutboundPayload(
                **common,
                message=out.message,
                to=out.to,
                tactical=out.tactical or None,
                text=out.text,
                number=out.number,
                precedence=out.precedence,
                state=out.state,
                why=out.why,
                attempts=out.attempts,
                expires_in_s=out.expires_in_s,
                next_try_s=out.wait_s,
                sent=_monitor(out.frame) if out.frame else None,
                tnc=out.tnc if out.frame else None,
                port=out.port if out.frame else None,
            )
        case Received() as received:
            topic, retain = topics.traffic_in(key), True
            payload = InboundPayload(
                **common,
                message=key,
                source=received.source,
                to=received.to,
                group=received.group,
                text=received.text,
                number=received.number or None,
                path=received.path,
                text_encoding="latin-1" if received.latin1 else "utf-8",
            )
        case AckSent() as ack:
            topic = topics.acknowledgement()
            payload = AckPayload(
                **common,
                to=ack.to,
                number=ack.number,
                sent=_monitor(ack.frame),
                tnc=ack.tnc,
                port=ack.port,
            )
        case Joined() as joined:
            topic = topics.joined(key)
            payload = JoinedPayload(
                **common,
                source=joined.source,
                to=joined.to,
                text=joined.text,
                parts=joined.parts,
            )
        case BulletinOut() as own:
            topic, retain = topics.bulletin_out(own.line), True
            payload = BulletinOutPayload(
                **common,
                bulletin=own.bulletin,
                line=own.line,
                text=own.text,
                state=own.state,
                why=own.why,
                attempts=own.attempts,
                expires_in_s=own.expires_in_s,
                next_try_s=own.wait_s,
                sent=_monitor(own.frame) if own.frame else None,
                tnc=own.tnc if own.frame else None,
                port=own.port if own.frame else None,
            )
        case QueryAnswered() as query:
            topic = topics.query()
            payload = QueryPayload(
                **common,
                asker=query.asker,
                query=query.query,
                why=query.why,
                sent=_monitor(query.frame),
                tnc=query.tnc,
                port=query.port,
            )
        case QuestionChanged() as question:
            topic = topics.question(question.question)
            payload = QuestionPayload(
                **common,
                question=question.question,
                to=question.to,
                text=question.text,
                state=question.state,
                why=question.why,
                sent=_monitor(question.frame) if question.frame else None,
                tnc=question.tnc if question.frame else None,
                port=question.port if question.frame else None,
            )
        case MarkedRead() as read:
            topic = topics.read()
            payload = ReadPayload(**common, messages=read.messages, client=read.client or None)
        case BulletinHeard() as line:
            topic, retain = topics.bulletin(line.source, line.line), True
            payload = BulletinPayload(**common, source=line.source, line=line.line, text=line.text)
        case LinkChanged() as link:
            topic, retain = topics.link(link.tnc), True
            payload = LinkPayload(**common, tnc=link.tnc, up=link.up, reason=link.reason)
        case WatchChanged() as watched:
            topic, retain = topics.roster(watched.callsign), True
            payload = RosterPayload(
                **common,
                callsign=watched.callsign,
                tactical=watched.tactical or None,
                role=watched.role or None,
                state=watched.state,
                why=watched.why,
                silent_s=watched.silent_s,
                interval_s=watched.interval_s,
                loss=watched.loss,
                latitude_deg=watched.latitude_deg,
                longitude_deg=watched.longitude_deg,
                course_deg=watched.course_deg,
                speed_kmh=kmh(watched.speed_knots),
                via=watched.via or None,
                notice=watched.notice or None,
            )
        case Noticed() as notice:
            topic = topics.notice(notice.kind)
            payload = NoticePayload(
                **common,
                notice=notice.notice or key,
                kind=notice.kind,
                about=notice.about or None,
                text=notice.text,
            )
        case Cleared() as cleared:
            topic = topics.cleared()
            payload = ClearedPayload(**common, notice=cleared.notice, client=cleared.client or None)
        case Answered() as answer:
            topic = topics.answer(answer.request)
            payload = AnswerPayload(
                **common,
                request=answer.request,
                verb=answer.verb,
                accepted=answer.accepted,
                message=answer.message or None,
                messages=answer.messages or None,
                to=answer.to or None,
                tactical=answer.tactical or None,
                state=answer.state or None,
                field=answer.field or None,
                why=answer.why or None,
                client=answer.client or None,
            )
            return Publication(
                answer.reply_topic or topic,
                msgspec.json.encode(payload),
                correlation=answer.correlation,
            )
        case Started() | Stopped():
            return None  # presence says it
        case MemberChanged():
            return None  # what follows from it says it
    return Publication(topic, msgspec.json.encode(payload), retain)


def told(what: Told, now: Moment, topics: Topics) -> Publication:
    """The answer to an ask that changes nothing."""
    payload = ToldPayload(
        at=time_text(now),
        clock_trusted=now.wall_trusted,
        request=what.request,
        verb=what.verb,
        accepted=not what.why,
        outgoing=what.messages,
        more=what.more,
        questions=what.questions,
        field=what.field or None,
        why=what.why or None,
        client=what.client or None,
    )
    return Publication(
        what.reply_topic or topics.answer(what.request),
        msgspec.json.encode(payload),
        correlation=what.correlation,
    )


def _heard(heard: Heard, reading: Reading, common: dict[str, Any]) -> HeardPayload:
    frame, report = reading.frame, reading.report
    return HeardPayload(
        **common,
        tnc=heard.tnc,
        port=heard.port,
        source=frame.source,
        destination=frame.destination,
        path=path_list(frame),
        kind=report.kind,
        report=aprs.flat(report),
        monitor=ax25.to_monitor(frame),
    )


def _monitor(frame: bytes) -> str:
    return ax25.to_monitor(ax25.decode(frame))

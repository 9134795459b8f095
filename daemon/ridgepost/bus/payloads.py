"""What is published: one payload model for each kind of record, made from the record alone."""

from datetime import UTC, datetime
from typing import Any

import msgspec

from ridgepost import aprs
from ridgepost.bus.topics import Topics
from ridgepost.radio import ax25
from ridgepost.station.arrival import path_list
from ridgepost.station.moment import Moment
from ridgepost.station.records import (
    AckSent,
    Answered,
    BulletinHeard,
    CopiesHeard,
    Entry,
    Heard,
    LinkChanged,
    Noticed,
    OutboundChanged,
    Precedence,
    Received,
    Started,
    State,
    Stopped,
    entry_id,
)

SCHEMA = 1
"""Version of the payloads; it changes when a reader of the old ones would be misled."""


class Payload(msgspec.Struct, frozen=True, kw_only=True):
    """Base: `id` names the log entry for ever, `seq` is its place, `at` its time (RFC 3339, UTC).

    Delivery is at least once and in order; the same `id` twice is the same event.
    """

    schema: int = SCHEMA
    id: str
    seq: int
    at: str
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
    """An outgoing message after a change. `next_try_s` is the wait that began with it."""

    message: str
    to: str
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


class NoticePayload(Payload, frozen=True, kw_only=True):
    """Something that a person should look at."""

    kind: str
    text: str


class AnswerPayload(Payload, frozen=True, kw_only=True):
    """What became of an ask. Refused ones say why, and which field is to be mended."""

    request: str
    verb: str
    accepted: bool
    message: str | None
    state: str | None
    field: str | None
    why: str | None


class RefusalPayload(msgspec.Struct, frozen=True, kw_only=True):
    """The answer to an ask that the station could not read or had no room for.

    The keys are those of `AnswerPayload` without `id` and `seq`, since it is not in the log.
    `request` is None if it could not be made out.
    """

    schema: int = SCHEMA
    at: str
    clock_trusted: bool
    request: str | None
    verb: str
    accepted: bool = False
    message: str | None = None
    state: str | None = None
    field: str | None
    why: str


class PresencePayload(msgspec.Struct, frozen=True, kw_only=True):
    """Whether the station is on the bus. Retained; the last will has `online` false.

    `at` is None in the last will: the broker does not say when it lost the station.
    """

    schema: int = SCHEMA
    online: bool
    at: str | None
    since: str
    version: str
    callsign: str
    transmit: bool


class Publication(msgspec.Struct, frozen=True):
    """One message for the broker."""

    topic: str
    payload: bytes
    retain: bool = False
    reply_topic: str = ""
    correlation: bytes = b""


def time_text(moment: Moment) -> str:
    """RFC 3339 in UTC, to the millisecond."""
    text = datetime.fromtimestamp(moment.wall_s, UTC).isoformat(timespec="milliseconds")
    return text.replace("+00:00", "Z")


def publication(entry: Entry, log: str, topics: Topics) -> Publication | None:
    """What the bus is told of a log entry; None for what only the log keeps."""
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
            report = _heard(heard, common)
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
            topic = topics.traffic_out(out.message)
            payload = OutboundPayload(
                **common,
                message=out.message,
                to=out.to,
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
            topic = topics.traffic_in(key)
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
        case BulletinHeard() as line:
            topic, retain = topics.bulletin(line.source, line.line), True
            payload = BulletinPayload(**common, source=line.source, line=line.line, text=line.text)
        case LinkChanged() as link:
            topic, retain = topics.link(link.tnc), True
            payload = LinkPayload(**common, tnc=link.tnc, up=link.up, reason=link.reason)
        case Noticed() as notice:
            topic = topics.notice(notice.kind)
            payload = NoticePayload(**common, kind=notice.kind, text=notice.text)
        case Answered() as answer:
            topic = topics.answer(answer.request)
            payload = AnswerPayload(
                **common,
                request=answer.request,
                verb=answer.verb,
                accepted=answer.accepted,
                message=answer.message or None,
                state=answer.state or None,
                field=answer.field or None,
                why=answer.why or None,
            )
            return Publication(
                answer.reply_topic or topic,
                msgspec.json.encode(payload),
                correlation=answer.correlation,
            )
        case Started() | Stopped():
            return None  # presence says it
    return Publication(topic, msgspec.json.encode(payload), retain)


def _heard(heard: Heard, common: dict[str, Any]) -> HeardPayload:
    frame = ax25.decode(heard.frame)
    report = aprs.decode(frame.info, frame.source, frame.destination)
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

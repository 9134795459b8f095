"""One line for a person about one message on the bus."""

from collections.abc import Mapping
from typing import Any, TypeVar

import msgspec

from ridgepost.aprs.units import KMH_PER_KNOT
from ridgepost.bus.payloads import (
    AckPayload,
    BulletinOutPayload,
    BulletinPayload,
    ClearedPayload,
    HeardPayload,
    InboundPayload,
    JoinedPayload,
    LinkPayload,
    NoticePayload,
    OutboundPayload,
    PresencePayload,
    QueryPayload,
    QuestionPayload,
    ReadPayload,
    RosterPayload,
)
from ridgepost.cli.output import plain
from ridgepost.station.records import LineState, State, Watched

Row = tuple[str, str, str, str]
"""When (RFC 3339), what, who and the rest; nothing in it is fit for a terminal yet."""

T = TypeVar("T")


def line(topic: str, payload: Any) -> str | None:
    """The line for a message on `topic` (below the station's own level), None for ones that a
    person does not need or that are not by a station. All of it is safe for a terminal."""
    try:
        row = _row(topic.split("/"), payload)
    except msgspec.ValidationError:
        return None  # anybody may publish below the station's name
    if row is None:
        return None
    at, what, who, text = row
    return f"{clock_time(at):8}  {plain(what):8}  {plain(who):9}  {plain(text)}".rstrip()


def clock_time(at: str) -> str:
    """The time of day in an RFC 3339 time, safe for a terminal."""
    return plain(at)[11:19]


def _row(levels: list[str], payload: Any) -> Row | None:
    match levels:
        case ["heard", _]:
            heard = _as(HeardPayload, payload)
            return heard.at, "heard", heard.source, _heard(heard)
        case ["traffic", "in", _]:
            inbound = _as(InboundPayload, payload)
            to = f"to {inbound.to}: " if inbound.group else ""
            return inbound.at, "message", inbound.source, f'{to}"{inbound.text}"'
        case ["traffic", "out", _]:
            out = _as(OutboundPayload, payload)
            tries = f" ({out.attempts})" if out.attempts > 1 else ""
            # The text is said when the message comes and when it is settled, not with each try.
            under_way = out.state is State.SENDING or out.state is State.WAITING
            text = "" if under_way else f': "{out.text}"'
            return out.at, "to", out.to, f"{out.state}{tries}, {out.why}{text}"
        case ["traffic", "ack"]:
            ack = _as(AckPayload, payload)
            return ack.at, "ack", ack.to, f"number {ack.number} acknowledged"
        case ["traffic", "joined", _]:
            joined = _as(JoinedPayload, payload)
            parts = f"in {len(joined.parts)} parts"
            return joined.at, "message", joined.source, f'{parts}: "{joined.text}"'
        case ["traffic", "bulletin", _]:
            own = _as(BulletinOutPayload, payload)
            tries = f" ({own.attempts})" if own.attempts > 1 else ""
            text = "" if own.state is LineState.SENDING else f': "{own.text}"'
            return own.at, "bulletin", own.line, f"{own.state}{tries}, {own.why}{text}"
        case ["traffic", "query"]:
            query = _as(QueryPayload, payload)
            return query.at, "query", query.asker, f"{query.query} answered"
        case ["traffic", "question", _]:
            question = _as(QuestionPayload, payload)
            text = f"{question.text} {question.state}, {question.why}"
            return question.at, "query to", question.to, text
        case ["traffic", "read"]:
            read = _as(ReadPayload, payload)
            by = f" by {read.client}" if read.client else ""
            return read.at, "read", "-", f"{len(read.messages)} marked as read{by}"
        case ["cleared"]:
            cleared = _as(ClearedPayload, payload)
            by = f" by {cleared.client}" if cleared.client else ""
            return cleared.at, "cleared", "-", f"{cleared.notice}{by}"
        case ["bulletin", _, _]:
            bulletin = _as(BulletinPayload, payload)
            return bulletin.at, "bulletin", bulletin.source, f"{bulletin.line}: {bulletin.text}"
        case ["roster", _]:
            member = _as(RosterPayload, payload)
            who = member.tactical or member.callsign
            if member.state is Watched.EXPECTED:
                return None  # dozens of lines at the start that tell nothing new
            return member.at, "roster", who, f"{member.state}: {member.why}"
        case ["link", _]:
            link = _as(LinkPayload, payload)
            return link.at, "tnc", link.tnc, "up" if link.up else f"down: {link.reason}"
        case ["notice", _]:
            notice = _as(NoticePayload, payload)
            return notice.at, "notice", notice.kind, notice.text
        case ["presence"]:
            presence = _as(PresencePayload, payload)
            state = "online" if presence.online else "offline"
            return presence.at or "", "station", presence.callsign or "-", state
        case ["answer", _]:
            # The station's own answers have a time; those about asks it never saw have none.
            at = payload.get("at", "") if isinstance(payload, dict) else ""
            answer = _as(Answer, payload)
            why = ": ".join(part for part in (answer.field, answer.why) if part)
            return None if answer.accepted else (str(at), "refused", answer.verb, why)
        case _:
            return None


class Answer(msgspec.Struct, frozen=True):
    """What an answer tells a person, whoever gave it: the station, or the bus in its place."""

    verb: str
    accepted: bool
    message: str | None = None
    messages: list[str] | None = None
    to: str | None = None
    field: str | None = None
    why: str | None = None


def _as(kind: type[T], payload: Any) -> T:
    return msgspec.convert(payload, kind)


def _heard(heard: HeardPayload) -> str:
    try:
        text = report_text(heard.kind, heard.report, heard.monitor)
    except (KeyError, TypeError, ValueError):
        text = f"{heard.kind}: {heard.monitor}"  # a report as no decoder here makes it
    used = [address for address in heard.path if address.endswith("*")]
    return f"{text} (via {used[0][:-1]})" if used else text


def report_text(kind: str, report: Mapping[str, Any], monitor: str) -> str:
    """What a report says, from its flat table and its frame as text; not safe for a terminal.

    Raises KeyError, TypeError or ValueError for a table that is none of a report.
    """
    match kind:
        case "position":
            return _place(report)
        case "mice":
            # The comment as received begins with octets that are not for people.
            words = {**report, "comment": report["text"]}
            return f"{report.get('position_comment') or ''} {_place(words)}".lstrip()
        case "object" | "item":
            return f"{report['name']} {_place(report) if report['live'] else 'is gone'}"
        case "weather":
            place = f"{_place(report)} " if "latitude_deg" in report else ""
            return f"{place}{_weather(report)}".rstrip()
        case "status":
            return f"status: {report['text']}"
        case "message":
            number = f" #{report['message_id']}" if report.get("message_id") else ""
            return f"to {report['addressee']}{number}: {report['text']}"
        case "ack" | "rej":
            return f"{kind} {report['acknowledged_id']} to {report['addressee']}"
        case "unreadable":
            return f"unreadable ({report['reason']}): {monitor}"
        case _:
            return f"{kind}: {monitor}"


def _place(report: Mapping[str, Any]) -> str:
    comment = report.get("comment") or ""
    if not report["position_known"]:
        return f"position unknown {comment}".rstrip()
    text = f"at {report['latitude_deg']:.4f} {report['longitude_deg']:.4f}"
    if report.get("speed_knots") is not None:
        text += f" {report['speed_knots'] * KMH_PER_KNOT:.0f} km/h"
    if report.get("course_deg"):
        text += f" {report['course_deg']:.0f} deg"
    return f"{text} {comment}".rstrip()


def _weather(report: Mapping[str, Any]) -> str:
    measured = (
        ("temperature_c", "{:.1f} C"),
        ("wind_speed_m_s", "wind {:.1f} m/s"),
        ("wind_direction_deg", "from {} deg"),
        ("wind_gust_m_s", "gusts {:.1f} m/s"),
        ("humidity_pct", "humidity {} %"),
        ("pressure_hpa", "{:.1f} hPa"),
        ("rain_last_hour_mm", "rain {:.1f} mm/h"),
    )
    return ", ".join(form.format(report[name]) for name, form in measured if name in report)

"""Asks off the bus: checked in form, so that the station sees only well-made ones."""

import re
from typing import Annotated

import msgspec

from ridgepost.bus.topics import ROOT, Topics
from ridgepost.radio import quoted
from ridgepost.station.asks import Ask, Cancel, Send
from ridgepost.station.records import Precedence

MAX_OCTETS = 4096
"""An ask is a few hundred octets; one past this is not read."""

MAX_REPLY_TOPIC = 256
MAX_REPLY_LEVELS = 8
"""What the strictest brokers take. A topic that a broker finds fault with ends the connection."""

MAX_CORRELATION = 256

KNOWN = ("send", "cancel")

_REQUEST = re.compile(r"[A-Za-z0-9._~-]{1,64}", re.ASCII)

# Bounds on what gets into the log; whether it may go on the air is for the station to say.
_Callsign = Annotated[str, msgspec.Meta(max_length=16)]
_Text = Annotated[str, msgspec.Meta(max_length=512)]
_Name = Annotated[str, msgspec.Meta(max_length=64)]


class _Form(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    request: str


class _SendForm(_Form, frozen=True, kw_only=True):
    to: _Callsign
    text: _Text
    precedence: Precedence = Precedence.ROUTINE
    lifetime_s: float | None = None


class _CancelForm(_Form, frozen=True, kw_only=True):
    message: _Name


class AskProblem(msgspec.Struct, frozen=True):
    """An ask that cannot be read. `request` is its id as far as it could be made out, else ''."""

    verb: str
    request: str
    field: str
    why: str


def read_ask(
    verb: str, payload: bytes, reply_topic: str = "", correlation: bytes = b""
) -> Ask | AskProblem:
    """The ask in a message to `ask/<verb>`. Never raises."""
    if len(payload) > MAX_OCTETS:
        return AskProblem(_short(verb), "", "", f"longer than {MAX_OCTETS} octets")
    request = _request_in(payload)
    try:
        match verb:
            case "send":
                send = msgspec.json.decode(payload, type=_SendForm)
                ask: Ask = Send(
                    request=send.request,
                    to=send.to,
                    text=send.text,
                    precedence=send.precedence,
                    lifetime_s=send.lifetime_s,
                    reply_topic=reply_topic,
                    correlation=correlation,
                )
            case "cancel":
                cancel = msgspec.json.decode(payload, type=_CancelForm)
                ask = Cancel(
                    request=cancel.request,
                    message=cancel.message,
                    reply_topic=reply_topic,
                    correlation=correlation,
                )
            case _:
                why = f"no such ask; known are {' and '.join(KNOWN)}"
                return AskProblem(_short(verb), request, "", why)
    except msgspec.ValidationError as error:
        what, _, place = str(error).partition(" - at `$.")
        return AskProblem(verb, request, place.rstrip("`"), what.replace("`", ""))
    except _UNREADABLE as error:
        return AskProblem(verb, "", "", f"not a JSON object: {error}")
    if not _REQUEST.fullmatch(ask.request):
        return AskProblem(
            verb, "", "request", "expected 1 to 64 letters, digits, '.', '_', '~' or '-'"
        )
    return ask


# Deep nesting makes the decoder give up with a RecursionError.
_UNREADABLE = (msgspec.DecodeError, UnicodeDecodeError, RecursionError)


def _request_in(payload: bytes) -> str:
    """The request id of an ask that may be wrong otherwise."""
    try:
        tree = msgspec.json.decode(payload)
    except _UNREADABLE:
        return ""
    request = tree.get("request") if isinstance(tree, dict) else None
    return request if isinstance(request, str) and _REQUEST.fullmatch(request) else ""


def _short(verb: str) -> str:
    """The last level of a topic, which may be any text of up to 64 KiB, fit for an answer."""
    return verb if verb in KNOWN else quoted(verb)


def reply_problem(reply_topic: str, correlation: bytes, topics: Topics) -> tuple[str, str]:
    """Which part of the wish for an answer cannot be met, and why; two '' if all can.

    Clients name where they want the answer. They do not get to speak as this station or as
    another one, nor to name a topic for which a broker hangs up.
    """
    if len(correlation) > MAX_CORRELATION:
        return "correlation data", f"longer than {MAX_CORRELATION} octets"
    if not reply_topic:
        return "", ""
    if not _can_be_published(reply_topic):
        return "response topic", "not a topic that can be published to"
    if f"{reply_topic}/".startswith(f"{ROOT}/") and not reply_topic.startswith(topics.answers):
        return "response topic", f"must not be below {ROOT}/, except {topics.answers}"
    return "", ""


def _can_be_published(topic: str) -> bool:
    """MQTT 5, 4.7: no wildcards, and what begins with $ belongs to the broker. A broker may refuse
    control characters and non-characters (1.5.4), so they are not tried."""
    return (
        len(topic) <= MAX_REPLY_TOPIC
        and topic.count("/") < MAX_REPLY_LEVELS
        and topic.isprintable()
        and not topic.startswith("$")
        and not any(character in topic for character in "+#")
    )

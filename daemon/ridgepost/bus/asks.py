"""Asks off the bus: checked in form, so that the station sees only well-made ones."""

import math
import re
from typing import Annotated

import msgspec

from ridgepost.aprs.text import MAX_TEXT
from ridgepost.bus.topics import ROOT, Topics, can_be_published
from ridgepost.radio import quoted
from ridgepost.station.asks import (
    Ask,
    Bulletin,
    Cancel,
    CheckIn,
    CheckOut,
    Clear,
    ListPending,
    Query,
    Read,
    Send,
    StateOf,
    Withdraw,
)
from ridgepost.station.records import Precedence
from ridgepost.station.setup import MAX_ROLE
from ridgepost.station.traffic.parts import MAX_LONG_TEXT

MAX_OCTETS = 4096
"""An ask is a few hundred octets; one past this is not read."""

MAX_CORRELATION = 256

MAX_CLIENT = 64
"""Characters of a client's name in the topic of its asks."""

MOST_MARKED = 100
"""Messages that one ask marks as read."""

_REQUEST = re.compile(r"[A-Za-z0-9._~-]{1,64}", re.ASCII)

# Bounds on what gets into the log; whether it may go on the air is for the station to say.
_Request = Annotated[
    str, msgspec.Meta(extra_json_schema={"pattern": f"^{_REQUEST.pattern}$", "minLength": 1})
]
_Callsign = Annotated[str, msgspec.Meta(max_length=16)]
_Text = Annotated[str, msgspec.Meta(max_length=MAX_LONG_TEXT)]
_Line = Annotated[str, msgspec.Meta(max_length=16)]
_Name = Annotated[str, msgspec.Meta(max_length=64)]


class AskForm(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What every ask has: `request` is the client's own name for it."""

    request: _Request


class SendForm(AskForm, frozen=True, kw_only=True):
    """Send a text to a station, until it is acknowledged or `lifetime_s` (seconds) is over."""

    to: _Callsign
    text: _Text
    precedence: Precedence = Precedence.ROUTINE
    lifetime_s: float | None = None


class CancelForm(AskForm, frozen=True, kw_only=True):
    """Send no further copy of an outgoing message."""

    message: _Name


class BulletinForm(AskForm, frozen=True, kw_only=True):
    """Put a text on a line of our bulletin board: '0' to '9', such a digit with a group of up to
    five characters, or 'A' to 'Z' for an announcement."""

    line: _Line
    text: _Text
    lifetime_s: float | None = None


class WithdrawForm(AskForm, frozen=True, kw_only=True):
    """Send no further copy of what is on a line of ours."""

    line: _Line


class QueryForm(AskForm, frozen=True, kw_only=True):
    """Ask a station something that stations answer by themselves; `station` is for APRSH."""

    to: _Callsign
    query: _Callsign
    station: _Callsign = ""


class ReadForm(AskForm, frozen=True, kw_only=True):
    """Mark messages that came in as read."""

    messages: Annotated[list[_Name], msgspec.Meta(min_length=1, max_length=MOST_MARKED)]


class ClearForm(AskForm, frozen=True, kw_only=True):
    """Take a notice off the list: it has been dealt with."""

    notice: _Name


class CheckInForm(AskForm, frozen=True, kw_only=True):
    """Put a station on the roster, or change what is said of it there; `interval_s` is the longest
    at which it reports by itself, null to have it learnt."""

    callsign: _Callsign
    tactical: _Callsign = ""
    role: Annotated[str, msgspec.Meta(max_length=MAX_ROLE)] = ""
    interval_s: Annotated[float, msgspec.Meta(ge=1.0, le=86400.0)] | None = None


class CheckOutForm(AskForm, frozen=True, kw_only=True):
    """Take a station off the roster, by its callsign or tactical call."""

    callsign: _Callsign


class StateForm(AskForm, frozen=True, kw_only=True):
    """Tell how an outgoing message stands."""

    message: _Name


class ListForm(AskForm, frozen=True, kw_only=True):
    """Tell what has not been settled yet."""


# Fields of a form are those of its ask.
FORMS: dict[str, tuple[type[AskForm], type[Ask]]] = {
    "send": (SendForm, Send),
    "cancel": (CancelForm, Cancel),
    "bulletin": (BulletinForm, Bulletin),
    "withdraw": (WithdrawForm, Withdraw),
    "query": (QueryForm, Query),
    "read": (ReadForm, Read),
    "clear": (ClearForm, Clear),
    "checkin": (CheckInForm, CheckIn),
    "checkout": (CheckOutForm, CheckOut),
    "state": (StateForm, StateOf),
    "list": (ListForm, ListPending),
}

KNOWN = tuple(FORMS)


class AskProblem(msgspec.Struct, frozen=True):
    """An ask that cannot be read. `request` is its id as far as it could be made out, else ''."""

    verb: str
    request: str
    field: str
    why: str


def frames_in(ask: Ask) -> int:
    """How many frames an ask puts on the air at the least; 0 for one that puts none there."""
    match ask:
        case Send():
            return max(1, math.ceil(len(ask.text) / MAX_TEXT))
        case Bulletin() | Query():
            return 1
        case _:
            return 0


def read_ask(
    verb: str, payload: bytes, reply_topic: str = "", correlation: bytes = b"", client: str = ""
) -> Ask | AskProblem:
    """The ask in a message to `ask/<verb>` or `ask/<verb>/<client>`. Never raises."""
    if len(payload) > MAX_OCTETS:
        return AskProblem(_short(verb), "", "", f"longer than {MAX_OCTETS} octets")
    request = _request_in(payload)
    if verb not in FORMS:
        why = f"no such ask; known are {', '.join(KNOWN)}"
        return AskProblem(_short(verb), request, "", why)
    if len(client) > MAX_CLIENT or not client.isprintable():
        why = f"expected at most {MAX_CLIENT} printable characters in the topic"
        return AskProblem(verb, request, "client", why)
    form_type, ask_type = FORMS[verb]
    try:
        form = msgspec.json.decode(payload, type=form_type)
    except msgspec.ValidationError as error:
        what, _, place = str(error).partition(" - at `$.")
        return AskProblem(verb, request, place.rstrip("`"), what.replace("`", ""))
    except _UNREADABLE as error:
        return AskProblem(verb, "", "", f"not a JSON object: {error}")
    if not _REQUEST.fullmatch(form.request):
        return AskProblem(
            verb, "", "request", "expected 1 to 64 letters, digits, '.', '_', '~' or '-'"
        )
    return ask_type(
        **msgspec.structs.asdict(form),
        client=client,
        reply_topic=reply_topic,
        correlation=correlation,
    )


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


def reply_problem(
    reply_topic: str, correlation: bytes, topics: Topics, closed: tuple[str, ...] = ()
) -> tuple[str, str]:
    """Which part of the wish for an answer cannot be met, and why; two '' if all can.

    Clients name where they want the answer. They do not get to speak as this station or as
    another one, nor to name a topic for which a broker hangs up. `closed` are further topics that
    the station publishes below.
    """
    if len(correlation) > MAX_CORRELATION:
        return "correlation data", f"longer than {MAX_CORRELATION} octets"
    if not reply_topic:
        return "", ""
    if not can_be_published(reply_topic):
        return "response topic", "not a topic that can be published to"
    if f"{reply_topic}/".startswith(f"{ROOT}/") and not reply_topic.startswith(topics.answers):
        return "response topic", f"must not be below {ROOT}/, except {topics.answers}"
    for prefix in closed:
        if f"{reply_topic}/".startswith(f"{prefix}/"):
            return "response topic", f"must not be below {prefix}/"
    return "", ""

"""What the log holds: one kind of record for each thing that happened.

A record says all that is needed to restore the station and to tell the bus about it; nothing has
to be looked up elsewhere. `durable` records are ones that somebody relies on: they are on the
disk before anything that rests on them happens.
"""

from enum import StrEnum
from typing import ClassVar

import msgspec

from ridgepost.station.moment import Moment


class State(StrEnum):
    """Where an outgoing message stands."""

    QUEUED = "queued"
    SENDING = "sending"
    WAITING = "waiting"
    ACKNOWLEDGED = "acknowledged"
    REJECTED = "rejected"
    EXPIRED = "expired"
    CANCELLED = "cancelled"

    @property
    def settled(self) -> bool:
        """No further transmission will follow."""
        return self not in (State.QUEUED, State.SENDING, State.WAITING)


class LineState(StrEnum):
    """Where a bulletin or announcement of ours stands."""

    QUEUED = "queued"
    SENDING = "sending"
    REPLACED = "replaced"
    WITHDRAWN = "withdrawn"
    EXPIRED = "expired"

    @property
    def settled(self) -> bool:
        """No further transmission will follow."""
        return self not in (LineState.QUEUED, LineState.SENDING)


class Precedence(StrEnum):
    """Amateur radiogram precedences (common practice), most urgent first."""

    EMERGENCY = "EMERGENCY"
    PRIORITY = "PRIORITY"
    WELFARE = "WELFARE"
    ROUTINE = "ROUTINE"

    @property
    def rank(self) -> int:
        """0 is the most urgent."""
        return list(Precedence).index(self)


class Watched(StrEnum):
    """What is known of a station on the roster."""

    EXPECTED = "expected"
    """Not heard yet."""

    HEARD = "heard"
    LATE = "late"
    """Silent for longer than losses mostly explain."""

    OVERDUE = "overdue"
    """Silent for longer than mere loss explains, at the level that the operator has set."""

    OFF = "off"
    """Not on the roster any more."""


class Record(msgspec.Struct, frozen=True, kw_only=True, tag_field="what", omit_defaults=True):
    """Base of everything in the log."""

    durable: ClassVar[bool] = False


class Started(Record, frozen=True, kw_only=True, tag="started"):
    """A run of the station began."""

    version: str
    callsign: str
    transmit: bool


class Stopped(Record, frozen=True, kw_only=True, tag="stopped"):
    """It ended in order."""

    reason: str


class LinkChanged(Record, frozen=True, kw_only=True, tag="link"):
    """A TNC came or went."""

    tnc: str
    up: bool
    reason: str = ""


class Heard(Record, frozen=True, kw_only=True, tag="heard"):
    """The first copy of a frame: the AX.25 octets without FCS, read again whenever needed."""

    tnc: str
    port: int
    frame: bytes


class CopiesHeard(Record, frozen=True, kw_only=True, tag="copies"):
    """The further copies of a frame, once its duplicate window has closed."""

    of: int
    """Sequence number of the `Heard` record."""

    copies: int
    """All copies, the first included."""

    paths: list[str]
    """The different paths of the copies in text form, '' for none; at most a handful."""


class OutboundChanged(Record, frozen=True, kw_only=True, tag="outbound"):
    """An outgoing message as it stands after a change, whole."""

    message: str
    to: str
    tactical: str = ""
    """The tactical call that it was sent to, if `to` was found by one."""

    text: str
    number: str
    precedence: Precedence = Precedence.ROUTINE
    state: State
    why: str
    attempts: int = 0
    tries_left: int = 0
    """Transmissions that are left before it waits for its addressee to be heard."""

    rounds: int = 0
    """How often it was tried anew because its addressee was heard."""

    unanswered: int = 0
    """Transmissions in this round for which only an answer can be waited."""

    expires_in_s: float
    """Seconds of its lifetime that are left at this change."""

    wait_s: float | None = None
    """Seconds until the next transmission unless something happens; None: no such time."""

    frame: bytes | None = None
    """What was handed to the TNC with this change, if anything was (AX.25 without FCS)."""

    tnc: str = ""
    port: int = 0


class Received(Record, frozen=True, kw_only=True, tag="received"):
    """A message to us or to a group of ours, once however many copies come."""

    durable: ClassVar[bool] = True

    message: str = ""
    """The name it is shown under, that of this entry; '' in the log of an older version."""

    source: str
    to: str
    group: bool = False
    """It was addressed to a group of ours and not to us."""

    text: str
    number: str = ""
    """The number field as sent, for the acknowledgement; '' if none was asked for."""

    path: list[str] = msgspec.field(default_factory=list)
    heard: int
    """Sequence number of the `Heard` record."""

    latin1: bool = False
    """The text was not UTF-8 and was read as Latin-1."""


class AckSent(Record, frozen=True, kw_only=True, tag="ack"):
    """An acknowledgement went to the TNC."""

    to: str
    number: str
    why: str = ""
    frame: bytes
    tnc: str
    port: int


class BulletinHeard(Record, frozen=True, kw_only=True, tag="bulletin"):
    """A bulletin or announcement line, new or changed."""

    durable: ClassVar[bool] = True

    source: str
    line: str
    text: str
    heard: int


class Joined(Record, frozen=True, kw_only=True, tag="joined"):
    """All parts of a long text have come: the whole, and the names of the parts in order."""

    durable: ClassVar[bool] = True

    source: str
    to: str
    text: str
    parts: list[str]


class BulletinOut(Record, frozen=True, kw_only=True, tag="bulletin-out"):
    """A bulletin or announcement of ours as it stands after a change, whole."""

    bulletin: str
    line: str
    """Its addressee, e.g. 'BLN1', 'BLNQ' or 'BLN4WX'."""

    text: str
    state: LineState
    why: str
    attempts: int = 0
    """How often it has been sent; on several ports at one time is once."""

    expires_in_s: float
    wait_s: float | None = None
    """Seconds until it is sent again; None before the first time and at the end."""

    frame: bytes | None = None
    """What was handed to the TNC with this change, if anything was (AX.25 without FCS)."""

    tnc: str = ""
    port: int = 0


class QueryAnswered(Record, frozen=True, kw_only=True, tag="query"):
    """An answer to a query went to the TNC."""

    asker: str
    query: str
    """The query type, e.g. 'APRSD'."""

    why: str
    frame: bytes
    tnc: str
    port: int


class QuestionState(StrEnum):
    """Where a query of ours stands."""

    QUEUED = "queued"
    SENT = "sent"
    EXPIRED = "expired"

    @property
    def settled(self) -> bool:
        """Nothing more will be done about it."""
        return self is not QuestionState.QUEUED


class QuestionChanged(Record, frozen=True, kw_only=True, tag="question"):
    """A query of ours to one station as it stands after a change, whole."""

    question: str
    to: str
    text: str
    """As it goes on the air, e.g. '?APRSD'."""

    state: QuestionState
    why: str
    frame: bytes | None = None
    tnc: str = ""
    port: int = 0


class MarkedRead(Record, frozen=True, kw_only=True, tag="read"):
    """Somebody has read messages that had come in."""

    durable: ClassVar[bool] = True

    messages: list[str]
    client: str = ""
    """Who marked them, as far as the bus tells."""


class Cleared(Record, frozen=True, kw_only=True, tag="cleared"):
    """Somebody has dealt with a notice."""

    durable: ClassVar[bool] = True

    notice: str
    client: str = ""


class Answered(Record, frozen=True, kw_only=True, tag="answer"):
    """An ask was decided."""

    durable: ClassVar[bool] = True

    request: str
    verb: str
    digest: str
    """Of the ask's content: the same request id with another content is a mistake."""

    accepted: bool
    message: str = ""
    messages: list[str] = msgspec.field(default_factory=list)
    """All messages that an ask led to, where it was more than one."""

    to: str = ""
    tactical: str = ""
    """The callsign that a tactical call stood for, and the tactical call."""

    state: str = ""
    field: str = ""
    why: str = ""
    client: str = ""
    """Who asked, as far as the bus tells."""

    reply_topic: str = ""
    correlation: bytes = b""


class MemberChanged(Record, frozen=True, kw_only=True, tag="member"):
    """A station was checked in, or out if not `present`, while the event is on."""

    durable: ClassVar[bool] = True

    callsign: str
    present: bool
    tactical: str = ""
    role: str = ""
    interval_s: float | None = None
    client: str = ""


class WatchChanged(Record, frozen=True, kw_only=True, tag="watch"):
    """A station on the roster as it stands after a change, whole."""

    callsign: str
    tactical: str = ""
    role: str = ""
    state: Watched
    why: str
    silent_s: float | None = None
    """Since it was last heard; None if it never was."""

    interval_s: float | None = None
    """Of its reports, as given or learnt."""

    loss: float | None = None
    """The share of its reports that is lost, as measured."""

    latitude_deg: float | None = None
    longitude_deg: float | None = None
    course_deg: float | None = None
    speed_knots: float | None = None
    via: str = ""
    """The digipeater or gateway that it was last heard from, '' if it was heard direct."""

    notice: str = ""
    """The name of the notice that tells of its silence, while there is one."""


class Noticed(Record, frozen=True, kw_only=True, tag="notice"):
    """Something that a person should look at, until it is cleared."""

    notice: str = ""
    """Its name, that of this entry; '' in the log of an older version."""

    kind: str
    about: str = ""
    """The station that it is about, if it is about one."""

    text: str


AnyRecord = (
    Started
    | Stopped
    | LinkChanged
    | Heard
    | CopiesHeard
    | OutboundChanged
    | Received
    | AckSent
    | BulletinHeard
    | Joined
    | BulletinOut
    | QueryAnswered
    | QuestionChanged
    | MarkedRead
    | Cleared
    | Answered
    | MemberChanged
    | WatchChanged
    | Noticed
)

KEPT_FOR_STATE = (
    "outbound",
    "received",
    "read",
    "ack",
    "bulletin",
    "bulletin-out",
    "query",
    "question",
    "answer",
    "notice",
    "cleared",
    "member",
    "watch",
)
"""Tags of the records that the station is restored from, besides the latest frames heard."""

HEARD = "heard"
"""Tag of those."""


def is_durable(record: AnyRecord) -> bool:
    """Must be on the disk before it is acted on.

    Of an outgoing message or bulletin that is its acceptance and its end; a lost attempt costs one
    repeat. Of a query it is its acceptance; one more copy of it does no harm.
    """
    if isinstance(record, OutboundChanged):
        return record.state is State.QUEUED or record.state.settled
    if isinstance(record, BulletinOut):
        return record.state is LineState.QUEUED or record.state.settled
    if isinstance(record, QuestionChanged):
        return not record.state.settled
    return record.durable


class Entry(msgspec.Struct, frozen=True):
    """A record in its place in the log."""

    seq: int
    run: int
    at: Moment
    record: AnyRecord


def entry_id(log: str, run: int, seq: int) -> str:
    """The entry's name for ever: unlike `seq` alone it is not used again after a power cut."""
    return f"{log}.{run}.{seq}"

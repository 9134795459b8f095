"""What clients are told that only want to know: nothing rests on it, so it is not in the log."""

import msgspec

from ridgepost.station.records import Precedence, QuestionState, State


class MessageTold(msgspec.Struct, frozen=True, kw_only=True):
    """An outgoing message as it stands now."""

    message: str
    to: str
    tactical: str | None
    text: str
    number: str
    precedence: Precedence
    state: State
    why: str
    attempts: int
    expires_in_s: float
    """Seconds of its lifetime that are left, 0 once it is settled."""

    next_try_s: float | None
    """Seconds until it is sent again unless something happens; None: no such time."""


class QuestionTold(msgspec.Struct, frozen=True, kw_only=True):
    """A query of ours that waits to be sent."""

    question: str
    to: str
    text: str
    state: QuestionState


class Told(msgspec.Struct, frozen=True, kw_only=True):
    """The answer to an ask that changes nothing; refused if `why` says why."""

    request: str
    verb: str
    client: str = ""
    messages: list[MessageTold] = msgspec.field(default_factory=list)
    more: int = 0
    """Messages beyond those that are listed."""

    questions: list[QuestionTold] = msgspec.field(default_factory=list)
    field: str = ""
    why: str = ""
    reply_topic: str = ""
    correlation: bytes = b""

"""What is retained besides single events: what nobody has seen yet, and how far the bus has got."""

import msgspec

from ridgepost.bus.common import SCHEMA, SchemaVersion, Time

MOST_LISTED = 50
"""Of many, the latest are listed and the others counted."""


class UnreadMessage(msgspec.Struct, frozen=True, kw_only=True):
    """A message that came in and was not marked as read."""

    message: str
    source: str
    to: str
    group: bool
    text: str
    at: Time


class UnreadPayload(msgspec.Struct, frozen=True, kw_only=True):
    """Messages that nobody has marked as read: how many, and the latest of them, newest first.

    `of` is the `id` of the entry that changed it last, null if there was none; `at` when that was.
    """

    schema: SchemaVersion = SCHEMA
    of: str | None
    at: Time | None
    count: int
    more: int
    messages: list[UnreadMessage]


class OpenNotice(msgspec.Struct, frozen=True, kw_only=True):
    """A notice that nobody has cleared."""

    notice: str
    kind: str
    text: str
    at: Time


class NoticesPayload(msgspec.Struct, frozen=True, kw_only=True):
    """Notices that nobody has cleared: how many, and the latest of them, newest first.

    `of` is the `id` of the entry that changed it last, null if there was none; `at` when that was.
    """

    schema: SchemaVersion = SCHEMA
    of: str | None
    at: Time | None
    count: int
    more: int
    notices: list[OpenNotice]


class PublishedPayload(msgspec.Struct, frozen=True, kw_only=True):
    """How far the broker has the log: every entry of `log` up to number `up_to`.

    From this the station learns, when it comes back to a broker, what that one has forgotten.
    """

    schema: SchemaVersion = SCHEMA
    log: str
    up_to: int

"""Message identifiers: old numbers of up to five characters, and the reply-ack form MM}AA."""

import msgspec

from ridgepost.aprs.report import Departure

MAX_FIELD = 5
REPLY_ACK_NUMBER = 2  # characters of MM and of AA in the reply-ack form


class MessageIdField(msgspec.Struct, frozen=True, kw_only=True):
    """Everything that stands after `{` or after `ack`, and its parts (APRS 1.2c ch. 14)."""

    field: str
    message_id: str
    reply_ack: str | None
    reply_capable: bool


def valid_message_id(text: str) -> bool:
    """Say whether `text` can number a message: one to five ASCII letters or digits."""
    return 1 <= len(text) <= MAX_FIELD and text.isascii() and text.isalnum()


def read_id_field(octets: bytes) -> MessageIdField | None:
    """Read an identifier field of one to five octets; None if it is none."""
    if not 1 <= len(octets) <= MAX_FIELD:
        return None
    number, brace, reply_ack = octets.partition(b"}")
    # bytes.isalnum knows ASCII only, as the standard wants.
    if not number.isalnum() or (reply_ack and not reply_ack.isalnum()):
        return None
    return MessageIdField(
        field=octets.decode(),
        message_id=number.decode(),
        reply_ack=reply_ack.decode() or None,
        reply_capable=bool(brace),
    )


def split_message_id(
    octets: bytes,
) -> tuple[bytes, MessageIdField | None, tuple[Departure, ...]]:
    """Split the text of a message from the identifier after its last `{`.

    What follows the brace but is no identifier stays part of the text. The last of several braces
    is taken, so that the sender gets the acknowledgement it waits for.
    """
    text, brace, field = octets.rpartition(b"{")
    if not brace:
        return octets, None, ()
    bare = field.rstrip(b" ")
    parsed = read_id_field(bare)
    if parsed is None:
        return octets, None, ("message_id_invalid",)
    departures: list[Departure] = []
    if b"{" in text:
        departures.append("brace_in_text")
    if bare != field:
        departures.append("trailing_blanks")
    return text, parsed, tuple(departures)

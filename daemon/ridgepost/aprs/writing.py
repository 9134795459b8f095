"""Checks that every encoder makes before a field may go on the air."""

from typing import Literal, TypeAlias

from ridgepost.aprs.text import is_graphic, is_printable

EncodeReason: TypeAlias = Literal[
    "addressee_too_long",
    "altitude",
    "ambiguity",
    "bits",
    "blank_addressee",
    "blank_name",
    "bulletin_id",
    "channel_count",
    "comment_too_long",
    "extension",
    "group_too_long",
    "illegal_character",
    "latitude_range",
    "longitude_range",
    "misread",
    "name_too_long",
    "name_too_short",
    "no_number",
    "number_too_long",
    "position_comment",
    "precision",
    "reads_as_acknowledgement",
    "reply_ack_not_possible",
    "symbol_code",
    "symbol_table",
    "text_too_long",
    "timestamp",
    "value_range",
]

# AX.25 allows 256 octets of information (APRS 1.2c ch. 3); multi-octet characters can reach it.
MAX_INFO_SENT = 256

ADDRESSEE_OCTETS = 9


class EncodeError(ValueError):
    """What was asked for must not be sent: `reason` for programs, `detail` for people."""

    def __init__(self, reason: EncodeReason, detail: str) -> None:
        super().__init__(f"{reason}: {detail}")
        self.reason: EncodeReason = reason
        self.detail = detail


def check_text(text: str, limit: int, reason: EncodeReason, forbidden: str = "") -> bytes:
    """Return `text` as octets if it is printable and has at most `limit` characters.

    Raises EncodeError with `reason` for a longer text.
    """
    if len(text) > limit:
        raise EncodeError(reason, f"{len(text)} characters, at most {limit} may be sent")
    if not is_printable(text):
        raise EncodeError("illegal_character", "a control character or a line break in the text")
    for character in forbidden:
        if character in text:
            raise EncodeError("illegal_character", f"the text must not contain {character}")
    return text.encode()


def check_info(info: bytes, reason: EncodeReason) -> bytes:
    """Return `info` if it fits into a frame. Raises EncodeError with `reason` if not."""
    if len(info) > MAX_INFO_SENT:
        raise EncodeError(reason, f"{len(info)} octets in all, at most {MAX_INFO_SENT} fit")
    return info


def addressed(addressee: str, content: bytes) -> bytes:
    """Put `content` into message format for `addressee` (APRS 1.2c ch. 14)."""
    if not addressee.strip():
        raise EncodeError("blank_addressee", "a message needs an addressee")
    if len(addressee) > ADDRESSEE_OCTETS:
        raise EncodeError(
            "addressee_too_long",
            f"{len(addressee)} characters, at most {ADDRESSEE_OCTETS} may be sent",
        )
    if not addressee.isascii() or not is_graphic(addressee.encode()):
        raise EncodeError(
            "illegal_character", "an addressee has printable ASCII characters and no blanks"
        )
    padded = addressee.encode().ljust(ADDRESSEE_OCTETS)
    return check_info(b":" + padded + b":" + content, "text_too_long")

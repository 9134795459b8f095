"""Messages, acknowledgements and rejections (APRS 1.2c ch. 14), and what travels as a message."""

from ridgepost.aprs.bulletin import AnyBulletin, is_group_addressee, read_bulletin
from ridgepost.aprs.message_id import (
    MAX_FIELD,
    REPLY_ACK_NUMBER,
    MessageIdField,
    read_id_field,
    split_message_id,
)
from ridgepost.aprs.nts import read_nts_line
from ridgepost.aprs.packet import Broken, Packet
from ridgepost.aprs.query import read_directed_query
from ridgepost.aprs.report import (
    Ack,
    Addressed,
    Departure,
    DirectedQuery,
    Message,
    NtsLine,
    Rej,
    TelemetryDefinition,
)
from ridgepost.aprs.telemetry import read_telemetry_definition
from ridgepost.aprs.text import (
    MAX_TEXT,
    is_graphic,
    read_text,
    text_departures,
    without_line_end,
)
from ridgepost.aprs.writing import ADDRESSEE_OCTETS, EncodeError, addressed, check_text

_SECOND_COLON = 1 + ADDRESSEE_OCTETS
_ANSWERS: dict[bytes, type[Ack] | type[Rej]] = {b"ack": Ack, b"rej": Rej}
_NARROWER = (read_directed_query, read_telemetry_definition, read_nts_line)

MessageFamily = Message | AnyBulletin | DirectedQuery | TelemetryDefinition | NtsLine | Ack | Rej


def read_message(packet: Packet) -> MessageFamily:
    """Read everything in message format. Raises Broken."""
    info = packet.info
    if len(info) <= _SECOND_COLON:
        raise Broken("too_short", len(info))
    if info[_SECOND_COLON] != ord(":"):
        raise Broken("no_colon_at_11", _SECOND_COLON)
    field = info[1:_SECOND_COLON].rstrip(b" ")
    if not field:
        raise Broken("blank_addressee", 1)
    addressee, _ = read_text(field)
    content, departures = without_line_end(info[_SECOND_COLON + 1 :])
    if not is_graphic(field):
        departures += ("addressee_characters",)
    if is_group_addressee(addressee):
        message = _read_text_message(info, addressee, content, departures, for_many=True)
        return read_bulletin(message) or message
    answer = _read_answer(info, addressee, content, departures)
    if answer:
        return answer
    message = _read_text_message(info, addressee, content, departures, for_many=False)
    for read in _NARROWER:
        narrower = read(message)
        if narrower:
            return narrower
    return message


def duplicate_key(source: str, message: Addressed) -> tuple[str, str, str | None, bytes]:
    """Return what two copies of one message have in common.

    The reply-ack is left out, because it may change between attempts (APRS 1.2c ch. 14, New
    Message Number Format, step 3).
    """
    return source, message.addressee, message.message_id, message.text_octets


def encode_message(
    addressee: str,
    text: str,
    message_id: str | None = None,
    reply_capable: bool = True,
    reply_ack: str | None = None,
) -> bytes:
    """Encode a message to a station or group.

    With a `message_id` of one or two characters the form is `{MM}AA`, or `{MM}` when there is no
    `reply_ack`; with `reply_capable=False` it is the old form, of up to five characters. Raises
    EncodeError.
    """
    octets = check_text(text, MAX_TEXT, "text_too_long", forbidden="{")
    if message_id is None:
        if reply_ack is not None:
            raise EncodeError("reply_ack_not_possible", "a reply-ack rides on a message number")
        if _split_answer(octets):
            raise EncodeError(
                "reads_as_acknowledgement", "without a number this text acknowledges a message"
            )
        return addressed(addressee, octets)
    if not reply_capable:
        if reply_ack is not None:
            raise EncodeError("reply_ack_not_possible", "the old form has no reply-ack")
        return addressed(addressee, octets + b"{" + _number(message_id, MAX_FIELD))
    number = _number(message_id, REPLY_ACK_NUMBER)
    acknowledged = b"" if reply_ack is None else _number(reply_ack, REPLY_ACK_NUMBER)
    return addressed(addressee, octets + b"{" + number + b"}" + acknowledged)


def encode_ack(addressee: str, id_field: str) -> bytes:
    """Encode an acknowledgement; `id_field` is everything after the `{` of the message heard.

    Raises EncodeError.
    """
    return addressed(addressee, b"ack" + _echoed(id_field))


def encode_rej(addressee: str, id_field: str) -> bytes:
    """Encode a rejection; `id_field` is everything after the `{` of the message heard.

    Raises EncodeError.
    """
    return addressed(addressee, b"rej" + _echoed(id_field))


def _read_text_message(
    info: bytes,
    addressee: str,
    content: bytes,
    departures: tuple[Departure, ...],
    *,
    for_many: bool,
) -> Message:
    octets, number, id_departures = split_message_id(content)
    text, encoding = read_text(octets)
    return Message(
        info=info,
        departures=departures + id_departures + text_departures(text, MAX_TEXT, "text_too_long"),
        addressee=addressee,
        text=text,
        text_octets=octets,
        text_encoding=encoding,
        message_id_field=number.field if number else None,
        message_id=number.message_id if number else None,
        reply_ack=number.reply_ack if number else None,
        reply_capable=number.reply_capable if number else None,
        ack_expected=number is not None and not for_many,
    )


def _read_answer(
    info: bytes, addressee: str, content: bytes, departures: tuple[Departure, ...]
) -> Ack | Rej | None:
    found = _split_answer(content)
    if found is None:
        return None
    kind, number = found
    if content.endswith(b" "):
        departures += ("trailing_blanks",)
    return kind(
        info=info,
        departures=departures,
        addressee=addressee,
        acknowledged_id_field=number.field,
        acknowledged_id=number.message_id,
        reply_ack=number.reply_ack,
    )


def _split_answer(content: bytes) -> tuple[type[Ack] | type[Rej], MessageIdField] | None:
    kind = _ANSWERS.get(content[:3])
    number = read_id_field(content[3:].rstrip(b" "))
    return (kind, number) if kind and number else None


def _number(text: str, limit: int) -> bytes:
    if not text:
        raise EncodeError("no_number", "a number has one character or more")
    if not text.isascii() or not text.isalnum():
        raise EncodeError("illegal_character", "a number has ASCII letters and digits only")
    if len(text) > limit:
        raise EncodeError("number_too_long", f"at most {limit} characters in this form")
    return text.encode()


def _echoed(id_field: str) -> bytes:
    if "}" not in id_field:
        return _number(id_field, MAX_FIELD)
    if len(id_field) > MAX_FIELD:
        raise EncodeError("number_too_long", f"at most {MAX_FIELD} characters")
    if not id_field.isascii() or read_id_field(id_field.encode()) is None:
        raise EncodeError("illegal_character", "not of the form MM}AA")
    return id_field.encode()

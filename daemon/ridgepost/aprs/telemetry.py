"""Telemetry reports, and the definitions that travel as messages (APRS 1.2c ch. 13)."""

import math
import re
from collections.abc import Callable, Sequence
from typing import Any, Final

from ridgepost.aprs.comment_telemetry import BITS, CHANNELS, check_bits
from ridgepost.aprs.narrowing import narrow
from ridgepost.aprs.packet import Broken, Packet
from ridgepost.aprs.report import Departure, Message, Telemetry, TelemetryDefinition
from ridgepost.aprs.text import read_text, text_departures, without_line_end
from ridgepost.aprs.writing import EncodeError, check_info, check_text

# What a channel without coefficients has: its value is the raw one.
NO_SCALE: Final = (0.0, 1.0, 0.0)

_HEAD = b"T#"
_MIC = b"MIC"
_SEQUENCE_LENGTH: Final = 3
_MAX_SEQUENCE: Final = 999

# Values of any width are sent, with sign and decimal point; so many digits no sensor has.
_VALUE = re.compile(rb"-?(?:[0-9]{1,12}(?:\.[0-9]{0,12})?|\.[0-9]{1,12})")
_SEQUENCE = re.compile(rb"[0-9A-Za-z]{1,5}")
_MAX_SENT: Final = 1_000_000
_DECIMALS_SENT: Final = 3

# Bounded, so that no scaled value is infinite.
_COEFFICIENT = re.compile(r"[+-]?(?:[0-9]{1,15}(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,2})?")


def read_telemetry(packet: Packet) -> Telemetry:
    """Read the data type `T`. Raises Broken.

    A report that stops early is read as far as it goes; no value ever moves to another channel.
    """
    info, departures = without_line_end(packet.info)
    if len(info) <= len(_HEAD):
        raise Broken("too_short", len(info))
    if not info.startswith(_HEAD):
        raise Broken("format", 1)
    sequence, at = _read_sequence(info)
    found: list[Departure] = [*departures]
    if sequence != _MIC and not (len(sequence) == _SEQUENCE_LENGTH and sequence.isdigit()):
        found.append("telemetry_sequence")
    fields = info[at:].split(b",", CHANNELS)
    analog: list[float | None] = []
    for field in fields[:CHANNELS]:
        if field and not _VALUE.fullmatch(field):
            raise Broken("format", at)
        analog.append(float(field) if field else None)
        at += len(field) + 1
    if len(analog) < CHANNELS or None in analog:
        found.append("telemetry_channels")
    tail, encoding = read_text(b"".join(fields[CHANNELS:]))
    bits, comment = _split_bits(tail)
    if len(bits) != BITS:
        # Other digits among the bits are not the start of a comment.
        if comment[:1].isdigit() or (comment and not bits):
            raise Broken("format", at + len(bits))
        found.append("telemetry_bits")
    found.extend(text_departures(comment, None, "comment_too_long"))
    return Telemetry(
        info=packet.info,
        departures=tuple(found),
        sequence=sequence.decode(),
        analog=tuple(analog),
        digital=bits or None,
        comment=comment,
        text_encoding=encoding,
    )


def encode_telemetry(
    sequence: int, analog: Sequence[float], digital: str, comment: str = ""
) -> bytes:
    """Encode a telemetry report: a number up to 999, five values, and B1 to B8 as text.

    Values are rounded to a thousandth. Raises EncodeError.
    """
    if not 0 <= sequence <= _MAX_SEQUENCE:
        raise EncodeError("value_range", f"a sequence number is from 0 to {_MAX_SEQUENCE}")
    if len(analog) != CHANNELS:
        raise EncodeError("channel_count", f"{CHANNELS} values, not {len(analog)}")
    values = ",".join(_write_value(value) for value in analog)
    head = f"{_HEAD.decode()}{sequence:03d},{values},{check_bits(digital)}"
    # No other limit than the frame's is given.
    octets = check_text(comment, len(comment), "comment_too_long")
    return check_info(head.encode() + octets, "comment_too_long")


def read_telemetry_definition(message: Message) -> TelemetryDefinition | None:
    """Recognise a definition of names, units, coefficients or bits in a message."""
    definition, dot, body = message.text[:4], message.text[4:5], message.text[5:]
    read = _DEFINITIONS.get(definition)
    if read is None or dot != ".":
        return None
    fields, is_proper = read(body)
    if not is_proper:
        fields["departures"] = (*message.departures, "telemetry_definition_form")
    return narrow(TelemetryDefinition, message, definition=definition, **fields)


def _read_sequence(info: bytes) -> tuple[bytes, int]:
    """Return the sequence field, and where the first value starts."""
    start = len(_HEAD)
    if info.startswith(_MIC, start):
        end = start + len(_MIC)
        # Here the comma may be missing.
        end += info.startswith(b",", end)
    else:
        end = info.find(b",", start) + 1
    sequence = info[start : end or None].rstrip(b",")
    if not _SEQUENCE.fullmatch(sequence):
        raise Broken("format", start)
    if end in {0, len(info)}:
        raise Broken("too_short", len(info))
    return sequence, end


def _split_bits(text: str) -> tuple[str, str]:
    """Split up to eight bits from what follows them without a separator."""
    length = min(len(text) - len(text.lstrip("01")), BITS)
    return text[:length], text[length:]


def _write_value(value: float) -> str:
    # Written so that what is no number at all is refused too.
    if not abs(value) < _MAX_SENT:
        raise EncodeError("value_range", f"a value is less than {_MAX_SENT}, and no less negative")
    if value >= 0 and value == math.floor(value):
        return f"{int(value):03d}"
    # Adding 0 takes the sign off a value that is rounded to 0.
    text = f"{round(value, _DECIMALS_SENT) + 0.0:.{_DECIMALS_SENT}f}"
    return text.rstrip("0").rstrip(".")


# --- definitions: the fields of the report, and whether they are as prescribed --------------------

_MAX_NAMES: Final = CHANNELS + BITS
_MAX_COEFFICIENTS: Final = CHANNELS * len(NO_SCALE)

_Fields = tuple[dict[str, Any], bool]


def _read_names(body: str) -> _Fields:
    analog, digital, is_proper = _split_names(body)
    return {"analog_names": analog, "digital_names": digital}, is_proper


def _read_units(body: str) -> _Fields:
    analog, digital, is_proper = _split_names(body)
    return {"analog_units": analog, "digital_labels": digital}, is_proper


def _split_names(body: str) -> tuple[tuple[str, ...], tuple[str, ...], bool]:
    names = tuple(body.split(",")) if body else ()
    return names[:CHANNELS], names[CHANNELS:_MAX_NAMES], len(names) <= _MAX_NAMES


def _read_coefficients(body: str) -> _Fields:
    fields = [field.strip(" ") for field in body.split(",")] if body else []
    read = fields[:_MAX_COEFFICIENTS]
    if not all(_COEFFICIENT.fullmatch(field) for field in read if field):
        return {}, False
    # "The list may stop at any field": what is left out changes nothing.
    padded = read + [""] * (-len(read) % len(NO_SCALE))
    numbers = [
        float(field) if field else NO_SCALE[place % len(NO_SCALE)]
        for place, field in enumerate(padded)
    ]
    triples = tuple(zip(numbers[::3], numbers[1::3], numbers[2::3], strict=True))
    return {"coefficients": triples}, len(fields) <= _MAX_COEFFICIENTS


def _read_bit_sense(body: str) -> _Fields:
    sense, title = _split_bits(body)
    if not sense:
        return {}, False
    # The table has no comma before the title, the example has one.
    return {"bit_sense": sense, "project": title.removeprefix(",")}, len(sense) == BITS


_DEFINITIONS: dict[str, Callable[[str], _Fields]] = {
    "PARM": _read_names,
    "UNIT": _read_units,
    "EQNS": _read_coefficients,
    "BITS": _read_bit_sense,
}

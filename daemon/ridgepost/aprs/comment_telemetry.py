"""Telemetry in the comment of a position: base-91 digits between two | (proposal of 2012)."""

from collections.abc import Sequence
from typing import Final

from ridgepost.aprs.base91 import decode_base91, encode_base91
from ridgepost.aprs.parts import CommentTelemetry
from ridgepost.aprs.text import read_text
from ridgepost.aprs.writing import EncodeError

CHANNELS: Final = 5
BITS: Final = 8

# Sec. 3.4: two base-91 digits each.
_DIGITS: Final = 2
MAX_VALUE: Final = 91**_DIGITS - 1

# Sec. 3.6.
_LAST_SEQUENCE: Final = 0x1FFF

# A sequence number, one to five values, and perhaps the bits after all five.
_LENGTHS: Final = range(2 * _DIGITS, (1 + CHANNELS + 1) * _DIGITS + 1, _DIGITS)


def read_comment_telemetry(comment: bytes) -> CommentTelemetry | None:
    """Read the telemetry in `comment`; None if there is none.

    It comes after all text for people (sec. 3.2), so of several the last is meant. A single | may
    follow, since there are type codes of Mic-E with one (sec. 3.11.1).
    """
    if b"|" not in comment:
        return None
    pieces = comment.split(b"|")
    for place in range(len(pieces) - 2, 0, -1):
        numbers = _read_numbers(pieces[place])
        if numbers:
            text, _ = read_text(b"|".join(pieces[:place]))
            return _telemetry(numbers, text)
    return None


def next_telemetry_sequence(sequence: int) -> int:
    """Return the sequence number after `sequence`, 0 after 8191 (sec. 3.6)."""
    return (sequence + 1) & _LAST_SEQUENCE


def encode_comment_telemetry(
    sequence: int, values: Sequence[int], digital: str | None = None
) -> bytes:
    """Encode telemetry, to be put after the text of a comment and before !DAO!.

    One to five `values` from 0 to 8280, and the bits B1 to B8 as text; these only with all five
    values. Raises EncodeError.
    """
    if not 1 <= len(values) <= CHANNELS:
        raise EncodeError("channel_count", f"one to {CHANNELS} values, not {len(values)}")
    numbers = [sequence, *values]
    if digital is not None:
        if len(values) < CHANNELS:
            raise EncodeError("channel_count", f"bits go with {CHANNELS} values only")
        numbers.append(_bits_value(digital))
    if not all(0 <= number <= MAX_VALUE for number in numbers):
        raise EncodeError("value_range", f"all numbers are from 0 to {MAX_VALUE}")
    return b"|" + b"".join(encode_base91(number, _DIGITS) for number in numbers) + b"|"


def check_bits(digital: str) -> str:
    """Return `digital` if it is eight characters 0 or 1. Raises EncodeError."""
    if len(digital) != BITS or not set(digital) <= {"0", "1"}:
        raise EncodeError("bits", f"{BITS} characters 0 or 1, B1 first")
    return digital


def _read_numbers(piece: bytes) -> list[int] | None:
    if len(piece) not in _LENGTHS:
        return None
    numbers = []
    for at in range(0, len(piece), _DIGITS):
        number = decode_base91(piece[at : at + _DIGITS])
        if number is None:
            return None
        numbers.append(number)
    return numbers


def _telemetry(numbers: list[int], text: str) -> CommentTelemetry:
    bits = numbers[1 + CHANNELS] if len(numbers) > 1 + CHANNELS else None
    return CommentTelemetry(
        telemetry_sequence=numbers[0],
        telemetry_values=tuple(numbers[1 : 1 + CHANNELS]),
        telemetry_digital_value=bits,
        telemetry_digital=None if bits is None else _bits_text(bits),
        comment_before=text,
    )


# Sec. 3.9: B1 is the least significant bit; bits 9 to 13 are reserved.


def _bits_text(value: int) -> str:
    return f"{value & 0xFF:08b}"[::-1]


def _bits_value(digital: str) -> int:
    return int(check_bits(digital)[::-1], 2)

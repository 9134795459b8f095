"""What every encoder refuses, and what it says then."""

import re
from collections.abc import Callable

import pytest

from ridgepost.aprs import EncodeError, encode_message, encode_status, encode_telemetry
from ridgepost.aprs.writing import addressed, check_text

_TELEMETRY = b"T#001,001,002,003,004,005,00000000"


def test_a_full_frame() -> None:
    # APRS 1.2c ch. 3: up to 256 octets of information.
    room = 256 - len(_TELEMETRY)
    info = encode_telemetry(1, [1, 2, 3, 4, 5], "00000000", "A" * room)
    assert info == _TELEMETRY + b"A" * room
    for too_much in ("A" * (room + 1), "A" * (room - 1) + "ü"):
        with pytest.raises(EncodeError) as refusal:
            encode_telemetry(1, [1, 2, 3, 4, 5], "00000000", too_much)
        assert refusal.value.reason == "comment_too_long"


# APRS 1.2c ch. 14: nine octets, filled up with blanks.
@pytest.mark.parametrize(
    ("addressee", "info"), [("QZ1SRC-15", b":QZ1SRC-15:Hi"), ("Q", b":Q        :Hi")]
)
def test_addressee(addressee: str, info: bytes) -> None:
    assert addressed(addressee, b"Hi") == info


@pytest.mark.parametrize(
    ("addressee", "reason"),
    [
        ("", "blank_addressee"),
        ("   ", "blank_addressee"),
        ("QZ1SRC-150", "addressee_too_long"),
        ("QZ 1", "illegal_character"),
        ("QZ1\x7f", "illegal_character"),
        ("QZ1É", "illegal_character"),
    ],
)
def test_no_addressee(addressee: str, reason: str) -> None:
    with pytest.raises(EncodeError) as refusal:
        addressed(addressee, b"Hi")
    assert refusal.value.reason == reason


def test_forbidden_characters() -> None:
    assert check_text("a|b", 3, "text_too_long", forbidden="{~") == b"a|b"
    for text in ("a{b", "a~b"):
        with pytest.raises(EncodeError) as refusal:
            check_text(text, 3, "text_too_long", forbidden="{~")
        assert refusal.value.reason == "illegal_character"


# Who reads a refusal learns what was too much and how much there may be (limits: ch. 14 and 16).
@pytest.mark.parametrize(
    ("encode", "reason", "numbers"),
    [
        (lambda: encode_message("QZ2DST", "A" * 70), "text_too_long", {70, 67}),
        (lambda: encode_message("QZ2DST", "😀" * 67), "text_too_long", {279, 256}),
        (lambda: encode_message("QZ1SRC-1500", "Hi"), "addressee_too_long", {11, 9}),
        (lambda: encode_status("A" * 70), "text_too_long", {70, 62}),
        (lambda: encode_telemetry(1000, [0] * 5, "0" * 8), "value_range", {0, 999}),
        (lambda: encode_telemetry(1, [0] * 4, "0" * 8), "channel_count", {5, 4}),
    ],
)
def test_a_refusal_names_the_limit(
    encode: Callable[[], bytes], reason: str, numbers: set[int]
) -> None:
    with pytest.raises(EncodeError) as refusal:
        encode()
    assert str(refusal.value) == f"{reason}: {refusal.value.detail}"
    found = re.findall(r"\b[0-9]+\b", refusal.value.detail)
    assert {int(number) for number in found} == numbers

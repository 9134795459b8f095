"""Status reports.

Check values: vectors/status.toml (APRS 1.2c ch. 16, 19 and 20).
"""

from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from aprs.expectations import told, wanted
from checkvalues import cases, input_octets
from ridgepost.aprs import (
    MAX_STATUS,
    EncodeError,
    Status,
    Unreadable,
    decode,
    encode_status,
)

Case = dict[str, Any]


def _is_read(case: Case) -> bool:
    return case["expect"]["kind"] in {"status", "other"}


@pytest.mark.parametrize("case", cases("status", where=_is_read))
def test_decode(case: Case) -> None:
    report = decode(input_octets(case))
    assert told(report, case["expect"]) == wanted(case["expect"])
    assert report.info == input_octets(case)
    if report.kind == "status" and "grid" not in case["expect"]:
        assert told(report, {"grid": None, "symbol_code": None}) == {
            "grid": None,
            "symbol_code": None,
        }


# APRS 1.2c ch. 16, Beam Heading and ERP: 0-9 for 0 to 90 degrees, A-Z for 100 to 350.
def test_every_heading() -> None:
    headings = []
    for letter in "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ":
        report = decode(f">Beam ^{letter}7".encode())
        assert isinstance(report, Status)
        headings.append(report.beam_heading_deg)
    assert headings == list(range(0, 360, 10))


# APRS 1.2c ch. 16: up to 62 characters, 55 after a time, 54 after a locator; upper case is to be
# sent, and no line end.
@pytest.mark.parametrize(
    ("info", "departures"),
    [
        (b">IO91SX/- Hello", ()),
        (b">io91sx/- Hello", ("lower_case_locator",)),
        (b">" + b"A" * 62, ()),
        (b">" + b"A" * 63, ("text_too_long",)),
        (b">092345z" + b"A" * 55, ()),
        (b">092345z" + b"A" * 56, ("text_too_long",)),
        (b">IO91SX/- " + b"A" * 53, ()),
        (b">IO91SX/- " + b"A" * 54, ("text_too_long",)),
        (b">Hello\r\n", ("trailing_line_end",)),
        (b">Hel\x00lo", ("control_characters",)),
    ],
)
def test_departures(info: bytes, departures: tuple[str, ...]) -> None:
    report = decode(info)
    assert report.departures == departures
    assert not isinstance(report, Unreadable)


# Ch. 16: a locator of four or six, symbol table or overlay, symbol code, then a blank or nothing.
@pytest.mark.parametrize(
    ("info", "grid", "text"),
    [
        (b">IO91SX/-", "IO91SX", ""),
        (b">IO91/-", "IO91", ""),
        (b">IO91/- Hi", "IO91", " Hi"),
        (b">IO913- Hi", "IO91", " Hi"),
        (b">IO91SX/~ Hi", "IO91SX", " Hi"),
        (b">IO91SX", "IO91", ""),  # S is an overlay and X a symbol
        (b">IO91SX/", None, "IO91SX/"),
        (b">IO91/", None, "IO91/"),
        (b">IO91- - Hi", None, "IO91- - Hi"),
        (b">IO91/  Hi", None, "IO91/  Hi"),
        (b">IO91S/- Hi", None, "IO91S/- Hi"),
        (b">IO91/-Hi", None, "IO91/-Hi"),
    ],
)
def test_what_is_a_locator(info: bytes, grid: str | None, text: str) -> None:
    report = decode(info)
    assert isinstance(report, Status)
    assert (report.grid, report.text) == (grid, text)


def test_as_long_as_may_be_sent() -> None:
    assert encode_status("A" * 62) == b">" + b"A" * 62


def test_text_that_is_not_utf_8() -> None:
    report = decode(b">Gr\xfc\xdfe")  # ISO 8859-1: 0xFC is u umlaut, 0xDF sharp s
    assert isinstance(report, Status)
    assert (report.text, report.text_encoding) == ("Grüße", "latin-1")


@pytest.mark.parametrize(
    ("text", "reason"), [("A" * 63, "text_too_long"), ("a\rb", "illegal_character")]
)
def test_not_sent(text: str, reason: str) -> None:
    with pytest.raises(EncodeError) as refusal:
        encode_status(text)
    assert refusal.value.reason == reason


@given(
    st.text(st.characters(exclude_categories=["Cc", "Cs", "Zl", "Zp"]), max_size=MAX_STATUS).filter(
        lambda text: len(text.encode()) <= 200
    )
)
def test_round_trip(text: str) -> None:
    report = decode(encode_status(text))
    assert isinstance(report, Status)
    assume(report.time is None and report.grid is None)
    assert report.conforming
    assert report.text == text

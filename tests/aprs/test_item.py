"""Items. Check values: vectors/position.toml (APRS 1.2c ch. 11)."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aprs.expectations import told, wanted
from checkvalues import cases, input_octets
from ridgepost.aprs import EncodeError, Item, Place, Unreadable, decode, encode_item

Case = dict[str, Any]


@pytest.mark.parametrize(
    "case", cases("position", "decode", where=lambda case: case.get("input", "").startswith(")"))
)
def test_decode(case: Case) -> None:
    report = decode(input_octets(case))
    assert told(report, case["expect"]) == wanted(case["expect"])
    assert report.info == input_octets(case)


def _read(info: bytes) -> Item:
    report = decode(info)
    assert isinstance(report, Item)
    return report


def test_the_first_mark_ends_the_name() -> None:
    # APRS 1.2c ch. 11: neither ! nor _ is part of a name, so a later one belongs to the comment.
    report = _read(b")CP1!4903.50N/07201.75W-Open! CP_1")
    assert (report.name, report.live, report.place.comment) == ("CP1", True, "Open! CP_1")


def test_an_area_without_a_time() -> None:
    # APRS 1.2c ch. 11: an item may have the same extensions as an object.
    report = _read(b")SEARCH!4903.50N\\07201.75Wl710/310Lake")
    assert report.place.comment == "Lake"
    assert report.place.extension is not None


@pytest.mark.parametrize(
    ("info", "reason", "offset"),
    [
        (b")", "item_name_length", 1),
        (b")CP1", "item_name_length", 4),
        (b")!!!!", "item_name_length", 5),
        (b")TENLETTERS!4903.50N/07201.75W-", "item_name_length", 10),
        (b")   !4903.50N/07201.75W-", "blank_name", 1),
        (b")CP1!", "too_short", 5),
        (b")CP1!4903.50N/07201.75W", "too_short", 23),
        (b")CP1!4963.50N/07201.75W-", "minutes_range", 7),
    ],
)
def test_broken(info: bytes, reason: str, offset: int) -> None:
    # APRS 1.2c ch. 11, Item Report Format.
    report = decode(info)
    assert isinstance(report, Unreadable)
    assert (report.reason, report.offset) == (reason, offset)


PLACE = Place(latitude_deg=49.0583333, longitude_deg=-72.0291667, symbol_table="/", symbol_code="A")


def _write_again(report: Item) -> bytes:
    return encode_item(report.name, report.place, live=report.live)


@pytest.mark.parametrize(
    "case", cases("position", "decode", where=lambda case: case["expect"].get("kind") == "item")
)
def test_what_was_read_is_written_again(case: Case) -> None:
    info = input_octets(case)
    assert _write_again(_read(info)) == info


# APRS 1.2c ch. 11, Item Report Format: three to nine characters, without the marks.
@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("", "blank_name"),
        ("   ", "blank_name"),
        ("AB", "name_too_short"),
        ("ABCDEFGHIJ", "name_too_long"),
        ("AID!1", "illegal_character"),
        ("AID_1", "illegal_character"),
        ("Brücke", "illegal_character"),
    ],
)
def test_not_sent(name: str, reason: str) -> None:
    with pytest.raises(EncodeError) as refusal:
        encode_item(name, PLACE)
    assert refusal.value.reason == reason


@given(
    st.text(
        st.characters(min_codepoint=0x20, max_codepoint=0x7E, exclude_characters="!_"),
        min_size=3,
        max_size=9,
    ).filter(str.strip),
    st.booleans(),
)
def test_round_trip(name: str, live: bool) -> None:
    report = _read(encode_item(name, PLACE, live=live))
    assert (report.name, report.live) == (name, live)
    assert report.conforming
    assert decode(_write_again(report)) == report

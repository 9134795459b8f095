"""The way in: every information field gives a report, whatever is in it."""

import msgspec
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from checkvalues import cases, input_octets
from ridgepost.aprs import MAX_INFO, Other, Report, Status, ThirdParty, Unread, Unreadable, decode

FILES = ("message", "position", "status", "weather", "telemetry", "mice")


def _heard(file: str) -> list[bytes]:
    """The information fields of a file of check values, as seeds."""
    values = (parameter.values[0] for parameter in cases(file))
    return sorted({input_octets(case) for case in values if {"input", "input_hex"} & set(case)})


HEARD = [info for file in FILES for info in _heard(file)]


@st.composite
def spoiled(draw: st.DrawFn) -> bytes:
    """A field that was fine once, with octets cut out, replaced or put in."""
    field = draw(st.sampled_from(HEARD))
    for _ in range(draw(st.integers(1, 4))):
        start = draw(st.integers(0, len(field)))
        end = draw(st.integers(start, min(len(field), start + 4)))
        field = field[:start] + draw(st.binary(max_size=4)) + field[end:]
    return field


def _layers(report: Report) -> list[Report]:
    layers = [report]
    while isinstance(layers[-1], ThirdParty):
        layers.append(layers[-1].inner)
    return layers


def _check(info: bytes) -> None:
    """What holds for every report."""
    report = decode(info, "QZ1SRC", "APZ001")
    assert report.info == info
    for layer in _layers(report):
        assert layer.kind == layer.__struct_config__.tag
        if isinstance(layer, Unreadable):
            assert 0 <= layer.offset <= len(layer.info)
    # Equal after a trip through JSON: every field is of its declared type, and text is real text.
    assert msgspec.json.decode(msgspec.json.encode(report), type=Report) == report


@given(st.binary(max_size=300))
@example(b"")
def test_no_octets_raise(info: bytes) -> None:
    _check(info)


@given(st.sampled_from("!=/@:>?<}").map(str.encode), st.binary(max_size=100))
def test_no_octets_raise_after_an_identifier(identifier: bytes, rest: bytes) -> None:
    _check(identifier + rest)


@given(spoiled())
def test_no_spoiled_packet_raises(info: bytes) -> None:
    _check(info)


@pytest.mark.parametrize("file", FILES)
def test_every_start_of_a_packet(file: str) -> None:
    # A frame cut anywhere.
    for info in _heard(file):
        for end in range(len(info) + 1):
            _check(info[:end])


# APRS 1.2c ch. 5, table of data type identifiers: those that this part does not read.
@pytest.mark.parametrize("identifier", "\x1c\x1d#$%'),*;T[_`{")
def test_data_types_that_are_not_read(identifier: str) -> None:
    report = decode(identifier.encode() + b"abc")
    assert isinstance(report, Unread)
    assert report.data_type_identifier == identifier


# The same table: unused, reserved and "do not use".
@pytest.mark.parametrize("identifier", '"&(+-.0579A^SUZ\\]az|~é\x00\xff')
def test_no_data_type(identifier: str) -> None:
    report = decode(identifier.encode("latin-1") + b"abc")
    assert isinstance(report, Other)
    assert report.may_be_status


def test_a_field_longer_than_any_packet() -> None:
    assert isinstance(decode(b">" + b"A" * (MAX_INFO - 1)), Status)
    report = decode(b">" + b"A" * MAX_INFO)
    assert isinstance(report, Unreadable)
    assert report.reason == "too_long"
    assert report.data_type_identifier == ">"

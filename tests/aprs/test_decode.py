"""The way in: every information field gives a report, whatever is in it."""

import json

import msgspec
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from checkvalues import cases, input_octets
from ridgepost.aprs import MAX_INFO, Other, Report, Status, ThirdParty, Unreadable, decode, flat

FILES = ("message", "position", "status", "weather", "telemetry", "mice")


def _heard(file: str) -> list[bytes]:
    """The information fields of a file of check values, as seeds."""
    values = (parameter.values[0] for parameter in cases(file))
    return sorted({input_octets(case) for case in values if {"input", "input_hex"} & set(case)})


# APRS 1.2c ch. 5, table of data type identifiers.
IDENTIFIERS = "\x1c\x1d!#$%'),*/:;<=>?@T[_`{}"

# A destination that says a latitude (ch. 10, a worked example), others that may, and one that does
# not.
MIC_E_DESTINATION = "S32UVT"
destinations = st.sampled_from(["APZ001", MIC_E_DESTINATION]) | st.text(
    "0123456789LPQRSTUVWXYZABCDEFGHIJK", min_size=6, max_size=6
)

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


def _check(info: bytes, destination: str = "APZ001") -> None:
    """What holds for every report."""
    report = decode(info, "QZ1SRC", destination)
    assert report.info == info
    for layer in _layers(report):
        assert layer.kind == layer.__struct_config__.tag
        if isinstance(layer, Unreadable):
            assert 0 <= layer.offset <= len(layer.info)
    # Equal after a trip through JSON: every field is of its declared type, and text is real text.
    assert msgspec.json.decode(msgspec.json.encode(report), type=Report) == report
    # A table is plain enough for JSON, whatever was sent.
    assert flat(report)["kind"] == report.kind
    json.dumps(flat(report), allow_nan=False)
    _check_strict(report, decode(info, "QZ1SRC", destination, strict=True))


def _check_strict(report: Report, strict: Report) -> None:
    """Read strictly, what departs is refused, and everything else is read as it was."""
    if report.departures and not isinstance(report, Unreadable):
        assert isinstance(strict, Unreadable)
        assert (strict.reason, strict.offset) == ("departure", 0)
        assert (strict.departures, strict.info) == (report.departures, report.info)
    elif isinstance(report, ThirdParty):
        assert isinstance(strict, ThirdParty)
        _check_strict(report.inner, strict.inner)
    else:
        assert strict == report


@given(st.binary(max_size=300))
@example(b"")
def test_no_octets_raise(info: bytes) -> None:
    _check(info)


@given(st.sampled_from(IDENTIFIERS).map(str.encode), st.binary(max_size=100), destinations)
def test_no_octets_raise_after_an_identifier(
    identifier: bytes, rest: bytes, destination: str
) -> None:
    _check(identifier + rest, destination)


@given(spoiled(), destinations)
def test_no_spoiled_packet_raises(info: bytes, destination: str) -> None:
    _check(info, destination)


@pytest.mark.parametrize("identifier", IDENTIFIERS)
def test_every_data_type_has_a_reader(identifier: str) -> None:
    # A single octet is too short for all but these.
    report = decode(identifier.encode(), "QZ1SRC", "APZ001")
    if identifier in ",<>?":
        assert report.kind in {"test_data", "capabilities", "status", "general_query"}
    else:
        assert isinstance(report, Unreadable)
        assert report.data_type_identifier == identifier


@pytest.mark.parametrize("file", FILES)
def test_every_start_of_a_packet(file: str) -> None:
    # A frame cut anywhere.
    for info in _heard(file):
        for end in range(len(info) + 1):
            _check(info[:end], MIC_E_DESTINATION)


# vectors/position.toml: a letter of the hemisphere in lower case, a departure.
def test_strictly_read_inside_a_third_party_packet() -> None:
    inner = b"!4903.50n/07201.75W-"
    report = decode(b"}QZ1SRC>APZ001,TCPIP,QZ1GATE*:" + inner, strict=True)
    assert isinstance(report, ThirdParty)
    assert isinstance(report.inner, Unreadable)
    assert report.inner.reason == "departure"
    assert report.inner.departures == ("lower_case_hemisphere",)


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
    assert report.offset == MAX_INFO


def test_refused_for_a_departure_as_a_whole() -> None:
    report = decode(b"!4903.50n/07201.75W-", strict=True)
    assert isinstance(report, Unreadable)
    assert (report.reason, report.offset) == ("departure", 0)


def test_a_flat_table_has_text_once() -> None:
    """As characters; who wants the octets has the frame."""
    table = flat(decode(b":QZ2DST   :Gr\xfc\xdfe{12"))
    assert table["text"] == "Gr\xfc\xdfe"
    assert not {"text_octets", "text_octets_hex", "info", "info_hex"} & set(table)


def test_a_flat_table_begins_and_ends_the_same() -> None:
    """In a packet from another network too, whose inner field is there as a table only."""
    for info in (b">Hello\r", b"}QZ1SRC>APZ001,TCPIP,QZ3GATE:>Hello\r"):
        table = flat(decode(info))
        assert (next(iter(table)), list(table)[-1]) == ("kind", "departures")
        assert table["departures"]
    assert table["inner"]["text"] == "Hello"
    assert not {"inner_info", "inner_info_hex"} & set(table)

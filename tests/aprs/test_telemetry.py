"""Telemetry reports, definitions, and what the two say together.

Check values: vectors/telemetry.toml (APRS 1.2c ch. 13).
"""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aprs.expectations import told, wanted
from checkvalues import cases, input_octets
from ridgepost.aprs import (
    Definitions,
    EncodeError,
    Telemetry,
    TelemetryDefinition,
    Unreadable,
    decode,
    encode_definitions,
    encode_telemetry,
)
from ridgepost.aprs.comment_telemetry import read_comment_telemetry

Case = dict[str, Any]

# The keys of the check values that have another name in the report.
_ASKED = {
    "applies_to": lambda report: report.addressee,
    "type": lambda report: report.definition,
}


def _telemetry(info: str) -> Telemetry:
    report = decode(info.encode())
    assert isinstance(report, Telemetry)
    return report


def _definition(text: str) -> TelemetryDefinition:
    report = decode(f":QZ1HILL  :{text}".encode())
    assert isinstance(report, TelemetryDefinition)
    return report


@pytest.mark.parametrize("case", cases("telemetry", "decode"))
def test_decode(case: Case) -> None:
    report = decode(input_octets(case), case.get("source_address", ""))
    expect = case["expect"]
    if not expect.get("valid", True):
        # The wording of the reason is free.
        assert isinstance(report, Unreadable)
        return
    assert told(report, expect, _ASKED) == wanted(expect)


# vectors/telemetry.toml, its notes: never shift the channels.
@pytest.mark.parametrize(
    ("info", "analog", "digital", "departures"),
    [
        (
            "T#005,199,000,255,073",
            (199, 0, 255, 73),
            None,
            ("telemetry_channels", "telemetry_bits"),
        ),
        ("T#005,199,000,255,073,123", (199, 0, 255, 73, 123), None, ("telemetry_bits",)),
        ("T#005,199,000,255,073,123,", (199, 0, 255, 73, 123), None, ("telemetry_bits",)),
        (
            "T#005,199,,255,,123,01101001",
            (199, None, 255, None, 123),
            "01101001",
            ("telemetry_channels",),
        ),
        (
            "T#005,199,000,255,073,123,0110100",
            (199, 0, 255, 73, 123),
            "0110100",
            ("telemetry_bits",),
        ),
        ("T#12,1,2,3,4,5,00000000", (1, 2, 3, 4, 5), "00000000", ("telemetry_sequence",)),
        ("T#12345,1,2,3,4,5,00000000", (1, 2, 3, 4, 5), "00000000", ("telemetry_sequence",)),
        ("T#005,1,2,3,4,5,00000000\r\n", (1, 2, 3, 4, 5), "00000000", ("trailing_line_end",)),
        ("T#005,-.5,2.,3,4,5,00000000", (-0.5, 2, 3, 4, 5), "00000000", ()),
    ],
)
def test_departures(
    info: str, analog: tuple[float | None, ...], digital: str | None, departures: tuple[str, ...]
) -> None:
    report = _telemetry(info)
    assert (report.analog, report.digital) == (analog, digital)
    assert report.departures == departures


# Bits and comment have no separator between them (APRS 1.2c ch. 13, the table of the format).
@pytest.mark.parametrize(
    ("tail", "digital", "comment"),
    [
        ("0110100112.5 V", "01101001", "12.5 V"),
        ("01101001,Hill, north", "01101001", ",Hill, north"),
        ("0110Hill", "0110", "Hill"),
        ("01101001grün", "01101001", "grün"),
    ],
)
def test_comment(tail: str, digital: str, comment: str) -> None:
    report = _telemetry(f"T#005,199,000,255,073,123,{tail}")
    assert (report.digital, report.comment) == (digital, comment)


# Where reading stopped, counted by hand.
@pytest.mark.parametrize(
    ("info", "reason", "offset"),
    [
        (b"T", "too_short", 1),
        (b"T#", "too_short", 2),
        (b"T#005", "too_short", 5),
        (b"T#005,", "too_short", 6),
        (b"T#MIC", "too_short", 5),
        (b"T005,199", "format", 1),
        (b"T#,199", "format", 2),
        (b"T#0 5,199", "format", 2),
        (b"T#1234567,199", "format", 2),
        (b"T#005,abc", "format", 6),
        (b"T#005,199,1e9", "format", 10),
        (b"T#005,199,1 2", "format", 10),
        (b"T#005,199,--2", "format", 10),
        (b"T#005,199,.", "format", 10),
        (b"T#005,1,2,3,4,5,01102001", "format", 20),
        (b"T#005,1,2,3,4,5,Hill", "format", 16),
        (b"T#005,1,2,3,4,5,01102 V", "format", 20),
        (b"T#005," + b"9" * 400, "format", 6),
    ],
)
def test_where_reading_stopped(info: bytes, reason: str, offset: int) -> None:
    report = decode(info)
    assert isinstance(report, Unreadable)
    assert (report.reason, report.offset) == (reason, offset)


# --- definitions ---------------------------------------------------------------------------------


# APRS 1.2c ch. 13: thirteen names, fifteen coefficients, eight bits.
@pytest.mark.parametrize(
    ("text", "fields", "departures"),
    [
        ("PARM.", {"analog_names": (), "digital_names": ()}, ()),
        (
            "PARM.A,B,C,D,E,F,G,H,I,J,K,L,M",
            {"analog_names": tuple("ABCDE"), "digital_names": tuple("FGHIJKLM")},
            (),
        ),
        (
            "PARM.A,B,C,D,E,F,G,H,I,J,K,L,M,N",
            {"digital_names": tuple("FGHIJKLM")},
            ("telemetry_definition_form",),
        ),
        ("EQNS.", {"coefficients": ()}, ()),
        ("EQNS.0,5.2", {"coefficients": ((0, 5.2, 0),)}, ()),  # "may stop at any field"
        ("EQNS.0,1,0,,,,0, 2 ,1e-3", {"coefficients": ((0, 1, 0), (0, 1, 0), (0, 2, 0.001))}, ()),
        ("EQNS.0,1,0,x", {"coefficients": None}, ("telemetry_definition_form",)),
        ("EQNS.0,nan,0", {"coefficients": None}, ("telemetry_definition_form",)),
        ("EQNS.0,1e999,0", {"coefficients": None}, ("telemetry_definition_form",)),
        ("EQNS." + ",".join("1" * 15), {"coefficients": ((1, 1, 1),) * 5}, ()),
        (
            "EQNS." + ",".join("1" * 16),
            {"coefficients": ((1, 1, 1),) * 5},
            ("telemetry_definition_form",),
        ),
        ("BITS.", {"bit_sense": None}, ("telemetry_definition_form",)),
        ("BITS.Hill", {"bit_sense": None}, ("telemetry_definition_form",)),
        (
            "BITS.1011,Hill",
            {"bit_sense": "1011", "project": "Hill"},
            ("telemetry_definition_form",),
        ),
        ("BITS.10110000Hill", {"bit_sense": "10110000", "project": "Hill"}, ()),
        ("BITS.10110000,Hill, 2", {"bit_sense": "10110000", "project": "Hill, 2"}, ()),
    ],
)
def test_definition(text: str, fields: dict[str, Any], departures: tuple[str, ...]) -> None:
    report = _definition(text)
    assert {name: getattr(report, name) for name in fields} == fields
    assert report.departures == departures
    assert report.text == text


# Ch. 13: four letters of one of the definitions, and a dot.
@pytest.mark.parametrize(
    "text",
    ["PARM", "PARM,Battery", "PARMS.Battery", "parm.Battery", "Road.Closed", "ROAD.", ".PARM", ""],
)
def test_no_definition(text: str) -> None:
    report = decode(f":QZ1HILL  :{text}".encode())
    assert report.kind == "message"


# --- the two together ----------------------------------------------------------------------------


@pytest.mark.parametrize("case", cases("telemetry", "apply"))
def test_apply(case: Case) -> None:
    definitions = Definitions().updated(_definition(f"EQNS.{case['coefficients']}"))
    measured = definitions.apply(_telemetry(case["input"]))
    values = [channel.value for channel in measured.analog]
    assert values == pytest.approx(case["expect"]["values"])
    assert measured.analog[0].value == pytest.approx(100 * case["expect"]["a1_volt"])


@pytest.mark.parametrize("case", cases("telemetry", "apply_bits"))
def test_apply_bits(case: Case) -> None:
    definitions = Definitions().updated(_definition(f"BITS.{case['bit_sense']}"))
    measured = definitions.apply(_telemetry(f"T#001,0,0,0,0,0,{case['input']}"))
    assert [channel.active for channel in measured.digital] == case["expect"]["active"]
    assert "".join("01"[channel.bit] for channel in measured.digital) == case["input"]


# The four messages of APRS 1.2c ch. 13, Battery to ATV.
_BALLOON = (
    "PARM.Battery,Btemp,ATemp,Pres,Alt,Camra,Chut,Sun,10m,ATV",
    "UNIT.v/100,deg.F,deg.F,Mbar,Kft,Click,OPEN,on,on,hi",
    "EQNS.0,5.2,0,0,.53,-32,3,4.39,49,-32,3,18,1,2,3",
    "BITS.10110000,N0QBF's Big Balloon",
)


def _balloon() -> Definitions:
    definitions = Definitions()
    for text in _BALLOON:
        definitions = definitions.updated(_definition(text))
    return definitions


def test_apply_all() -> None:
    measured = _balloon().apply(_telemetry("T#005,199,000,255,073,123,10101001"))
    assert (measured.sequence, measured.project) == ("005", "N0QBF's Big Balloon")
    battery = measured.analog[0]
    assert (battery.channel, battery.name, battery.unit) == ("A1", "Battery", "v/100")
    assert (battery.raw, battery.value) == (199, pytest.approx(1034.8))
    # "If digital channel B1 is 1, this indicates the camera has clicked. If channel B2 is 0, the
    # parachute has opened."
    camera, parachute, *_, last = measured.digital
    assert (camera.channel, camera.name, camera.label) == ("B1", "Camra", "Click")
    assert (camera.bit, camera.active) == (True, True)
    assert (parachute.name, parachute.label) == ("Chut", "OPEN")
    assert (parachute.bit, parachute.active) == (False, True)
    # The lists stop before B8, and its sense is 0.
    assert (last.channel, last.name, last.label) == ("B8", None, None)
    assert (last.bit, last.active) == (True, False)


def test_apply_to_comment_telemetry() -> None:
    # Values: vectors/telemetry.toml, base-91 five channels and bits; 5.2 v from test_apply.
    telemetry = read_comment_telemetry(b'|ss1122334455!"|')
    assert telemetry is not None
    measured = _balloon().apply(telemetry)
    assert measured.sequence == "7544"
    assert measured.analog[0].value == pytest.approx(5.2 * 1472)
    assert measured.digital[0].active


def test_nothing_defined() -> None:
    # vectors/telemetry.toml, its note: missing channels stay raw.
    measured = Definitions().apply(_telemetry("T#005,199,,255,073,123,01101001"))
    assert [channel.value for channel in measured.analog] == [199, None, 255, 73, 123]
    assert [channel.active for channel in measured.digital] == [
        channel.bit for channel in measured.digital
    ]
    assert measured.project is None


def test_a_sense_for_some_of_the_bits() -> None:
    # Ours to choose, where BITS has fewer than eight: the rest is as if nothing were defined.
    definitions = Definitions().updated(_definition("BITS.0010,Hill"))
    measured = definitions.apply(_telemetry("T#005,1,2,3,4,5,00011010"))
    active = [channel.active for channel in measured.digital]
    assert active == [True, True, False, False, True, False, True, False]


def test_a_newer_definition_replaces_the_old_one() -> None:
    definitions = _balloon().updated(_definition("PARM.Volt,,Temp"))
    measured = definitions.apply(_telemetry("T#005,199,000,255,073,123,01101001"))
    assert [channel.name for channel in measured.analog] == ["Volt", None, "Temp", None, None]
    assert {channel.name for channel in measured.digital} == {None}
    # The other sorts stay, and so does the old one of a sort where the newer cannot be read.
    assert measured.analog[0].unit == "v/100"
    assert definitions.updated(_definition("EQNS.x")) == definitions
    assert definitions.updated(_definition("BITS.x")) == definitions


def test_no_value_is_infinite() -> None:
    # JSON has no infinity (RFC 8259 sec. 6).
    huge = "9" * 15 + "e99"
    definitions = Definitions().updated(_definition(f"EQNS.{huge},{huge},{huge}"))
    measured = definitions.apply(_telemetry(f"T#005,{'9' * 12},0,0,0,0,00000000"))
    assert measured.analog[0].value is not None
    assert measured.analog[0].value < float("inf")


# --- encoding ------------------------------------------------------------------------------------


# The examples of APRS 1.2c ch. 13.
@pytest.mark.parametrize(
    ("arguments", "info"),
    [
        ((5, [199, 0, 255, 73, 123], "01101001"), b"T#005,199,000,255,073,123,01101001"),
        (
            (151, [45.7, 2.3, 190.0, 91.0, -7.3], "00001100"),
            b"T#151,45.7,2.3,190,091,-7.3,00001100",
        ),
        ((0, [-0.0001, 0.0005, -1, 1234, 0], "00000000"), b"T#000,0,0.001,-1,1234,000,00000000"),
        # The largest number, and the largest value with the decimals that we send.
        (
            (999, [999_999, 999_999.999, -999_999.999, 999, 1], "11111111"),
            b"T#999,999999,999999.999,-999999.999,999,001,11111111",
        ),
    ],
)
def test_encode(arguments: tuple[Any, ...], info: bytes) -> None:
    assert encode_telemetry(*arguments) == info


@given(
    sequence=st.integers(0, 999),
    analog=st.lists(
        st.integers(-999_999_999, 999_999_999).map(lambda number: number / 1000)
        | st.integers(0, 999),
        min_size=5,
        max_size=5,
    ),
    digital=st.text("01", min_size=8, max_size=8),
    comment=st.text(st.characters(exclude_categories=["Cc", "Cs", "Zl", "Zp"]), max_size=20),
)
def test_round_trip(sequence: int, analog: list[float], digital: str, comment: str) -> None:
    report = decode(encode_telemetry(sequence, analog, digital, comment))
    assert isinstance(report, Telemetry)
    assert report.conforming
    assert (report.sequence, report.analog) == (f"{sequence:03d}", tuple(analog))
    assert (report.digital, report.comment) == (digital, comment)


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        ((1000, [0] * 5, "00000000"), "value_range"),
        ((-1, [0] * 5, "00000000"), "value_range"),
        ((0, [0] * 4, "00000000"), "channel_count"),
        ((0, [0] * 6, "00000000"), "channel_count"),
        ((0, [0, 0, 0, 0, 1e6], "00000000"), "value_range"),
        ((0, [0, 0, 0, 0, float("nan")], "00000000"), "value_range"),
        ((0, [0, 0, 0, 0, float("-inf")], "00000000"), "value_range"),
        ((0, [0] * 5, "0000000"), "bits"),
        ((0, [0] * 5, "00000000", "a\nb"), "illegal_character"),
        ((0, [0] * 5, "00000000", "A" * 256), "comment_too_long"),
    ],
)
def test_not_sent(arguments: tuple[Any, ...], reason: str) -> None:
    with pytest.raises(EncodeError) as refusal:
        encode_telemetry(*arguments)
    assert refusal.value.reason == reason


def test_encode_the_balloon() -> None:
    # APRS 1.2c ch. 13; .53 is written with a 0 before the point.
    expected = [text.replace(",.53", ",0.53") for text in _BALLOON]
    encoded = encode_definitions("N0QBF-11", _balloon())
    assert encoded == tuple(f":N0QBF-11 :{text}".encode() for text in expected)


# Ch. 13: lists may stop early; thirteen names, five times three coefficients, a title of 23.
@pytest.mark.parametrize(
    ("definitions", "text"),
    [
        ({"analog_names": ("A", "B")}, "PARM.A,B"),
        (
            {"analog_units": tuple("ABCDE"), "digital_labels": tuple("FGHIJKLM")},
            "UNIT.A,B,C,D,E,F,G,H,I,J,K,L,M",
        ),
        ({"coefficients": ((0, 100, -20),) * 5}, "EQNS." + ",".join(["0,100,-20"] * 5)),
        ({"coefficients": ((0.0, 1e-7, 999e12),)}, "EQNS.0,0.0000001,999000000000000"),
        ({"bit_sense": "10110000"}, "BITS.10110000"),
        ({"project": "A" * 23}, "BITS.11111111," + "A" * 23),
    ],
)
def test_encode_definitions(definitions: dict[str, Any], text: str) -> None:
    infos = encode_definitions("QZ1HILL", Definitions(**definitions))
    assert infos == (f":QZ1HILL  :{text}".encode(),)


def test_nothing_to_encode() -> None:
    assert encode_definitions("QZ1HILL", Definitions()) == ()


_NAME = st.text(
    st.characters(exclude_characters=",{", exclude_categories=["Cc", "Cs", "Zl", "Zp"]),
    min_size=1,
    max_size=4,
)
_FIVE = st.lists(_NAME, min_size=5, max_size=5).map(tuple)
_UP_TO_EIGHT = st.lists(_NAME, max_size=8).map(tuple)
# Twelve digits, so that all fifteen need not fit into one message.
_COEFFICIENT = st.integers(-999, 999) | st.integers(-999, 999).map(lambda number: number / 1000)


@given(
    definitions=st.builds(
        Definitions,
        analog_names=_FIVE,
        digital_names=_UP_TO_EIGHT,
        analog_units=_FIVE,
        digital_labels=_UP_TO_EIGHT,
        coefficients=st.lists(st.tuples(*[_COEFFICIENT] * 3), max_size=3).map(tuple),
        bit_sense=st.text("01", min_size=8, max_size=8),
        project=st.text("Hill 1,", max_size=23),
    )
)
def test_definitions_round_trip(definitions: Definitions) -> None:
    again = Definitions()
    for info in encode_definitions("QZ1HILL", definitions):
        report = decode(info)
        assert isinstance(report, TelemetryDefinition)
        assert report.conforming
        assert report.addressee == "QZ1HILL"
        again = again.updated(report)
    assert again == definitions


def test_analog_names_before_digital_ones() -> None:
    infos = encode_definitions("QZ1HILL", Definitions(digital_names=("Door",)))
    assert infos == (b":QZ1HILL  :PARM.,,,,,Door",)


@pytest.mark.parametrize(
    ("definitions", "reason"),
    [
        ({"analog_names": ("A",) * 6}, "channel_count"),
        ({"digital_labels": ("A",) * 9}, "channel_count"),
        ({"coefficients": ((0, 1, 0),) * 6}, "channel_count"),
        ({"analog_units": ("v,A",)}, "illegal_character"),
        ({"analog_units": ("v{",)}, "illegal_character"),
        ({"analog_units": ("v\n",)}, "illegal_character"),
        ({"analog_names": ("A" * 30, "B" * 40)}, "text_too_long"),
        ({"coefficients": ((0, float("inf"), 0),)}, "value_range"),
        ({"coefficients": ((0, float("nan"), 0),)}, "value_range"),
        ({"coefficients": ((1e15, 0, 0),)}, "value_range"),
        ({"bit_sense": "1111"}, "bits"),
        ({"project": "A" * 24}, "text_too_long"),
    ],
)
def test_definitions_not_sent(definitions: dict[str, Any], reason: str) -> None:
    with pytest.raises(EncodeError) as refusal:
        encode_definitions("QZ1HILL", Definitions(**definitions))
    assert refusal.value.reason == reason

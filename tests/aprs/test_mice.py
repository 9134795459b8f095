"""Mic-E, which packs a position into destination address and information field.

Check values: vectors/mice.toml (APRS 1.2c ch. 10; base-91 telemetry proposal sec. 3.11.1).
"""

import math
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from aprs.expectations import DEGREE_TOLERANCE, told, wanted
from checkvalues import cases, input_octets, octets
from ridgepost.aprs import EncodeError, MicE, Place, Unreadable, decode, encode_mice, flat
from ridgepost.aprs.coordinates import box, degrees
from ridgepost.aprs.mice_destination import read_destination
from ridgepost.aprs.parts import PowerHeightGain

Case = dict[str, Any]

# A worked example of ch. 10, its longitude offset added: 112 deg 7.74 min west, 20 knots, 251 deg.
_DESTINATION = "S32UVT"
_INFO = b'`(_fn"Oj/'

# The check values have tenths of feet.
_FEET_TOLERANCE = 0.05


def _read(info: bytes, destination: str = _DESTINATION) -> MicE:
    report = decode(info, destination=destination)
    assert isinstance(report, MicE)
    return report


def _uncorrected(field: str, added: str) -> Any:
    # "latitude_deg/longitude_deg are without the added digits", which a place has added. They lead
    # away from 0.
    def ask(report: MicE) -> float:
        value: float = getattr(report.place, field)
        precision = report.place.precision
        return value - math.copysign(getattr(precision, added, 0.0) / 60, value)

    return ask


_ASKED = {
    "latitude_deg": _uncorrected("latitude_deg", "latitude_added_min"),
    "longitude_deg": _uncorrected("longitude_deg", "longitude_added_min"),
    "telemetry_1_0_1_channel_1": lambda report: report.telemetry_1_0_1[0],
    "telemetry_1_0_1_channel_3": lambda report: report.telemetry_1_0_1[2],
    "telemetry_1_2": lambda report: report.place.telemetry is not None,
}


@pytest.mark.parametrize("case", cases("mice", "decode"))
def test_decode(case: Case) -> None:
    report = decode(input_octets(case), destination=case["destination"])
    expect = wanted(case["expect"])
    if "altitude_ft" in expect:
        expect["altitude_ft"] = pytest.approx(case["expect"]["altitude_ft"], abs=_FEET_TOLERANCE)
    assert told(report, expect, _ASKED) == expect
    assert report.info == input_octets(case)
    assert report.conforming


@pytest.mark.parametrize("case", cases("mice", "destination"))
def test_destination(case: Case) -> None:
    destination = read_destination(case["input"])
    latitude = destination.latitude
    said = {
        "latitude_deg": degrees(latitude, latitude.blanks),
        "latitude_mid_deg": box(latitude, latitude.blanks).mid_deg,
        "latitude_north": not latitude.negative,
        "ambiguity_digits": latitude.blanks,
        "longitude_offset_deg": destination.longitude_offset_deg,
        "longitude_west": destination.longitude_west,
        "position_comment_code": destination.position_comment.code,
        "position_comment": destination.position_comment.word,
        "position_comment_type": destination.position_comment.type,
        "comment_bits_abc": destination.position_comment.bits_abc,
    }
    assert {key: said[key] for key in case["expect"]} == wanted(case["expect"])


# A blank between digits is what this one breaks, as its note says.
_OTHER_REASON = {"destination that is an ordinary address": "ambiguity_not_trailing"}


@pytest.mark.parametrize("case", cases("mice", "refuse"))
def test_refuse(case: Case) -> None:
    report = decode(input_octets(case), destination=case["destination"])
    assert isinstance(report, Unreadable)
    assert report.reason == _OTHER_REASON.get(case["name"], case["expect"]["reason"])


@pytest.mark.parametrize("case", cases("mice", "encode"))
def test_encode(case: Case) -> None:
    given = dict(piece.split("=", 1) for piece in case["input"].split(" "))
    place = Place(
        latitude_deg=float(given["latitude_deg"]),
        longitude_deg=float(given["longitude_deg"]),
        speed_knots=float(given["speed_knots"]),
        course_deg=float(given["course_deg"]),
        symbol_table=given["symbol"][0],
        symbol_code=given["symbol"][1],
    )
    destination, info = encode_mice(
        place, position_comment=given["position_comment"], gnss_current=given["current"] == "true"
    )
    assert destination == case["expect"]["destination"]
    assert info in [octets(each) for each in case["expect"]["information_any_of_hex"]]


def test_ssid_of_destination_is_a_path() -> None:
    # APRS 1.2c ch. 10, Destination Address SSID Field.
    with_path = _read(_INFO, _DESTINATION + "-2")
    assert with_path.place == _read(_INFO).place


# Whether someone is in distress: APRS 1.2c ch. 10, Position Comment Types.
@pytest.mark.parametrize(
    ("destination", "emergency"),
    [("332UVT", True), ("33LLLZ", True), ("S32UVT", False), ("33RUVT", False), ("SD2UVT", False)],
)
def test_emergency(destination: str, emergency: bool) -> None:
    assert _read(_INFO, destination).emergency is emergency


# The type of sender: the table of APRS 1.2c ch. 10 (Mic-E Status Text), with its suffixes.
@pytest.mark.parametrize(
    ("text", "prefix", "suffix", "left"),
    [
        (">Hello", ">", "", "Hello"),
        (">Hello=", ">", "=", "Hello"),
        (">Hello^", ">", "^", "Hello"),
        (">Hello&", ">", "&", "Hello"),
        ("]Hello", "]", "", "Hello"),
        ("]Hello=", "]", "=", "Hello"),
        ("`Hello_(", "`", "_(", "Hello"),
        ("`Hello_0", "`", "_0", "Hello"),
        ("`_3", "`", "_3", ""),
        ("'Hello|3", "'", "|3", "Hello"),
        ("'Hello|4", "'", "|4", "Hello"),
        ("Hello=", "", "", "Hello="),
        ("`Hello", "`", "", "Hello"),
        # ch. 18, Mic-E of a voice node and of another with a type of two octets.
        ("]438.700MHz T088 R25m node=", "]", "=", "438.700MHz T088 R25m node"),
        ('`438.700MHz T088 +060 node _"', "`", '_"', "438.700MHz T088 +060 node "),
    ],
)
def test_type(text: str, prefix: str, suffix: str, left: str) -> None:
    report = _read(_INFO + text.encode())
    assert (report.type_prefix, report.type_suffix, report.text) == (prefix, suffix, left)
    assert report.status_text == report.place.comment == text


def test_frequency_after_type_and_altitude() -> None:
    # APRS 1.2c ch. 18 (Mic-E of a voice node) and ch. 10 (altitude first after the type).
    report = _read(_INFO + b']"4T}438.700MHz T088 R25m node=')
    frequency = report.place.frequency
    assert report.altitude_m == 61
    assert frequency is not None
    assert (frequency.frequency_mhz, frequency.tone_hz) == (438.7, 88.5)
    assert frequency.voice_range_miles == 25


def test_all_that_can_precede_the_text() -> None:
    # APRS 1.2c ch. 10: type, altitude "4T} (61 m), locator; 1.2 adds the rest of the type.
    report = _read(_INFO + b'`"4T}IO91SX/G Hello_0')
    assert (report.altitude_m, report.grid, report.text) == (61, "IO91SX", "Hello")


def test_altitude_in_feet_in_the_text() -> None:
    # APRS 1.2c ch. 10: "any normal Position comment field too"; ch. 6, Altitude in Comment Text.
    report = _read(_INFO + b">Hello /A=001234")
    assert report.place.altitude_ft == 1234
    assert report.altitude_m is None


def test_position_in_text_overrides() -> None:
    # APRS 1.2c ch. 10: "override any position data the Mic-E has encoded". Position of ch. 8.
    report = _read(_INFO + b">!4903.50N/07201.75W-Test")
    assert report.position_in_text
    assert report.place.latitude_deg == pytest.approx(49.0583333, abs=DEGREE_TOLERANCE)
    assert report.place.longitude_deg == pytest.approx(-72.0291667, abs=DEGREE_TOLERANCE)
    assert (report.place.symbol_code, report.text) == ("-", "Test")
    assert report.position_comment == "Returning"


@pytest.mark.parametrize("text", ["!", "!Attention please, all stations", "=12", "!4903.50N/x"])
def test_text_that_is_no_position(text: str) -> None:
    # "A suitable position" (ch. 10): all else is text.
    report = _read(_INFO + text.encode())
    assert not report.position_in_text
    assert report.text == text
    assert report.place.longitude_deg == pytest.approx(-112.129, abs=DEGREE_TOLERANCE)


# Octets of SP, DC and SE: APRS 1.2c ch. 10, 361 degrees and more are no course.
@pytest.mark.parametrize("motion", [b"l\x1f\x59", b"\x1b\x20\x1c", b"l\x80\x1c", b"l\x24\xff"])
def test_motion_out_of_range_leaves_the_position(motion: bytes) -> None:
    report = _read(b"`(_f" + motion + b"j/")
    assert "mice_motion" in report.departures
    assert (report.place.course_deg, report.place.speed_knots) == (None, None)
    assert report.place.longitude_deg == pytest.approx(-112.129, abs=DEGREE_TOLERANCE)


def test_line_end_is_no_text() -> None:
    # APRS 1.2c ch. 5, Comment Field.
    report = _read(_INFO + b">Hello=\r\n")
    assert (report.text, report.type_suffix) == ("Hello", "=")
    assert report.departures == ("trailing_line_end",)


def test_symbol_table_that_is_none() -> None:
    # APRS 1.2c ch. 21; as when an octet that cannot be printed was lost on the way.
    report = decode(b'`(_fn"O/>Text', destination=_DESTINATION)
    assert isinstance(report, Unreadable)
    assert (report.reason, report.offset) == ("symbol_table", 8)


def test_flat_table_is_complete() -> None:
    # Example of ch. 10 (251 degrees, 20 knots, a jeep; M3 is Returning).
    table = flat(_read(_INFO))
    assert table["kind"] == "mice"
    assert (table["position_comment"], table["symbol"]) == ("Returning", "jeep")
    assert (table["course_deg"], table["speed_knots"]) == (251, 20)


_HUNDREDTHS_PER_DEG = 6000


@st.composite
def _places(draw: st.DrawFn) -> Place:
    latitude = draw(st.integers(-90 * _HUNDREDTHS_PER_DEG, 90 * _HUNDREDTHS_PER_DEG))
    # Mic-E ends at 179 degrees 59.99 minutes (ch. 10, Longitude Degrees Encoding).
    longitude = draw(st.integers(1 - 180 * _HUNDREDTHS_PER_DEG, 180 * _HUNDREDTHS_PER_DEG - 1))
    return Place(
        latitude_deg=latitude / _HUNDREDTHS_PER_DEG,
        longitude_deg=longitude / _HUNDREDTHS_PER_DEG,
        symbol_table=draw(st.sampled_from("/\\0189AIZ")),
        symbol_code=draw(st.sampled_from(">-jk#s")),
        course_deg=draw(st.none() | st.integers(1, 360)),
        speed_knots=draw(st.integers(0, 799)),
        altitude_ft=draw(st.none() | st.integers(-10_000, 743_570).map(lambda m: m / 0.3048)),
        comment=draw(st.sampled_from(["", "Going home", "Grüße", "Net at 20:00 } ok"])),
    )


_CODES = [*(f"M{number}" for number in range(7)), *(f"C{number}" for number in range(7))]


@given(
    place=_places(),
    code=st.sampled_from([*_CODES, "EMERGENCY"]),
    current=st.booleans(),
    types=st.sampled_from([("", ""), ("`", "_0"), ("'", "|3"), (">", "="), ("]", "")]),
)
def test_round_trip(place: Place, code: str, current: bool, types: tuple[str, str]) -> None:
    destination, info = encode_mice(
        place,
        position_comment=code,
        gnss_current=current,
        type_prefix=types[0],
        type_suffix=types[1],
    )
    report = _read(info, destination)
    assert report.gnss_current is current
    assert report.position_comment_code == code
    assert (report.type_prefix, report.type_suffix) == types
    assert report.text == place.comment
    assert report.conforming
    got = report.place
    assert got.latitude_deg == pytest.approx(place.latitude_deg, abs=1e-9)
    assert got.longitude_deg == pytest.approx(place.longitude_deg, abs=1e-9)
    assert (got.symbol_table, got.symbol_code) == (place.symbol_table, place.symbol_code)
    assert (got.course_deg, got.speed_knots) == (place.course_deg, place.speed_knots)
    if place.altitude_ft is None:
        assert got.altitude_ft is None
    else:
        assert got.altitude_ft == pytest.approx(place.altitude_ft, abs=1e-6)


@given(st.floats(-90, 90), st.floats(-180, 180))
def test_round_trip_with_precision(latitude_deg: float, longitude_deg: float) -> None:
    # !DAO! in base 91 has steps of 1.1 / 10,000 of a minute, and its last is 90: what is left up to
    # a hundredth is 1 / 10,000 (ch. 5).
    digit = 1.01e-4 / 60
    place = Place(
        latitude_deg=latitude_deg, longitude_deg=longitude_deg, symbol_table="/", symbol_code=">"
    )
    destination, info = encode_mice(place, precise=True)
    got = _read(info, destination).place
    assert got.latitude_deg == pytest.approx(latitude_deg, abs=digit)
    # 180 degrees cannot be said (ch. 10): a hundredth of a minute is lost there.
    tolerance = digit if abs(longitude_deg) < 179.9999 else 0.0101 / 60
    assert got.longitude_deg == pytest.approx(longitude_deg, abs=tolerance)


@pytest.mark.parametrize("blanks", range(5))
def test_round_trip_with_ambiguity(blanks: int) -> None:
    # APRS 1.2c ch. 10, Mic-E Position Ambiguity: the same for latitude and longitude.
    place = Place(
        latitude_deg=33.4273333,
        longitude_deg=-5.129,
        ambiguity_digits=blanks,
        symbol_table="/",
        symbol_code=">",
    )
    destination, info = encode_mice(place)
    got = _read(info, destination).place
    assert got.ambiguity_digits == blanks
    if blanks:
        assert got.ambiguity is not None
        assert got.ambiguity.latitude_min_deg <= 33.4273333 <= got.ambiguity.latitude_max_deg + 2e-4
        assert got.ambiguity.longitude_min_deg - 2e-4 <= -5.129 <= got.ambiguity.longitude_max_deg
    # What is hidden must not be on the air at all: not a digit more than is left.
    hidden = read_destination(destination).latitude.blanks
    assert hidden == blanks
    assert info[3] - 28 in ({74} if blanks == 0 else {70} if blanks == 1 else {0})


def test_round_trip_with_extension() -> None:
    # PHG5132 of APRS 1.2c ch. 7: 25 W, 20 ft, 3 dBi, east.
    phg = PowerHeightGain(power_w=25, antenna_height_ft=20, antenna_gain_dbi=3, directivity_deg=90)
    place = Place(
        latitude_deg=33.5,
        longitude_deg=-112.0,
        symbol_table="/",
        symbol_code="-",
        altitude_ft=200,
        extension=phg,
        comment="Hello",
    )
    destination, info = encode_mice(place)
    assert info.endswith(b'"4T}PHG5132Hello')
    report = _read(info, destination)
    assert (report.place.extension, report.text) == (phg, "Hello")


_PLACE = Place(latitude_deg=1.0, longitude_deg=2.0, symbol_table="/", symbol_code=">")


# The text must not be taken for telemetry (ch. 10: it must not start with its flags), for the type
# of a sender or for an altitude.
@pytest.mark.parametrize("comment", ["`72FE", "'7200007100", "`Hello", ">Hello", "]Hello", "abc}d"])
def test_text_that_would_be_misread_is_not_sent(comment: str) -> None:
    with pytest.raises(EncodeError) as refused:
        encode_mice(_changed(comment=comment))
    assert refused.value.reason == "misread"


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"speed_knots": 800}, "value_range"),
        ({"speed_knots": -1}, "value_range"),
        ({"speed_knots": math.nan}, "value_range"),
        ({"course_deg": 361}, "value_range"),
        ({"altitude_ft": 2_439_540}, "altitude"),
        ({"altitude_ft": -32_812}, "altitude"),
        ({"altitude_ft": math.inf}, "altitude"),
        ({"latitude_deg": 90.1}, "latitude_range"),
        ({"longitude_deg": -180.1}, "longitude_range"),
        ({"ambiguity_digits": 5}, "ambiguity"),
        ({"symbol_table": "!"}, "symbol_table"),
        ({"symbol_code": "ä"}, "symbol_code"),
        ({"comment": "x" * 44}, "comment_too_long"),
        ({"comment": "two\nlines"}, "illegal_character"),
    ],
)
def test_what_is_not_sent(changes: dict[str, Any], reason: str) -> None:
    # Ranges: APRS 1.2c ch. 10 (speed 0-799, course 0-360, three base-91 digits of metres).
    with pytest.raises(EncodeError) as refused:
        encode_mice(_changed(**changes))
    assert refused.value.reason == reason


def test_unknown_position_comment_is_not_sent() -> None:
    # APRS 1.2c ch. 10, Position Comment Types: M0 to M6.
    for code in ("M7", "UNKNOWN", ""):
        with pytest.raises(EncodeError) as refused:
            encode_mice(_PLACE, position_comment=code)
        assert refused.value.reason == "position_comment"


def _changed(**changes: Any) -> Place:
    fields = {name: getattr(_PLACE, name) for name in _PLACE.__struct_fields__}
    return Place(**{**fields, **changes})


@given(
    info=st.binary(max_size=40),
    identifier=st.sampled_from([b"`", b"'", b"\x1c", b"\x1d"]),
    destination=st.text("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ- \u0130\u00b2", max_size=9),
)
@example(info=b'(_fn"Oj/', identifier=b"`", destination="S32UVT")
@example(info=b'(_fn"Oj/!4903.50N/', identifier=b"`", destination="S32UVT")
def test_any_octets_are_read(info: bytes, identifier: bytes, destination: str) -> None:
    report = decode(identifier + info, destination=destination)
    assert isinstance(report, MicE | Unreadable)
    assert flat(report)["kind"] == report.kind


@given(st.binary(max_size=60))
def test_any_text_is_read(text: bytes) -> None:
    report = _read(_INFO + text)
    left = report.text.encode("utf-8" if report.place.text_encoding == "utf-8" else "latin-1")
    assert left in text or report.position_in_text


# Ch. 10, Mic-E Telemetry Data of 1.0.1: five channels, each one octet, after 0x1D.
def test_binary_telemetry_has_five_octets() -> None:
    flag, values = b"\x1d", bytes([7, 128, 255, 0, 64])
    assert _read(_INFO + flag + values).telemetry_1_0_1 == tuple(values)
    more = _read(_INFO + flag + values + b"On the ridge")
    assert (more.telemetry_1_0_1, more.text) == (tuple(values), "On the ridge")
    assert _read(_INFO + flag + values[:4]).telemetry_1_0_1 is None


# The same: two octets are channels 1 and 3. That the others are 0 then is ours to choose.
def test_telemetry_of_two_channels() -> None:
    assert _read(_INFO + b"`72FE").telemetry_1_0_1 == (0x72, 0, 0xFE, 0, 0)


# Ch. 10, Destination Address Field: six characters.
@pytest.mark.parametrize("destination", ["S32UV", "S32UVT1", "S3!UVT", "S32AVT"])
def test_no_latitude(destination: str) -> None:
    report = decode(_INFO, destination=destination)
    assert isinstance(report, Unreadable)
    assert (report.reason, report.offset) == ("destination", 0)

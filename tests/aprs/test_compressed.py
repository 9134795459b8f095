"""Compressed positions. Check values: vectors/position.toml (APRS 1.2c ch. 9 and 21)."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aprs.expectations import told, wanted
from checkvalues import cases, input_octets
from ridgepost.aprs import (
    Bearing,
    Compression,
    EncodeError,
    Place,
    Position,
    PowerHeightGain,
    RadioRange,
    Unreadable,
    decode,
    encode_place,
)
from ridgepost.aprs.compressed import is_compressed, read_type, type_value

Case = dict[str, Any]

# vectors/README.md: speed and range 0.05, compressed altitude 1 ft.
_TOLERANCES = {"speed_knots": 0.05, "range_miles": 0.05, "altitude_ft": 1.0}


def _is_compressed_position(case: Case) -> bool:
    octets = input_octets(case)
    start = 8 if octets[:1] in {b"/", b"@"} else 1
    return octets[:1] in {b"!", b"=", b"/", b"@"} and is_compressed(octets, start)


@pytest.mark.parametrize("case", cases("position", "decode", where=_is_compressed_position))
def test_decode(case: Case) -> None:
    expect = case["expect"]
    report = decode(input_octets(case))
    want = wanted(expect) | {
        key: pytest.approx(expect[key], abs=tolerance)
        for key, tolerance in _TOLERANCES.items()
        if key in expect
    }
    assert told(report, expect) == want
    assert report.info == input_octets(case)
    if isinstance(report, Position):
        # "Absent course_deg/speed_knots/... = not present or unknown."
        may_be_absent = (*_TOLERANCES, "course_deg", "overlay", "compression_fix", "day", "power_w")
        absent = {key: None for key in may_be_absent if key not in expect}
        assert told(report, absent) == absent


def _place(text: str) -> Place:
    report = decode(f"!{text}".encode())
    assert isinstance(report, Position)
    return report.place


# Ch. 9: with a blank for c the two octets after it mean nothing, so they may be anything.
@pytest.mark.parametrize("motion", [" sT", "   ", " ~~", " \x7f\x00", " 7S"])
def test_no_motion(motion: str) -> None:
    report = decode(f"!/5L!!<*e7>{motion}Hi".encode())
    assert isinstance(report, Position)
    assert report.departures == ()
    assert (report.place.compression, report.place.course_deg) == (None, None)
    assert report.place.comment == "Hi"


# Characters are ! to { (ch. 9): what is beyond says nothing, but the place is sound.
@pytest.mark.parametrize("motion", ["~P[", "7~[", "7P~", "|P[", "7 ["])
def test_motion_out_of_base_91(motion: str) -> None:
    report = decode(f"!/5L!!<*e7>{motion}Hi".encode())
    assert isinstance(report, Position)
    assert report.departures == ("compressed_motion",)
    assert report.place.latitude_deg == 49.5
    assert (report.place.course_deg, report.place.compression) == (None, None)
    assert report.place.comment == "Hi"


# Ch. 9 has 40 characters for the comment.
def test_comment_too_long() -> None:
    assert decode(b"!/5L!!<*e7>7P[" + b"A" * 40).conforming
    assert decode(b"!/5L!!<*e7>7P[" + b"A" * 41).departures == ("comment_too_long",)


# Ch. 8: bearing, number, range and quality after the data extension, which csT takes the place of.
@pytest.mark.parametrize(("motion", "fixed"), [("7P[", False), ("!![", True), (" sT", None)])
def test_bearing(motion: str, fixed: bool | None) -> None:
    place = _place(f"/5L!!<*e7\\{motion}/270/729Hi")
    assert isinstance(place.extension, Bearing)
    assert place.extension.bearing_deg == 270
    assert place.extension.df_station_fixed is fixed
    assert place.comment == "Hi"


# An altitude in the comment is exact to a foot, that of csT to 0.2 % (ch. 9).
def test_altitude_in_both_places() -> None:
    assert _place("/5L!!<*e7OS]S/A=010000").altitude_ft == 10_000


@pytest.mark.parametrize(
    ("info", "reason", "offset"),
    [
        (b"!/5L!!<*e7>7", "too_short", 12),
        (b"!/", "too_short", 2),
        (b"!/5L!\x80<*e7>7P[", "base91_range", 2),
        (b"!/5L!!<*e|>7P[", "base91_range", 6),
        (b"!/{{{{<*e7>7P[", "latitude_range", 2),
        (b"!/5L!!{{{{>7P[", "longitude_range", 6),
        (b"@092345x/5L!!<*e7>7P[", "indicator", 7),  # anything can look like a compressed place
    ],
)
def test_where_reading_stopped(info: bytes, reason: str, offset: int) -> None:
    report = decode(info)
    assert isinstance(report, Unreadable)
    assert (report.reason, report.offset) == (reason, offset)


# --- encoding ------------------------------------------------------------------------------------


def _values(case: Case) -> dict[str, str]:
    return dict(pair.split("=") for pair in case["input"].split())


def _compression(values: dict[str, str]) -> Compression:
    return Compression(
        compression_fix="current" if values["fix"] == "current" else "old",
        compression_source=values["source"],  # type: ignore[arg-type] # from the check value
        compression_origin_code=int(values["origin"]),
    )


def _sent(**fields: Any) -> str:
    place = {"latitude_deg": 49.5, "longitude_deg": -72.75, "symbol_table": "/", "symbol_code": ">"}
    return encode_place(Place(compressed=True, **(place | fields))).decode()[1:]


@pytest.mark.parametrize("case", cases("position", "encode_compressed"))
def test_encode(case: Case) -> None:
    values = _values(case)
    numbers = ("latitude_deg", "longitude_deg", "course_deg", "speed_knots")
    assert (
        _sent(
            symbol_table=values["symbol"][0],
            symbol_code=values["symbol"][1],
            compression=_compression(values),
            **{key: float(values[key]) for key in numbers},
        )
        == case["expect"]["field"]
    )


@pytest.mark.parametrize("case", cases("position", "encode_type_byte"))
def test_type_octet(case: Case) -> None:
    compression = _compression(_values(case))
    value = type_value(compression)
    assert value == case["expect"]["value"]
    assert chr(value + 33) == case["expect"]["type_byte"]
    assert read_type(value) == compression


# The printed examples of ch. 9 the other way round, and of ch. 21 with an overlay.
@pytest.mark.parametrize(
    ("fields", "text"),
    [
        ({"comment": "Comment"}, "/5L!!<*e7> sTComment"),
        (
            {
                "extension": RadioRange(range_miles=20),
                "compression": Compression(
                    compression_fix="old", compression_source="other", compression_origin_code=0
                ),
            },
            "/5L!!<*e7>{?!",
        ),
        (
            {
                "symbol_code": "O",
                "altitude_ft": 10004.0,
                "compression": Compression(
                    compression_fix="current", compression_source="GGA", compression_origin_code=2
                ),
            },
            "/5L!!<*e7OS]S",
        ),
        ({"symbol_table": "3"}, "d5L!!<*e7> sT"),
        ({"symbol_table": "d"}, "d5L!!<*e7> sT"),
        ({"symbol_table": "B"}, "B5L!!<*e7> sT"),
        ({"altitude_ft": 1234.0, "comment": "Hi"}, "/5L!!<*e7> sT/A=001234Hi"),
        # c = 90 would be a range, and 90 times 4 is north again. T is 1 00 010, for a current fix
        # of another source, compressed by a program.
        ({"course_deg": 359.0, "speed_knots": 0.0}, "/5L!!<*e7>!!C"),
        ({"speed_knots": 0.0}, "/5L!!<*e7>!!C"),
    ],
)
def test_written(fields: dict[str, Any], text: str) -> None:
    assert _sent(**fields) == text


_GGA = Compression(compression_fix="current", compression_source="GGA", compression_origin_code=2)
_PHG = PowerHeightGain(power_w=25, antenna_height_ft=20, antenna_gain_dbi=3, directivity_omni=True)


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"latitude_deg": 90.01}, "latitude_range"),
        ({"longitude_deg": float("nan")}, "longitude_range"),
        ({"symbol_table": "k"}, "symbol_table"),
        ({"symbol_table": "12"}, "symbol_table"),
        ({"symbol_code": " "}, "symbol_code"),
        ({"ambiguity_digits": 2}, "precision"),
        ({"extension": _PHG}, "extension"),  # "this format does not support PHG"
        ({"course_deg": 88.0}, "extension"),
        ({"speed_knots": 36.0}, "extension"),
        ({"course_deg": 88.0, "speed_knots": 3.0, "compression": _GGA}, "extension"),
        (
            {"course_deg": 88.0, "speed_knots": 3.0, "extension": RadioRange(range_miles=5)},
            "extension",
        ),
        ({"course_deg": 88.0, "speed_knots": 1100.0}, "value_range"),
        ({"course_deg": 88.0, "speed_knots": -2.0}, "value_range"),
        ({"course_deg": 400.0, "speed_knots": 2.0}, "value_range"),
        ({"extension": RadioRange(range_miles=0.0)}, "value_range"),
        ({"altitude_ft": 0.0, "compression": _GGA}, "value_range"),
        ({"altitude_ft": float("inf"), "compression": _GGA}, "value_range"),
        ({"comment": "A" * 41}, "comment_too_long"),
    ],
)
def test_not_sent(fields: dict[str, Any], reason: str) -> None:
    with pytest.raises(EncodeError) as refusal:
        _sent(**fields)
    assert refusal.value.reason == reason


# Every value that four base-91 digits and a csT can have comes back as it was.
@given(
    latitude=st.integers(0, 380926 * 180),
    longitude=st.integers(0, 190463 * 360),
    table=st.sampled_from("/\\abcdefghijABCXYZ"),
    code=st.characters(min_codepoint=0x21, max_codepoint=0x7E),
    motion=st.just(" sT")
    | st.text(st.characters(min_codepoint=0x21, max_codepoint=0x7B), min_size=3, max_size=3),
    comment=st.text(st.characters(exclude_categories=["Cc", "Cs", "Zl", "Zp"]), max_size=40),
    timed=st.booleans(),
)
def test_round_trip(
    *,
    latitude: int,
    longitude: int,
    table: str,
    code: str,
    motion: str,
    comment: str,
    timed: bool,
) -> None:
    digits = "".join(
        chr(33 + value // 91**power % 91)
        for value in (latitude, longitude)
        for power in (3, 2, 1, 0)
    )
    # Bit 6 of the type octet has no meaning, so it is not kept.
    motion = motion[:2] + chr(33 + (ord(motion[2]) - 33) % 64) if motion != " sT" else motion
    time = "092345z" if timed else ""
    info = f"{'@' if timed else '='}{time}{table}{digits}{code}{motion}{comment}".encode()
    report = decode(info)
    if not isinstance(report, Position):
        return  # wind and weather fields, by chance
    again = encode_place(report.place, time=report.time, messaging=report.messaging)
    assert again == info
    assert decode(again) == report

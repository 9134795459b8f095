"""Objects. Check values: vectors/position.toml and weather.toml (APRS 1.2c ch. 11, 12 and 18)."""

import math
from collections.abc import Callable, Mapping
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aprs.expectations import told, wanted
from checkvalues import cases, input_octets
from ridgepost.aprs import (
    EncodeError,
    Object,
    Place,
    Timestamp,
    Unreadable,
    Weather,
    decode,
    encode_object,
)

Case = dict[str, Any]


def _is_object(case: Case) -> bool:
    return str(case.get("input", "")).startswith(";")


@pytest.mark.parametrize(
    "case",
    cases("position", "decode", where=_is_object) + cases("weather", "decode", where=_is_object),
)
def test_decode(case: Case) -> None:
    report = decode(input_octets(case))
    expect = wanted(case["expect"])
    if "speed_knots" in expect:
        # vectors/README.md: speed and range 0.05.
        expect["speed_knots"] = pytest.approx(case["expect"]["speed_knots"], abs=0.05)
    asked: Mapping[str, Callable[[Any], Any]] = _WITHOUT_DAO if "datum" in expect else {}
    assert told(report, expect, asked) == expect
    assert report.info == input_octets(case)


def _without_dao(angle_deg: float, added_min: float) -> float:
    return angle_deg - math.copysign(added_min / 60, angle_deg)


# The check value has those of the plain field: "add the two values for full precision".
_WITHOUT_DAO = {
    "latitude_deg": lambda report: _without_dao(
        report.place.latitude_deg, report.place.precision.latitude_added_min
    ),
    "longitude_deg": lambda report: _without_dao(
        report.place.longitude_deg, report.place.precision.longitude_added_min
    ),
}


def _read(info: bytes) -> Object:
    report = decode(info)
    assert isinstance(report, Object)
    return report


# APRS 1.2c ch. 11: any printable ASCII, blanks inside included; only those at the end are filler.
@pytest.mark.parametrize(
    ("field", "name"),
    [
        (b"A B  C   ", "A B  C"),
        (b"*_*_*_*_*", "*_*_*_*_*"),
        (b";:!){},~ ", ";:!){},~"),
        (b"  Lead   ", "  Lead"),
        (b"Leader   ", "Leader"),
    ],
)
def test_name(field: bytes, name: str) -> None:
    report = _read(b";" + field + b"*092345z4903.50N/07201.75W>")
    assert report.name == name
    assert report.conforming


@pytest.mark.parametrize(
    ("field", "name"),
    [(b"Br\xc3\xbccke  ", "Brücke"), (b"Br\xfccke   ", "Brücke"), (b"A\x00B      ", "A\x00B")],
)
def test_name_that_is_not_ascii(field: bytes, name: str) -> None:
    report = _read(b";" + field + b"*092345z4903.50N/07201.75W>")
    assert (report.name, report.departures) == (name, ("name_characters",))


def test_a_permanent_object_that_is_killed() -> None:
    # APRS 1.2c ch. 18 for the time; ch. 11 for the mark.
    report = _read(b";146.52-1 _111111z4903.50N/07201.75Wr")
    assert (report.permanent, report.live) == (True, False)
    assert not _read(b";146.52-1 *111111h4903.50N/07201.75Wr").permanent


# APRS 1.2c ch. 11: "Signpost Objects/Items (with the symbol \m)", one to three characters.
@pytest.mark.parametrize(
    ("after_place", "sign"),
    [
        (b"{55}", "55"),
        (b"Speed {5 k} here", "5 k"),
        (b"{}", None),
        (b"{1234}", None),
        (b"{12", None),
    ],
)
def test_signpost(after_place: bytes, sign: str | None) -> None:
    report = _read(b";I91 3N   *092345z4903.50N\\07201.75Wm" + after_place)
    assert report.signpost == sign


def test_braces_of_another_symbol_are_no_signpost() -> None:
    assert _read(b";I91 3N   *092345z4903.50N/07201.75Wm{55}").signpost is None


# APRS 1.2c ch. 6: no day 32, no time with x. The place is sound all the same.
@pytest.mark.parametrize("time", [b"322345z", b"092345x", b"       "])
def test_a_time_that_cannot_be_right(time: bytes) -> None:
    report = _read(b";LEADER   *" + time + b"4903.50N/07201.75W>")
    assert report.time is None
    assert report.departures == ("timestamp_unusable",)


@pytest.mark.parametrize(
    ("info", "reason", "offset"),
    [
        (b";", "too_short", 1),
        (b";LEADER", "too_short", 7),
        (b";LEADER   ", "too_short", 10),
        (b";LEADER   *", "too_short", 11),
        (b";LEADER   *092345z", "too_short", 18),
        (b";LEADER   *092345z4903.50N/07201.75W", "too_short", 36),
        (b";LEADER   *4903.50N/07201.75W>", "object_without_timestamp", 11),
        (b";LEADER   *322345z/5L!!<*e7>7P[", "day_range", 11),
        (b";LEADER   *092345z4963.50N/07201.75W>", "minutes_range", 20),
        (b";LEADER  *092345z4903.50N/07201.75W>", "object_live_flag", 10),
        (b";         *092345z4903.50N/07201.75W>", "blank_name", 1),
    ],
)
def test_broken(info: bytes, reason: str, offset: int) -> None:
    # APRS 1.2c ch. 11, Object Report Format.
    report = decode(info)
    assert isinstance(report, Unreadable)
    assert (report.reason, report.offset) == (reason, offset)


def test_weather_of_an_object_that_is_killed() -> None:
    # APRS 1.2c ch. 12 and 11.
    report = decode(b";BRENDA   _092345z4903.50N/07201.75W_220/004g005t077")
    assert isinstance(report, Weather)
    assert (report.name, report.live) == ("BRENDA", False)


PLACE = Place(latitude_deg=49.0583333, longitude_deg=-72.0291667, symbol_table="/", symbol_code=">")


def _write_again(report: Object) -> bytes:
    time = None if report.permanent else report.time
    return encode_object(report.name, report.place, time=time, live=report.live)


@pytest.mark.parametrize(
    "case",
    cases("position", "decode", where=lambda case: case["expect"].get("kind") == "object")
    + cases("weather", "decode", where=lambda case: case["expect"].get("kind") == "object"),
)
def test_what_was_read_is_written_again(case: Case) -> None:
    info = input_octets(case)
    assert _write_again(_read(info)) == info


@pytest.mark.parametrize(
    "case", cases("position", "encode_position", where=lambda case: "head" in case["expect"])
)
def test_encode_head(case: Case) -> None:
    values = dict(field.split("=") for field in case["input"].split())
    day, hour, minute = (int(values["time"][at : at + 2]) for at in (0, 2, 4))
    info = encode_object(
        values["name"],
        PLACE,
        time=Timestamp(day=day, hour=hour, minute=minute, time_zone="zulu"),
        live=values["live"] == "true",
    )
    assert info == case["expect"]["head"].encode() + b"4903.50N/07201.75W>"


@pytest.mark.parametrize(
    "case",
    cases("position", "refuse_encode", where=lambda case: "name_" in case["expect"]["reason"]),
)
def test_refused_name(case: Case) -> None:
    name = case["input"].removeprefix("name=").split()[0]
    with pytest.raises(EncodeError) as refusal:
        encode_object(name, PLACE)
    assert refusal.value.reason == case["expect"]["reason"]


# APRS 1.2c ch. 11: one to nine printable ASCII characters, and a time of ch. 6 without a month.
@pytest.mark.parametrize(
    ("name", "time", "reason"),
    [
        ("", None, "blank_name"),
        ("   ", None, "blank_name"),
        ("Brücke", None, "illegal_character"),
        ("A\rB", None, "illegal_character"),
        ("LEADER", Timestamp(day=32, hour=1, minute=1, time_zone="zulu"), "timestamp"),
        ("LEADER", Timestamp(month=1, day=2, hour=1, minute=1, time_zone="zulu"), "timestamp"),
        ("LEADER", Timestamp(hour=1, minute=1, time_zone="zulu"), "timestamp"),
    ],
)
def test_not_sent(name: str, time: Timestamp | None, reason: str) -> None:
    with pytest.raises(EncodeError) as refusal:
        encode_object(name, PLACE, time=time)
    assert refusal.value.reason == reason


def test_without_a_time_an_object_is_permanent() -> None:
    # APRS 1.2c ch. 18: the time 111111z.
    info = encode_object("146.52-1", PLACE)
    assert info == b";146.52-1 *111111z4903.50N/07201.75W>"


def test_a_time_that_would_make_the_object_permanent() -> None:
    # APRS 1.2c ch. 18 and 6: 11:11 zulu on the 11th, in the other form.
    report = _read(
        encode_object("LEADER", PLACE, time=Timestamp(day=11, hour=11, minute=11, time_zone="zulu"))
    )
    assert not report.permanent
    assert report.time == Timestamp(hour=11, minute=11, second=0, time_zone="zulu")


_NAMES = st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), min_size=1, max_size=9)
_COMMENTS = st.text(st.characters(exclude_categories=["Cc", "Cs", "Zl", "Zp"]), max_size=43).filter(
    lambda text: len(text.encode()) <= 120
)
_TIMES = st.one_of(
    st.none(),
    st.builds(
        Timestamp,
        day=st.integers(1, 31),
        hour=st.integers(0, 23),
        minute=st.integers(0, 59),
        time_zone=st.sampled_from(["zulu", "local"]),
    ),
    st.builds(
        Timestamp,
        hour=st.integers(0, 23),
        minute=st.integers(0, 59),
        second=st.integers(0, 59),
        time_zone=st.just("zulu"),
    ),
)


@given(
    _NAMES.filter(lambda name: not name.endswith(" ")),
    _TIMES,
    st.booleans(),
    st.integers(-90 * 6000, 90 * 6000),
    st.integers(-180 * 6000, 180 * 6000),
    _COMMENTS,
)
def test_round_trip(
    name: str, time: Timestamp | None, live: bool, latitude: int, longitude: int, comment: str
) -> None:
    place = Place(
        latitude_deg=latitude / 6000,
        longitude_deg=longitude / 6000,
        symbol_table="\\",
        symbol_code="m",
        comment=comment,
    )
    info = encode_object(name, place, time=time, live=live)
    report = _read(info)
    assert (report.name, report.live) == (name, live)
    assert report.permanent == (time is None)
    if time and (time.day, time.hour, time.minute) != (11, 11, 11):
        assert report.time == time
    assert report.place.longitude_deg == pytest.approx(longitude / 6000, abs=1 / 6000)
    assert report.conforming
    assert decode(_write_again(report)) == report


# APRS 1.2c ch. 18, frequency objects: "Where T079 is a tone of 79.7 Hz (always drop the tenths)".
def test_a_name_that_is_a_frequency() -> None:
    report = _read(b";146.94-7Q*111111z4903.50N/07201.75WrT079 -060 R25m Net Tu9PM")
    frequency = report.place.frequency
    assert frequency is not None
    assert (frequency.frequency_mhz, frequency.tone_hz) == (146.94, 79.7)
    assert (frequency.offset_mhz, frequency.voice_range_miles) == (-0.6, 25)


@pytest.mark.parametrize("name", [b"LEADER   ", b"No.146.94", b"146.94.1 ", b"000.000  "])
def test_a_name_that_is_no_frequency(name: bytes) -> None:
    report = _read(b";" + name + b"*111111z4903.50N/07201.75WrT079")
    assert report.place.frequency is None

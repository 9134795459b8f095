"""Sentences of a navigation receiver.

Check values: vectors/position.toml (APRS 1.2c ch. 8; NMEA 0183 from memory). The independent
reference is pynmea2, a general NMEA 0183 library.
"""

import datetime
from typing import Any

import pynmea2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from aprs.expectations import told, wanted
from checkvalues import cases, input_octets
from ridgepost.aprs import Nmea, RawWeather, Report, Unreadable, decode, nmea_checksum

Case = dict[str, Any]


def _has_position(report: Report) -> bool:
    return isinstance(report, Nmea) and report.has_position


# The check values call a sentence valid when it says where its sender is.
_ASKED = {
    "valid": _has_position,
    "reason": lambda report: None if _has_position(report) else "no_position",
}


@pytest.mark.parametrize(
    "case", cases("position", "decode", where=lambda case: case.get("input", "").startswith("$"))
)
def test_decode(case: Case) -> None:
    report = decode(input_octets(case))
    assert told(report, case["expect"], asked=_ASKED) == wanted(case["expect"])
    assert isinstance(report, Nmea)
    assert report.conforming


@pytest.mark.parametrize("case", cases("position", "nmea_checksum"))
def test_checksum(case: Case) -> None:
    assert nmea_checksum(input_octets(case)) == case["expect"]["checksum"]


def _with_checksum(content: str) -> bytes:
    """A sentence with the checksum that the reference gives it."""
    return f"${content}*{pynmea2.NMEASentence.checksum(content):02X}".encode()


def _read(sentence: bytes) -> Nmea:
    report = decode(sentence)
    assert isinstance(report, Nmea)
    return report


def _or_empty(values: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    return values | st.just("")


@st.composite
def _angle(draw: st.DrawFn, degree_digits: int, limit_deg: int, letters: str) -> str:
    whole = draw(st.integers(0, limit_deg - 1))
    minutes = draw(st.integers(0, 599999)) / 10000
    return f"{whole:0{degree_digits}d}{minutes:07.4f},{draw(st.sampled_from(letters))}"


_TALKERS = st.sampled_from(["GP", "GN", "GL", "GA", "GB", "GQ", "LC", "II"])
_PLACES = st.one_of(
    st.just(",,,"),
    st.tuples(_angle(2, 90, "NS"), _angle(3, 180, "EW")).map(",".join),
)
_TIMES = _or_empty(st.times().map("{:%H%M%S.%f}".format))
# From the start of GPS time to the end of the years that the reference takes for those after 2000.
_DATES = _or_empty(
    st.dates(datetime.date(1980, 1, 6), datetime.date(2068, 12, 31)).map("{:%d%m%y}".format)
)
_TENTHS = _or_empty(st.integers(0, 9999).map(lambda tenths: f"{tenths / 10}"))
_SIGNED_TENTHS = _or_empty(st.integers(-9999, 99999).map(lambda tenths: f"{tenths / 10}"))
_COURSES = _or_empty(st.integers(0, 3600).map(lambda tenths: f"{tenths / 10:05.1f}"))
_MODES = st.sampled_from(["", ",A", ",D", ",N"])
_STATUS = st.sampled_from("AV")


def _check_place(report: Nmea, reference: Any, valid: bool) -> None:
    if not valid or not reference.lat:
        assert (report.has_position, report.latitude_deg, report.longitude_deg) == (
            False,
            None,
            None,
        )
        return
    assert report.latitude_deg == pytest.approx(reference.latitude, abs=1e-9)
    assert report.longitude_deg == pytest.approx(reference.longitude, abs=1e-9)


def _check_time(report: Nmea, reference: Any) -> None:
    time = reference.timestamp
    if time is None:
        assert (report.hour, report.minute, report.second) == (None, None, None)
        return
    assert (report.hour, report.minute) == (time.hour, time.minute)
    assert report.second == pytest.approx(time.second + time.microsecond / 1e6, abs=2e-6)


def _number(field: Any) -> float | None:
    return None if field in {None, ""} else float(field)


@given(_TALKERS, _TIMES, _STATUS, _PLACES, _TENTHS, _COURSES, _DATES, st.booleans(), _MODES)
def test_rmc_as_the_reference(
    talker: str,
    time: str,
    status: str,
    place: str,
    speed: str,
    course: str,
    date: str,
    west: bool,
    mode: str,
) -> None:
    variation = "13.6," + ("W" if west else "E")
    sentence = _with_checksum(
        f"{talker}RMC,{time},{status},{place},{speed},{course},{date},{variation}{mode}"
    )
    report, reference = _read(sentence), pynmea2.parse(sentence.decode())
    assert (report.talker, report.sentence) == (reference.talker, reference.sentence_type)
    assert report.checksum_ok
    assert report.data_valid == reference.is_valid
    _check_place(report, reference, reference.is_valid)
    _check_time(report, reference)
    day = reference.datestamp
    assert (report.year, report.month, report.day) == (
        (day.year, day.month, day.day) if day else (None, None, None)
    )
    assert report.speed_knots == _number(reference.spd_over_grnd)
    assert report.course_deg == _number(reference.true_course)
    assert report.magnetic_variation_deg == float(reference.mag_variation) * (-1 if west else 1)


@given(
    _TALKERS,
    _TIMES,
    _PLACES,
    st.integers(0, 5),
    _or_empty(st.integers(0, 32).map("{:02d}".format)),
    _TENTHS,
    _SIGNED_TENTHS,
    _SIGNED_TENTHS,
)
def test_gga_as_the_reference(
    talker: str,
    time: str,
    place: str,
    quality: int,
    satellites: str,
    hdop: str,
    altitude: str,
    separation: str,
) -> None:
    sentence = _with_checksum(
        f"{talker}GGA,{time},{place},{quality},{satellites},{hdop},{altitude},M,{separation},M,,"
    )
    report, reference = _read(sentence), pynmea2.parse(sentence.decode())
    assert report.data_valid == reference.is_valid
    _check_place(report, reference, reference.is_valid)
    _check_time(report, reference)
    assert report.fix_quality == reference.gps_qual
    assert report.satellites == _number(reference.num_sats)
    assert report.hdop == _number(reference.horizontal_dil)
    assert report.altitude_m == _number(reference.altitude)
    assert report.geoid_separation_m == _number(reference.geo_sep)


@given(_TALKERS, _PLACES, _TIMES, _STATUS)
def test_gll_as_the_reference(talker: str, place: str, time: str, status: str) -> None:
    sentence = _with_checksum(f"{talker}GLL,{place},{time},{status}")
    report, reference = _read(sentence), pynmea2.parse(sentence.decode())
    assert report.data_valid == reference.is_valid
    _check_place(report, reference, reference.is_valid)
    _check_time(report, reference)


@given(_TALKERS, _COURSES, _TENTHS, _TENTHS)
def test_vtg_as_the_reference(talker: str, course: str, knots: str, kmh: str) -> None:
    sentence = _with_checksum(f"{talker}VTG,{course},T,,M,{knots},N,{kmh},K")
    report, reference = _read(sentence), pynmea2.parse(sentence.decode())
    assert report.course_deg == _number(reference.true_track)
    assert report.speed_knots == _number(reference.spd_over_grnd_kts)
    assert report.speed_kmh == _number(reference.spd_over_grnd_kmph)
    assert not report.has_position


@given(st.text(st.characters(codec="ascii", categories=["L", "N", "P"], exclude_characters="*,")))
def test_waypoint_name_as_the_reference(name: str) -> None:
    sentence = _with_checksum(f"GPWPL,4903.50,N,07201.75,W,{name}")
    report, reference = _read(sentence), pynmea2.parse(sentence.decode())
    assert report.waypoint_name == (reference.waypoint_id or None)


@given(st.binary(max_size=60).filter(lambda octets: b"*" not in octets))
def test_checksum_as_the_reference(content: bytes) -> None:
    reference = pynmea2.NMEASentence.checksum(content.decode("latin-1"))
    assert nmea_checksum(content) == f"{reference:02X}"


def test_the_place_of_a_waypoint_is_not_that_of_the_sender() -> None:
    # NMEA 0183, from memory. 1.0.1 ch. 6 has WPT for WPL.
    for name in ("WPL", "WPT"):
        report = _read(f"$GP{name},4903.50,N,07201.75,W,CP01".encode())
        assert report.latitude_deg == pytest.approx(49 + 3.5 / 60)
        assert not report.has_position


def test_nothing_is_read_when_the_checksum_is_wrong() -> None:
    report = _read(b"$GPRMC,063909,A,3349.4302,N,11700.3721,W,43.022,89.3,291099,13.6,E*53")
    assert report.checksum_ok is False
    assert (report.latitude_deg, report.hour, report.speed_knots) == (None, None, None)


@pytest.mark.parametrize(
    ("info", "departures"),
    [
        # vectors/position.toml: NMEA GLL with checksum.
        (b"$GPGLL,2554.459,N,08020.187,W,154027.281,A*22\r\n", ("trailing_line_end",)),
        (b"$GPGLL,2554.459,N,08020.187,W,154027.281,A*22 Car", ("text_after_checksum",)),
    ],
)
def test_what_follows_a_sentence(info: bytes, departures: tuple[str, ...]) -> None:
    report = _read(info)
    assert report.checksum_ok
    assert report.has_position
    assert report.departures == departures


# NMEA 0183, from memory: the position of version 1.5 without time and status; a leap second; the
# letters of a proprietary sentence.
def test_a_position_without_time_and_status() -> None:
    report = _read(b"$LCGLL,2554.459,N,08020.187,W")
    assert report.has_position
    assert report.data_valid is None


def test_a_leap_second() -> None:
    report = _read(b"$GPRMC,235960,A,3349.43,N,11700.37,W,0.0,0.0,311216,,")
    assert (report.hour, report.minute, report.second, report.year) == (23, 59, 60.0, 2016)


def test_a_proprietary_sentence() -> None:
    report = _read(b"$PQZX1,12,f,3")
    assert (report.talker, report.sentence) == (None, "PQZX1")


@pytest.mark.parametrize(
    ("info", "reason", "offset"),
    [
        (b"$", "too_short", 1),
        (b"$GPG", "format", 1),
        (b"$Hello", "format", 1),
        (b"$GPGLL,2554.459,N,08020.187,W,154027.281,A*2", "format", 43),
        (b"$GPGLL,2554.459,N,08020.187,W,154027.281,A*ZZ", "format", 43),
        (b"$GPGLL,2560.459,N,08020.187,W,154027.281,A", "format", 7),
        (b"$GPGLL,9100.000,N,08020.187,W,154027.281,A", "latitude_range", 7),
        (b"$GPGLL,2554.459,N,18000.001,E,154027.281,A", "longitude_range", 18),
        (b"$GPGLL,2554.459,E,08020.187,W,154027.281,A", "hemisphere_letter", 16),
        (b"$GPGLL,2554.459,N,08020.187", "hemisphere_letter", 27),
        (b"$GPGLL,2554.459,N,08020.187,W,244027.281,A", "format", 30),
        (b"$GPGLL,2554.459,N,08020.187,W,154027.281,X", "format", 41),
        (b"$GPRMC,063909,A,3349.4302,N,11700.3721,W,43.0,389.3,291099,13.6,E", "format", 46),
        (b"$GPRMC,063909,A,3349.4302,N,11700.3721,W,43.0,89.3,310299,13.6,E", "format", 51),
        (b"$GPVTG,318.7,M,,M,35.1,N,65.0,K", "format", 13),
        (b"$GPGGA,102705,5157.97,N,00029.32,W,1,04,nan,75.7,M,47.6,M,,", "format", 40),
    ],
)
def test_broken_sentence(info: bytes, reason: str, offset: int) -> None:
    # NMEA 0183, from memory: the form and the range of each field.
    report = decode(info)
    assert isinstance(report, Unreadable)
    assert (report.reason, report.offset) == (reason, offset)


def test_a_weather_instrument() -> None:
    # APRS 1.2c ch. 12, Raw Weather Reports: the printed example.
    report = decode(b"$ULTW0031003702CE0069----000086A00001----011901CC00000005\r\n")
    assert isinstance(report, RawWeather)
    assert report.departures == ("trailing_line_end",)

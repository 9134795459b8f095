"""Position reports with latitude and longitude written out.

Check values: vectors/position.toml (APRS 1.2c ch. 6 to 8 and 21).
"""

import re
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from aprs.expectations import DEGREE_TOLERANCE, told, wanted
from checkvalues import cases, input_octets
from ridgepost.aprs import (
    MAX_COMMENT,
    EncodeError,
    Other,
    Position,
    Unread,
    Unreadable,
    decode,
    encode_position,
)

Case = dict[str, Any]

# What only readers of other data extensions and comment fields know.
_OTHER_FIELDS = {"power_w", "range_miles", "signal_strength_s", "bearing_deg", "datum", "dao_valid"}

# Read, although the check value refuses it: its note allows that. See test_departures.
_TOLERATED = "lower-case hemisphere letter"


def _is_read(case: Case) -> bool:
    """Whether a case is about latitude and longitude written out, and nothing that comes later."""
    identifier, rest = case["input"][:1], case["input"][1:]
    body = rest[7:] if identifier in {"/", "@"} else rest
    compressed = re.match(r"[/\\A-Za-j]", body)
    return (
        identifier in set("!=/@")
        and not compressed
        and not _OTHER_FIELDS & set(case["expect"])
        and case["name"] != _TOLERATED
    )


_READ = cases("position", "decode", where=_is_read)


@pytest.mark.parametrize("case", _READ)
def test_decode(case: Case) -> None:
    report = decode(
        input_octets(case), case.get("source_address", ""), case.get("destination_address", "")
    )
    assert told(report, case["expect"]) == wanted(case["expect"])
    assert report.info == input_octets(case)
    if isinstance(report, Position):
        # "Absent course_deg/speed_knots/... = not present or unknown."
        may_be_absent = ("course_deg", "speed_knots", "altitude_ft", "day", "second", "overlay")
        absent = {key: None for key in may_be_absent if key not in case["expect"]}
        assert told(report, absent) == absent


def test_leading_text_hides_a_position() -> None:
    # vectors/position.toml: position after leading text (1.2c ch. 5 and appendix 7).
    assert isinstance(decode(b"Hilltop node (NODE1)!4903.50N/07201.75Wn"), Other)


# A timestamp that cannot be right: the notes of vectors/position.toml, "report position anyway if
# the rest is sound".
@pytest.mark.parametrize("time", ["322345z", "002345z", "092400z", "092360z", "235960h", "092345x"])
def test_position_with_unusable_timestamp(time: str) -> None:
    report = decode(f"@{time}4903.50N/07201.75W>088/036".encode())
    assert isinstance(report, Position)
    assert report.departures == ("timestamp_unusable",)
    assert report.time is None
    assert report.place.latitude_deg == pytest.approx(49.0583333, abs=DEGREE_TOLERANCE)
    assert report.place.course_deg == 88


# APRS 1.2c ch. 5, 6 and 8: what a sender should not do and can be understood all the same.
@pytest.mark.parametrize(
    ("info", "departures"),
    [
        (b"!4903.50N/07201.75W-", ()),
        (b"!4903.50n/07201.75w-", ("lower_case_hemisphere",)),
        (b"!4903.50N/07201.75w-", ("lower_case_hemisphere",)),
        (b"!4903.50N/07201.  W-", ("longitude_more_ambiguous",)),
        (b"!4903.50N/07201.75W ", ("symbol_code",)),
        (b"!4903.50N/07201.75W-Hello\r\n", ("trailing_line_end",)),
        (b"!4903.50N/07201.75W-" + b"A" * 43, ()),
        (b"!4903.50N/07201.75W-" + b"A" * 44, ("comment_too_long",)),
        (b"!4903.50N/07201.75W>088/036" + b"A" * 37, ("comment_too_long",)),
    ],
)
def test_departures(info: bytes, departures: tuple[str, ...]) -> None:
    report = decode(info)
    assert isinstance(report, Position)
    assert report.departures == departures


def test_blanks_in_the_longitude_alone_are_not_taken_for_zeros() -> None:
    report = decode(b"!4903.50N/07201.  W-")
    assert isinstance(report, Position)
    assert report.place.ambiguity_digits == 2
    assert report.place.latitude_deg == pytest.approx(49.05, abs=DEGREE_TOLERANCE)
    assert report.place.ambiguity.longitude_mid_deg == pytest.approx(-72.025, abs=DEGREE_TOLERANCE)


# No place is beyond a pole or the date line (geometry).
@pytest.mark.parametrize("info", [b"!90  .  S/18000.00W-", b"!9000.  N/180  .  E-"])
def test_ambiguity_at_the_edge_of_the_world(info: bytes) -> None:
    report = decode(info)
    assert isinstance(report, Position)
    edges = (
        report.place.ambiguity.latitude_mid_deg,
        report.place.ambiguity.latitude_min_deg,
        report.place.ambiguity.latitude_max_deg,
        report.place.ambiguity.longitude_mid_deg,
        report.place.ambiguity.longitude_min_deg,
        report.place.ambiguity.longitude_max_deg,
    )
    assert [abs(edge or 0.0) for edge in edges] == [90.0, 90.0, 90.0, 180.0, 180.0, 180.0]


# APRS 1.2c ch. 12 and 11: with the weather symbol the seven octets are wind, with the area symbol
# a size. Neither is the course of anything.
@pytest.mark.parametrize(
    "info", [b"!4903.50N/07201.75W_220/004g005t077", rb"!4903.50N\07201.75Wl005/005"]
)
def test_wind_and_areas_are_no_course(info: bytes) -> None:
    report = decode(info)
    assert isinstance(report, Position)
    assert (report.place.course_deg, report.place.speed_knots) == (None, None)
    assert report.place.comment == info[20:].decode()


# APRS 1.2c ch. 7: either half may be unknown.
@pytest.mark.parametrize(
    ("extension", "course", "speed"),
    [
        ("000/036", None, 36.0),
        (".../036", None, 36.0),
        ("088/...", 88.0, None),
        ("   /036", None, 36.0),
        ("360/000", 360.0, 0.0),
    ],
)
def test_course_or_speed_alone(extension: str, course: float | None, speed: float | None) -> None:
    report = decode(f"!4903.50N/07201.75W>{extension}Home".encode())
    assert isinstance(report, Position)
    assert (report.place.course_deg, report.place.speed_knots) == (course, speed)
    assert report.place.comment == "Home"


# Where reading stopped, counted by hand in the input.
@pytest.mark.parametrize(
    ("info", "reason", "offset"),
    [
        (b"!", "too_short", 1),
        (b"@092345z", "too_short", 8),
        (b"@0923", "too_short", 5),
        (b"!4903.50N", "too_short", 9),
        (b"!4903.50N/07201", "too_short", 15),
        (b"!4903.50N/07201.75W", "too_short", 19),
        (b"!490350N/07201.75W-", "format", 5),
        (b"!4903.50X/07201.75W-", "hemisphere_letter", 8),
        (b"!4903.50Na07201.75W>", "symbol_table", 9),
        (b"!4903.50N/07261.75W>", "minutes_range", 13),
        (b"@092345z4903.50N/18101.75W>", "longitude_range", 17),
        (b"@4903.50N/07201.75W-", "format", 5),  # no time where one belongs
    ],
)
def test_where_reading_stopped(info: bytes, reason: str, offset: int) -> None:
    report = decode(info)
    assert isinstance(report, Unreadable)
    assert (report.reason, report.offset) == (reason, offset)


# APRS 1.2c ch. 9 and ch. 12: data types that start with the same identifiers.
@pytest.mark.parametrize(
    "info", [b"=/5L!!<*e7> sTComment", b"@092345z/5L!!<*e7>{?!", b"!!006B005803500000----03E9"]
)
def test_other_data_after_the_same_identifier(info: bytes) -> None:
    report = decode(info)
    assert isinstance(report, Unread)
    assert report.data_type_identifier == chr(info[0])


# --- encoding ------------------------------------------------------------------------------------

_PLAIN = re.compile(r"latitude_deg=(\S+) longitude_deg=(\S+) symbol=(.)(.)")


def _is_plain(case: Case) -> bool:
    return bool(_PLAIN.fullmatch(case["input"]))


def _encode(case: Case) -> str:
    found = _PLAIN.fullmatch(case["input"])
    assert found
    return encode_position(float(found[1]), float(found[2]), found[3], found[4]).decode()


@pytest.mark.parametrize("case", cases("position", "encode_position", where=_is_plain))
def test_encode(case: Case) -> None:
    text = _encode(case)
    expect = case["expect"]
    assert text[0] == "="
    assert text[9:] == text[9] + text[10:19] + text[19]
    assert expect.get("text", text[1:]) == text[1:]
    assert text[1:9] in expect.get("latitude_any_of", [text[1:9]])
    assert text[10:19] in expect.get("longitude_any_of", [text[10:19]])
    assert expect.get("must_not_contain", "?") not in text


def test_encode_null_position() -> None:
    # vectors/position.toml: encode null position (1.2c ch. 6).
    info = encode_position(0.0, 0.0, "\\", ".", messaging=False)
    assert info == b"!0000.00N\\00000.00W."
    report = decode(info)
    assert isinstance(report, Position)
    assert not report.place.position_known


@pytest.mark.parametrize("case", cases("position", "refuse_encode", where=_is_plain))
def test_refuse_to_encode(case: Case) -> None:
    with pytest.raises(EncodeError) as refusal:
        _encode(case)
    assert refusal.value.reason == case["expect"]["reason"]


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        ((float("nan"), 0.0, "/", "-"), "latitude_range"),
        ((0.0, float("inf"), "/", "-"), "longitude_range"),
        ((0.0, 0.0, "a", "-"), "symbol_table"),  # ch. 21: a-j in compressed positions only
        ((0.0, 0.0, "", "-"), "symbol_table"),
        ((0.0, 0.0, "/", " "), "symbol_code"),
        ((0.0, 0.0, "/", "--"), "symbol_code"),
        ((0.0, 0.0, "/", "é"), "symbol_code"),
        ((0.0, 0.0, "/", "-", "A" * 44), "comment_too_long"),
        ((0.0, 0.0, "/", "-", "a\nb"), "illegal_character"),
    ],
)
def test_not_sent(arguments: tuple[Any, ...], reason: str) -> None:
    with pytest.raises(EncodeError) as refusal:
        encode_position(*arguments)
    assert refusal.value.reason == reason


@given(
    latitude_deg=st.floats(-90, 90),
    longitude_deg=st.floats(-180, 180),
    symbol_table=st.sampled_from("/\\0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"),
    symbol_code=st.characters(min_codepoint=0x21, max_codepoint=0x7E),
    comment=st.text(
        st.characters(exclude_categories=["Cc", "Cs", "Zl", "Zp"]), max_size=MAX_COMMENT
    ),
    messaging=st.booleans(),
)
def test_round_trip(
    *,
    latitude_deg: float,
    longitude_deg: float,
    symbol_table: str,
    symbol_code: str,
    comment: str,
    messaging: bool,
) -> None:
    report = decode(
        encode_position(latitude_deg, longitude_deg, symbol_table, symbol_code, comment, messaging)
    )
    assert isinstance(report, Position)
    assume(report.place.course_deg is None and report.place.speed_knots is None)
    assert report.conforming
    # Half of the last digit, a hundredth of a minute.
    assert report.place.latitude_deg == pytest.approx(latitude_deg, abs=0.5 / 6000 + 1e-9)
    assert report.place.longitude_deg == pytest.approx(longitude_deg, abs=0.5 / 6000 + 1e-9)
    assert report.place.symbol_table + report.place.symbol_code == symbol_table + symbol_code
    assert (report.place.comment, report.messaging) == (comment, messaging)
    # What was read is at a whole digit, and so is sent again without change.
    again = encode_position(
        report.place.latitude_deg,
        report.place.longitude_deg,
        symbol_table,
        symbol_code,
        comment,
        messaging,
    )
    assert again == report.info

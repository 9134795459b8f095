"""Position reports with latitude and longitude written out, and how reports are encoded.

Check values: vectors/position.toml (APRS 1.2c ch. 5 to 8 and 21).
"""

from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from aprs.expectations import DEGREE_TOLERANCE, told
from checkvalues import cases, input_octets
from ridgepost.aprs import (
    MAX_COMMENT,
    UNKNOWN_PLACE,
    EncodeError,
    Other,
    Place,
    Position,
    RawWeather,
    Timestamp,
    Unreadable,
    decode,
    encode_place,
    encode_position,
)
from ridgepost.aprs.compressed import is_compressed

Case = dict[str, Any]

# Read, although the check value refuses it: its note allows that. See test_departures.
_TOLERATED = "lower-case hemisphere letter"


def _is_written_out(case: Case) -> bool:
    octets = input_octets(case)
    start = 8 if octets[:1] in {b"/", b"@"} else 1
    return (
        octets[:1] in {b"!", b"=", b"/", b"@"}
        and not is_compressed(octets, start)
        and case["name"] != _TOLERATED
    )


def _tolerance(case: Case, key: str) -> float:
    if key.endswith("_deg"):
        # Those cases have eight decimals, and a tolerance of their own.
        return 0.000_000_1 if "datum" in case["expect"] else DEGREE_TOLERANCE
    # vectors/README.md: speed and range 0.05.
    return 0.05 if key == "range_miles" else 0.000_001


@pytest.mark.parametrize("case", cases("position", "decode", where=_is_written_out))
def test_decode(case: Case) -> None:
    expect = case["expect"]
    report = decode(
        input_octets(case), case.get("source_address", ""), case.get("destination_address", "")
    )
    assert told(report, expect) == {
        key: pytest.approx(value, abs=_tolerance(case, key)) if isinstance(value, float) else value
        for key, value in expect.items()
    }
    assert report.info == input_octets(case)
    if isinstance(report, Position):
        # "Absent course_deg/speed_knots/... = not present or unknown."
        may_be_absent = (
            *("course_deg", "speed_knots", "altitude_ft", "day", "second", "overlay"),
            *("power_w", "range_miles", "signal_strength_s", "bearing_deg", "beacons_per_hour"),
            *("directivity_deg", "datum", "telemetry_sequence", "frequency_mhz", "ambiguity_nm"),
        )
        absent = {key: None for key in may_be_absent if key not in expect}
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


def test_raw_weather_after_the_same_identifier() -> None:
    # APRS 1.2c ch. 5 and 12: two ! are an instrument, not a position.
    report = decode(b"!!006B005803500000----03E9")
    assert isinstance(report, RawWeather)


# --- encoding ------------------------------------------------------------------------------------


def _sent(case: Case) -> bytes:
    """Encodes what a check value lists: `latitude_deg=49.05 symbol=/- ambiguity_digits=2`."""
    values = dict(pair.split("=") for pair in case["input"].split())
    if values == {"position": "unknown"}:
        return encode_place(UNKNOWN_PLACE)
    symbol = values.pop("symbol", "/-")
    fields: dict[str, Any] = {"latitude_deg": 49.0, "longitude_deg": -72.0} | {
        key: int(value) if key == "ambiguity_digits" else float(value)
        for key, value in values.items()
    }
    return encode_place(Place(symbol_table=symbol[0], symbol_code=symbol[1], **fields))


def _is_position(case: Case) -> bool:
    # Heads are those of objects, and extensions are in test_extension.
    return "name=" not in case["input"] and "extension" not in case["expect"]


@pytest.mark.parametrize("case", cases("position", "encode_position", where=_is_position))
def test_encode(case: Case) -> None:
    text = _sent(case).decode()
    expect = case["expect"]
    assert text[0] == "="
    assert expect.get("text", text[1:]) == text[1:]
    assert text[1:] in expect.get("text_any_of", [text[1:]])
    assert text[1:9] in expect.get("latitude_any_of", [text[1:9]])
    assert text[10:19] in expect.get("longitude_any_of", [text[10:19]])
    assert expect.get("must_not_contain", "?") not in text
    assert expect.get("comment_part", "") == text[20:]


@pytest.mark.parametrize("case", cases("position", "refuse_encode", where=_is_position))
def test_refuse_to_encode(case: Case) -> None:
    with pytest.raises(EncodeError) as refusal:
        _sent(case)
    assert refusal.value.reason == case["expect"]["reason"]


def test_unknown_place() -> None:
    # vectors/position.toml: encode null position (1.2c ch. 6).
    report = decode(encode_place(UNKNOWN_PLACE))
    assert isinstance(report, Position)
    assert report.place == UNKNOWN_PLACE


_ZULU = Timestamp(day=9, hour=23, minute=45, time_zone="zulu")
_SECONDS = Timestamp(hour=23, minute=45, second=17, time_zone="zulu")


# APRS 1.2c ch. 6, Use of Timestamps, and the examples of ch. 8 the other way round.
@pytest.mark.parametrize(
    ("time", "messaging", "info"),
    [
        (None, False, b"!4903.50N/07201.75W>Test1234"),
        (None, True, b"=4903.50N/07201.75W>Test1234"),
        (_ZULU, False, b"/092345z4903.50N/07201.75W>Test1234"),
        (_ZULU, True, b"@092345z4903.50N/07201.75W>Test1234"),
        (_SECONDS, True, b"@234517h4903.50N/07201.75W>Test1234"),
    ],
)
def test_identifier_and_time(time: Timestamp | None, messaging: bool, info: bytes) -> None:
    report = decode(info)
    assert isinstance(report, Position)
    assert encode_place(report.place, time=time, messaging=messaging) == info


def test_months_are_not_sent() -> None:
    # Ch. 6: month/day/hours/minutes in weather reports without position only.
    time = Timestamp(month=10, day=9, hour=23, minute=45, time_zone="zulu")
    with pytest.raises(EncodeError) as refusal:
        encode_place(UNKNOWN_PLACE, time=time)
    assert refusal.value.reason == "timestamp"


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        ((float("nan"), 0.0, "/", "-"), "latitude_range"),
        ((0.0, float("inf"), "/", "-"), "longitude_range"),
        ((0.0, 0.0, "a", "-"), "symbol_table"),  # ch. 21: a-j in compressed positions only
        ((0.0, 0.0, "", "-"), "symbol_table"),
        ((0.0, 0.0, "\ud800", "-"), "symbol_table"),
        ((0.0, 0.0, "/", " "), "symbol_code"),
        ((0.0, 0.0, "/", "--"), "symbol_code"),
        ((0.0, 0.0, "/", "é"), "symbol_code"),
        ((0.0, 0.0, "/", "-", "A" * 44), "comment_too_long"),
        ((0.0, 0.0, "/", "-", "a\nb"), "illegal_character"),
        ((0.0, 0.0, "/", "-", "\ud800"), "illegal_character"),
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
    info = encode_position(
        latitude_deg, longitude_deg, symbol_table, symbol_code, comment, messaging
    )
    report = decode(info)
    assume(isinstance(report, Position) and report.place.comment == comment)
    assert isinstance(report, Position)
    assert report.conforming
    # Half of the last digit, a hundredth of a minute.
    assert report.place.latitude_deg == pytest.approx(latitude_deg, abs=0.5 / 6000 + 1e-9)
    assert report.place.longitude_deg == pytest.approx(longitude_deg, abs=0.5 / 6000 + 1e-9)
    assert report.place.symbol_table + report.place.symbol_code == symbol_table + symbol_code
    assert report.messaging == messaging
    # What was read is at a whole digit, and so is sent again without change.
    assert encode_place(report.place, messaging=messaging) == info


# Either the octets cannot be read, or what was read is sent and read again as the same.
@given(
    identifier=st.sampled_from("!=/@"),
    body=st.one_of(
        st.from_regex(
            r"([0-9]{6}[z/h])?[0-8][0-9][0-5][0-9]\.[0-9 ]{2}[NS][/\\A-Z0-9]"
            r"[01][0-7][0-9][0-5][0-9]\.[0-9 ]{2}[EW]([!-~]|[\\@])"
            r"([0-3][0-9]{2}/[0-9]{3}|PHG[0-9]{4}|RNG[0-9]{4}|DFS[0-9]{4}|[.]{3}/[.]{3})?"
            r"(/[0-3][0-9]{2}/[1-9][0-9]{2})?(/A=[0-9]{6})?[ -~]{0,12}(![W-Zw][0-9]{2}!)?",
            fullmatch=True,
        ),
        st.text(max_size=60),
    ),
)
def test_what_is_read_can_be_sent(identifier: str, body: str) -> None:
    report = decode((identifier + body).encode())
    if not isinstance(report, Position) or not report.conforming:
        return
    refused, info = None, b""
    try:
        info = encode_place(report.place, time=report.time, messaging=report.messaging)
    except EncodeError as refusal:
        refused = refusal.reason
    if refused:
        # What can be read and must not be sent: an antenna without any direction.
        assert refused == "extension"
        return
    again = decode(info)
    assert isinstance(again, Position)
    assert (again.place, again.time, again.messaging) == (
        report.place,
        report.time,
        report.messaging,
    )

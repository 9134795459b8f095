"""Weather reports: at a place, as an object, without position, and raw.

Check values: vectors/weather.toml (APRS 1.2c ch. 12).
"""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aprs.expectations import told, wanted
from checkvalues import cases, input_octets
from ridgepost.aprs import (
    EncodeError,
    Object,
    Position,
    RawWeather,
    Readings,
    Unreadable,
    Weather,
    decode,
    encode_position,
    flat,
    write_readings,
)
from ridgepost.aprs.packet import Broken, Packet
from ridgepost.aprs.weather import read_raw_weather

Case = dict[str, Any]

_PLACE = "!4903.50N/07201.75W_"


def _weather(info: str) -> Weather:
    report = decode(info.encode())
    assert isinstance(report, Weather)
    return report


@pytest.mark.parametrize(
    "case", cases("weather", "decode", where=lambda case: "storm_type" not in case["expect"])
)
def test_decode(case: Case) -> None:
    report = decode(input_octets(case))
    expect = case["expect"]
    if not expect.get("valid", True):
        # The wording of the reason is free.
        assert isinstance(report, Unreadable)
        return
    # vectors/README.md: speeds within 0.05.
    speeds = {key: pytest.approx(expect[key], abs=0.05) for key in expect if "speed" in key}
    asked = {"is_weather": lambda report: isinstance(report, Weather)}
    assert told(report, expect, asked) == {**wanted(expect), **speeds}
    if isinstance(report, Weather):
        # "Fields sent as dots or blanks are absent from expect."
        unknown = {key for key in Readings.__struct_fields__ if key not in expect}
        unknown -= {"wind_speed_mph"} if "wind_speed_knots" in expect else set()
        assert {key: getattr(report.readings, key) for key in unknown} == dict.fromkeys(unknown)


# The values of the notes in vectors/weather.toml: 36.23 knots, 41.70 miles an hour.
def test_nothing_but_wind_in_a_compressed_report() -> None:
    report = _weather("=/5L!!<*e7_7P[Hill")
    assert report.readings.wind_speed_mph == pytest.approx(41.70, abs=0.01)
    assert report.comment == "Hill"
    assert report.departures == ("weather_fields_missing",)


def test_wind_of_a_compressed_report_is_no_motion() -> None:
    report = _weather("=/5L!!<*e7_7P[g005t077")
    assert report.readings.wind_speed_mph == pytest.approx(41.70, abs=0.01)
    assert report.place is not None
    assert (report.place.course_deg, report.place.speed_knots) == (None, None)


# By definition of the mile (1609.344 m), nautical mile (1852 m), inch (25.4 mm) and Fahrenheit
# (32 is freezing, 212 is boiling, -40 is the same in both).
def test_twins_in_other_units() -> None:
    readings = Readings(
        wind_speed_mph=1852 / 1609.344,
        wind_gust_mph=3600 / 1609.344,
        temperature_f=212,
        rain_last_hour_in=0.5,
        rain_last_24h_in=1,
        rain_since_midnight_in=2,
        snow_last_24h_in=10,
    )
    assert readings.wind_speed_knots == pytest.approx(1)
    assert readings.wind_speed_m_s == pytest.approx(1852 / 3600)
    assert readings.wind_gust_m_s == pytest.approx(1)
    assert readings.temperature_c == pytest.approx(100)
    assert readings.rain_last_hour_mm == pytest.approx(12.7)
    assert readings.rain_last_24h_mm == pytest.approx(25.4)
    assert readings.rain_since_midnight_mm == pytest.approx(50.8)
    assert readings.snow_last_24h_mm == pytest.approx(254)
    assert Readings(temperature_f=32).temperature_c == pytest.approx(0)
    assert Readings(temperature_f=-40).temperature_c == pytest.approx(-40)


def test_twins_are_listed_where_known() -> None:
    table = flat(_weather(_PLACE + "220/...g...t077r010"))
    assert table["temperature_c"] == pytest.approx(25)
    assert table["rain_last_hour_mm"] == pytest.approx(2.54)
    assert not {"wind_speed_m_s", "wind_speed_knots", "wind_gust_m_s"} & set(table)


# APRS 1.2c ch. 7: 001 to 360 are directions, 000/000 is unknown or calm.
@pytest.mark.parametrize(
    ("wind", "direction", "speed"),
    [
        ("001/005", 1, 5),
        ("360/005", 360, 5),
        ("000/005", None, 5),
        ("361/005", None, 5),
        (".../005", None, 5),
        ("220/   ", 220, None),
    ],
)
def test_wind(wind: str, direction: int | None, speed: int | None) -> None:
    for info in (
        f"{_PLACE}{wind}g005t077",
        f"_10090556c{wind[:3]}s{wind[4:]}g005t077",
    ):
        readings = _weather(info).readings
        assert (readings.wind_direction_deg, readings.wind_speed_mph) == (direction, speed)


# What is no field, or comes again, is text for people. Widths: APRS 1.2c ch. 12.
@pytest.mark.parametrize(
    ("fields", "comment"),
    [
        ("h50t12", "t12"),
        ("h5", "h5"),
        ("t-7", "t-7"),
        ("h50h60", "h60"),
        ("s001s002", "s002"),
        ("L100l200", "l200"),
        ("L...L100", "L100"),
        ("h100", ""),
        ("r..1", "r..1"),
        ("s1..", "s1.."),
        ("r١٢٣", "r١٢٣"),  # digits of another script
        ("b10132/A=001000", "/A=001000"),
    ],
)
def test_where_the_fields_end(fields: str, comment: str) -> None:
    report = _weather(f"{_PLACE}220/004g005{fields}")
    assert report.comment == comment
    assert report.place is not None
    assert report.place.comment == comment


def test_humidity_of_three_digits() -> None:
    # Not prescribed, and clear all the same.
    assert _weather(_PLACE + "220/004g005t077h100b10132").readings.humidity_pct == 100


# APRS 1.2c ch. 12: wind, gust and temperature must be there, in this order.
@pytest.mark.parametrize(
    ("info", "departures"),
    [
        (_PLACE + "220/004g005t077", ()),
        (_PLACE + "220/004t077g005", ("weather_fields_missing",)),
        (_PLACE + "220/004g005b09900", ("weather_fields_missing",)),
        (_PLACE + "220/004 only wind", ("weather_fields_missing",)),
        (_PLACE + "t077", ("weather_fields_missing",)),
        ("_10090556c220s004g005t077\r\n", ("trailing_line_end",)),
        ("_10090556t077", ("weather_fields_missing",)),
        ("_10090556c220s004g005t077\tOld", ("control_characters",)),
        # The 43 characters of a comment are not the limit of weather data.
        (_PLACE + "220/004g005t077r000p000P000h50b09900L100s012#123", ()),
    ],
)
def test_departures(info: str, departures: tuple[str, ...]) -> None:
    assert _weather(info).departures == departures


def test_weather_symbol_without_weather() -> None:
    report = decode(f"{_PLACE}good weather".encode())
    assert isinstance(report, Position)
    assert report.place.comment == "good weather"
    report = decode(b";QZ1HILL  *092345z4903.50N/07201.75W_good weather")
    assert isinstance(report, Object)
    assert report.place.comment == "good weather"


def test_letters_before_the_wind() -> None:
    # The fields of a report without position, in one with it: clear all the same.
    readings = _weather(_PLACE + "c220s004g005t077s012").readings
    assert (readings.wind_direction_deg, readings.wind_speed_mph) == (220, 4)
    assert readings.snow_last_24h_in == 12


def test_permanent_weather_object() -> None:
    # APRS 1.2c ch. 11: 111111z stands for no time.
    report = _weather(";QZ1HILL  *111111z4903.50N/07201.75W_220/004g005t077")
    assert (report.name, report.live, report.permanent) == ("QZ1HILL", True, True)


def test_telemetry_after_weather() -> None:
    report = _weather(_PLACE + "220/004g005t077Hill|ss11|")
    assert report.place is not None
    assert report.place.telemetry is not None
    assert report.place.telemetry.telemetry_values == (1472,)
    assert report.place.telemetry.comment_before == "Hill"


# Where reading stopped, counted by hand.
@pytest.mark.parametrize(
    ("info", "reason", "offset"),
    [
        (b"_", "too_short", 1),
        (b"_100905", "too_short", 7),
        (b"_10090556", "too_short", 9),
        (b"_10090556Hill", "format", 9),
        (b"_1009o556c220s004g005t077", "format", 5),
        (b"_13090556c220s004g005t077", "month_range", 1),
    ],
)
def test_where_reading_stopped(info: bytes, reason: str, offset: int) -> None:
    report = decode(info)
    assert isinstance(report, Unreadable)
    assert (report.reason, report.offset) == (reason, offset)


# The examples of APRS 1.2c ch. 12, Raw Weather Reports.
@pytest.mark.parametrize(
    "info",
    [
        "!!006B005803500000----03E9--------002105140000005D",
        "#50B7500820082",
        "$ULTW0031003702CE0069----000086A00001----011901CC00000005",
        "*7007600000000",
    ],
)
def test_raw_weather(info: str) -> None:
    report = decode(info.encode())
    assert isinstance(report, RawWeather)
    assert report.text == info[1:]
    assert report.conforming


def test_raw_weather_of_no_instrument() -> None:
    report = decode(b"#Hill")
    assert isinstance(report, RawWeather)
    assert report.departures == ("raw_weather_form",)


@pytest.mark.parametrize(("info", "offset"), [(b"!!", 2), (b"#", 1), (b"*\r", 1), (b"$ULTW", 5)])
def test_raw_weather_cut_short(info: bytes, offset: int) -> None:
    report = decode(info)
    assert isinstance(report, Unreadable)
    assert (report.reason, report.offset) == ("too_short", offset)


def test_no_raw_weather() -> None:
    with pytest.raises(Broken) as broken:
        read_raw_weather(Packet(info=b"$GPGLL"))
    assert (broken.value.reason, broken.value.offset) == ("format", 0)


# --- writing -------------------------------------------------------------------------------------


# The example of APRS 1.2c ch. 12, without its trailing codes.
def test_write() -> None:
    readings = Readings(
        wind_direction_deg=220,
        wind_speed_mph=4,
        wind_gust_mph=5,
        temperature_f=-7,
        rain_last_hour_in=0,
        rain_last_24h_in=0,
        rain_since_midnight_in=0,
        humidity_pct=50,
        pressure_hpa=990,
    )
    assert write_readings(readings) == "220/004g005t-07r000p000P000h50b09900"
    assert write_readings(Readings()) == ".../...g...t..."


def test_write_at_a_place() -> None:
    readings = Readings(
        wind_direction_deg=220, wind_speed_mph=4, temperature_f=-7, humidity_pct=100
    )
    info = encode_position(49.5, -72.75, "/", "_", write_readings(readings) + " Hill")
    report = decode(info)
    assert isinstance(report, Weather)
    assert (report.readings, report.comment) == (readings, " Hill")


# The first and last value of each field, by its width and unit in the table of ch. 12.
@pytest.mark.parametrize(
    ("readings", "written"),
    [
        ({"wind_direction_deg": 1}, "001/...g...t..."),
        ({"wind_direction_deg": 360}, "360/...g...t..."),
        ({"wind_speed_mph": 0}, ".../000g...t..."),
        ({"wind_speed_mph": 999}, ".../999g...t..."),
        ({"wind_gust_mph": 0}, ".../...g000t..."),
        ({"wind_gust_mph": 999}, ".../...g999t..."),
        ({"temperature_f": -99}, ".../...g...t-99"),
        ({"temperature_f": 0}, ".../...g...t000"),
        ({"temperature_f": 999}, ".../...g...t999"),
        ({"rain_last_hour_in": 0}, ".../...g...t...r000"),
        ({"rain_last_hour_in": 9.99}, ".../...g...t...r999"),
        ({"rain_last_24h_in": 9.99}, ".../...g...t...p999"),
        ({"rain_since_midnight_in": 9.99}, ".../...g...t...P999"),
        ({"humidity_pct": 1}, ".../...g...t...h01"),
        ({"humidity_pct": 99}, ".../...g...t...h99"),
        ({"humidity_pct": 100}, ".../...g...t...h00"),
        ({"pressure_hpa": 0}, ".../...g...t...b00000"),
        ({"pressure_hpa": 9999.9}, ".../...g...t...b99999"),
        ({"luminosity_w_m2": 0}, ".../...g...t...L000"),
        ({"luminosity_w_m2": 999}, ".../...g...t...L999"),
        # "l" is for 1000 watts and more, so for what is rounded to 1000 as well.
        ({"luminosity_w_m2": 999.4}, ".../...g...t...L999"),
        ({"luminosity_w_m2": 999.5}, ".../...g...t...l000"),
        ({"luminosity_w_m2": 999.6}, ".../...g...t...l000"),
        ({"luminosity_w_m2": 1000}, ".../...g...t...l000"),
        ({"luminosity_w_m2": 1999}, ".../...g...t...l999"),
        ({"snow_last_24h_in": 0}, ".../...g...t...s000"),
        ({"snow_last_24h_in": 0.5}, ".../...g...t...s0.5"),
        ({"snow_last_24h_in": 5}, ".../...g...t...s005"),
        ({"snow_last_24h_in": 9.9}, ".../...g...t...s9.9"),
        ({"snow_last_24h_in": 9.96}, ".../...g...t...s010"),
        ({"snow_last_24h_in": 12.6}, ".../...g...t...s013"),
        ({"snow_last_24h_in": 999}, ".../...g...t...s999"),
        ({"raw_rain_counter": 0}, ".../...g...t...#000"),
        ({"raw_rain_counter": 999}, ".../...g...t...#999"),
    ],
)
def test_first_and_last_value(readings: dict[str, Any], written: str) -> None:
    assert write_readings(Readings(**readings)) == written


@pytest.mark.parametrize(
    "readings",
    [
        {"wind_direction_deg": 0},
        {"wind_direction_deg": 361},
        {"wind_speed_mph": -1},
        {"wind_speed_mph": 1000},
        {"wind_gust_mph": -1},
        {"wind_gust_mph": 1000},
        {"temperature_f": -100},
        {"temperature_f": 1000},
        {"temperature_f": float("nan")},
        {"rain_last_hour_in": -0.01},
        {"rain_last_hour_in": 10},
        {"humidity_pct": 0},
        {"humidity_pct": 101},
        {"pressure_hpa": -0.1},
        {"pressure_hpa": 10000},
        {"luminosity_w_m2": 2000},
        {"luminosity_w_m2": -1},
        {"luminosity_w_m2": float("nan")},
        {"snow_last_24h_in": -0.6},
        {"snow_last_24h_in": -1},
        {"snow_last_24h_in": 1000},
        {"snow_last_24h_in": float("inf")},
        {"raw_rain_counter": -1},
        {"raw_rain_counter": 1000},
    ],
)
def test_not_written(readings: dict[str, Any]) -> None:
    with pytest.raises(EncodeError) as refusal:
        write_readings(Readings(**readings))
    assert refusal.value.reason == "value_range"


def _maybe(low: int, high: int, divisor: int = 1) -> st.SearchStrategy[float | None]:
    whole = st.integers(low, high)
    return st.none() | (whole if divisor == 1 else whole.map(lambda number: number / divisor))


@given(
    readings=st.builds(
        Readings,
        wind_direction_deg=_maybe(1, 360),
        wind_speed_mph=_maybe(0, 999),
        wind_gust_mph=_maybe(0, 999),
        temperature_f=_maybe(-99, 999),
        rain_last_hour_in=_maybe(0, 999, 100),
        rain_last_24h_in=_maybe(0, 999, 100),
        rain_since_midnight_in=_maybe(0, 999, 100),
        raw_rain_counter=_maybe(0, 999),
        snow_last_24h_in=_maybe(0, 99, 10) | _maybe(0, 999),
        humidity_pct=_maybe(1, 100),
        pressure_hpa=_maybe(0, 99999, 10),
        luminosity_w_m2=_maybe(0, 1999),
    ),
    comment=st.sampled_from(["", " Hill", "/A=001000", "zTST"]),
)
def test_round_trip(readings: Readings, comment: str) -> None:
    report = _weather(_PLACE + write_readings(readings) + comment)
    assert report.readings == readings
    assert report.comment == comment
    assert report.conforming


@given(
    fields=st.lists(
        st.sampled_from(["r001", "p002", "P003", "h04", "b00050", "L006", "s007", "#008"]),
        unique=True,
    ),
    comment=st.text(st.characters(categories=["Lu", "Ll", "Zs"]), max_size=10).map(" {}".format),
)
def test_any_order(fields: list[str], comment: str) -> None:
    # "The remaining parameters may be in a different order."
    report = _weather(f"_10090556c220s004g005t077{''.join(fields)}{comment}")
    names = {
        "r001": ("rain_last_hour_in", 0.01),
        "p002": ("rain_last_24h_in", 0.02),
        "P003": ("rain_since_midnight_in", 0.03),
        "h04": ("humidity_pct", 4),
        "b00050": ("pressure_hpa", 5.0),
        "L006": ("luminosity_w_m2", 6),
        "s007": ("snow_last_24h_in", 7),
        "#008": ("raw_rain_counter", 8),
    }
    known = dict(names[field] for field in fields)
    for name, _ in names.values():
        assert getattr(report.readings, name) == known.get(name)
    assert report.comment == comment

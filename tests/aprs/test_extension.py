"""Data extensions (APRS 1.2c ch. 7 and 8).

Their check values, in vectors/position.toml, are read with those of positions: see test_position.
"""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aprs.expectations import told, wanted
from checkvalues import cases
from ridgepost.aprs import (
    DEFAULT_POWER_HEIGHT_GAIN,
    Area,
    Bearing,
    DirectionFinding,
    EncodeError,
    Extension,
    Place,
    Position,
    PowerHeightGain,
    RadioRange,
    Storm,
    decode,
    encode_place,
)
from ridgepost.aprs.area import make_area
from ridgepost.aprs.place import read_place

Case = dict[str, Any]


def _place(after_table: str, table: str = "/") -> Place:
    report = decode(f"!4903.50N{table}07201.75W{after_table}".encode())
    assert isinstance(report, Position)
    return report.place


def _extension(after_code: str) -> Extension | None:
    return _place(f"-{after_code}").extension


@pytest.mark.parametrize("case", cases("position", "default_range"))
def test_default_range(case: Case) -> None:
    expect = dict(case["expect"])
    range_miles = expect.pop("range_miles")
    station = DEFAULT_POWER_HEIGHT_GAIN
    assert {key: getattr(station, key) for key in expect} == expect
    assert station.range_miles == pytest.approx(range_miles, abs=0.05)


# Ch. 7, the table of PHG codes, column by column.
@pytest.mark.parametrize(
    ("code", "power_w", "height_ft"),
    list(
        zip(
            range(10),
            [0, 1, 4, 9, 16, 25, 36, 49, 64, 81],
            [10, 20, 40, 80, 160, 320, 640, 1280, 2560, 5120],
            strict=True,
        )
    ),
)
def test_phg_codes(code: int, power_w: int, height_ft: int) -> None:
    for start, strength in (("PHG", {"power_w": power_w}), ("DFS", {"signal_strength_s": code})):
        found = _extension(f"{start}{code}{code}{code}0")
        assert isinstance(found, PowerHeightGain | DirectionFinding)
        assert {key: getattr(found, key) for key in strength} == strength
        assert found.antenna_height_ft == height_ft
        assert found.directivity_omni


# Ch. 7: the codes for heights go on, the others are digits. RNG has four digits.
@pytest.mark.parametrize(
    "text", ["PHGa132", "PHG5/32", "PHG51x2", "PHG513", "phg5132", "RNG050", "RNG 050", "DFS23:0"]
)
def test_plain_comment(text: str) -> None:
    place = _place(f"-{text}")
    assert place.extension is None
    assert place.comment == text


def test_directivity_9_is_not_in_the_table() -> None:
    found = _extension("PHG5139")
    assert isinstance(found, PowerHeightGain)
    assert (found.directivity_deg, found.directivity_omni) == (None, False)


# The moon is no more than 406,700 km away (astronomy), 1.334e9 ft; heights double with each code.
def test_no_antenna_is_higher_than_the_moon() -> None:
    found = _extension("PHG5K30")
    assert isinstance(found, PowerHeightGain)
    assert found.antenna_height_ft == pytest.approx(1.334e9, rel=0.01)
    assert _extension("PHG5L30") is None


# Ch. 7: 1 to 9, then A for 10 and so on; the slash is mandatory.
@pytest.mark.parametrize(
    ("text", "rate", "comment"),
    [
        ("PHG72601/", 1, ""),
        ("PHG7260Z/Hi", 35, "Hi"),
        ("PHG7260a/Hi", None, "a/Hi"),
        ("PHG72604Hi", None, "4Hi"),
    ],
)
def test_beacon_rate(text: str, rate: int | None, comment: str) -> None:
    place = _place(f"#{text}")
    assert isinstance(place.extension, PowerHeightGain)
    assert (place.extension.beacons_per_hour, place.comment) == (rate, comment)


# Ch. 7, Bearing Accuracy: what each Q stands for.
@pytest.mark.parametrize(
    ("quality", "accuracy_deg"),
    list(enumerate([None, 240, 120, 64, 32, 16, 8, 4, 2, 1])),
)
def test_bearing_accuracy(quality: int, accuracy_deg: float | None) -> None:
    found = _place(f"\\088/036/270/70{quality}").extension
    assert isinstance(found, Bearing)
    assert (found.nrq_quality, found.bearing_accuracy_deg) == (quality, accuracy_deg)
    assert found.nrq_range_miles == 1


# Ch. 7: course 000 says that the station is fixed, any other that it moves; dots say nothing.
@pytest.mark.parametrize(
    ("extension", "fixed"),
    [
        ("000/000", True),
        ("000/...", True),
        ("088/036", False),
        (".../...", None),
        ("PHG5132", None),
    ],
)
def test_fixed_station(extension: str, fixed: bool | None) -> None:
    found = _place(f"\\{extension}/270/729").extension
    assert isinstance(found, Bearing)
    assert found.df_station_fixed is fixed


# Ch. 8: bearing, number, range and quality come after an extension, and go with the symbol /\ only.
@pytest.mark.parametrize(
    ("after_table", "table", "comment"),
    [
        ("\\/270/729", "/", "/270/729"),
        ("\\088/036/361/729", "/", "/361/729"),
        ("\\088/036/270/72", "/", "/270/72"),
        ("\\088/036/270/729", "\\", "/270/729"),
    ],
)
def test_no_bearing(after_table: str, table: str, comment: str) -> None:
    place = _place(after_table, table)
    assert place.extension is None
    assert place.comment == comment


# APRS 1.2c ch. 12 and 11: with the weather symbol the seven octets are wind, with the area symbol
# a shape. Neither is the course of anything; other extensions are what they are.
def test_wind_and_areas_are_no_course() -> None:
    wind = read_place(b"4903.50N/07201.75W_220/004Fair", 0).place
    assert (wind.course_deg, wind.speed_knots, wind.comment) == (None, None, "220/004Fair")
    area = _place("l005/005", "\\")
    assert isinstance(area.extension, Area)
    assert (area.course_deg, area.speed_knots, area.comment) == (None, None, "")
    no_area = _place("l088/0x6", "\\")
    assert (no_area.course_deg, no_area.extension, no_area.comment) == (None, None, "088/0x6")
    assert _place("_PHG5132Fair").extension == _extension("PHG5132")


# Ch. 12, Storm Data: after course and speed.
def test_storm() -> None:
    place = _place("@088/036/HC/150^200/0980>090&030%040Anna", "\\")
    assert isinstance(place.extension, Storm)
    assert place.extension.gust_knots == 200
    assert (place.course_deg, place.speed_knots, place.comment) == (88, 36, "Anna")


# Ch. 7: either half may be unknown.
@pytest.mark.parametrize(
    ("extension", "course", "speed"),
    [
        ("000/036", None, 36.0),
        (".../036", None, 36.0),
        ("088/...", 88.0, None),
        ("   /036", None, 36.0),
        ("360/000", 360.0, 0.0),
        (".../000", None, 0.0),
        ("000/000", None, None),
    ],
)
def test_course_or_speed_alone(extension: str, course: float | None, speed: float | None) -> None:
    place = _place(f">{extension}Home")
    assert (place.course_deg, place.speed_knots, place.comment) == (course, speed, "Home")


# --- encoding ------------------------------------------------------------------------------------


def _sent(symbol: str = "/-", **fields: Any) -> str:
    place = Place(
        latitude_deg=49.0,
        longitude_deg=-72.0,
        symbol_table=symbol[0],
        symbol_code=symbol[1],
        **fields,
    )
    return encode_place(place)[20:].decode()


def _phg(power_w: int, height_ft: int, gain: int, **more: Any) -> PowerHeightGain:
    return PowerHeightGain(
        power_w=power_w, antenna_height_ft=height_ft, antenna_gain_dbi=gain, **more
    )


# Ch. 7: to the nearest code; north is 360, since 000 is unknown.
@pytest.mark.parametrize(
    ("fields", "text"),
    [
        ({"course_deg": 359.7, "speed_knots": 10.4}, "360/010"),
        ({"course_deg": 88.0}, "088/..."),
        ({"speed_knots": 36.0}, "000/036"),
        ({"speed_knots": 0.0}, "000/000"),
        ({"extension": _phg(50, 30, 6, directivity_omni=True)}, "PHG7260"),
        ({"extension": _phg(5, 10, 0, directivity_deg=0)}, "PHG2008"),
        (
            {"extension": _phg(25, 20, 3, directivity_deg=90, beacons_per_hour=12)},
            "PHG5132C/",
        ),
        ({"extension": RadioRange(range_miles=49.6)}, "RNG0050"),
    ],
)
def test_written(fields: dict[str, Any], text: str) -> None:
    assert _sent(**fields) == text


_BEARING = Bearing(bearing_deg=270, nrq_number=7, nrq_range_miles=4, nrq_quality=9)
_STORM = Storm(storm_type="hurricane", storm_type_code="HC")


# What does not go together (ch. 7, 8, 11 and 12), and what the formats cannot tell.
@pytest.mark.parametrize(
    ("symbol", "fields", "reason"),
    [
        ("/-", {"course_deg": 88.0, "extension": RadioRange(range_miles=5)}, "extension"),
        ("/-", {"extension": _BEARING}, "extension"),
        ("/-", {"extension": _STORM}, "extension"),
        ("/_", {"course_deg": 88.0, "speed_knots": 36.0}, "extension"),
        ("\\l", {"course_deg": 88.0, "speed_knots": 36.0}, "extension"),
        ("/-", {"extension": _phg(25, 20, 3)}, "extension"),
        ("/-", {"course_deg": 361.0}, "value_range"),
        ("/-", {"course_deg": float("nan")}, "value_range"),
        ("/-", {"speed_knots": 1000.0}, "value_range"),
        ("/-", {"speed_knots": -1.0}, "value_range"),
        ("/-", {"extension": RadioRange(range_miles=10_000)}, "value_range"),
        ("/-", {"extension": _phg(1500, 20, 3, directivity_omni=True)}, "value_range"),
        ("/-", {"extension": _phg(25, 0, 3, directivity_omni=True)}, "value_range"),
        ("/-", {"extension": _phg(25, 20, 10, directivity_omni=True)}, "value_range"),
        # Ch. 7, PHG with a rate digit: 0 to 9 and A to Z, so 35 an hour at the most.
        (
            "/-",
            {"extension": _phg(25, 20, 3, directivity_omni=True, beacons_per_hour=36)},
            "value_range",
        ),
    ],
)
def test_not_sent(symbol: str, fields: dict[str, Any], reason: str) -> None:
    with pytest.raises(EncodeError) as refusal:
        _sent(symbol, **fields)
    assert refusal.value.reason == reason


def _optional(low: int, high: int) -> st.SearchStrategy[int | None]:
    return st.none() | st.integers(low, high)


_DIGIT = st.integers(0, 9)
_HEIGHT = st.integers(0, 27).map(lambda code: 10 * 2**code)
_DIRECTIVITY = st.sampled_from(range(45, 361, 45)) | st.none()
_SHAPES = {
    "/-": st.one_of(
        st.builds(RadioRange, range_miles=st.integers(0, 9999).map(float)),
        st.builds(
            lambda power, height_ft, gain, turn, rate: _phg(
                power**2,
                height_ft,
                gain,
                directivity_deg=turn,
                directivity_omni=turn is None,
                beacons_per_hour=rate,
            ),
            _DIGIT,
            _HEIGHT,
            _DIGIT,
            _DIRECTIVITY,
            _optional(0, 35),
        ),
        st.builds(
            lambda strength, height_ft, gain, turn: DirectionFinding(
                signal_strength_s=strength,
                antenna_height_ft=height_ft,
                antenna_gain_db=gain,
                directivity_deg=turn,
                directivity_omni=turn is None,
            ),
            _DIGIT,
            _HEIGHT,
            _DIGIT,
            _DIRECTIVITY,
        ),
    ),
    "/\\": st.builds(
        lambda bearing, number, miles, quality: Bearing(
            bearing_deg=bearing,
            nrq_number=number,
            nrq_range_miles=2**miles,
            nrq_quality=quality,
            bearing_accuracy_deg=(None, 240, 120, 64, 32, 16, 8, 4, 2, 1)[quality],
        ),
        st.integers(0, 360),
        st.integers(1, 9),
        _DIGIT,
        _DIGIT,
    ),
    "\\l": st.builds(
        lambda kind, color, north, west: make_area(kind, color, north**2 / 1500, west**2 / 1500),
        _DIGIT,
        st.integers(0, 15),
        st.integers(0, 99),
        st.integers(0, 99),
    ),
    "\\@": st.builds(
        Storm,
        storm_type=st.just("tropical storm"),
        storm_type_code=st.just("TS"),
        sustained_wind_knots=_optional(0, 999),
        gust_knots=_optional(0, 999),
        central_pressure_hpa=_optional(0, 9999),
        radius_hurricane_nm=_optional(0, 999),
        radius_tropical_storm_nm=_optional(0, 999),
        radius_whole_gale_nm=_optional(0, 999),
    ),
}


@given(st.data(), st.sampled_from(sorted(_SHAPES)))
def test_round_trip(data: st.DataObject, symbol: str) -> None:
    extension = data.draw(_SHAPES[symbol])
    place = _place(symbol[1] + _sent(symbol, extension=extension) + "!", symbol[0])
    assert place.extension == extension
    assert place.comment == "!"


@given(st.integers(1, 360), st.integers(0, 999))
def test_round_trip_of_course_and_speed(course_deg: int, speed_knots: int) -> None:
    place = _place(">" + _sent(course_deg=float(course_deg), speed_knots=float(speed_knots)) + "!")
    assert (place.course_deg, place.speed_knots, place.comment) == (course_deg, speed_knots, "!")


@pytest.mark.parametrize(
    "case", cases("position", "encode_position", where=lambda case: "extension" in case["expect"])
)
def test_encode(case: Case) -> None:
    # The octets of a check value are those after the symbol code; north is sent as 360.
    given_values: dict[str, Any] = dict(pair.split("=") for pair in case["input"].split())
    if "power_w" in given_values:
        numbers = {key: int(value) for key, value in given_values.items()}
        fields: dict[str, Any] = {"extension": PowerHeightGain(**numbers)}
    else:
        fields = {key: float(value) for key, value in given_values.items()}
    assert _sent(**fields) == case["expect"]["extension"]
    read = decode(b"!4903.50N/07201.75W-" + case["expect"]["extension"].encode())
    as_read = {key: float(value) for key, value in given_values.items() if value != "0"}
    assert told(read, as_read) == wanted(as_read)

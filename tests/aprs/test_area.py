"""Areas: the shapes behind objects (APRS 1.2c ch. 11). Check values: vectors/position.toml."""

import math
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from aprs.expectations import wanted
from checkvalues import cases, input_octets
from ridgepost.aprs import EncodeError, Object, decode
from ridgepost.aprs.area import make_area, read_area, write_area

Case = dict[str, Any]

# Octets of an object up to its symbol code: identifier, name, mark, time, place, code.
_HEAD = 1 + 9 + 1 + 7 + 19


@pytest.mark.parametrize(
    "case", cases("position", "decode", where=lambda case: "area_type" in case["expect"])
)
def test_read(case: Case) -> None:
    found = read_area(input_octets(case)[_HEAD:])
    assert found is not None
    area, length = found
    expect = {name: value for name, value in case["expect"].items() if hasattr(area, name)}
    assert len(expect) >= 9
    assert {name: getattr(area, name) for name in expect} == wanted(expect)
    assert length == 7


# APRS 1.2c ch. 11, the table of types and colors.
def test_every_type_and_color() -> None:
    types, colors = set(), {}
    for type_code in range(10):
        for color_code in range(16):
            color = f"/{color_code}" if color_code < 10 else str(color_code)
            found = read_area(f"{type_code}10{color}10".encode())
            assert found is not None
            types.add(found[0].area_type)
            colors[color_code] = (found[0].area_color, found[0].area_intensity)
    assert len(types) == 10
    assert len(set(colors.values())) == 16
    for low in range(8):
        assert colors[low][0] == colors[low + 8][0]
        assert (colors[low][1], colors[low + 8][1]) == ("high", "low")


@pytest.mark.parametrize(
    "after_code",
    [b"", b"710/31", b"710/3 1", b"7101610", b"710 310", b"a10/310", b"088/036"[:6], b"71003 10"],
)
def test_no_area(after_code: bytes) -> None:
    assert read_area(after_code) is None


# APRS 1.2c ch. 11: only the two lines have a corridor.
@pytest.mark.parametrize(
    ("after_code", "miles"),
    [
        (b"610/310{100}", 100),
        (b"110/310Road {5} closed", 5),
        (b"610/310{1000}", None),
        (b"610/310{}", None),
        (b"710/310{100}", None),
        (b"610/310", None),
    ],
)
def test_corridor(after_code: bytes, miles: int | None) -> None:
    found = read_area(after_code)
    assert found is not None
    assert found[0].corridor_miles == miles


# The printed examples of APRS 1.2c ch. 11: offsets of 4 minutes.
@pytest.mark.parametrize(
    ("type_code", "color_code", "written"),
    [(7, 3, "710/310"), (8, 13, "8101310"), (6, 3, "610/310")],
)
def test_write(type_code: int, color_code: int, written: str) -> None:
    assert write_area(type_code, color_code, 4 / 60, 4 / 60) == written


@given(st.integers(0, 9), st.integers(0, 15), st.floats(0, 6.534), st.floats(0, 6.534))
def test_written_and_read(
    type_code: int, color_code: int, latitude: float, longitude: float
) -> None:
    found = read_area(write_area(type_code, color_code, latitude, longitude).encode())
    assert found is not None
    area = found[0]
    assert (area.area_type_code, area.area_color_code) == (type_code, color_code)
    assert make_area(type_code, color_code, latitude, longitude) == area
    # The codes are square roots: as good as half a code.
    for sent, read in (
        (latitude, area.latitude_offset_deg),
        (longitude, area.longitude_offset_deg),
    ):
        assert abs(math.sqrt(read * 1500) - math.sqrt(sent * 1500)) <= 0.5 + 1e-9


@pytest.mark.parametrize(
    "values",
    [
        (10, 0, 1.0, 1.0),
        (-1, 0, 1.0, 1.0),
        (0, 16, 1.0, 1.0),
        (0, -1, 1.0, 1.0),
        (0, 0, 6.6, 1.0),
        (0, 0, 1.0, -0.1),
        (0, 0, math.nan, 1.0),
    ],
)
def test_not_written(values: tuple[int, int, float, float]) -> None:
    for of_values in (write_area, make_area):
        with pytest.raises(EncodeError) as refusal:
            of_values(*values)
        assert refusal.value.reason == "value_range"


def test_an_area_at_its_place() -> None:
    report = decode(b";SEARCH   *092345z4903.50N\\07201.75Wl710/310Lake")
    assert isinstance(report, Object)
    assert report.place.comment == "Lake"
    assert isinstance(report.place.extension, msgspec.Struct)

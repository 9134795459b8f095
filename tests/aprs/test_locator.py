"""Maidenhead locators. Check values: vectors/position.toml, op grid and to_grid."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aprs.expectations import wanted
from checkvalues import cases, input_octets
from ridgepost.aprs.locator import locator_of, read_locator

Case = dict[str, Any]


@pytest.mark.parametrize(
    "case", cases("position", "grid", where=lambda case: "valid" not in case["expect"])
)
def test_read(case: Case) -> None:
    locator = read_locator(input_octets(case))
    assert locator is not None
    expect = {key: float(value) for key, value in case["expect"].items()}
    assert {key: getattr(locator, key) for key in expect} == wanted(expect)
    assert locator.grid == case["input"].upper()


@pytest.mark.parametrize(
    "case", cases("position", "grid", where=lambda case: "valid" in case["expect"])
)
def test_refuse(case: Case) -> None:
    assert read_locator(input_octets(case)) is None


@pytest.mark.parametrize("case", cases("position", "to_grid"))
def test_write(case: Case) -> None:
    latitude, longitude = case["input"].split()
    assert locator_of(float(latitude), float(longitude)) == case["expect"]["grid"]


# Geometry: what is on an edge belongs to the north and east of it, but there is none at the ends.
@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "grid"),
    [
        (0.0, 0.0, "JJ00AA"),
        (-1e-6, -1e-6, "II99XX"),
        (-90.0, -180.0, "AA00AA"),
        (90.0, 180.0, "RR99XX"),
        (51.0, -2.0, "IO91AA"),
    ],
)
def test_edges(latitude_deg: float, longitude_deg: float, grid: str) -> None:
    assert locator_of(latitude_deg, longitude_deg) == grid


@pytest.mark.parametrize("point", [(90.1, 0.0), (0.0, -180.1), (float("nan"), 0.0)])
def test_no_point_on_earth(point: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="no latitude and longitude"):
        locator_of(*point)


@given(st.floats(-90, 90), st.floats(-180, 180))
def test_a_point_is_in_its_rectangle(latitude_deg: float, longitude_deg: float) -> None:
    locator = read_locator(locator_of(latitude_deg, longitude_deg).encode())
    assert locator is not None
    assert locator.south_deg - 1e-9 <= latitude_deg <= locator.north_deg
    assert locator.west_deg - 1e-9 <= longitude_deg <= locator.east_deg
    # Its own corner and centre are in it as well.
    assert locator_of(locator.south_deg, locator.west_deg) == locator.grid
    assert locator_of(locator.center_latitude_deg, locator.center_longitude_deg) == locator.grid

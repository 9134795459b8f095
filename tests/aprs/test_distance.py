"""Distances and locator rectangles against a general geodesy library (geographiclib, WGS-84)."""

import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st

from ridgepost.aprs import great_circle_miles
from ridgepost.aprs.locator import locator_of, read_locator

METRES_PER_MILE = 1609.344  # by definition

latitudes = st.floats(-89.0, 89.0)
longitudes = st.floats(-180.0, 180.0)


def geodesic_miles(south: float, west: float, north: float, east: float) -> float:
    return float(Geodesic.WGS84.Inverse(south, west, north, east)["s12"]) / METRES_PER_MILE


@given(latitudes, longitudes, latitudes, longitudes)
def test_the_sphere_is_within_its_error_of_the_ellipsoid(
    latitude: float, longitude: float, to_latitude: float, to_longitude: float
) -> None:
    """A sphere instead of the ellipsoid costs up to 0.56 % (common practice: 0.5 %)."""
    exact = geodesic_miles(latitude, longitude, to_latitude, to_longitude)
    sphere = great_circle_miles(latitude, longitude, to_latitude, to_longitude)
    assert sphere == pytest.approx(exact, rel=0.0057, abs=0.01)


@given(st.floats(-89.9, 89.9), st.floats(-179.99, 179.99))
def test_a_locator_holds_its_place_and_has_its_size(latitude: float, longitude: float) -> None:
    """A rectangle of six characters is 2.5 by 5 minutes of arc (Maidenhead, 1980, from memory)."""
    locator = read_locator(locator_of(latitude, longitude).encode())
    assert locator is not None
    assert locator.south_deg - 1e-9 <= latitude <= locator.north_deg + 1e-9
    assert locator.west_deg - 1e-9 <= longitude <= locator.east_deg + 1e-9
    height = geodesic_miles(locator.south_deg, longitude, locator.north_deg, longitude)
    # A degree of latitude is 110.57 km at the equator and 111.69 km at the poles (WGS-84).
    assert height * METRES_PER_MILE / 1000 + 1e-3 >= 110.57 / 24
    assert height * METRES_PER_MILE / 1000 <= 111.70 / 24
    reach = geodesic_miles(
        locator.center_latitude_deg, locator.center_longitude_deg, latitude, longitude
    )
    assert reach <= 4.2  # half of the diagonal at the equator: 2.3 km and 4.6 km in miles, and some

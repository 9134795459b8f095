"""Distance over the ground."""

from math import asin, cos, radians, sin, sqrt

# Mean radius of the earth, 6371.0 km, in statute miles.
EARTH_RADIUS_MILES = 3958.8


def great_circle_miles(
    latitude_deg: float,
    longitude_deg: float,
    other_latitude_deg: float,
    other_longitude_deg: float,
) -> float:
    """Return the distance in statute miles on a sphere, north and east positive (haversine)."""
    latitude, other_latitude = radians(latitude_deg), radians(other_latitude_deg)
    half_chord_squared = (
        sin((other_latitude - latitude) / 2) ** 2
        + cos(latitude)
        * cos(other_latitude)
        * sin(radians(other_longitude_deg - longitude_deg) / 2) ** 2
    )
    # Rounding can push the value past 1 for points on opposite sides of the earth.
    return 2 * EARTH_RADIUS_MILES * asin(sqrt(min(1.0, half_chord_squared)))

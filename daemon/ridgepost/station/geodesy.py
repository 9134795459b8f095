"""Distances and bearings on the WGS-84 ellipsoid, by the geodesics of GeographicLib (C. F. F.
Karney, Algorithms for geodesics, J. Geodesy 87, 2013)."""

from geographiclib.geodesic import Geodesic

_ANSWER = Geodesic.DISTANCE | Geodesic.AZIMUTH
_WINDS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")


def distance_and_bearing(
    latitude_deg: float, longitude_deg: float, to_latitude_deg: float, to_longitude_deg: float
) -> tuple[float, float]:
    """Metres along the geodesic, and the direction in which it sets out, in degrees true from 0 up
    to 360."""
    line = Geodesic.WGS84.Inverse(
        latitude_deg, longitude_deg, to_latitude_deg, to_longitude_deg, _ANSWER
    )
    return line["s12"], line["azi1"] % 360.0


def wind(bearing_deg: float) -> str:
    """The nearest of the eight principal winds: 'NE' for 50 degrees."""
    return _WINDS[round(bearing_deg / 45.0) % 8]

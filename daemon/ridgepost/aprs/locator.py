"""The Maidenhead locator: four or six characters for a rectangle on the earth."""

import math
import re
from typing import Final

import msgspec

_LOCATOR = re.compile(rb"[A-R]{2}[0-9]{2}(?:[A-X]{2})?")

_FIELD_DEG = (10.0, 20.0)  # height and width of the rectangle that the first pair names
_SQUARE_DEG = (1.0, 2.0)
_SUBSQUARE_DEG = (1 / 24, 2 / 24)

# Subsquares from pole to pole, and around the world; what is on an edge belongs to the north and
# the east of it, and arithmetic is right to this much of a subsquare.
_SUBSQUARES: Final = 18 * 10 * 24
_FLOAT_ERROR: Final = 1e-9


class Locator(msgspec.Struct, frozen=True, kw_only=True):
    """A locator in upper case, and the edges and centre of its rectangle."""

    grid: str
    south_deg: float
    west_deg: float
    north_deg: float
    east_deg: float

    @property
    def center_latitude_deg(self) -> float:
        """Latitude of the middle of the rectangle."""
        return (self.south_deg + self.north_deg) / 2

    @property
    def center_longitude_deg(self) -> float:
        """Longitude of the middle of the rectangle."""
        return (self.west_deg + self.east_deg) / 2


def read_locator(octets: bytes) -> Locator | None:
    """Read a locator of four or six characters in any case (APRS 1.2c ch. 16); None if it is none.

    Each pair divides the rectangle of the pair before it, longitude first.
    """
    upper = octets.upper()
    if not _LOCATOR.fullmatch(upper):
        return None
    height, width = _SQUARE_DEG
    west = -180.0 + (upper[0] - ord("A")) * _FIELD_DEG[1] + (upper[2] - ord("0")) * width
    south = -90.0 + (upper[1] - ord("A")) * _FIELD_DEG[0] + (upper[3] - ord("0")) * height
    if len(upper) == 6:
        height, width = _SUBSQUARE_DEG
        west += (upper[4] - ord("A")) * width
        south += (upper[5] - ord("A")) * height
    return Locator(
        grid=upper.decode(),
        south_deg=south,
        west_deg=west,
        north_deg=south + height,
        east_deg=west + width,
    )


def locator_of(latitude_deg: float, longitude_deg: float) -> str:
    """Return the locator of six characters that a point is in; north and east are positive.

    Raises ValueError for what is no point on the earth.
    """
    if not (-90 <= latitude_deg <= 90 and -180 <= longitude_deg <= 180):
        raise ValueError(f"{latitude_deg}, {longitude_deg} is no latitude and longitude")
    north = _subsquare((latitude_deg + 90) / _SUBSQUARE_DEG[0])
    east = _subsquare((longitude_deg + 180) / _SUBSQUARE_DEG[1])
    pairs = zip(_split(east), _split(north), strict=True)
    return "".join(f"{first}{second}" for first, second in pairs)


def _subsquare(count: float) -> int:
    # The pole and the date line have no north and east.
    return min(math.floor(count + _FLOAT_ERROR), _SUBSQUARES - 1)


def _split(subsquare: int) -> tuple[str, str, str]:
    square, last = divmod(subsquare, 24)
    field, middle = divmod(square, 10)
    return chr(ord("A") + field), str(middle), chr(ord("A") + last)

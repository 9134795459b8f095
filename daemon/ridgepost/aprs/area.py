r"""The shape behind the symbol `\l`: seven octets `Tyy/Cxx` (APRS 1.2c ch. 11, Area Objects)."""

import math
import re
from typing import Final

from ridgepost.aprs.parts import Area
from ridgepost.aprs.writing import EncodeError

LENGTH: Final = 7

# The scale of 1.1 and later; 1.0.1 had 100.
_STEPS_PER_DEG: Final = 1500
_LAST_STEP: Final = 99

_TYPES: Final = (
    "open circle",
    "line down/right",
    "open ellipse",
    "open triangle",
    "open box",
    "filled circle",
    "line down/left",
    "filled ellipse",
    "filled triangle",
    "filled box",
)
_LINES: Final = frozenset({1, 6})
_COLORS: Final = ("black", "blue", "green", "cyan", "red", "violet", "yellow", "gray")

# From 10 on the color takes the place of the slash as well.
_AREA = re.compile(rb"([0-9])([0-9]{2})(?:/([0-9])|(1[0-5]))([0-9]{2})")
_CORRIDOR = re.compile(rb"\{([0-9]{1,3})\}")


def read_area(after_code: bytes) -> tuple[Area, int] | None:
    """Read the shape that starts `after_code`: what follows the symbol code, comment included.

    Returns the shape and its length in octets; None if there is none. The corridor beside a line
    is told by the comment, and stays part of it.
    """
    found = _AREA.match(after_code)
    if not found:
        return None
    type_code = int(found[1])
    corridor = _CORRIDOR.search(after_code, LENGTH) if type_code in _LINES else None
    area = _area(type_code, int(found[3] or found[4]), int(found[2]), int(found[5]), corridor)
    return area, LENGTH


def make_area(
    type_code: int, color_code: int, latitude_offset_deg: float, longitude_offset_deg: float
) -> Area:
    """Make a shape from its codes, 0 to 9 and 0 to 15, and its offsets, 0 to 6.534 degrees.

    Offsets are rounded to what can be sent. Raises EncodeError.
    """
    if not 0 <= type_code < len(_TYPES) or not 0 <= color_code < 2 * len(_COLORS):
        raise EncodeError("value_range", f"no area of type {type_code} and color {color_code}")
    return _area(type_code, color_code, _step(latitude_offset_deg), _step(longitude_offset_deg))


def write_area(
    type_code: int, color_code: int, latitude_offset_deg: float, longitude_offset_deg: float
) -> str:
    """Write the seven octets of a shape; the corridor beside a line goes into the comment.

    Raises EncodeError.
    """
    area = make_area(type_code, color_code, latitude_offset_deg, longitude_offset_deg)
    color = str(color_code) if color_code >= 10 else f"/{color_code}"
    return f"{type_code}{area.latitude_offset_code:02d}{color}{area.longitude_offset_code:02d}"


def _area(
    type_code: int,
    color_code: int,
    latitude_code: int,
    longitude_code: int,
    corridor: re.Match[bytes] | None = None,
) -> Area:
    return Area(
        area_type_code=type_code,
        area_type=_TYPES[type_code],
        area_color_code=color_code,
        area_color=_COLORS[color_code % len(_COLORS)],
        area_intensity="high" if color_code < len(_COLORS) else "low",
        latitude_offset_code=latitude_code,
        longitude_offset_code=longitude_code,
        latitude_offset_deg=latitude_code**2 / _STEPS_PER_DEG,
        longitude_offset_deg=longitude_code**2 / _STEPS_PER_DEG,
        corridor_miles=int(corridor[1]) if corridor else None,
    )


def _step(offset_deg: float) -> int:
    if not 0 <= offset_deg <= _LAST_STEP**2 / _STEPS_PER_DEG:
        raise EncodeError("value_range", f"{offset_deg} degrees are no offset of an area")
    return round(math.sqrt(offset_deg * _STEPS_PER_DEG))

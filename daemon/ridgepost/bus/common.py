"""What all payloads share."""

from typing import Annotated

import msgspec

from ridgepost.aprs.units import KMH_PER_KNOT

SCHEMA = 1
"""Version of the payloads; it changes when a reader of the old ones would be misled."""

SchemaVersion = Annotated[int, msgspec.Meta(extra_json_schema={"const": SCHEMA})]

Time = Annotated[str, msgspec.Meta(extra_json_schema={"format": "date-time"})]
"""RFC 3339, in UTC and to the millisecond."""


def kmh(speed_knots: float | None) -> float | None:
    """Knots of the air in the unit of the bus."""
    return None if speed_knots is None else round(speed_knots * KMH_PER_KNOT, 1)

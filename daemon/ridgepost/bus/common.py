"""What all payloads share."""

from typing import Annotated

import msgspec

SCHEMA = 1
"""Version of the payloads; it changes when a reader of the old ones would be misled."""

SchemaVersion = Annotated[int, msgspec.Meta(extra_json_schema={"const": SCHEMA})]

Time = Annotated[str, msgspec.Meta(extra_json_schema={"format": "date-time"})]
"""RFC 3339, in UTC and to the millisecond."""

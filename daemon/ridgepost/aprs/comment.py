"""What a comment holds besides text for people (APRS 1.2c ch. 5 and 6)."""

import re

import msgspec

from ridgepost.aprs.comment_telemetry import read_comment_telemetry
from ridgepost.aprs.frequency import read_frequency
from ridgepost.aprs.parts import CommentTelemetry, Frequency, Precision
from ridgepost.aprs.precision import read_precision
from ridgepost.aprs.writing import EncodeError

# Six digits, or five after a minus (ch. 6, Altitude in Comment Text).
_ALTITUDE = re.compile(rb"/A=([0-9]{6}|-[0-9]{5})")


# Without one of these there is nothing: altitude, !DAO!, telemetry, a frequency's point, D-STAR.
_MARK = re.compile(rb"[/!|.]|D-STAR")


class InComment(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What was found in a comment; None where it is missing."""

    altitude_ft: float | None = None
    precision: Precision | None = None
    telemetry: CommentTelemetry | None = None
    frequency: Frequency | None = None


_NOTHING = InComment()


def read_comment(octets: bytes, text: str) -> InComment:
    """Read what `octets`, the comment as received, hold; `text` is the same as characters."""
    if not _MARK.search(octets):
        return _NOTHING
    return InComment(
        altitude_ft=read_altitude(octets),
        precision=read_precision(octets),
        telemetry=read_comment_telemetry(octets),
        frequency=read_frequency(text),
    )


def read_altitude(octets: bytes) -> float | None:
    """Return the altitude in feet that is written in a comment; None if there is none."""
    if b"/A=" not in octets:
        return None
    found = _ALTITUDE.search(octets)
    return float(found[1]) if found else None


def write_altitude(altitude_ft: float) -> str:
    """Write an altitude in whole feet, from -99,999 to 999,999. Raises EncodeError."""
    if not -99_999 <= altitude_ft <= 999_999:
        raise EncodeError(
            "altitude", f"an altitude is from -99999 to 999999 feet, not {altitude_ft:g}"
        )
    return f"/A={round(altitude_ft):06d}"

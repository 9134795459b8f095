"""!DAO! in a comment: the datum, and digits beyond a hundredth of a minute (APRS 1.2c ch. 5)."""

import re
from typing import Final

from ridgepost.aprs.base91 import decode_base91, encode_base91
from ridgepost.aprs.parts import Precision

# The letters that the standard gives a meaning; others are told as they are.
_DATUMS: Final = {"N": "NAD27", "O": "OSGB36", "W": "WGS84"}

LENGTH: Final = 5

# In upper case a datum goes with decimal digits, in lower case with base 91; blanks add nothing. It
# is not said how the digits of a local datum, 0 to 9, are to be read. The last ! is only looked at,
# so that it can be the first ! of the next field.
_PRECISION = re.compile(rb"!([A-Z](?:[0-9]{2}|  )|[a-z](?:[!-{]{2}|  )|[0-9]  )(?=!)")
_UNREADABLE = re.compile(rb"![A-Z0-9][0-9A-Za-z ]{2}!")

# The base-91 digits of telemetry are no text, but can look like such a field.
_TELEMETRY = re.compile(rb"\|(?:[!-{]{2}){2,7}(?=\|)")

# A base-91 digit, times 1.10, counts ten-thousandths of a minute; the highest is 90.
_MIN_PER_STEP: Final = 1.1 / 10_000
_LAST_STEP: Final = 90


def read_precision(comment: bytes) -> Precision | None:
    """Read the precision and datum in `comment`; None if there are none.

    They are best put at the end of all other text, so of several the last is meant.
    """
    if comment.count(b"!") < 2:
        return None
    text = _TELEMETRY.sub(b"", comment)
    fields = _PRECISION.findall(text)
    if fields:
        field: bytes = fields[-1]
        return Precision(
            datum=_datum(field[:1]),
            latitude_added_min=_added_min(field, 1),
            longitude_added_min=_added_min(field, 2),
        )
    return Precision(dao_valid=False) if _UNREADABLE.search(text) else None


def write_precision(latitude_added_min: float, longitude_added_min: float) -> str:
    """Write the base-91 form for WGS84, to be put at the end of a comment.

    What is added to latitude and longitude is from 0 to 0.01 minutes, rounded to the nearest step.
    """
    return f"!w{_digit(latitude_added_min)}{_digit(longitude_added_min)}!"


def _datum(letter: bytes) -> str:
    name = letter.decode().upper()
    return _DATUMS.get(name, name)


def _added_min(field: bytes, at: int) -> float:
    digit = field[at : at + 1]
    if digit == b" ":
        return 0.0
    if field[:1].isupper():
        return int(digit) / 1000
    # 11 / 100,000 rather than 1.1 / 10,000: one rounding less.
    return (decode_base91(digit) or 0) * 11 / 100_000


def _digit(added_min: float) -> str:
    return encode_base91(min(round(added_min / _MIN_PER_STEP), _LAST_STEP), 1).decode()

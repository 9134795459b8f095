"""The timestamps of APRS 1.2c ch. 6: day or hour first with an indicator, or month first."""

from ridgepost.aprs.packet import Broken
from ridgepost.aprs.parts import Timestamp
from ridgepost.aprs.report import BrokenReason
from ridgepost.aprs.writing import EncodeError

LENGTH = 7
MONTH_LENGTH = 8

# February has 29: a timestamp names no year.
_DAYS_IN_MONTH = (31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)


def read_timestamp(field: bytes, offset: int = 0) -> Timestamp:
    """Read the seven octets of a day/hours/minutes (z or /) or hours/minutes/seconds (h) time.

    `offset` is where `field` starts in the information field. Raises Broken.
    """
    if len(field) != LENGTH:
        raise Broken("format", offset + min(len(field), LENGTH))
    first, second, third = _pairs(field[:6], offset)
    indicator = field[6:]
    if indicator == b"h":
        return Timestamp(
            hour=_within(first, 0, 23, "hour_range", offset),
            minute=_within(second, 0, 59, "minute_range", offset + 2),
            second=_within(third, 0, 59, "second_range", offset + 4),
            time_zone="zulu",
        )
    if indicator not in {b"z", b"/"}:
        raise Broken("indicator", offset + 6)
    return Timestamp(
        day=_within(first, 1, 31, "day_range", offset),
        hour=_within(second, 0, 23, "hour_range", offset + 2),
        minute=_within(third, 0, 59, "minute_range", offset + 4),
        time_zone="zulu" if indicator == b"z" else "local",
    )


def read_month_timestamp(field: bytes, offset: int = 0) -> Timestamp:
    """Read the eight octets of a month/day/hours/minutes time, used by weather stations only.

    `offset` is where `field` starts in the information field. Raises Broken.
    """
    if len(field) != MONTH_LENGTH:
        raise Broken("format", offset + min(len(field), MONTH_LENGTH))
    month, day, hour, minute = _pairs(field, offset)
    _within(month, 1, 12, "month_range", offset)
    return Timestamp(
        month=month,
        day=_within(day, 1, _DAYS_IN_MONTH[month - 1], "day_range", offset + 2),
        hour=_within(hour, 0, 23, "hour_range", offset + 4),
        minute=_within(minute, 0, 59, "minute_range", offset + 6),
        time_zone="zulu",
    )


def write_timestamp(time: Timestamp) -> str:
    """Write a time in the form that has its parts: month, day or second first.

    Zulu time is what should be sent. Raises EncodeError for a time that no form has.
    """
    if time.month is not None:
        text = f"{_two(time.month)}{_two(time.day)}{_two(time.hour)}{_two(time.minute)}"
        read = read_month_timestamp
    elif time.day is not None:
        indicator = "z" if time.time_zone == "zulu" else "/"
        text = f"{_two(time.day)}{_two(time.hour)}{_two(time.minute)}{indicator}"
        read = read_timestamp
    else:
        text = f"{_two(time.hour)}{_two(time.minute)}{_two(time.second)}h"
        read = read_timestamp
    try:
        told = read(text.encode())
    except Broken as broken:
        raise EncodeError("timestamp", f"{text} is no time ({broken.reason})") from None
    if told != time:
        raise EncodeError("timestamp", f"there is no form for all of {time}")
    return text


def _two(value: int | None) -> str:
    return "--" if value is None else f"{value:02d}"


def _pairs(digits: bytes, offset: int) -> list[int]:
    if not digits.isdigit():
        raise Broken("format", offset + len(digits) - len(digits.lstrip(b"0123456789")))
    return [int(digits[at : at + 2]) for at in range(0, len(digits), 2)]


def _within(value: int, low: int, high: int, reason: BrokenReason, offset: int) -> int:
    if not low <= value <= high:
        raise Broken(reason, offset)
    return value

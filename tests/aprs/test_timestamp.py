"""Timestamps. Check values: vectors/position.toml, op timestamp (APRS 1.2c ch. 6)."""

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from checkvalues import cases, input_octets
from ridgepost.aprs.packet import Broken
from ridgepost.aprs.parts import Timestamp
from ridgepost.aprs.timestamp import read_month_timestamp, read_timestamp, write_timestamp
from ridgepost.aprs.writing import EncodeError

Case = dict[str, Any]


def _read(field: bytes) -> Timestamp:
    return read_month_timestamp(field) if len(field) == 8 else read_timestamp(field)


@pytest.mark.parametrize(
    "case", cases("position", "timestamp", where=lambda case: "valid" not in case["expect"])
)
def test_read(case: Case) -> None:
    assert _read(input_octets(case)) == Timestamp(**case["expect"])


@pytest.mark.parametrize(
    "case", cases("position", "timestamp", where=lambda case: "valid" not in case["expect"])
)
def test_write(case: Case) -> None:
    assert write_timestamp(Timestamp(**case["expect"])) == case["input"]


# Ch. 6 has no form for these.
@pytest.mark.parametrize(
    "time",
    [
        Timestamp(hour=23, minute=45, time_zone="zulu"),
        Timestamp(hour=23, minute=45, second=17, time_zone="local"),
        Timestamp(day=9, hour=23, minute=45, second=17, time_zone="zulu"),
        Timestamp(month=10, day=9, hour=23, minute=45, time_zone="local"),
        Timestamp(month=10, hour=23, minute=45, time_zone="zulu"),
        Timestamp(day=32, hour=23, minute=45, time_zone="zulu"),
        Timestamp(day=-1, hour=23, minute=45, time_zone="zulu"),
        Timestamp(day=9, hour=123, minute=45, time_zone="zulu"),
        Timestamp(hour=23, minute=45, second=60, time_zone="zulu"),
    ],
)
def test_not_sent(time: Timestamp) -> None:
    with pytest.raises(EncodeError) as refusal:
        write_timestamp(time)
    assert refusal.value.reason == "timestamp"


@pytest.mark.parametrize(
    "case", cases("position", "timestamp", where=lambda case: "valid" in case["expect"])
)
def test_refuse(case: Case) -> None:
    with pytest.raises(Broken) as broken:
        _read(input_octets(case))
    assert broken.value.reason == case["expect"]["reason"]


# The length of the months (calendar); a year is not known, so 29 February can be.
@pytest.mark.parametrize(
    ("month", "days"),
    list(enumerate([31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31], start=1)),
)
def test_days_of_a_month(month: int, days: int) -> None:
    assert read_month_timestamp(b"%02d%02d2345" % (month, days)).day == days
    with pytest.raises(Broken):
        read_month_timestamp(b"%02d%02d2345" % (month, days + 1))


def test_the_offset_is_that_of_the_part_that_is_wrong() -> None:
    for field, offset in [(b"092460z", 12), (b"235960h", 14), (b"0923A5z", 14), (b"092345x", 16)]:
        with pytest.raises(Broken) as broken:
            read_timestamp(field, offset=10)
        assert broken.value.offset == offset


# Ch. 6: hours to 23, minutes and seconds to 59, days and months from 1.
@pytest.mark.parametrize(
    "field",
    [
        *(b"000000h", b"235959h"),
        *(b"010000z", b"312359z", b"010000/", b"312359/"),
        *(b"01010000", b"12312359"),
    ],
)
def test_first_and_last(field: bytes) -> None:
    time = _read(field)
    parts = (time.month, time.day, time.hour, time.minute, time.second)
    digits = field.decode().rstrip("hz/")
    assert [part for part in parts if part is not None] == [
        int(digits[at : at + 2]) for at in range(0, len(digits), 2)
    ]
    assert write_timestamp(time) == field.decode()


# One more or less than the first and last of ch. 6, and what has another form.
@pytest.mark.parametrize(
    ("field", "reason", "offset"),
    [
        (b"240000h", "hour_range", 0),
        (b"006000h", "minute_range", 2),
        (b"000060h", "second_range", 4),
        (b"000000z", "day_range", 0),
        (b"320000z", "day_range", 0),
        (b"012400z", "hour_range", 2),
        (b"010060z", "minute_range", 4),
        (b"00010000", "month_range", 0),
        (b"13010000", "month_range", 0),
        (b"01000000", "day_range", 2),
        (b"01320000", "day_range", 2),
        (b"01012400", "hour_range", 4),
        (b"01010060", "minute_range", 6),
        (b"0923455", "indicator", 6),
        (b"0x2345z", "format", 1),
        (b"092345", "format", 6),
        (b"1009x345", "format", 4),
    ],
)
def test_where_reading_stopped(field: bytes, reason: str, offset: int) -> None:
    read = read_month_timestamp if len(field) == 8 else read_timestamp
    with pytest.raises(Broken) as broken:
        read(field)
    assert (broken.value.reason, broken.value.offset) == (reason, offset)
    with pytest.raises(Broken) as broken:
        read(field, 10)
    assert (broken.value.reason, broken.value.offset) == (reason, 10 + offset)


# Seven octets, or eight with a month: the last that belongs to the field is where it is wrong.
@pytest.mark.parametrize(
    ("field", "read", "offset"),
    [
        (b"092345zz", read_timestamp, 7),
        (b"1009234", read_month_timestamp, 7),
        (b"100923456", read_month_timestamp, 8),
    ],
)
def test_other_lengths(field: bytes, read: Callable[[bytes, int], Timestamp], offset: int) -> None:
    with pytest.raises(Broken) as broken:
        read(field, 10)
    assert (broken.value.reason, broken.value.offset) == ("format", 10 + offset)


@given(st.integers(1, 31), st.integers(0, 23), st.integers(0, 59), st.sampled_from("z/"))
def test_every_day_hour_minute(day: int, hour: int, minute: int, indicator: str) -> None:
    time = read_timestamp(f"{day:02d}{hour:02d}{minute:02d}{indicator}".encode())
    assert (time.day, time.hour, time.minute) == (day, hour, minute)
    assert time.time_zone == ("zulu" if indicator == "z" else "local")
    assert (time.month, time.second) == (None, None)

"""Maidenhead locator beacons. Check values: vectors/position.toml (APRS 1.2c ch. 8)."""

from typing import Any

import pytest

from aprs.expectations import told, wanted
from checkvalues import cases, input_octets
from ridgepost.aprs import GridBeacon, Unreadable, decode

Case = dict[str, Any]


@pytest.mark.parametrize(
    "case",
    cases("position", "decode", where=lambda case: case["expect"].get("kind") == "grid"),
)
def test_decode(case: Case) -> None:
    report = decode(input_octets(case))
    assert told(report, case["expect"]) == wanted(case["expect"])
    assert report.info == input_octets(case)
    assert report.conforming


@pytest.mark.parametrize(
    ("info", "departures"),
    [
        (b"[io91sx] Hello", ("lower_case_locator",)),  # ch. 16 sends upper case
        (b"[IO91SX]\r", ("trailing_line_end",)),
        (b"[IO91]Hel\x07lo", ("control_characters",)),
        # Ch. 8 gives its comment no limit, as it gives the others one of 43 characters.
        (b"[IO91SX]" + b"A" * 240, ()),
    ],
)
def test_departures(info: bytes, departures: tuple[str, ...]) -> None:
    report = decode(info)
    assert isinstance(report, GridBeacon)
    assert report.departures == departures
    assert report.grid in {"IO91", "IO91SX"}


# Four or six characters, and a bracket (ch. 8).
@pytest.mark.parametrize(
    ("info", "reason", "offset"),
    [
        (b"[", "too_short", 1),
        (b"[IO91SX", "too_short", 7),
        (b"[IO91SX00] Hello", "format", 7),
        (b"[Hello there", "format", 7),
        (b"[]", "format", 1),
        (b"[IO91S]", "format", 1),
        (b"[ZZ99]", "format", 1),
    ],
)
def test_refuse(info: bytes, reason: str, offset: int) -> None:
    report = decode(info)
    assert isinstance(report, Unreadable)
    assert (report.reason, report.offset) == (reason, offset)

"""Bearings as a direction finder sends them (APRS 1.2c Appendix 1, Agrelo Format)."""

import pytest

from ridgepost.aprs import DirectionFinder, Unreadable, decode


@pytest.mark.parametrize(
    ("info", "bearing_deg", "quality"),
    [(b"%123/4", 123, 4), (b"%000/0", 0, 0), (b"%360/9\r\n", 360, 9)],
)
def test_decode(info: bytes, bearing_deg: int, quality: int) -> None:
    report = decode(info)
    assert isinstance(report, DirectionFinder)
    assert (report.bearing_deg, report.bearing_quality) == (bearing_deg, quality)


@pytest.mark.parametrize(
    ("info", "reason"),
    [
        (b"%", "format"),
        (b"%12/4", "format"),
        (b"%123.4", "format"),
        (b"%123/4 Hill", "format"),
        (b"%361/4", "bearing_range"),
    ],
)
def test_broken(info: bytes, reason: str) -> None:
    report = decode(info)
    assert isinstance(report, Unreadable)
    assert (report.reason, report.offset) == (reason, 1)

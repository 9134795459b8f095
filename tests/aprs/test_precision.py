"""!DAO! in a comment: precision and datum (APRS 1.2c ch. 5, Precision and Datum Option).

Its check values, in vectors/position.toml, are read with those of positions: see test_position.
"""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ridgepost.aprs import Position, Precision, decode
from ridgepost.aprs.precision import read_precision, write_precision


def _added(comment: bytes) -> tuple[float, float]:
    precision = read_precision(comment)
    assert precision is not None
    assert precision.dao_valid
    return precision.latitude_added_min, precision.longitude_added_min


# Digits by the rules of ch. 5: decimal ones are the third of the minutes, base-91 ones are scaled
# by 1.10 to ten-thousandths.
@pytest.mark.parametrize(
    ("comment", "added"),
    [
        (b"!W09!", (0.0, 0.009)),
        (b"!w!{!", (0.0, 0.0099)),
        (b"!w5A!", (0.0022, 0.00352)),
        (b"!w  !", (0.0, 0.0)),
        (b"Hi!!wAb!", (0.00352, 0.00715)),
        (b"!W11!W23!", (0.002, 0.003)),
        (b"Wow! Big! !W23!", (0.002, 0.003)),
        (b"caf\xc3\xa9 !W23!", (0.002, 0.003)),
    ],
)
def test_digits(comment: bytes, added: tuple[float, float]) -> None:
    assert _added(comment) == pytest.approx(added, abs=1e-9)


# Ch. 5: W, N and O are examples of a table to come, 0 to 9 are for local use.
@pytest.mark.parametrize(
    ("comment", "datum"),
    [
        (b"!W00!", "WGS84"),
        (b"!n!!!", "NAD27"),
        (b"!o  !", "OSGB36"),
        (b"!E00!", "E"),
        (b"!7  !", "7"),
    ],
)
def test_datum(comment: bytes, datum: str) -> None:
    assert read_precision(comment) == Precision(datum=datum)


@pytest.mark.parametrize(
    "comment", [b"", b"!", b"!!", b"Hello!x!", b"!W23", b"W23!", b"!W2!", b"!W234!", b"!?23!"]
)
def test_no_precision(comment: bytes) -> None:
    assert read_precision(comment) is None


@pytest.mark.parametrize("comment", [b"!W2O!", b"!WAb!", b"!W 3!", b"!723!"])
def test_digits_that_do_not_go_with_the_datum(comment: bytes) -> None:
    assert read_precision(comment) == Precision(dao_valid=False)


# The digits of telemetry (base-91 telemetry proposal 2012, sec. 3.4) are ! to { as well: 8 of them.
def test_telemetry_is_not_taken_for_it() -> None:
    assert read_precision(b"|ab!wAb!!|") is None
    assert _added(b"|ab!wAb!!|!W23!") == pytest.approx((0.002, 0.003), abs=1e-9)


# Added digits lead away from the equator and Greenwich (note in vectors/position.toml), and not
# past a pole or the date line (geometry). Where nothing is written to a hundredth of a minute,
# there is nothing to add to.
@pytest.mark.parametrize(
    ("place", "latitude_deg", "longitude_deg"),
    [
        ("0000.00N/00000.00E-", 0.005 / 60, 0.005 / 60),
        ("0000.00S/00000.00W-", -0.005 / 60, -0.005 / 60),
        ("9000.00S/18000.00W-", -90.0, -180.0),
        ("4903.5 N/07201.7 W-", 49 + 3.5 / 60, -72 - 1.7 / 60),
        ("/NN!!NN!!- sT", 0.0, 0.0),
    ],
)
def test_what_is_added_to(place: str, latitude_deg: float, longitude_deg: float) -> None:
    report = decode(f"!{place}Hi!W55!".encode())
    assert isinstance(report, Position)
    assert report.place.latitude_deg == pytest.approx(latitude_deg, abs=1e-7)
    assert report.place.longitude_deg == pytest.approx(longitude_deg, abs=1e-7)
    assert report.place.precision is not None
    assert report.place.precision.datum == "WGS84"


@given(st.floats(0, 0.01), st.floats(0, 0.01))
def test_round_trip(latitude_min: float, longitude_min: float) -> None:
    written = write_precision(latitude_min, longitude_min)
    # Half of a step of 1.10 ten-thousandths; the last step stands for all up to a hundredth.
    near: Any = pytest.approx((latitude_min, longitude_min), abs=0.000_100_01)
    assert _added(written.encode()) == near

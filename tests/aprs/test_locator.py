"""Maidenhead locators. Check values: vectors/position.toml, op grid."""

from typing import Any

import pytest

from aprs.expectations import wanted
from checkvalues import cases, input_octets
from ridgepost.aprs.locator import read_locator

Case = dict[str, Any]


@pytest.mark.parametrize(
    "case", cases("position", "grid", where=lambda case: "valid" not in case["expect"])
)
def test_read(case: Case) -> None:
    locator = read_locator(input_octets(case))
    assert locator is not None
    expect = {key: float(value) for key, value in case["expect"].items()}
    assert {key: getattr(locator, key) for key in expect} == wanted(expect)
    assert locator.grid == case["input"].upper()


@pytest.mark.parametrize(
    "case", cases("position", "grid", where=lambda case: "valid" in case["expect"])
)
def test_refuse(case: Case) -> None:
    assert read_locator(input_octets(case)) is None

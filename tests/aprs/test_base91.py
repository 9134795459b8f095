"""Base 91. Check values: vectors/position.toml, op base91 (APRS 1.2c ch. 5 and 9)."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from checkvalues import cases
from ridgepost.aprs.base91 import decode_base91, encode_base91

Case = dict[str, Any]


@pytest.mark.parametrize("case", cases("position", "base91"))
def test_both_ways(case: Case) -> None:
    expect = case["expect"]
    text = expect["text"].encode()
    assert encode_base91(expect["value"], len(expect["digits"])) == text
    assert decode_base91(text) == expect["value"]
    assert [decode_base91(text[at : at + 1]) for at in range(len(text))] == expect["digits"]


# APRS 1.2c ch. 9: the characters are ! to {.
@pytest.mark.parametrize("octets", [b"", b" ", b"|", b"!~", b"\x7f!", b"!!\x80!", b" !!!"])
def test_no_digits(octets: bytes) -> None:
    assert decode_base91(octets) is None


@pytest.mark.parametrize(("value", "width"), [(-1, 4), (91, 1), (8281, 2), (91**4, 4), (1, 0)])
def test_does_not_fit(value: int, width: int) -> None:
    with pytest.raises(ValueError, match="does not fit"):
        encode_base91(value, width)


@given(st.data(), st.integers(1, 6))
def test_round_trip(data: st.DataObject, width: int) -> None:
    value = data.draw(st.integers(0, 91**width - 1))
    written = encode_base91(value, width)
    assert len(written) == width
    assert decode_base91(written) == value

"""Station addresses as text.

Source: AX.25 2.2 ch. 3 (six characters, four bits of SSID) and APRS 1.2c ch. 17 (capital letters
and digits, SSID 0 not displayed).
"""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from radio.refusals import attempt
from ridgepost.radio.callsign import CallsignError, base_call, parse_callsign, ssid_of


@pytest.mark.parametrize(
    ("text", "base", "ssid"),
    [
        ("QZ1HUB", "QZ1HUB", 0),
        ("QZ1HUB-1", "QZ1HUB", 1),
        ("QZ1HUB-10", "QZ1HUB", 10),
        ("QZ1HUB-15", "QZ1HUB", 15),
        ("Q", "Q", 0),
        ("012389", "012389", 0),
        ("WIDE2-2", "WIDE2", 2),
    ],
)
def test_canonical_addresses_stand(text: str, base: str, ssid: int) -> None:
    assert parse_callsign(text) == text
    assert base_call(text) == base
    assert ssid_of(text) == ssid


def test_ssid_0_is_read_but_not_written() -> None:
    assert parse_callsign("QZ1HUB-0") == "QZ1HUB"


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "blank_callsign"),
        ("-1", "blank_callsign"),
        ("QZ1HUBX", "callsign_too_long"),
        ("Q" * 100_000, "callsign_too_long"),
        ("qz1hub", "illegal_character"),
        ("QZ1/P", "illegal_character"),
        ("QZ1 HUB", "illegal_character"),
        ("QZ1HUB ", "illegal_character"),
        ("QZ1HUB\n", "illegal_character"),
        ("QZ1HUB*", "illegal_character"),
        ("ÄB1CD", "illegal_character"),
        ("QZ١HUB", "illegal_character"),  # a digit of another script
        ("QZ1HUB-", "bad_ssid"),
        ("QZ1HUB-16", "bad_ssid"),
        ("QZ1HUB-AB", "bad_ssid"),
        ("QZ1HUB-01", "bad_ssid"),  # two names for one station otherwise
        ("QZ1HUB--1", "bad_ssid"),
        ("QZ1HUB-+1", "bad_ssid"),
        ("QZ1HUB-1\n", "bad_ssid"),
        ("QZ1HUB-1-1", "bad_ssid"),
        ("QZ1HUB-١", "bad_ssid"),
    ],
)
def test_refusals(text: str, reason: str) -> None:
    with pytest.raises(CallsignError) as refused:
        parse_callsign(text)
    assert refused.value.reason == reason
    assert len(refused.value.detail) < 200


@given(st.text(max_size=12) | st.from_regex(r"[A-Z0-9]{1,7}(-[0-9]{1,2})?", fullmatch=True))
def test_whatever_is_accepted_fits_an_address(text: str) -> None:
    callsign = attempt(parse_callsign, text)
    if callsign is not None:
        assert re.fullmatch(r"[A-Z0-9]{1,6}(-([1-9]|1[0-5]))?", callsign)
        assert parse_callsign(callsign) == callsign

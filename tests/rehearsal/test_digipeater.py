"""The digipeater against the APRS Digipeater Algorithm and its examples."""

from typing import Any

import pytest

from checkvalues import cases, octets
from ridgepost.radio import ax25
from ridgepost.rehearsal.digipeater import MAX_REMEMBERED, Digipeater, Silence

LONG_AGO_S = 1000.0


def heard_frame(case: dict[str, Any]) -> ax25.Frame:
    if "input_hex" in case:
        return ax25.decode(octets(case["input_hex"]))
    return ax25.from_monitor(case["input"])


@pytest.mark.parametrize("case", cases("digipeat"))
def test_published_cases(case: dict[str, Any]) -> None:
    digipeater = Digipeater(**case["station"])
    earlier = [(entry, True) for entry in case.get("repeated_before", [])]
    earlier += [(entry, False) for entry in case.get("heard_before", [])]
    for entry, repeated in sorted(earlier, key=lambda pair: -pair[0]["age_seconds"]):
        frame = ax25.from_monitor(entry["frame"])
        answer = digipeater.hear(frame, LONG_AGO_S - entry["age_seconds"])
        assert isinstance(answer, ax25.Frame) is repeated

    answer = digipeater.hear(heard_frame(case), LONG_AGO_S)

    expect = case["expect"]
    if not expect["repeated"]:
        assert answer == expect["reason"]
        return
    assert isinstance(answer, ax25.Frame)
    if "output_hex" in expect:
        assert ax25.encode(answer) == octets(expect["output_hex"])
    else:
        assert ax25.to_monitor(answer) == expect["output"]


def test_a_frame_is_a_duplicate_until_its_window_is_over() -> None:
    # Source: APRS Digipeater Algorithm sec. 3.3: not the same thing within 30 seconds.
    digipeater = Digipeater("QZ1RDG", generic=["WIDE2"])
    frame = ax25.from_monitor("QZ1SAG>APZ001,WIDE2-1:test")
    assert isinstance(digipeater.hear(frame, 0.0), ax25.Frame)
    assert digipeater.hear(frame, 29.9) is Silence.DUPLICATE
    assert isinstance(digipeater.hear(frame, 30.0), ax25.Frame)
    # The copy that was suppressed did not open a window of its own; the one repeated did.
    assert digipeater.hear(frame, 59.9) is Silence.DUPLICATE


def test_connected_mode_is_left_alone() -> None:
    # Source: APRS Digipeater Algorithm speaks of APRS packets, which are UI frames (APRS 1.2c
    # ch. 3); suppressing the duplicates of a connection would break its acknowledgements.
    digipeater = Digipeater("QZ1RDG")
    frame = ax25.Frame("QZ1SAG", "QZ1HUB", ("QZ1RDG",), control=0x3F, pid=None)  # SABM, P = 1
    assert digipeater.hear(frame, 0.0) is Silence.NOT_UI


def test_a_flood_is_bounded_and_forgets_the_oldest_first() -> None:
    digipeater = Digipeater("QZ1RDG", generic=["WIDE2"])
    frames = [
        ax25.from_monitor(f"QZ1SAG>APZ001,WIDE2-1:{number}") for number in range(MAX_REMEMBERED + 1)
    ]
    for frame in frames:
        assert isinstance(digipeater.hear(frame, 1.0), ax25.Frame)
    assert digipeater.hear(frames[-1], 2.0) is Silence.DUPLICATE
    assert digipeater.hear(frames[1], 2.0) is Silence.DUPLICATE
    assert isinstance(digipeater.hear(frames[0], 2.0), ax25.Frame)


@pytest.mark.parametrize("prefix", ["WIDE", "WIDE2-1", "WIDE8", "WIDE0", "TOOLNG1", "wide1", ""])
def test_a_generic_name_is_a_prefix_and_its_role_digit(prefix: str) -> None:
    # Source: APRS Digipeater Algorithm sec. 2.3: up to five characters, then a digit of 1 to 7.
    with pytest.raises(ValueError, match="role digit"):
        Digipeater("QZ1RDG", generic=[prefix])


def test_the_station_names_must_be_addresses() -> None:
    with pytest.raises(ValueError, match="SSID"):
        Digipeater("QZ1RDG-16")
    with pytest.raises(ValueError, match="capital"):
        Digipeater("QZ1RDG", aliases=["not an address"])

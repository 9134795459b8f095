"""Third-party packets. Check values: vectors/position.toml (APRS 1.2c ch. 17)."""

from typing import Any

import pytest

from aprs.expectations import told, wanted
from checkvalues import cases, input_octets
from ridgepost.aprs import (
    Ack,
    Message,
    Position,
    Report,
    Status,
    ThirdParty,
    Unreadable,
    decode,
    encode_ack,
)
from ridgepost.aprs.third_party import MAX_DEPTH

Case = dict[str, Any]

_CASES = cases("position", "decode", where=lambda case: case["input"].startswith("}"))
# Keys of the check values that the packet inside must show.
_INNER = {"latitude_deg", "longitude_deg", "symbol_table", "symbol_code", "message_id"}


@pytest.mark.parametrize("case", _CASES)
def test_decode(case: Case) -> None:
    report = decode(input_octets(case), "QZ1GATE", "APZ001")
    outer = {key: value for key, value in case["expect"].items() if key not in _INNER}
    assert told(report, outer) == wanted(outer)
    inner = {key: value for key, value in case["expect"].items() if key in _INNER}
    if inner:
        assert isinstance(report, ThirdParty)
        assert told(report.inner, inner) == wanted(inner)
        assert report.inner.info == report.inner_info


def _inner(info: bytes) -> Report:
    report = decode(info)
    assert isinstance(report, ThirdParty)
    return report.inner


def test_the_answer_goes_to_the_inner_source() -> None:
    # APRS 1.2c ch. 17, the example: WB4APR-14 is acknowledged, not the gateway.
    report = decode(b"}WB4APR-14>APZ001,TCPIP,G9RXG*::G3NRW    :Hi Ian{001")
    assert isinstance(report, ThirdParty)
    assert isinstance(report.inner, Message)
    assert report.inner.message_id_field is not None
    answer = encode_ack(report.inner_source, report.inner.message_id_field)
    assert answer == b":WB4APR-14:ack001"


def test_a_colon_in_the_source() -> None:
    # APRS 1.2c ch. 17: the source may hold any printable ASCII character other than >.
    report = decode(b"}Q:1>APZ001,TCPIP,QZ3GATE*:>Test:ing")
    assert isinstance(report, ThirdParty)
    assert (report.inner_source, report.inner_info) == ("Q:1", b">Test:ing")


def test_the_inner_field_is_not_changed() -> None:
    # APRS 1.2c ch. 17: "The original Information field must not be changed."
    report = decode(b"}QZ1SRC>APZ001,TCPIP,QZ3GATE*:>Gr\xfc\xdfe\r\n")
    assert isinstance(report, ThirdParty)
    assert report.inner_info == b">Gr\xfc\xdfe\r\n"


def test_the_longest_callsigns() -> None:
    # AX.25 2.2 sec. 3.12: six characters, and an SSID up to 15.
    report = decode(b"}QZ1SRC-15>QZ2DST-15,QZ3DIG-15,QZ3GAT-15*:>Test")
    assert isinstance(report, ThirdParty)
    assert (report.inner_source, report.inner_destination) == ("QZ1SRC-15", "QZ2DST-15")
    assert report.inner_path == ("QZ3DIG-15", "QZ3GAT-15")
    assert report.inner_used_count == 2


def test_header_without_the_mark_of_the_gateway() -> None:
    report = decode(b"}QZ1SRC>APZ001,TCPIP,QZ3GATE:>Test")
    assert isinstance(report, ThirdParty)
    assert report.departures == ("no_used_mark",)
    assert report.inner_used_count == 0


@pytest.mark.parametrize(
    ("info", "reason", "offset"),
    [
        (b"}", "too_short", 1),
        (b"}QZ1SRC", "no_destination", 7),
        (b"}>APZ001,TCPIP,QZ3GATE*:>Test", "blank_callsign", 1),
        (b"}QZ1SRC>APZ001,TCPIP,QZ3GATE*", "no_colon", 29),
        (b"}Q:1>APZ001,TCPIP,QZ3GATE*", "no_colon", 26),
        (b"}QZ1SRC>:>Test", "blank_callsign", 8),
        (b"}QZ1SRC>APZ001,,QZ3GATE*:>Test", "blank_callsign", 15),
        (b"}QZ1SRC>APZ001,TCPIP,QZ3GATE-10X*:>Test", "callsign_too_long", 21),
        # Six characters, a hyphen and an SSID of two are the most (AX.25 2.2 sec. 3.12).
        (b"}QZ1SRC>APZ001,TCPIP,QZ3GAT-100*:>Test", "callsign_too_long", 21),
        (b"}QZ\x071>APZ001,TCPIP,QZ3GATE*:>Test", "callsign_characters", 1),
        (b"}QZ1SRC>APZ001*,TCPIP,QZ3GATE*:>Test", "callsign_characters", 8),
        # Eight digipeaters, the network and the gateway are the most there can be.
        (b"}QZ1SRC>APZ001" + b",QZ3DIG" * 11 + b"*:>Test", "path_too_long", 8),
    ],
)
def test_broken_header(info: bytes, reason: str, offset: int) -> None:
    report = decode(info)
    assert isinstance(report, Unreadable)
    assert (report.reason, report.offset) == (reason, offset)


def test_ten_addresses_in_the_path() -> None:
    report = decode(b"}QZ1SRC>APZ001" + b",QZ3DIG" * 10 + b"*:>Test")
    assert isinstance(report, ThirdParty)
    assert report.inner_used_count == 10


# APRS 1.2c ch. 17: TCPIP in the inner path, NOGATE and RFONLY keep a packet from the Internet.
@pytest.mark.parametrize(
    ("inner_path", "gated"),
    [
        (b"HFNET,QZ3GATE*", True),
        (b"TCPIP,QZ3GATE*", False),
        (b"TCPIP*,QZ3GATE*", False),
        (b"QZ3DIG,WIDE2-1,NOGATE,HFNET,QZ3GATE*", False),
        (b"RFONLY,HFNET,QZ3GATE*", False),
        (b"TCPIPX,QZ3GATE*", True),
    ],
)
def test_what_may_be_gated(inner_path: bytes, gated: bool) -> None:
    report = decode(b"}QZ1SRC>APZ001," + inner_path + b":>Test TCPIP")
    assert isinstance(report, ThirdParty)
    assert report.gate_to_internet is gated


@pytest.mark.parametrize(
    ("inner", "gated"),
    [
        (b"}QZ1SRC>APZ001,TCPIP,QZ3GATE*:>Test", False),
        (b"}QZ1SRC>APZ001,HFNET,QZ3GATE*:>Test", True),
        (b"}QZ1SRC>APZ001,TCPIP", False),  # unknown, since the header cannot be read
        (b"!4903", True),  # no header at all, whatever else is wrong with it
        (b">Test", True),
    ],
)
def test_one_layer_that_may_not_be_gated_is_enough(inner: bytes, gated: bool) -> None:
    # APRS 1.2c ch. 17, the rule against loops, for a packet that was wrapped twice.
    report = decode(b"}QZ2SRC>APZ001,HFNET,QZ4GATE*:" + inner)
    assert isinstance(report, ThirdParty)
    assert report.gate_to_internet is gated


def test_a_packet_in_a_packet_in_a_packet() -> None:
    header = b"}QZ1SRC>APZ001,TCPIP,QZ3GATE*:"
    report = _inner(_inner_field(header * 3 + b"!4903.50N/07201.75W-"))
    assert isinstance(report, Position)


def _inner_field(info: bytes) -> bytes:
    """The field inside all third-party headers but the last."""
    report = decode(info)
    while isinstance(report, ThirdParty) and isinstance(report.inner, ThirdParty):
        report = report.inner
    return report.info


def test_nesting_has_an_end() -> None:
    report = decode(b"}Q>Q:" * 400)
    depth = 0
    while isinstance(report, ThirdParty):
        report = report.inner
        depth += 1
    assert isinstance(report, Unreadable)
    assert report.reason == "nested_too_deep"
    # The field that holds one header too many is the unreadable one, from its start.
    assert depth == MAX_DEPTH + 1
    assert report.offset == 0


def test_as_many_headers_as_are_read() -> None:
    """Ours to choose: the standard has one (ch. 17), and a gateway that wraps another's is seen."""
    report = decode(b"}Q>Q:" * MAX_DEPTH + b">Hello")
    for _ in range(MAX_DEPTH):
        assert isinstance(report, ThirdParty)
        report = report.inner
    assert isinstance(report, Status)


def test_an_acknowledgement_from_beyond_a_gateway() -> None:
    inner = _inner(b"}QZ1SRC-7>APZ001,TCPIP,QZ3GATE*::QZ2DST   :ack12}07")
    assert isinstance(inner, Ack)
    assert inner.acknowledged_id == "12"

"""Data of a sender's own, and test data.

Check values: vectors/status.toml (APRS 1.2c ch. 19 and 20).
"""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aprs.expectations import told, wanted
from checkvalues import cases, input_octets
from ridgepost.aprs import Report, TestData, Unreadable, UserDefined, decode

Case = dict[str, Any]

_KINDS = {"{": "user_defined", ",": "invalid_or_test"}


def _data(report: Report) -> str:
    if isinstance(report, UserDefined):
        return report.content.decode()
    assert isinstance(report, TestData)
    return report.text


_ASKED = {
    # The check values call data that is too short by the name of its data type as well.
    "kind": lambda report: _KINDS[report.info[:1].decode()],
    "packet_type": lambda report: report.user_type,
    "data": _data,
}


@pytest.mark.parametrize(
    "case", cases("status", "decode", where=lambda case: case.get("input", "")[:1] in {"{", ","})
)
def test_decode(case: Case) -> None:
    report = decode(input_octets(case))
    assert told(report, case["expect"], asked=_ASKED) == wanted(case["expect"])
    broken = case["expect"].get("valid") is False
    assert isinstance(report, Unreadable if broken else UserDefined | TestData)


# APRS 1.2c ch. 19: a header of three octets.
@pytest.mark.parametrize("info", [b"{", b"{Q"])
def test_too_short(info: bytes) -> None:
    report = decode(info)
    assert isinstance(report, Unreadable)
    assert (report.reason, report.offset) == ("too_short", len(info))


@given(st.binary(max_size=200))
def test_the_data_is_not_touched(data: bytes) -> None:
    # APRS 1.2c ch. 19: there is no restriction on the nature of the data.
    report = decode(b"{{z" + data)
    assert isinstance(report, UserDefined)
    assert (report.user_id, report.user_type, report.content) == ("{", "z", data)
    assert report.conforming


def test_test_data_is_text() -> None:
    # APRS 1.2c ch. 20; a line end is not sent (ch. 5). Nothing at all is test data too.
    report = decode(b",$GPRMC,Gr\xfc\xdfe\r\n")
    assert isinstance(report, TestData)
    assert (report.text, report.text_encoding) == ("$GPRMC,Grüße", "latin-1")
    assert report.departures == ("trailing_line_end",)
    empty = decode(b",")
    assert isinstance(empty, TestData)
    assert empty.text == ""

"""Queries: who must answer, and what only looks like a query.

Check values: vectors/message.toml (op footprint); the forms themselves are in test_message.py.
"""

from typing import Any

import pytest

from checkvalues import cases, input_octets
from ridgepost.aprs import (
    Capabilities,
    DirectedQuery,
    GeneralQuery,
    Message,
    decode,
    footprint_distance_miles,
    great_circle_miles,
    heard_statistics,
    must_answer,
    stations_heard_direct,
)

Case = dict[str, Any]


def _general(info: bytes) -> GeneralQuery:
    report = decode(info)
    assert isinstance(report, GeneralQuery)
    return report


@pytest.mark.parametrize("case", cases("message", "footprint"))
def test_footprint(case: Case) -> None:
    query = _general(input_octets(case))
    own = case["own_latitude_deg"], case["own_longitude_deg"]
    # The tolerance is that of the note in the file.
    assert footprint_distance_miles(query, *own) == pytest.approx(
        case["expect"]["distance_miles"], abs=0.1
    )
    assert must_answer(query, *own) is case["expect"]["answer"]


def test_a_query_without_footprint_asks_everyone() -> None:
    # APRS 1.2c ch. 15: "all stations query".
    assert must_answer(_general(b"?APRS?"), None, None)
    assert must_answer(_general(b"?IGATE?"), 10.0, 10.0)


def test_a_station_without_position_is_in_no_footprint() -> None:
    query = _general(b"?APRS? 34.02,-117.15,9999")
    assert not must_answer(query, None, None)
    assert must_answer(query, 34.02, -117.15)


# A quarter of a great circle is pi/2 radii, half of one pi radii (geometry).
@pytest.mark.parametrize(
    ("points", "radii"),
    [
        ((0.0, 0.0, 0.0, 90.0), 1.5707963),
        ((90.0, 0.0, -90.0, 0.0), 3.1415927),
        ((0.0, 0.0, 0.0, 180.0), 3.1415927),
        ((45.0, 179.0, 45.0, -181.0), 0.0),
        ((10.0, 179.5, 10.0, -179.5), 0.0171880),  # 2 asin(cos(10 deg) sin(0.5 deg))
    ],
)
def test_great_circle(points: tuple[float, float, float, float], radii: float) -> None:
    assert great_circle_miles(*points) / 3958.8 == pytest.approx(radii, abs=1e-6)


# APRS 1.2c ch. 15: sign or blank, decimal degrees, four digits of whole miles. The looser forms are
# clear all the same.
@pytest.mark.parametrize(
    ("info", "conforming"),
    [
        (b"?APRS?-33.87, 151.21,0050", True),
        (b"?APRS? -33.87,151.21,50", False),
        (b"?APRS?-33.87,151.21,0050", False),
        (b"?APRS?-33.87, 151.21,0050\r\n", False),
    ],
)
def test_footprint_forms(info: bytes, conforming: bool) -> None:
    query = _general(info)
    assert query.has_footprint
    assert query.footprint_latitude_deg == pytest.approx(-33.87)
    assert query.footprint_longitude_deg == pytest.approx(151.21)
    assert query.footprint_radius_miles == 50
    assert query.conforming is conforming


@pytest.mark.parametrize(
    "info",
    [
        b"?APRS? 91.00,-117.15,0200",
        b"?APRS? 34.02,-181.00,0200",
        b"?APRS? 34.02,-117.15,far",
        b"?APRS? nan, 0,0200",
        b"?APRS? 1e1, 0,0200",
        b"?APRS?please",
    ],
)
def test_unusable_footprint_is_not_answered(info: bytes) -> None:
    query = _general(info)
    assert query.departures == ("footprint_unusable",)
    assert not must_answer(query, 34.02, -117.15)


# APRS 1.2c ch. 15: a query type in upper case, then perhaps a callsign. People start sentences with
# a question mark too, and these must reach the addressee.
@pytest.mark.parametrize(
    "text", ["?", "??", "? who is there", "?WHERE ARE YOU", "?Are you on channel", "?¿", "?A"]
)
def test_words_after_a_question_mark_are_a_message(text: str) -> None:
    report = decode(f":QZ2DST   :{text}{{12}}".encode())
    assert isinstance(report, Message)
    assert report.text == text
    assert report.ack_expected


@pytest.mark.parametrize(
    ("text", "query"),
    [("?APRSX", "APRSX"), ("?aprsp", "aprsp"), ("?ping?", "ping?"), ("?APRSH", "APRSH")],
)
def test_query_not_to_be_answered(text: str, query: str) -> None:
    report = decode(f":QZ2DST   :{text}".encode())
    assert isinstance(report, DirectedQuery)
    assert (report.query, report.recognised) == (query, False)


@pytest.mark.parametrize(
    "text", ["Directs", "QZ1SRC HEARD:", "QZ1SRC HEARD: 1 x", "QZ1SRC HEARD: 1 2 3 4 5 6 7 8 9"]
)
def test_not_an_answer(text: str) -> None:
    assert stations_heard_direct(text) is None
    assert heard_statistics(text) is None


def test_capabilities_with_blanks_and_without_values() -> None:
    # APRS 1.2c appendix 7 (1.1) writes the list with blanks after the commas.
    report = decode(b"<IGate, MSG_CNT=43, LOC_CNT=14")
    assert isinstance(report, Capabilities)
    assert report.tokens == ("IGate", "MSG_CNT", "LOC_CNT")
    assert report.values == ("", "43", "14")
    empty = decode(b"<")
    assert isinstance(empty, Capabilities)
    assert empty.tokens == ()

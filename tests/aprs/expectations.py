"""Compares a report with the `expect` table of a check value, key by key.

A key is looked up in the report's flat table (None where it is missing there), unless `_ASKED` says
how to ask for it. A test module may add questions of its own kind with `told(..., asked={...})`.
"""

from collections.abc import Callable, Mapping
from typing import Any

import pytest

from ridgepost.aprs import (
    Addressed,
    DirectedQuery,
    GeneralQuery,
    Message,
    Other,
    Position,
    Report,
    Unreadable,
    heard_statistics,
    must_answer,
    stations_heard_direct,
)
from ridgepost.aprs.listing import flat

_NONE: Mapping[str, Callable[[Any], Any]] = {}

# vectors/position.toml: "compare with a tolerance of 0.000002".
DEGREE_TOLERANCE = 0.000002


def _statistics(report: Report) -> Any:
    assert isinstance(report, Message)
    statistics = heard_statistics(report.text)
    assert statistics is not None
    return statistics


def _heard_station(report: Report) -> str | None:
    # In a query the callsign asked about, in an answer the one that was counted.
    if isinstance(report, DirectedQuery):
        return report.heard_station
    return str(_statistics(report).heard_station)


def _answer(report: Report) -> bool:
    if isinstance(report, GeneralQuery):
        return must_answer(report, None, None)
    assert isinstance(report, DirectedQuery)
    return report.recognised


# Keys of the check values that are no field of a report: what they ask, put as a question to it.
_ASKED: dict[str, Callable[[Any], Any]] = {
    "ack_expected": lambda report: isinstance(report, Addressed) and report.ack_expected,
    "altitude_present": lambda report: "altitude_ft" in flat(report),
    "answer": _answer,
    "course_known": lambda report: "course_deg" in flat(report),
    "directs": lambda report: list(stations_heard_direct(report.text) or ()),
    "for_station_WU2Z": lambda report: report.addressee == "WU2Z",
    "has_beam": lambda report: report.beam_heading_deg is not None,
    "has_timestamp": lambda report: "hour" in flat(report),
    "heard_counts": lambda report: [
        str(count) if count else "." for count in _statistics(report).heard_counts
    ],
    "heard_station": _heard_station,
    "inner_info": lambda report: report.inner_info.decode(),
    "inner_path": lambda report: list(report.inner_path),
    "is_grid": lambda report: report.grid is not None,
    "is_message": lambda report: not isinstance(report, Unreadable | Other),
    "is_position": lambda report: isinstance(report, Position),
    "message_addressee": lambda report: report.inner.addressee,
    "message_text": lambda report: report.inner.text,
    "must_not_crash": lambda _: True,
    "nts_fields": lambda report: list(report.nts_fields),
    "reply_to": lambda report: report.inner_source,
    "text_length_chars": lambda report: len(report.text),
    "text_length_octets": lambda report: len(report.text_octets),
    "text_octets_hex": lambda report: "".join(f"\\x{octet:02X}" for octet in report.text_octets),
    "tokens": lambda report: list(report.tokens),
    "valid": lambda report: not isinstance(report, Unreadable),
    "valid_message_id": lambda report: "message_id_invalid" not in report.departures,
    "values": lambda report: list(report.values),
}


def told(
    report: Report, expect: Mapping[str, Any], asked: Mapping[str, Callable[[Any], Any]] = _NONE
) -> dict[str, Any]:
    """What `report` says about each key of `expect`; `asked` adds questions, or replaces them."""
    questions = {**_ASKED, **asked}
    table = flat(report)
    return {
        key: questions[key](report) if key in questions else _value(report, table, key)
        for key in expect
    }


def _value(report: Report, table: Mapping[str, Any], key: str) -> Any:
    # What is no part of the table may be a property of the report (conforming, no_archive).
    return table[key] if key in table else getattr(report, key, None)


def wanted(expect: Mapping[str, Any]) -> dict[str, Any]:
    """The values of `expect`, with the tolerances that the check values name."""
    return {
        key: pytest.approx(value, abs=DEGREE_TOLERANCE) if isinstance(value, float) else value
        for key, value in expect.items()
    }

"""A report as one flat table: what commands print and tools read.

{"kind": "position", "messaging": False, "latitude_deg": 49.0583333, ...}
"""

import functools
from typing import Any, cast

import msgspec

from ridgepost.aprs.parts import Part
from ridgepost.aprs.report import Report, ReportBase

# Octets: who wants them has the frame.
_LEFT_OUT = frozenset({"info", "inner_info", "text_octets", "departures"})
_AS_THEY_ARE = frozenset({str, int, float, bool})


def flat(report: Report) -> dict[str, Any]:
    """List what a report says: plain values by field name, `kind` first, `departures` last.

    What is unknown is left out; the fields of parts stand beside those of the report. Values are
    str, int, float, bool or lists of these; octets are hexadecimal, under `..._hex`. `inner`, of a
    third-party packet, is a table itself.
    """
    table: dict[str, Any] = {"kind": report.kind}
    _add(report, table)
    table["departures"] = list(report.departures)
    return table


@functools.cache
def listed(record: type[msgspec.Struct]) -> tuple[str, ...]:
    """The fields of a report or part that are listed, and its computed ones behind them."""
    fields = tuple(name for name in record.__struct_fields__ if name not in _LEFT_OUT)
    return fields + (record.computed if issubclass(record, Part) else ())


def _add(record: msgspec.Struct, table: dict[str, Any]) -> None:
    for name in listed(type(record)):
        value = getattr(record, name)
        if value is None:
            continue
        if type(value) in _AS_THEY_ARE:
            table[name] = value
        elif isinstance(value, ReportBase):
            table[name] = flat(cast("Report", value))
        elif isinstance(value, Part):
            _add(value, table)
        elif isinstance(value, bytes):
            table[f"{name}_hex"] = value.hex()
        else:
            table[name] = _plain(value)


def _plain(value: Any) -> Any:
    return [_plain(each) for each in value] if isinstance(value, tuple) else value

"""A report as one flat table: what commands print and tools read.

{"kind": "position", "messaging": False, "latitude_deg": 49.0583333, ...}
"""

from typing import Any, cast

import msgspec

from ridgepost.aprs.parts import Part
from ridgepost.aprs.report import Report, ReportBase

# Octets: who wants them has the frame.
_LEFT_OUT = frozenset({"info", "inner_info", "text_octets", "departures"})


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


def _add(record: msgspec.Struct, table: dict[str, Any]) -> None:
    for name in record.__struct_fields__:
        value = getattr(record, name)
        if value is None or name in _LEFT_OUT:
            continue
        if isinstance(value, ReportBase):
            table[name] = flat(cast("Report", value))
        elif isinstance(value, Part):
            _add(value, table)
        elif isinstance(value, bytes):
            table[f"{name}_hex"] = value.hex()
        else:
            table[name] = _plain(value)
    for name in record.computed if isinstance(record, Part) else ():
        value = getattr(record, name)
        if value is not None:
            table[name] = value


def _plain(value: Any) -> Any:
    return [_plain(each) for each in value] if isinstance(value, tuple) else value

"""A report as one flat table for other programs, with every name that they may know a value by."""

from typing import Any

from ridgepost.aprs import (
    Addressed,
    CommentTelemetry,
    MicE,
    Report,
    TelemetryDefinition,
    TestData,
    ThirdParty,
    Unreadable,
    UserDefined,
    flat,
)


def table_of(report: Report) -> dict[str, Any]:
    """The flat table of a report, and beside its keys those of `_more` that are not there yet.

    Of a third-party packet the keys of the packet inside stand beside its own as well.
    """
    table = flat(report)
    departures = table.pop("departures")
    for key, value in _more(report).items():
        if value is not None:
            table.setdefault(key, value)
    if isinstance(report, ThirdParty):
        for key, value in table_of(report.inner).items():
            table.setdefault(key, value)
    return table | {"departures": departures}


def _more(report: Report) -> dict[str, Any]:
    """What follows from a report, and other names for what is in it."""
    more: dict[str, Any] = {
        "valid": not isinstance(report, Unreadable),
        "conforming": report.conforming and not isinstance(report, Unreadable),
        "no_archive": report.no_archive,
    }
    match report:
        case MicE():
            more["emergency"] = report.emergency
        case TelemetryDefinition():
            more |= {"type": report.definition, "applies_to": report.addressee}
        case UserDefined():
            more |= {"packet_type": report.user_type, "data": report.content.decode("latin-1")}
        case TestData():
            more["data"] = report.text
        case ThirdParty():
            more |= {
                "inner_info": report.inner_info.decode("utf-8", "backslashreplace"),
                "reply_to": report.inner_source,
            }
            if isinstance(report.inner, Addressed):
                more |= {
                    "message_addressee": report.inner.addressee,
                    "message_text": report.inner.text,
                }
    telemetry = getattr(getattr(report, "place", None), "telemetry", None)
    if isinstance(telemetry, CommentTelemetry):
        more |= {
            "sequence": telemetry.telemetry_sequence,
            "values": list(telemetry.telemetry_values),
            "digital": telemetry.telemetry_digital,
            "digital_value": telemetry.telemetry_digital_value,
        }
    return more

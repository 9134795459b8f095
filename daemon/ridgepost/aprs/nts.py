"""Radiograms of the National Traffic System, one line a message (APRS 1.2c ch. 14)."""

import re

from ridgepost.aprs.narrowing import narrow
from ridgepost.aprs.report import Message, NtsLine

_LINE = re.compile(r"(N[#APSR1-6])\\")

# The codes whose line has several fields, and what the fields are called.
_NAMES = {
    "N#": (
        "number",
        "precedence",
        "handling",
        "originator",
        "check",
        "place",
        "time",
        "date",
    ),
    "NR": ("received_from", "received_date_time", "sent_to", "sent_date_time"),
}
_ADDRESS_LINES = 4


def read_nts_line(message: Message) -> NtsLine | None:
    r"""Read a message that starts with a radiogram code such as `N#\`.

    A line cut short names the fields that are there; one with too many fields names none.
    """
    found = _LINE.match(message.text)
    if not found:
        return None
    code = found[1]
    fields = tuple(message.text[found.end() :].split("\\"))
    names = _NAMES.get(code, ())
    named = dict(zip(names, fields, strict=False)) if len(fields) <= len(names) else {}
    departures = message.departures
    if not _field_count_is_right(code, len(fields)):
        departures += ("nts_field_count",)
    return narrow(
        NtsLine, message, nts_code=code, nts_fields=fields, departures=departures, **named
    )


def _field_count_is_right(code: str, count: int) -> bool:
    if code == "NA":
        return count <= _ADDRESS_LINES
    return count == len(_NAMES.get(code, ("text",)))

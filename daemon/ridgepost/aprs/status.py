"""Status reports, with time, locator, beam heading and power (APRS 1.2c ch. 16)."""

import re
from typing import Final

import msgspec

from ridgepost.aprs.frequency import read_frequency
from ridgepost.aprs.locator import Locator, read_locator
from ridgepost.aprs.packet import Broken, Packet
from ridgepost.aprs.parts import Timestamp
from ridgepost.aprs.report import Departure, Status
from ridgepost.aprs.symbol import is_symbol_code, is_symbol_table
from ridgepost.aprs.text import read_text, text_departures, without_line_end
from ridgepost.aprs.timestamp import LENGTH as TIMESTAMP_LENGTH
from ridgepost.aprs.timestamp import read_timestamp
from ridgepost.aprs.writing import check_info, check_text

MAX_STATUS = 62
_MAX_WITH_TIME: Final = MAX_STATUS - TIMESTAMP_LENGTH
_MAX_WITH_LOCATOR = 54

_BEAM = re.compile(r"\^([0-9A-Z])([1-9:;<=>?@A-K])\Z")


class _Located(msgspec.Struct, frozen=True):
    locator: Locator
    symbol_table: str
    symbol_code: str
    length: int
    lower_case: bool


def read_status(packet: Packet) -> Status:
    """Read a status report. What is no proper time or locator stays part of the text."""
    octets, departures = without_line_end(packet.info[1:])
    timestamp = _read_time(octets)
    located = None if timestamp else _read_located(octets)
    limit = MAX_STATUS
    if timestamp:
        octets, limit = octets[TIMESTAMP_LENGTH:], _MAX_WITH_TIME
    if located:
        octets, limit = octets[located.length :], _MAX_WITH_LOCATOR
        if located.lower_case:
            departures += ("lower_case_locator",)
    text, encoding = read_text(octets)
    heading, power = _read_beam(text)
    found: tuple[Departure, ...] = text_departures(text, limit, "text_too_long")
    return Status(
        info=packet.info,
        departures=departures + found,
        text=text,
        text_encoding=encoding,
        time=timestamp,
        grid=located.locator.grid if located else None,
        center_latitude_deg=located.locator.center_latitude_deg if located else None,
        center_longitude_deg=located.locator.center_longitude_deg if located else None,
        symbol_table=located.symbol_table if located else None,
        symbol_code=located.symbol_code if located else None,
        beam_heading_deg=heading,
        erp_w=power,
        frequency=read_frequency(text),
    )


def encode_status(text: str) -> bytes:
    """Encode a status of up to 62 characters. Raises EncodeError.

    A text that starts with a day, hour and minute in zulu form, or with a locator and a symbol, is
    read as such at the other end.
    """
    return check_info(b">" + check_text(text, MAX_STATUS, "text_too_long"), "text_too_long")


def _read_time(octets: bytes) -> Timestamp | None:
    # Only day, hour and minute in zulu time may stand here.
    if octets[TIMESTAMP_LENGTH - 1 : TIMESTAMP_LENGTH] != b"z":
        return None
    try:
        return read_timestamp(octets[:TIMESTAMP_LENGTH])
    except Broken:
        return None


def _read_located(octets: bytes) -> _Located | None:
    for length in (6, 4):
        locator = read_locator(octets[:length])
        table, code, rest = (
            octets[length : length + 1],
            octets[length + 1 : length + 2],
            octets[length + 2 :],
        )
        if not locator or not is_symbol_table(table) or not is_symbol_code(code):
            continue
        if rest and not rest.startswith(b" "):
            continue
        return _Located(
            locator=locator,
            symbol_table=table.decode(),
            symbol_code=code.decode(),
            length=length + 2,
            lower_case=octets[:length] != octets[:length].upper(),
        )
    return None


def _read_beam(text: str) -> tuple[int | None, int | None]:
    """Return the beam heading in degrees and the effective radiated power in watts."""
    found = _BEAM.search(text[-3:])
    if not found:
        return None, None
    heading = int(found[1], 36) * 10
    # The codes run on from the digits through ASCII; the power is the square of their place.
    code = ord(found[2]) - ord("0")
    return heading, 10 * code * code

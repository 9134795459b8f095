"""Bulletins, announcements, group and weather-service bulletins (APRS 1.2c ch. 14)."""

import re

from ridgepost.aprs.narrowing import narrow
from ridgepost.aprs.packet import Broken
from ridgepost.aprs.report import (
    Announcement,
    Bulletin,
    Departure,
    GroupBulletin,
    Message,
    WeatherServiceBulletin,
)
from ridgepost.aprs.text import MAX_TEXT, is_graphic
from ridgepost.aprs.timestamp import LENGTH, read_timestamp
from ridgepost.aprs.writing import EncodeError, addressed, check_text

MAX_GROUP_NAME = 5

AnyBulletin = Bulletin | Announcement | GroupBulletin | WeatherServiceBulletin

_GROUPS = frozenset({"ALL", "QST", "CQ"})
_BULLETIN = re.compile(r"BLN([0-9A-Z])(.{0,5})", re.DOTALL)
_WEATHER_SERVICE = re.compile(r"NWS-(.{1,5})", re.DOTALL)
_IDENTIFIER = re.compile(r"[0-9A-Z]")


def is_group_addressee(addressee: str) -> bool:
    """Say whether text to `addressee` is for many stations, and so never acknowledged.

    True for ALL, QST, CQ, bulletins and announcements (BLNx, BLNxGROUP) and NWS-xxxxx.
    """
    return addressee in _GROUPS or is_bulletin_addressee(addressee)


def is_bulletin_addressee(addressee: str) -> bool:
    """Say whether `addressee`, without its filler blanks, has one of the bulletin forms."""
    return bool(_BULLETIN.fullmatch(addressee) or _WEATHER_SERVICE.fullmatch(addressee))


def read_bulletin(message: Message) -> AnyBulletin | None:
    """Read a message as a bulletin if its addressee has a bulletin form."""
    weather = _WEATHER_SERVICE.fullmatch(message.addressee)
    if weather:
        return _read_weather_service(message, severity=weather[1])
    found = _BULLETIN.fullmatch(message.addressee)
    if not found:
        return None
    identifier, group = found[1], found[2].strip(" ")
    if group:
        departures = message.departures
        if not identifier.isdigit():
            departures += ("bulletin_id_not_a_digit",)
        return narrow(
            GroupBulletin, message, bulletin_id=identifier, group=group, departures=departures
        )
    if identifier.isdigit():
        return narrow(Bulletin, message, bulletin_id=identifier)
    return narrow(Announcement, message, announcement_id=identifier)


def bulletin_key(source: str, bulletin: AnyBulletin) -> tuple[str, str]:
    """Return the place of a line on the bulletin board.

    A line from the same source with the same key takes the place of the older one (APRS 1.2c
    ch. 14, Replacement).
    """
    return source, bulletin.addressee


def encode_bulletin(bulletin_id: str, text: str, group: str | None = None) -> bytes:
    """Encode a bulletin ("0" to "9"), an announcement ("A" to "Z") or a group bulletin.

    Raises EncodeError.
    """
    if not _IDENTIFIER.fullmatch(bulletin_id):
        raise EncodeError("bulletin_id", "one digit, or one capital letter for an announcement")
    name = group or ""
    if name:
        if not bulletin_id.isdigit():
            raise EncodeError("bulletin_id", "a group bulletin is numbered with a digit")
        if len(name) > MAX_GROUP_NAME:
            raise EncodeError("group_too_long", f"at most {MAX_GROUP_NAME} characters")
        if not name.isascii() or not is_graphic(name.encode()):
            raise EncodeError("illegal_character", "a group has printable ASCII characters only")
    content = check_text(text, MAX_TEXT, "text_too_long", forbidden="{")
    return addressed(f"BLN{bulletin_id}{name}", content)


def _read_weather_service(message: Message, severity: str) -> WeatherServiceBulletin:
    # These have no limit of their own.
    departures: tuple[Departure, ...] = tuple(
        departure for departure in message.departures if departure != "text_too_long"
    )
    expires = None
    if message.text_octets[LENGTH - 1 : LENGTH + 1] == b"z,":
        try:
            expires = read_timestamp(message.text_octets[:LENGTH])
        except Broken:
            departures += ("timestamp_unusable",)
    return narrow(
        WeatherServiceBulletin,
        message,
        severity=severity,
        expires_day=expires.day if expires else None,
        expires_hour=expires.hour if expires else None,
        expires_minute=expires.minute if expires else None,
        departures=departures,
    )

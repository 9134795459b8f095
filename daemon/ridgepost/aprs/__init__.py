"""APRS: an information field to a typed report, and back (APRS Protocol Reference 1.2c).

Pure: octets in, records out. Nothing here reads a clock or knows what a frame is.
"""

from ridgepost.aprs.bulletin import (
    AnyBulletin,
    bulletin_key,
    encode_bulletin,
    is_bulletin_addressee,
    is_group_addressee,
)
from ridgepost.aprs.distance import great_circle_miles
from ridgepost.aprs.message import (
    duplicate_key,
    encode_ack,
    encode_message,
    encode_rej,
)
from ridgepost.aprs.message_id import valid_message_id
from ridgepost.aprs.position import MAX_COMMENT, encode_position
from ridgepost.aprs.query import (
    HeardStatistics,
    footprint_distance_miles,
    heard_statistics,
    must_answer,
    stations_heard_direct,
)
from ridgepost.aprs.report import (
    Ack,
    Addressed,
    Announcement,
    BrokenReason,
    Bulletin,
    Capabilities,
    Departure,
    DirectedQuery,
    GeneralQuery,
    GroupBulletin,
    Message,
    NtsLine,
    Other,
    Position,
    Rej,
    Report,
    ReportBase,
    Status,
    TelemetryDefinition,
    TextEncoding,
    ThirdParty,
    Unread,
    Unreadable,
    WeatherServiceBulletin,
)
from ridgepost.aprs.route import MAX_INFO, decode
from ridgepost.aprs.status import MAX_STATUS, encode_status
from ridgepost.aprs.text import MAX_TEXT
from ridgepost.aprs.writing import EncodeError, EncodeReason

__all__ = [
    "MAX_COMMENT",
    "MAX_INFO",
    "MAX_STATUS",
    "MAX_TEXT",
    "Ack",
    "Addressed",
    "Announcement",
    "AnyBulletin",
    "BrokenReason",
    "Bulletin",
    "Capabilities",
    "Departure",
    "DirectedQuery",
    "EncodeError",
    "EncodeReason",
    "GeneralQuery",
    "GroupBulletin",
    "HeardStatistics",
    "Message",
    "NtsLine",
    "Other",
    "Position",
    "Rej",
    "Report",
    "ReportBase",
    "Status",
    "TelemetryDefinition",
    "TextEncoding",
    "ThirdParty",
    "Unread",
    "Unreadable",
    "WeatherServiceBulletin",
    "bulletin_key",
    "decode",
    "duplicate_key",
    "encode_ack",
    "encode_bulletin",
    "encode_message",
    "encode_position",
    "encode_rej",
    "encode_status",
    "footprint_distance_miles",
    "great_circle_miles",
    "heard_statistics",
    "is_bulletin_addressee",
    "is_group_addressee",
    "must_answer",
    "stations_heard_direct",
    "valid_message_id",
]

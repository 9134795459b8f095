"""APRS: an information field to a typed report, and back (APRS Protocol Reference 1.2c).

Pure: octets in, records out. Nothing here reads a clock or knows what a frame is.
"""

from ridgepost.aprs.area import make_area
from ridgepost.aprs.bulletin import (
    AnyBulletin,
    bulletin_key,
    encode_bulletin,
    is_bulletin_addressee,
    is_group_addressee,
)
from ridgepost.aprs.comment_telemetry import encode_comment_telemetry, next_telemetry_sequence
from ridgepost.aprs.distance import great_circle_miles
from ridgepost.aprs.extension import DEFAULT_POWER_HEIGHT_GAIN
from ridgepost.aprs.item import encode_item
from ridgepost.aprs.listing import flat
from ridgepost.aprs.locator import locator_of
from ridgepost.aprs.message import (
    duplicate_key,
    encode_ack,
    encode_message,
    encode_rej,
)
from ridgepost.aprs.message_id import valid_message_id
from ridgepost.aprs.mice import encode_mice
from ridgepost.aprs.nmea import nmea_checksum
from ridgepost.aprs.object import encode_object
from ridgepost.aprs.parts import (
    Ambiguity,
    Area,
    Bearing,
    CommentTelemetry,
    Compression,
    DirectionFinding,
    Extension,
    Place,
    PowerHeightGain,
    Precision,
    RadioRange,
    Readings,
    Storm,
    TextEncoding,
    Timestamp,
)
from ridgepost.aprs.place import MAX_COMMENT, UNKNOWN_PLACE
from ridgepost.aprs.position import encode_place, encode_position
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
    DirectionFinder,
    GeneralQuery,
    GridBeacon,
    GroupBulletin,
    Item,
    Message,
    MicE,
    Nmea,
    NtsLine,
    Object,
    Other,
    Position,
    RawWeather,
    Rej,
    Report,
    ReportBase,
    Status,
    Telemetry,
    TelemetryDefinition,
    TestData,
    ThirdParty,
    Unreadable,
    UserDefined,
    Weather,
    WeatherServiceBulletin,
)
from ridgepost.aprs.route import MAX_INFO, decode
from ridgepost.aprs.status import MAX_STATUS, encode_status
from ridgepost.aprs.telemetry import encode_telemetry
from ridgepost.aprs.telemetry_meaning import (
    AnalogChannel,
    Definitions,
    DigitalChannel,
    MeasuredTelemetry,
    encode_definitions,
)
from ridgepost.aprs.text import MAX_TEXT
from ridgepost.aprs.weather import write_readings
from ridgepost.aprs.writing import EncodeError, EncodeReason

__all__ = [
    "DEFAULT_POWER_HEIGHT_GAIN",
    "MAX_COMMENT",
    "MAX_INFO",
    "MAX_STATUS",
    "MAX_TEXT",
    "UNKNOWN_PLACE",
    "Ack",
    "Addressed",
    "Ambiguity",
    "AnalogChannel",
    "Announcement",
    "AnyBulletin",
    "Area",
    "Bearing",
    "BrokenReason",
    "Bulletin",
    "Capabilities",
    "CommentTelemetry",
    "Compression",
    "Definitions",
    "Departure",
    "DigitalChannel",
    "DirectedQuery",
    "DirectionFinder",
    "DirectionFinding",
    "EncodeError",
    "EncodeReason",
    "Extension",
    "GeneralQuery",
    "GridBeacon",
    "GroupBulletin",
    "HeardStatistics",
    "Item",
    "MeasuredTelemetry",
    "Message",
    "MicE",
    "Nmea",
    "NtsLine",
    "Object",
    "Other",
    "Place",
    "Position",
    "PowerHeightGain",
    "Precision",
    "RadioRange",
    "RawWeather",
    "Readings",
    "Rej",
    "Report",
    "ReportBase",
    "Status",
    "Storm",
    "Telemetry",
    "TelemetryDefinition",
    "TestData",
    "TextEncoding",
    "ThirdParty",
    "Timestamp",
    "Unreadable",
    "UserDefined",
    "Weather",
    "WeatherServiceBulletin",
    "bulletin_key",
    "decode",
    "duplicate_key",
    "encode_ack",
    "encode_bulletin",
    "encode_comment_telemetry",
    "encode_definitions",
    "encode_item",
    "encode_message",
    "encode_mice",
    "encode_object",
    "encode_place",
    "encode_position",
    "encode_rej",
    "encode_status",
    "encode_telemetry",
    "flat",
    "footprint_distance_miles",
    "great_circle_miles",
    "heard_statistics",
    "is_bulletin_addressee",
    "is_group_addressee",
    "locator_of",
    "make_area",
    "must_answer",
    "next_telemetry_sequence",
    "nmea_checksum",
    "stations_heard_direct",
    "valid_message_id",
    "write_readings",
]

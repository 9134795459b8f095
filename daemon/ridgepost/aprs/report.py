"""The reports that an information field can hold: plain frozen records, and their closed union.

Field names carry their unit. None means unknown or absent. `info` is always the information field
as it was received, so nothing is lost by reading it. `departures` lists where the sender departed
from the standard and was understood all the same.
"""

from typing import Any, ClassVar, Literal, TypeAlias, cast

import msgspec

from ridgepost.aprs.parts import (
    Frequency,
    Place,
    Readings,
    TextEncoding,
    Timestamp,
)

Departure: TypeAlias = Literal[
    "addressee_characters",  # an addressee with blanks inside, control or non-ASCII characters
    "brace_in_text",  # a message text that itself holds {
    "bulletin_id_not_a_digit",  # a group bulletin numbered with a letter
    "comment_too_long",
    "compressed_motion",  # the last three octets of a compressed position are out of base 91
    "control_characters",  # in a text meant for people
    "footprint_form",  # sign, decimals or radius not written as prescribed
    "footprint_unusable",  # something that is no footprint where a footprint belongs
    "longitude_more_ambiguous",  # more digits blanked in the longitude than in the latitude
    "lower_case_hemisphere",
    "lower_case_locator",
    "message_id_invalid",  # { followed by something that is no message identifier: kept as text
    "message_id_on_query",
    "mice_motion",  # octets of speed and course out of range
    "name_characters",  # a name of an object or item with more than printable ASCII
    "no_used_mark",  # a third-party header without the asterisk of its gateway
    "nts_field_count",
    "raw_weather_form",  # no digits of an instrument
    "symbol_code",  # not a printable ASCII character
    "telemetry_bits",  # not eight bits
    "telemetry_channels",  # fewer than five values, or an empty one
    "telemetry_definition_form",  # too many fields, not eight bits, or no numbers
    "telemetry_sequence",  # neither three digits nor MIC
    "text_after_checksum",
    "text_too_long",
    "timestamp_unusable",  # dropped; the rest of the report is sound
    "trailing_blanks",  # after a message identifier or an acknowledgement
    "trailing_line_end",
    "weather_fields_missing",  # wind, gust and temperature must be there, and come first
]

BrokenReason: TypeAlias = Literal[
    "ambiguity_not_trailing",
    "base91_range",
    "bearing_range",
    "blank_addressee",
    "blank_callsign",
    "blank_name",
    "callsign_characters",
    "callsign_too_long",
    "day_range",
    "departure",  # read strictly: a tolerated fault is one that breaks it
    "destination",  # the address, not the information field: no latitude of Mic-E
    "format",
    "hemisphere_letter",
    "hour_range",
    "indicator",
    "item_name_length",
    "latitude_range",
    "longitude_range",
    "minute_range",
    "minutes_range",
    "month_range",
    "nested_too_deep",
    "no_colon",
    "no_colon_at_11",
    "no_destination",
    "object_live_flag",
    "object_without_timestamp",
    "path_too_long",
    "second_range",
    "symbol_table",
    "too_long",
    "too_short",
]


class _Kind:
    """Gives the tag of a report class as its `kind`, on the class and on its instances."""

    def __get__(self, instance: object, owner: Any) -> str:
        return cast("str", owner.__struct_config__.tag)


class ReportBase(msgspec.Struct, frozen=True, kw_only=True, gc=False, tag_field="kind"):
    """What every report has: its `kind`, the raw information field and the departures."""

    kind: ClassVar[_Kind] = _Kind()

    info: bytes
    departures: tuple[Departure, ...] = ()

    @property
    def conforming(self) -> bool:
        """Whether the report keeps to the standard in all that was looked at."""
        return not self.departures

    @property
    def no_archive(self) -> bool:
        """Whether the sender asks data bases not to keep this packet (APRS 1.2c ch. 17)."""
        return b"!x!" in self.info


class Addressed(ReportBase, frozen=True, kw_only=True):
    """What all text in message format has in common (APRS 1.2c ch. 14).

    `addressee` is without its filler blanks. `message_id_field` is everything after the last `{`,
    to be copied into the acknowledgement; `message_id` its part before a `}` and `reply_ack` its
    part after it (None when absent or empty). `reply_capable`: the sender understands reply-acks
    (None when there is no identifier). `ack_expected`: the sender wants an acknowledgement from the
    addressee.
    """

    addressee: str
    text: str
    text_octets: bytes
    text_encoding: TextEncoding = "utf-8"
    message_id_field: str | None = None
    message_id: str | None = None
    reply_ack: str | None = None
    reply_capable: bool | None = None
    ack_expected: bool = False


class Message(Addressed, frozen=True, kw_only=True, tag="message"):
    """Text for one station or group (APRS 1.2c ch. 14)."""


class Bulletin(Addressed, frozen=True, kw_only=True, tag="bulletin"):
    """Text for everyone, `bulletin_id` "0" to "9" (APRS 1.2c ch. 14)."""

    bulletin_id: str


class Announcement(Addressed, frozen=True, kw_only=True, tag="announcement"):
    """Text for everyone that stays for days, `announcement_id` "A" to "Z" (APRS 1.2c ch. 14)."""

    announcement_id: str


class GroupBulletin(Addressed, frozen=True, kw_only=True, tag="group_bulletin"):
    """Text for a bulletin group of up to five characters (APRS 1.2c ch. 14)."""

    bulletin_id: str
    group: str


class WeatherServiceBulletin(Addressed, frozen=True, kw_only=True, tag="weather_service_bulletin"):
    """Weather warning to NWS-xxxxx (APRS 1.2c ch. 14); the end of its validity is UTC."""

    severity: str
    expires_day: int | None = None
    expires_hour: int | None = None
    expires_minute: int | None = None


class NtsLine(Addressed, frozen=True, kw_only=True, tag="nts_line"):
    """One line of a radiogram (APRS 1.2c ch. 14); the named fields belong to codes N# and NR."""

    nts_code: str
    nts_fields: tuple[str, ...]
    number: str | None = None
    precedence: str | None = None
    handling: str | None = None
    originator: str | None = None
    check: str | None = None
    place: str | None = None
    time: str | None = None
    date: str | None = None
    received_from: str | None = None
    received_date_time: str | None = None
    sent_to: str | None = None
    sent_date_time: str | None = None


class DirectedQuery(Addressed, frozen=True, kw_only=True, tag="directed_query"):
    """A question to one station (APRS 1.2c ch. 15), never acknowledged.

    `same_as` names the query that this one is another name of.
    """

    query: str
    recognised: bool
    heard_station: str | None = None
    same_as: str | None = None


class TelemetryDefinition(Addressed, frozen=True, kw_only=True, tag="telemetry_definition"):
    """Names, units, coefficients or bits of telemetry (APRS 1.2c ch. 13).

    `definition` is PARM, UNIT, EQNS or BITS, and says which of the other fields are meant; they are
    None where they cannot be read. The addressee is the station whose telemetry is described,
    whoever sent it. A shorter list leaves the rest undefined, as does an empty name.
    `coefficients` are a, b and c of a v^2 + b v + c for the raw value v; `bit_sense` has the bits,
    B1 first, with which the labels are true.
    """

    definition: Literal["PARM", "UNIT", "EQNS", "BITS"]
    analog_names: tuple[str, ...] | None = None
    digital_names: tuple[str, ...] | None = None
    analog_units: tuple[str, ...] | None = None
    digital_labels: tuple[str, ...] | None = None
    coefficients: tuple[tuple[float, float, float], ...] | None = None
    bit_sense: str | None = None
    project: str | None = None


class Ack(ReportBase, frozen=True, kw_only=True, tag="ack"):
    """The addressee's message was received (APRS 1.2c ch. 14)."""

    addressee: str
    acknowledged_id_field: str
    acknowledged_id: str
    reply_ack: str | None = None


class Rej(ReportBase, frozen=True, kw_only=True, tag="rej"):
    """The addressee's message was refused (APRS 1.2c ch. 14)."""

    addressee: str
    acknowledged_id_field: str
    acknowledged_id: str
    reply_ack: str | None = None


class GeneralQuery(ReportBase, frozen=True, kw_only=True, tag="general_query"):
    """A question to all stations, or to those inside a circle (APRS 1.2c ch. 15)."""

    query: str
    recognised: bool
    has_footprint: bool = False
    footprint_latitude_deg: float | None = None
    footprint_longitude_deg: float | None = None
    footprint_radius_miles: int | None = None


class Capabilities(ReportBase, frozen=True, kw_only=True, tag="capabilities"):
    """What a station can do (APRS 1.2c ch. 15): `values[i]` belongs to `tokens[i]`, "" if none."""

    tokens: tuple[str, ...]
    values: tuple[str, ...]
    text: str
    text_encoding: TextEncoding = "utf-8"


class Position(ReportBase, frozen=True, kw_only=True, tag="position"):
    """Where a station is (APRS 1.2c ch. 6 to 9)."""

    messaging: bool
    time: Timestamp | None = None
    place: Place


class MicE(ReportBase, frozen=True, kw_only=True, tag="mice"):
    """Where a station is, packed into the destination address as well (APRS 1.2c ch. 10).

    `gnss_current`: the receiver had a fix (some radios never say so). `position_comment` is one of
    the fifteen words, or Emergency, its code M0 to M6, C0 to C6 or EMERGENCY, and
    `comment_bits_abc` its three bits as text. Where standard and custom bits contradict each other
    the type is mixed, the code UNKNOWN and the word None.

    `status_text` is everything after the ninth octet as received (also `place.comment`); `text` is
    what is left of it without the octets of the sender's type, `type_prefix` and `type_suffix`, and
    without the altitude, locator or data extension at its start. `position_in_text`: a position
    written out in the text is told instead of the packed one. `telemetry_1_0_1` are the five
    channels of the old telemetry form (0 where none was sent), None where the field is read as
    text, as the later standard has it.
    """

    gnss_current: bool
    place: Place
    position_comment_code: str
    position_comment: str | None = None
    position_comment_type: Literal["standard", "custom", "emergency", "mixed"]
    comment_bits_abc: str
    type_prefix: str = ""
    type_suffix: str = ""
    status_text: str = ""
    text: str = ""
    altitude_m: int | None = None
    grid: str | None = None
    telemetry_1_0_1: tuple[int, ...] | None = None
    position_in_text: bool = False

    @property
    def emergency(self) -> bool:
        """Whether the sender declares an emergency by its position comment."""
        return self.position_comment_type == "emergency"


class Object(ReportBase, frozen=True, kw_only=True, tag="object"):
    """Where something is that has a name of its own (APRS 1.2c ch. 11), or that it is gone.

    `permanent`: the timestamp is 111111z, which stands for no time at all. `signpost`: one to three
    characters to show on the sign.
    """

    name: str
    live: bool
    permanent: bool = False
    signpost: str | None = None
    time: Timestamp | None = None
    place: Place


class Item(ReportBase, frozen=True, kw_only=True, tag="item"):
    """An object without a time (APRS 1.2c ch. 11). `signpost`: one to three characters to show."""

    name: str
    live: bool
    signpost: str | None = None
    place: Place


class Weather(ReportBase, frozen=True, kw_only=True, tag="weather"):
    """A weather report (APRS 1.2c ch. 12): without position, at one, or as an object.

    `name`, `live` and `permanent` belong to weather objects. `comment` is the text after the last
    weather field, and so is `place.comment`.
    """

    messaging: bool | None = None
    name: str | None = None
    live: bool | None = None
    permanent: bool | None = None
    time: Timestamp | None = None
    place: Place | None = None
    readings: Readings
    comment: str = ""
    text_encoding: TextEncoding = "utf-8"


class RawWeather(ReportBase, frozen=True, kw_only=True, tag="raw_weather"):
    """Readings of a weather instrument as it sends them (APRS 1.2c ch. 12), kept as text."""

    text: str
    text_encoding: TextEncoding = "utf-8"


class Telemetry(ReportBase, frozen=True, kw_only=True, tag="telemetry"):
    """Five raw analog values and eight bits, B1 first (APRS 1.2c ch. 13).

    `sequence` is kept as text: three digits, MIC or what else was sent. A value that was left empty
    is None. What they mean is told by the station's `TelemetryDefinition` reports.
    """

    sequence: str
    analog: tuple[float | None, ...]
    digital: str | None = None
    comment: str = ""
    text_encoding: TextEncoding = "utf-8"


class GridBeacon(ReportBase, frozen=True, kw_only=True, tag="grid"):
    """A locator on its own (APRS 1.2c ch. 8, Maidenhead Locator Beacon): obsolete."""

    grid: str
    center_latitude_deg: float
    center_longitude_deg: float
    comment: str = ""
    text_encoding: TextEncoding = "utf-8"
    obsolete: bool = True


class Nmea(ReportBase, frozen=True, kw_only=True, tag="nmea"):
    """A sentence of a navigation receiver as it came (APRS 1.2c ch. 8, NMEA 0183).

    `sentence` is the formatter (RMC, GGA, GLL, VTG, WPT/WPL, ...), after the two letters of the
    `talker`; of a proprietary sentence all of its name, without a talker. `checksum_ok` is None
    where no checksum was sent. `has_position`: latitude and longitude are the sender's own, as
    those of a waypoint are not. `data_valid` is None where the receiver does not say.
    """

    talker: str | None = None
    sentence: str
    checksum_present: bool
    checksum_ok: bool | None = None
    has_position: bool = False
    data_valid: bool | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    year: int | None = None
    month: int | None = None
    day: int | None = None
    hour: int | None = None
    minute: int | None = None
    second: float | None = None
    fix_quality: int | None = None
    satellites: int | None = None
    hdop: float | None = None
    altitude_m: float | None = None
    geoid_separation_m: float | None = None
    course_deg: float | None = None
    speed_knots: float | None = None
    speed_kmh: float | None = None
    magnetic_variation_deg: float | None = None
    waypoint_name: str | None = None


class DirectionFinder(ReportBase, frozen=True, kw_only=True, tag="direction_finder"):
    """A bearing as a direction finder sends it (APRS 1.2c Appendix 1): degrees, and one digit."""

    bearing_deg: int
    bearing_quality: int


class UserDefined(ReportBase, frozen=True, kw_only=True, tag="user_defined"):
    """Data of a program's own (APRS 1.2c ch. 19): who defined it, which type, and the data."""

    user_id: str
    user_type: str
    content: bytes


class TestData(ReportBase, frozen=True, kw_only=True, tag="test_data"):
    """Invalid or test data, not to be acted on (APRS 1.2c ch. 20)."""

    __test__: ClassVar[bool] = False  # pytest would take it for a test by its name

    text: str
    text_encoding: TextEncoding = "utf-8"


class Status(ReportBase, frozen=True, kw_only=True, tag="status"):
    """What a station is doing (APRS 1.2c ch. 16).

    `text` follows the timestamp, or the locator and its symbol, as received: a beam heading at its
    end is read but not removed.
    """

    text: str
    text_encoding: TextEncoding = "utf-8"
    time: Timestamp | None = None
    grid: str | None = None
    center_latitude_deg: float | None = None
    center_longitude_deg: float | None = None
    symbol_table: str | None = None
    symbol_code: str | None = None
    beam_heading_deg: int | None = None
    erp_w: int | None = None
    frequency: Frequency | None = None


class ThirdParty(ReportBase, frozen=True, kw_only=True, tag="third_party"):
    """A packet from another network, wrapped by a gateway (APRS 1.2c ch. 17).

    `inner_used_count` addresses at the front of `inner_path` are marked used. A reply goes to
    `inner_source`. `gate_to_internet` is False for what came from there, and for what its sender
    does not want there.
    """

    inner_source: str
    inner_destination: str
    inner_path: tuple[str, ...]
    inner_used_count: int
    inner_info: bytes
    gate_to_internet: bool
    inner: "Report"


class Other(ReportBase, frozen=True, kw_only=True, tag="other"):
    """No data type of the standard (APRS 1.2c ch. 20): a plain beacon, or nothing at all."""

    text: str
    text_encoding: TextEncoding = "utf-8"
    may_be_status: bool


class Unreadable(ReportBase, frozen=True, kw_only=True, tag="unreadable"):
    """Broken by the standard: why, and the octet of `info` where reading stopped.

    For a report that was read strictly the reason may be a departure, at octet 0; which ones is in
    `departures`.
    """

    data_type_identifier: str
    reason: BrokenReason
    offset: int


Report: TypeAlias = (
    Message
    | Bulletin
    | Announcement
    | GroupBulletin
    | WeatherServiceBulletin
    | NtsLine
    | DirectedQuery
    | TelemetryDefinition
    | Ack
    | Rej
    | GeneralQuery
    | Capabilities
    | Position
    | MicE
    | Object
    | Item
    | Weather
    | RawWeather
    | Telemetry
    | GridBeacon
    | Nmea
    | DirectionFinder
    | UserDefined
    | TestData
    | Status
    | ThirdParty
    | Other
    | Unreadable
)

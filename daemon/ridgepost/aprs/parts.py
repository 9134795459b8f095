"""The parts that reports are made of: plain frozen records, shared by several kinds.

Field names carry their unit. None means unknown or absent. No two parts of one report share a field
name, so that a report can also be told as one flat table (`ridgepost.aprs.listing`).
"""

import math
from typing import ClassVar, Literal, TypeAlias

import msgspec

from ridgepost.aprs.symbol_names import describe
from ridgepost.aprs.units import KNOTS_PER_MPH, M_S_PER_MPH, MM_PER_IN

TextEncoding: TypeAlias = Literal["utf-8", "latin-1"]

TimeZone: TypeAlias = Literal["zulu", "local"]


class Part(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Base of all parts. `computed` names the properties that tell the fields in another way.

    Frozen, so that they form no circles that a garbage collector would have to look for.
    """

    computed: ClassVar[tuple[str, ...]] = ()


class Timestamp(Part, frozen=True, kw_only=True):
    """What a timestamp says (APRS 1.2c ch. 6); the parts it does not have are None."""

    month: int | None = None
    day: int | None = None
    hour: int
    minute: int
    second: int | None = None
    time_zone: TimeZone


class Ambiguity(Part, frozen=True, kw_only=True):
    """What blanked digits leave open (APRS 1.2c ch. 6, Position Ambiguity).

    `ambiguity_nm` is the radius in nautical miles; the middle and the edges are those of the box
    of the possible digits.
    """

    ambiguity_nm: float
    latitude_mid_deg: float
    longitude_mid_deg: float
    latitude_min_deg: float
    latitude_max_deg: float
    longitude_min_deg: float
    longitude_max_deg: float


class ExtensionPart(Part, frozen=True, kw_only=True, tag_field="extension"):
    """Base of what can stand in the place of a data extension; its tag tells them apart."""


class PowerHeightGain(ExtensionPart, frozen=True, kw_only=True, tag="power_height_gain"):
    """PHGphgd, with the rate digit if there is one (APRS 1.2c ch. 7).

    `directivity_deg` is the direction of the most gain, None where `directivity_omni`.
    """

    computed: ClassVar[tuple[str, ...]] = ("range_miles",)

    power_w: int
    antenna_height_ft: int
    antenna_gain_dbi: int
    directivity_deg: int | None = None
    directivity_omni: bool = False
    beacons_per_hour: int | None = None

    @property
    def range_miles(self) -> float:
        """The radio range that follows from the rest (ch. 7, Range Circle Plot)."""
        gain = 10 ** (self.antenna_gain_dbi / 10)
        return math.sqrt(2 * self.antenna_height_ft * math.sqrt(self.power_w / 10 * gain / 2))


class RadioRange(ExtensionPart, frozen=True, kw_only=True, tag="range"):
    """RNGrrrr, or the range octets of a compressed position (APRS 1.2c ch. 7 and 9)."""

    range_miles: float


class DirectionFinding(ExtensionPart, frozen=True, kw_only=True, tag="direction_finding"):
    """DFSshgd: how strong a signal is heard here (APRS 1.2c ch. 7)."""

    signal_strength_s: int
    antenna_height_ft: int
    antenna_gain_db: int
    directivity_deg: int | None = None
    directivity_omni: bool = False


class Bearing(ExtensionPart, frozen=True, kw_only=True, tag="bearing"):
    """/BRG/NRQ after course and speed: a bearing, and how good it is (APRS 1.2c ch. 7).

    With `nrq_meaningful` False the number says that the rest is not to be used. The range and the
    accuracy follow from the digits. `df_station_fixed`: the station did not move (None: it does not
    say).
    """

    bearing_deg: int
    nrq_number: int
    nrq_meaningful: bool = True
    nrq_range_miles: int | None = None
    nrq_quality: int | None = None
    bearing_accuracy_deg: float | None = None
    df_station_fixed: bool | None = None


class Storm(ExtensionPart, frozen=True, kw_only=True, tag="storm"):
    """Tropical storm data after course and speed (APRS 1.2c ch. 12)."""

    storm_type: str
    storm_type_code: str
    sustained_wind_knots: int | None = None
    gust_knots: int | None = None
    central_pressure_hpa: int | None = None
    radius_hurricane_nm: int | None = None
    radius_tropical_storm_nm: int | None = None
    radius_whole_gale_nm: int | None = None


class Area(ExtensionPart, frozen=True, kw_only=True, tag="area"):
    r"""The shape that an area object (symbol `\l`) covers (APRS 1.2c ch. 11)."""

    area_type_code: int
    area_type: str
    area_color_code: int
    area_color: str
    area_intensity: Literal["high", "low"]
    latitude_offset_code: int
    longitude_offset_code: int
    latitude_offset_deg: float
    longitude_offset_deg: float
    corridor_miles: int | None = None


Extension: TypeAlias = PowerHeightGain | RadioRange | DirectionFinding | Bearing | Storm | Area
"""What stands in the place of a data extension, course and speed aside."""


class Compression(Part, frozen=True, kw_only=True):
    """What the type octet of a compressed position says of its origin (APRS 1.2c ch. 9)."""

    compression_fix: Literal["current", "old"]
    compression_source: Literal["other", "GLL", "GGA", "RMC"]
    compression_origin_code: int


class Precision(Part, frozen=True, kw_only=True):
    """!DAO! in the comment (APRS 1.2c, 1.2 addendum): the datum, and minutes added to the position.

    `dao_valid` is False where it stands but its digits cannot be read; nothing is added then.
    """

    datum: str | None = None
    latitude_added_min: float = 0.0
    longitude_added_min: float = 0.0
    dao_valid: bool = True


class CommentTelemetry(Part, frozen=True, kw_only=True):
    """Base-91 telemetry between two | in a comment (base-91 telemetry proposal, 2012).

    `telemetry_values` has one to five raw values; `telemetry_digital` is B1 to B8 as text.
    `comment_before` is the text for people in front of it.
    """

    telemetry_sequence: int
    telemetry_values: tuple[int, ...]
    telemetry_digital_value: int | None = None
    telemetry_digital: str | None = None
    comment_before: str = ""


class Frequency(Part, frozen=True, kw_only=True):
    """Where to talk to the station or object, from the comment or the name (APRS 1.2c ch. 18).

    `frequency_mhz` is where it is heard (None where only the repeater of a digital voice station is
    told), `receive_mhz` where it hears, if that is not `offset_mhz` away; an offset of 0 is
    simplex. `tone_hz` is the sub-audible tone to send, or with `tone_burst` the audible one;
    `tone_squelch`: it is sent as well. `digital_code` stands in its place; `no_tone`: there is
    neither. `narrow` is None where the width is not told.
    """

    frequency_mhz: float | None = None
    receive_mhz: float | None = None
    offset_mhz: float | None = None
    tone_hz: float | None = None
    tone_squelch: bool = False
    tone_burst: bool = False
    no_tone: bool = False
    digital_code: str | None = None
    data_rate_baud: int | None = None
    narrow: bool | None = None
    voice_range_miles: float | None = None
    voice_range_north_miles: float | None = None
    voice_range_east_miles: float | None = None
    voice_range_south_miles: float | None = None
    voice_range_west_miles: float | None = None
    digital_voice: bool = False
    access_repeater: str | None = None


class Place(Part, frozen=True, kw_only=True):
    """Where something is, what it is, and how it moves (APRS 1.2c ch. 6 to 9).

    Blanked digits count as 0 in `latitude_deg` and `longitude_deg`; what !DAO! adds is added.
    `comment` is the text after the symbol code and the data extension, exactly as received: what
    is read out of it (altitude, precision, telemetry, frequency) is not removed.
    """

    computed: ClassVar[tuple[str, ...]] = ("symbol",)

    latitude_deg: float
    longitude_deg: float
    position_known: bool = True
    ambiguity_digits: int = 0
    ambiguity: Ambiguity | None = None
    symbol_table: str
    symbol_code: str
    overlay: str | None = None
    compressed: bool = False
    compression: Compression | None = None
    course_deg: float | None = None
    speed_knots: float | None = None
    altitude_ft: float | None = None
    extension: Extension | None = None
    precision: Precision | None = None
    telemetry: CommentTelemetry | None = None
    frequency: Frequency | None = None
    comment: str = ""
    text_encoding: TextEncoding = "utf-8"

    @property
    def symbol(self) -> str | None:
        """What the symbol stands for, in words (appendix 2); None if it has no meaning."""
        return describe(self.symbol_table, self.symbol_code) or None


class Readings(Part, frozen=True, kw_only=True):
    """What a weather station measured, in the units of the air (APRS 1.2c ch. 12).

    None is not measured. The twins in the units of the rest of the world are computed properties.
    The direction is where the wind comes from, 1 to 360. `raw_rain_counter` has no unit.
    """

    computed: ClassVar[tuple[str, ...]] = (
        "wind_speed_knots",
        "wind_speed_m_s",
        "wind_gust_m_s",
        "temperature_c",
        "rain_last_hour_mm",
        "rain_last_24h_mm",
        "rain_since_midnight_mm",
        "snow_last_24h_mm",
    )

    wind_direction_deg: int | None = None
    wind_speed_mph: float | None = None
    wind_gust_mph: float | None = None
    temperature_f: float | None = None
    rain_last_hour_in: float | None = None
    rain_last_24h_in: float | None = None
    rain_since_midnight_in: float | None = None
    raw_rain_counter: int | None = None
    snow_last_24h_in: float | None = None
    humidity_pct: int | None = None
    pressure_hpa: float | None = None
    luminosity_w_m2: int | None = None

    @property
    def wind_speed_knots(self) -> float | None:
        """The wind speed in knots."""
        return _times(self.wind_speed_mph, KNOTS_PER_MPH)

    @property
    def wind_speed_m_s(self) -> float | None:
        """The wind speed in metres a second."""
        return _times(self.wind_speed_mph, M_S_PER_MPH)

    @property
    def wind_gust_m_s(self) -> float | None:
        """The gust in metres a second."""
        return _times(self.wind_gust_mph, M_S_PER_MPH)

    @property
    def temperature_c(self) -> float | None:
        """The temperature in degrees Celsius."""
        return None if self.temperature_f is None else (self.temperature_f - 32) * 5 / 9

    @property
    def rain_last_hour_mm(self) -> float | None:
        """The rain of the last hour in millimetres."""
        return _times(self.rain_last_hour_in, MM_PER_IN)

    @property
    def rain_last_24h_mm(self) -> float | None:
        """The rain of the last 24 hours in millimetres."""
        return _times(self.rain_last_24h_in, MM_PER_IN)

    @property
    def rain_since_midnight_mm(self) -> float | None:
        """The rain since midnight in millimetres."""
        return _times(self.rain_since_midnight_in, MM_PER_IN)

    @property
    def snow_last_24h_mm(self) -> float | None:
        """The snow of the last 24 hours in millimetres."""
        return _times(self.snow_last_24h_in, MM_PER_IN)


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor

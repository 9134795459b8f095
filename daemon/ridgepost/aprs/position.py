"""Position reports, written out or compressed (APRS 1.2c ch. 6 to 9 and 21)."""

from typing import Final

from ridgepost.aprs.packet import Packet
from ridgepost.aprs.parts import Place, Timestamp
from ridgepost.aprs.place import read_place, read_time_of_place, write_place
from ridgepost.aprs.report import Position, RawWeather, Weather
from ridgepost.aprs.text import without_line_end
from ridgepost.aprs.timestamp import LENGTH as TIMESTAMP_LENGTH
from ridgepost.aprs.timestamp import write_timestamp
from ridgepost.aprs.weather import as_weather, read_raw_weather
from ridgepost.aprs.writing import EncodeError, check_info

_WITH_TIME: Final = b"/@"
_WITH_MESSAGING: Final = b"=@"

# A second ! after the identifier: raw weather data (ch. 12).
_RAW_WEATHER: Final = b"!!"


def read_position(packet: Packet) -> Position | Weather | RawWeather:
    """Read the data types `!`, `=`, `/` and `@`; with the weather symbol they may be weather.

    A timestamp that cannot be right is dropped when a position written out follows it. Raises
    Broken.
    """
    if packet.info.startswith(_RAW_WEATHER):
        return read_raw_weather(packet)
    info, departures = without_line_end(packet.info)
    identifier = info[:1]
    start = 1
    time = None
    if identifier in _WITH_TIME:
        time, found = read_time_of_place(info, start)
        departures += found
        start += TIMESTAMP_LENGTH
    placed = read_place(info, start)
    return as_weather(
        Position(
            info=packet.info,
            departures=departures + placed.departures,
            messaging=identifier in _WITH_MESSAGING,
            time=time,
            place=placed.place,
        )
    )


def encode_position(
    latitude_deg: float,
    longitude_deg: float,
    symbol_table: str,
    symbol_code: str,
    comment: str = "",
    messaging: bool = True,
) -> bytes:
    """Encode a position written out, without timestamp: the short form of `encode_place`.

    A data extension goes into `comment`, where the standard has it. Raises EncodeError.
    """
    place = Place(
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        symbol_table=symbol_table,
        symbol_code=symbol_code,
        comment=comment,
    )
    return encode_place(place, messaging=messaging)


def encode_place(
    place: Place,
    *,
    time: Timestamp | None = None,
    messaging: bool = True,
    precise: bool = False,
) -> bytes:
    """Encode a position report of `place`, as `write_place` has it. Raises EncodeError.

    A station that does not know where it is sends `UNKNOWN_PLACE`. `time` has a day or a second,
    and is better zulu than local.
    """
    identifier = _IDENTIFIERS[messaging, time is not None]
    head = identifier + (write_timestamp(time) if time else "")
    if time and len(head) != 1 + TIMESTAMP_LENGTH:
        raise EncodeError("timestamp", "months are for weather stations without position (ch. 6)")
    return check_info(head.encode() + write_place(place, precise), "comment_too_long")


# Ch. 6, Use of Timestamps: with messaging, with a timestamp.
_IDENTIFIERS: Final = {
    (False, False): "!",
    (True, False): "=",
    (False, True): "/",
    (True, True): "@",
}

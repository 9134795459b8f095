"""Where to talk to a station: frequency, tone, offset and range in text (APRS 1.2c ch. 18).

`146.835MHz C107 -060 R25m text` in the comment of a position, or `146.835-x` as the name of an
object whose comment starts with the rest.
"""

import re
from typing import Any, Final

import msgspec

from ridgepost.aprs.parts import Frequency

_KM_PER_MILE: Final = 1.609344

# The sub-audible tones in use, in Hz, by the three digits that are sent: tenths are dropped.
# (TIA-603 and common practice.)
_TONES_HZ: Final = {
    int(tone): tone
    for tone in (
        *(67.0, 69.3, 71.9, 74.4, 77.0, 79.7, 82.5, 85.4, 88.5, 91.5, 94.8, 97.4),
        *(100.0, 103.5, 107.2, 110.9, 114.8, 118.8, 123.0, 127.3, 131.8, 136.5, 141.3, 146.2),
        *(150.0, 151.4, 156.7, 159.8, 162.2, 165.5, 167.9, 171.3, 173.8, 177.3, 179.9, 183.5),
        *(186.2, 189.9, 192.8, 196.6, 199.5, 203.5, 206.5, 210.7, 213.8, 218.1, 221.3, 225.7),
        *(229.1, 233.6, 237.1, 241.8, 245.5, 250.3, 254.1),
    )
}

# Above 1 GHz a letter stands for the first digits: A96.000MHz is 1296 MHz.
_LEADING_DIGITS: Final = {
    "A": "12",
    "B": "23",
    "C": "24",
    "D": "34",
    "E": "56",
    "F": "57",
    "G": "58",
    "H": "101",
    "I": "102",
    "J": "103",
    "K": "104",
    "L": "105",
    "M": "240",
    "N": "241",
    "O": "242",
}

_DIRECTIONS: Final = {"N": "north", "E": "east", "S": "south", "W": "west"}

# Ten characters by the standard, FFF.FFFMHz or FFF.FF MHz; people who type it put a blank where it
# reads well. A delimiter or an altitude may come first.
_FREQUENCY = re.compile(
    r"(?:/A=[-0-9][0-9]{5})?[ /]{0,3}"
    r"(?:([0-9]{1,3}|[A-O][0-9]{2})(\.[0-9]{1,4}) ?MHz|([0-9]{1,3}\.[0-9]{1,3}) ?GHz)"
    r"(?![0-9A-Z])",
    re.IGNORECASE | re.ASCII,
)
_NAME = re.compile(r"([0-9]{3}\.[0-9]{2,3})[^.]{0,3}")

# Fields after the frequency, each once and in any order. A small first letter: narrow modulation.
_FIELD = re.compile(
    r" {1,4}(?:"
    r"(?P<tone>[TtCc](?:[0-9]{3}|off)|[1l]750)"
    r"|(?P<code>[Dd](?:[0-7]{3}|off))"
    r"|(?P<baud>0?300|1200|2400|4800|9600)"
    r"|(?P<offset>[+-][0-9]{3})"
    r"|(?P<reach>[RNESW][0-9]{1,3}[mk])"
    r"|(?P<receive>[0-9]{3}\.[0-9]{2}(?:[0-9]| ?)rx)"
    r"|(?P<digital>D-STAR(?:>[A-Z0-9][A-Z0-9/ ]{6}[A-Z])?)"
    r")(?![0-9A-Za-z])"
)


def read_frequency(comment: str) -> Frequency | None:
    """Read the frequency at the start of `comment`, and the fields after it; None without one.

    Of a digital voice station the repeater to reach it through may stand alone.
    """
    # The decimal point is always there.
    found = _FREQUENCY.match(comment) if "." in comment else None
    if found:
        frequency_mhz = _mhz(found)
        return _read_fields(comment, found.end(), frequency_mhz) if frequency_mhz else None
    if comment.startswith("D-STAR>"):
        said = _read_fields(" " + comment, 0, None)
        return said if said.access_repeater else None
    return None


def read_frequency_name(name: str) -> Frequency | None:
    """Read the frequency that an object or item has as its name; None if it has another name.

    FFF.FF or FFF.FFF, and up to three characters that make it unique.
    """
    found = _NAME.fullmatch(name)
    frequency_mhz = float(found[1]) if found else 0.0
    return Frequency(frequency_mhz=frequency_mhz) if frequency_mhz else None


def read_object_frequency(name: str, comment: str) -> Frequency | None:
    """Read what the name and the comment of an object say together; None if nothing.

    Under a name that is a frequency, the fields start the comment; another frequency there is the
    one that the object receives on.
    """
    named = read_frequency_name(name)
    said = read_frequency(comment)
    if not named:
        return said
    if not said or said.frequency_mhz is None:
        return _read_fields(" " + comment, 0, named.frequency_mhz)
    receive_mhz = said.receive_mhz
    if said.frequency_mhz != named.frequency_mhz:
        receive_mhz = said.frequency_mhz
    return msgspec.structs.replace(said, frequency_mhz=named.frequency_mhz, receive_mhz=receive_mhz)


def _mhz(found: re.Match[str]) -> float:
    start, decimals, ghz = found.groups()
    if ghz:
        return round(float(ghz) * 1000, 3)
    letter = start[0].upper()
    return float(_LEADING_DIGITS.get(letter, letter) + start[1:] + decimals)


def _read_fields(text: str, at: int, frequency_mhz: float | None) -> Frequency:
    fields: dict[str, Any] = {"frequency_mhz": frequency_mhz}
    while found := _FIELD.match(text, at):
        more = _READERS[found.lastgroup or ""](found[0].strip())
        if not fields.keys().isdisjoint(more):
            break
        fields |= more
        at = found.end()
    return Frequency(**fields)


def _read_tone(field: str) -> dict[str, Any]:
    narrow = field[0].islower()
    if field.endswith("750"):
        return {"narrow": narrow, "tone_hz": 1750.0, "tone_burst": True}
    digits = field[1:]
    if digits in {"off", "000"}:
        return {"narrow": narrow, "no_tone": True}
    # Not one of the tones in use: told as sent.
    tone_hz = _TONES_HZ.get(int(digits), float(digits))
    return {"narrow": narrow, "tone_hz": tone_hz, "tone_squelch": field[0] in "Cc"}


def _read_code(field: str) -> dict[str, Any]:
    narrow = field[0].islower()
    if field.endswith("off"):
        return {"narrow": narrow, "no_tone": True}
    return {"narrow": narrow, "digital_code": field[1:]}


def _read_baud(field: str) -> dict[str, Any]:
    return {"data_rate_baud": int(field)}


def _read_offset(field: str) -> dict[str, Any]:
    # In tens of kHz; -000 means simplex whatever is usual, and is no negative number.
    return {"offset_mhz": int(field) / 100}


def _read_reach(field: str) -> dict[str, Any]:
    miles = int(field[1:-1]) / (1.0 if field.endswith("m") else _KM_PER_MILE)
    direction = _DIRECTIONS.get(field[0])
    return {f"voice_range_{direction}_miles" if direction else "voice_range_miles": miles}


def _read_receive(field: str) -> dict[str, Any]:
    return {"receive_mhz": float(field.removesuffix("rx"))}


def _read_digital(field: str) -> dict[str, Any]:
    _, _, repeater = field.partition(">")
    return {"digital_voice": True, "access_repeater": repeater or None}


_READERS: Final = {
    "tone": _read_tone,
    "code": _read_code,
    "baud": _read_baud,
    "offset": _read_offset,
    "reach": _read_reach,
    "receive": _read_receive,
    "digital": _read_digital,
}

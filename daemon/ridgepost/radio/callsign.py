"""Station addresses as text: a callsign of 1 to 6 capital letters and digits, and an SSID.

Everywhere in the program a station address is a plain str in one form: "QZ1HUB-10", and "QZ1HUB"
for SSID 0 (AX.25 2.2 ch. 3, the address field; APRS 1.2c ch. 17, the source path header).
"""

import re

from ridgepost.radio import RefusedError, quoted

MAX_CALL_CHARACTERS = 6  # the room in an AX.25 address

# No leading zero: "QZ1HUB-01" and "QZ1HUB-1" must not be two names of one station.
_SSID = re.compile(r"[0-9]|1[0-5]", re.ASCII)
_CALL = re.compile(r"[A-Z0-9]+", re.ASCII)


class CallsignError(RefusedError):
    """Not a station address.

    `reason` is blank_callsign, callsign_too_long, illegal_character or bad_ssid.
    """


def parse_callsign(text: str) -> str:
    """The canonical form of a station address: "QZ1HUB-10", or "QZ1HUB" for "QZ1HUB-0".

    Small letters are refused rather than raised: on the air they are an error, and what a person
    types is for the one who asks to tidy. Raises CallsignError.
    """
    base, hyphen, ssid = text.partition("-")
    parse_base(base)
    if hyphen and _SSID.fullmatch(ssid) is None:
        raise CallsignError("bad_ssid", f"the SSID of {quoted(text)} is not a number from 0 to 15")
    return text if ssid not in ("", "0") else base


def parse_base(base: str) -> str:
    """`base` itself if it is a callsign without an SSID. Raises CallsignError."""
    if not base:
        raise CallsignError("blank_callsign", "the callsign is empty")
    if _CALL.fullmatch(base) is None:
        raise CallsignError(
            "illegal_character", f"{quoted(base)} holds more than capital letters and digits"
        )
    if len(base) > MAX_CALL_CHARACTERS:
        raise CallsignError(
            "callsign_too_long", f"{quoted(base)} is longer than {MAX_CALL_CHARACTERS} characters"
        )
    return base


def base_call(callsign: str) -> str:
    """The callsign without its SSID: "QZ1HUB" of "QZ1HUB-10"."""
    return callsign.partition("-")[0]


def ssid_of(callsign: str) -> int:
    """The SSID of a canonical station address, 0 to 15."""
    return int(callsign.partition("-")[2] or 0)

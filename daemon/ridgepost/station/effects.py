"""What the station wants done: the only things that come out of a decision."""

import msgspec

from ridgepost.station.records import Entry
from ridgepost.station.told import Told


class Log(msgspec.Struct, frozen=True):
    """Write this entry. Everything that comes after it in the list rests on it."""

    entry: Entry


class Transmit(msgspec.Struct, frozen=True):
    """Hand these octets (AX.25 without FCS) to this KISS port of this TNC."""

    tnc: str
    port: int
    octets: bytes


class Tell(msgspec.Struct, frozen=True):
    """Tell a client what it asked to know, once everything before it is written."""

    told: Told


Effect = Log | Transmit | Tell

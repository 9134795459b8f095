"""What clients may ask of the station, checked in form by whoever read them off the bus."""

import hashlib

import msgspec

from ridgepost.station.records import Precedence


class AskBase(msgspec.Struct, frozen=True, kw_only=True):
    """`request` is the client's own name for the ask: the same name twice is one ask."""

    request: str
    client: str = ""
    """Who asks, as far as the bus tells."""

    reply_topic: str = ""
    correlation: bytes = b""


class Send(AskBase, frozen=True, kw_only=True):
    """Send `text` to `to` until it is acknowledged or `lifetime_s` is over."""

    to: str
    text: str
    precedence: Precedence = Precedence.ROUTINE
    lifetime_s: float | None = None


class Cancel(AskBase, frozen=True, kw_only=True):
    """Send no further copy of `message`."""

    message: str


class Bulletin(AskBase, frozen=True, kw_only=True):
    """Put `text` on a line of our bulletin board, in place of what is on it, for `lifetime_s`.

    `line` is '0' to '9', such a digit with a group of up to five characters ('4WX'), or 'A' to 'Z'
    for an announcement (APRS 1.2c ch. 14).
    """

    line: str
    text: str
    lifetime_s: float | None = None


class Withdraw(AskBase, frozen=True, kw_only=True):
    """Send no further copy of what is on `line`."""

    line: str


class Query(AskBase, frozen=True, kw_only=True):
    """Ask the station `to` something that stations answer by themselves (APRS 1.2c ch. 15).

    `query` is the type, e.g. 'APRSD'; `station` whom it is about, which 'APRSH' needs.
    """

    to: str
    query: str
    station: str = ""


class Read(AskBase, frozen=True, kw_only=True):
    """These messages that came in have been read."""

    messages: list[str]


class Clear(AskBase, frozen=True, kw_only=True):
    """This notice has been dealt with."""

    notice: str


class CheckIn(AskBase, frozen=True, kw_only=True):
    """Put a station on the roster of the event, or change what is said of it there.

    `interval_s` is the longest at which it reports by itself; None: to be learnt.
    """

    callsign: str
    tactical: str = ""
    role: str = ""
    interval_s: float | None = None


class CheckOut(AskBase, frozen=True, kw_only=True):
    """Take a station off the roster; it is known by its callsign or tactical call."""

    callsign: str


class StateOf(AskBase, frozen=True, kw_only=True):
    """Tell how `message`, an outgoing one, stands."""

    message: str


class ListPending(AskBase, frozen=True, kw_only=True):
    """Tell what has not been settled yet."""


Look = StateOf | ListPending
"""Asks that change nothing: they are answered anew each time, and not logged."""

Deed = Send | Cancel | Bulletin | Withdraw | Query | Read | Clear | CheckIn | CheckOut
"""Asks that change something: each is decided once, and its answer is in the log."""

Ask = Deed | Look

VERBS: dict[type[Ask], str] = {
    Send: "send",
    Cancel: "cancel",
    Bulletin: "bulletin",
    Withdraw: "withdraw",
    Query: "query",
    Read: "read",
    Clear: "clear",
    CheckIn: "checkin",
    CheckOut: "checkout",
    StateOf: "state",
    ListPending: "list",
}


def digest(ask: Ask) -> str:
    """A short fingerprint of what is asked, without who asks and how it is to be answered."""
    content = {
        name: getattr(ask, name)
        for name in ask.__struct_fields__
        if name not in AskBase.__struct_fields__
    }
    material = msgspec.json.encode([VERBS[type(ask)], content])
    return hashlib.blake2b(material, digest_size=8).hexdigest()

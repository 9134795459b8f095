"""What clients may ask of the station, checked in form by whoever read them off the bus."""

import hashlib

import msgspec

from ridgepost.station.records import Precedence


class AskBase(msgspec.Struct, frozen=True, kw_only=True):
    """`request` is the client's own name for the ask: the same name twice is one ask."""

    request: str
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


Ask = Send | Cancel

VERBS: dict[type[Ask], str] = {Send: "send", Cancel: "cancel"}


def digest(ask: Ask) -> str:
    """A short fingerprint of what is asked, without who asks and how it is to be answered."""
    content = {
        name: getattr(ask, name)
        for name in ask.__struct_fields__
        if name not in AskBase.__struct_fields__
    }
    material = msgspec.json.encode([VERBS[type(ask)], content])
    return hashlib.blake2b(material, digest_size=8).hexdigest()

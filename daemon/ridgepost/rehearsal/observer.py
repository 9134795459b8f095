"""What became of each message, by what was on the air: the same measure for every policy.

The observer is told which messages were asked for and sees all that happens on the channel. It
asks no station what it believes.
"""

import functools
from collections import deque
from collections.abc import Iterable
from typing import Literal

import msgspec

from ridgepost import aprs
from ridgepost.radio import ax25
from ridgepost.rehearsal.channel import Channel, Happening, Lost, Received, Sent

_MEMORY_S = 5.0
"""No transmission at 1200 bit/s is longer: what ended before that can overlap nothing later."""


class Matter(msgspec.Struct, frozen=True, gc=False):
    """What a frame is to a message exchange, whoever sent it this time.

    `number` is the message's own, or the one acknowledged; `also` one acknowledged on the way.
    """

    kind: Literal["message", "ack"]
    source: str
    addressee: str
    text: str
    number: str
    also: str = ""


@functools.lru_cache(maxsize=4096)
def matter_of(octets: bytes) -> Matter | None:
    """None for a frame that belongs to no message. Cached: each is looked at many times."""
    try:
        frame = ax25.decode(octets)
    except ax25.FrameError:
        return None
    if not (frame.is_aprs and frame.info.startswith(b":")):
        return None
    match aprs.decode(frame.info, frame.source, frame.destination):
        case aprs.Message(addressee=addressee, text=text, message_id=number, reply_ack=also):
            return Matter("message", frame.source, addressee, text, number or "", also or "")
        case aprs.Ack(addressee=addressee, acknowledged_id=number, reply_ack=also):
            return Matter("ack", frame.source, addressee, "", number, also or "")
        case _:
            return None


class Exchange(msgspec.Struct):
    """One message. Times are None for what never happened; airtime is in seconds."""

    asked_s: float
    delivered_s: float | None = None
    """The addressee's node decoded a copy."""

    acked_s: float | None = None
    """The sender's node decoded an acknowledgement."""

    tries: int = 0
    airtime_s: float = 0.0
    """Of all that belongs to it: copies, acknowledgements and what digipeaters made of them."""

    sender_airtime_s: float = 0.0


class _Carrier:
    """A transmission that is over, and who lost its frame to a collision."""

    __slots__ = ("end_s", "lost_at", "ours", "sender", "spoilt", "start_s")

    def __init__(self, sent: Sent, ours: bool, lost_at: list[str]) -> None:
        self.sender = sent.node
        self.start_s = sent.started_s
        self.end_s = sent.ended_s
        self.ours = ours
        self.lost_at = lost_at
        self.spoilt = False


class Observer:
    """Follows the messages between some stations. Texts must differ within a sender."""

    def __init__(self, channel: Channel) -> None:
        self.exchanges: dict[tuple[str, str], Exchange] = {}
        """By sender and text."""

        self.spoilt = 0
        """Frames of others, each counted once, that somebody lost to a frame of a message."""

        self._channel = channel
        self._by_number: dict[tuple[str, str, str], Exchange] = {}
        self._addressee: dict[tuple[str, str], str] = {}
        self._lost_at: dict[str, list[str]] = {}
        self._recent: deque[_Carrier] = deque()

    def asked(self, sender: str, to: str, text: str) -> None:
        """Somebody wants a message sent, now."""
        self.exchanges[sender, text] = Exchange(self._channel.now_s)
        self._addressee[sender, text] = to

    def note_all(self, happenings: Iterable[Happening]) -> None:
        for happening in happenings:
            self.note(happening)

    def note(self, happening: Happening) -> None:
        """Look at what happened on the channel, in the order of time."""
        match happening:
            case Received():
                matter = matter_of(happening.octets)
                if matter is not None and happening.node == matter.addressee:
                    self._received(matter, happening.at_s)
            case Lost(cause="collision"):
                self._lost_at.setdefault(happening.sender, []).append(happening.node)
            case Sent():
                self._sent(happening)
            case _:
                pass

    def _received(self, matter: Matter, at_s: float) -> None:
        """A frame has reached the one it is for."""
        if matter.kind == "message":
            exchange = self._of_message(matter)
            if exchange is not None and exchange.delivered_s is None:
                exchange.delivered_s = at_s
            numbers = [matter.also]
        else:
            numbers = [matter.number, matter.also]
        for number in numbers:
            acked = self._by_number.get((matter.addressee, matter.source, number))
            if acked is not None and acked.acked_s is None:
                acked.acked_s = at_s

    def _of_message(self, matter: Matter) -> Exchange | None:
        exchange = self.exchanges.get((matter.source, matter.text))
        if exchange is not None and matter.number:
            self._by_number[matter.source, matter.addressee, matter.number] = exchange
        return exchange

    def _sent(self, sent: Sent) -> None:
        matter = matter_of(sent.octets)
        exchange: Exchange | None = None
        if matter is not None and matter.kind == "message":
            exchange = self._of_message(matter)
            if exchange is not None and sent.node == matter.source:
                exchange.tries += 1
                exchange.sender_airtime_s += sent.ended_s - sent.started_s
        elif matter is not None:
            exchange = self._by_number.get((matter.addressee, matter.source, matter.number))
        if exchange is not None:
            exchange.airtime_s += sent.ended_s - sent.started_s
        self._weigh_collisions(
            _Carrier(sent, exchange is not None, self._lost_at.pop(sent.node, []))
        )

    def _weigh_collisions(self, carrier: _Carrier) -> None:
        recent = self._recent
        while recent and recent[0].end_s < carrier.end_s - _MEMORY_S:
            recent.popleft()
        for other in recent:
            if other.ours != carrier.ours:
                theirs, ours = (carrier, other) if other.ours else (other, carrier)
                self._blame(theirs, ours)
        recent.append(carrier)

    def _blame(self, theirs: _Carrier, ours: _Carrier) -> None:
        if theirs.spoilt or not theirs.lost_at:
            return
        radio = self._channel.radio(theirs.sender)
        data_start_s = theirs.start_s + radio.txdelay_s
        data_end_s = theirs.end_s - radio.tx_tail_s
        if not (ours.end_s > data_start_s and ours.start_s < data_end_s):
            return
        if any(self._channel.hears(node, ours.sender) for node in theirs.lost_at):
            theirs.spoilt = True
            self.spoilt += 1

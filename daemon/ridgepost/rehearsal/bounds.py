"""The bound that no delivery policy can beat on one channel: both ends know every frame's fate.

The oracle learns at once whether the digipeater and the other end decoded what it sent. It sends
again as soon as that can help and never otherwise: at once if the digipeater did not decode a
frame; if it did, and the other end lost the repeat, when the digipeater would repeat a copy again.
Once the other end has the message, only the acknowledgement is sent again, by the same rule.

It obeys the channel: the TNC's access rules, the duplicate window, collisions and noise. With a
window of 0 s it is the bound without duplicate suppression. It never backs off, so with many pairs
it chokes itself and is no bound; and it spends its tries in a fade that outlasts them.

Two kinds of it know or do less. One that goes by ear learns that the digipeater did not decode a
frame when its repeat would have been over: no station learns it sooner, since it is the missing
repeat that tells. One that sends to a plain station knows every fate, but has no say in the
acknowledgements: there is one for each copy of the message, and a lost one costs another copy.
"""

import functools
from collections import deque
from collections.abc import Callable

import msgspec

from ridgepost import aprs
from ridgepost.radio import ax25
from ridgepost.radio.airtime import airtime_s
from ridgepost.rehearsal.channel import Channel, Happening, RadioParameters, Received, Sent
from ridgepost.rehearsal.stations import SOFTWARE_ADDRESS

NUMBERS = 36**2
"""Message numbers of two characters, as short as the standard has them for reply-acks."""

RADIO = RadioParameters()

LOOK_AGAIN_S = 1.0
"""How soon it looks again whether the other end is back on the air."""

LOST_WITHOUT_TRACE_S = 60.0
"""A frame of which nothing was seen for so long went down with a node that was switched off."""


class _Leg:
    """One frame on its way from one end to the other: the message, or its acknowledgement.

    `last`: it is the acknowledgement.
    """

    def __init__(self, sender: str, to: str, octets: bytes, *, last: bool) -> None:
        self.sender = sender
        self.to = to
        self.octets = octets
        self.content = _content(octets)
        self.last = last
        self.tries = 0
        self.accepted_s: float | None = None
        """When the digipeater last took it for new."""

        self.repeat_due = False
        """The digipeater has it and has not sent it yet."""

        self.fate_open = False
        """It was handed over, and what became of it is not known yet."""


class _Letter(msgspec.Struct, frozen=True):
    text: str
    number: str


class OraclePair:
    """A sender and an addressee on two nodes, and the digipeater between them.

    `tries` is the limit for each of message and acknowledgement. `on_end` is called with the text
    when its message is acknowledged or given up. One message is on its way at a time; others wait.
    `note` must be called with each happening before time moves on. With `by_ear` a lost first hop
    is learnt of when the repeat would be over; with `plain_addressee` the station at the other end
    acknowledges by itself.
    """

    def __init__(
        self,
        channel: Channel,
        *,
        relay: str,
        sender: str,
        to: str,
        path: tuple[str, ...],
        duplicate_window_s: float,
        tries: int,
        on_end: Callable[[str], None],
        by_ear: bool = False,
        plain_addressee: bool = False,
    ) -> None:
        self._channel = channel
        self._relay = relay
        self._sender = sender
        self._to = to
        self._path = path
        self._window_s = duplicate_window_s
        self._tries = tries
        self._on_end = on_end
        self._by_ear = by_ear
        self._plain_addressee = plain_addressee
        self._waiting: deque[_Letter] = deque()
        self._letter: _Letter | None = None
        self._leg: _Leg | None = None
        self._ask: _Leg | None = None
        """The message, while it is its acknowledgement by a plain station that is on its way."""

        self._number = 0

    def send(self, text: str) -> None:
        """Send a message, now or after those before it."""
        self._number = (self._number + 1) % NUMBERS
        self._waiting.append(_Letter(text, _two_characters(self._number)))
        if self._letter is None:
            self._next()

    def note(self, happening: Happening) -> None:
        """Something happened on the channel."""
        leg = self._leg
        if leg is None:
            return
        match happening:
            case Received() if _content(happening.octets) == leg.content:
                if happening.node == leg.to:
                    self._arrived(leg)
                elif happening.node == self._relay and happening.sender == leg.sender:
                    self._accepted(leg, happening.at_s)
            case Sent() if _content(happening.octets) == leg.content:
                if happening.node == self._relay:
                    leg.repeat_due = False
                if leg.repeat_due:
                    pass
                elif self._by_ear and happening.node == leg.sender:
                    over_s = happening.ended_s + happening.ended_s - happening.started_s
                    self._channel.schedule(over_s, functools.partial(self._again, leg))
                else:
                    self._again(leg)
            case _:
                pass

    # -- inside ----------------------------------------------------------------------------------

    def _next(self) -> None:
        if not self._waiting:
            self._letter = None
            return
        self._letter = letter = self._waiting.popleft()
        info = aprs.encode_message(self._to, letter.text, letter.number, reply_capable=False)
        self._begin(_Leg(self._sender, self._to, self._frame(self._sender, info), last=False))

    def _frame(self, source: str, info: bytes) -> bytes:
        return ax25.encode(ax25.Frame(source, SOFTWARE_ADDRESS, self._path, info=info))

    def _begin(self, leg: _Leg) -> None:
        self._leg = leg
        self._try(leg)

    def _try(self, leg: _Leg) -> None:
        if leg is not self._leg:
            return
        if not (self._channel.is_on(leg.to) and self._channel.is_on(leg.sender)):
            # Whoever knows every fate knows that nobody is there.
            self._later(leg, self._channel.now_s + LOOK_AGAIN_S)
            return
        leg.tries += 1
        leg.fate_open = True
        now_s = self._channel.now_s
        self._channel.transmit(leg.sender, leg.octets, now_s)
        check = functools.partial(self._check, leg, leg.tries)
        self._channel.schedule(now_s + LOST_WITHOUT_TRACE_S, check)

    def _check(self, leg: _Leg, tries: int) -> None:
        if leg is self._leg and leg.tries == tries and leg.fate_open:
            leg.repeat_due = False
            self._again(leg)

    def _later(self, leg: _Leg, at_s: float) -> None:
        self._channel.schedule(at_s, functools.partial(self._try, leg))

    def _accepted(self, leg: _Leg, at_s: float) -> None:
        """The digipeater decoded a copy: it repeats it unless it has done so within its window."""
        if leg.accepted_s is None or at_s - leg.accepted_s >= self._window_s:
            leg.accepted_s = at_s
            leg.repeat_due = True

    def _again(self, leg: _Leg) -> None:
        """A transmission is over and nothing more will come of it: the next one, or the end."""
        if leg is not self._leg:
            return
        leg.fate_open = False
        if leg.last and self._plain_addressee:
            self._ask_again(leg)
        elif leg.tries >= self._tries:
            self._end()
            return
        now_s = self._channel.now_s
        if leg.accepted_s is None:
            self._try(leg)
        else:
            self._later(leg, max(now_s, leg.accepted_s + self._window_s))

    def _ask_again(self, answer: _Leg) -> None:
        """A plain station's acknowledgement is lost, and only a copy of the message draws another.

        The copy goes out as soon as both it and what it draws are repeated.
        """
        message = self._ask
        if message is None:
            raise AssertionError("an acknowledgement without a message")
        self._leg, self._ask = message, None
        if message.tries >= self._tries:
            self._end()
            return
        at_s = self._channel.now_s
        if message.accepted_s is not None:
            at_s = max(at_s, message.accepted_s + self._window_s)
        if answer.accepted_s is not None:
            exchange_s = 2.0 * _airtime_s(message.octets) + _airtime_s(answer.octets)
            at_s = max(at_s, answer.accepted_s + self._window_s - exchange_s)
        self._later(message, at_s)

    def _arrived(self, leg: _Leg) -> None:
        letter = self._letter
        if leg.last or letter is None:
            self._end()
            return
        info = aprs.encode_ack(self._sender, letter.number)
        answer = _Leg(self._to, self._sender, self._frame(self._to, info), last=True)
        if not self._plain_addressee:
            self._begin(answer)
            return
        self._ask, self._leg = leg, answer
        answer.fate_open = True
        check = functools.partial(self._check, answer, answer.tries)
        self._channel.schedule(self._channel.now_s + LOST_WITHOUT_TRACE_S, check)

    def _end(self) -> None:
        letter, self._leg, self._ask = self._letter, None, None
        self._next()
        if letter is not None:
            self._on_end(letter.text)


def _airtime_s(octets: bytes) -> float:
    return airtime_s(octets, 1200, RADIO.txdelay_s, RADIO.tx_tail_s)


@functools.lru_cache(maxsize=4096)
def _content(octets: bytes) -> tuple[str, bytes]:
    """What a digipeater leaves as it is: source and information field."""
    frame = ax25.decode(octets)
    return frame.source, frame.info


def _two_characters(number: int) -> str:
    digits = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    return digits[number // 36] + digits[number % 36]

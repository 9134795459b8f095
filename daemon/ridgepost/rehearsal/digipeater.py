"""Which heard frames a digipeater sends again, and with what path. Pure.

Source: APRS Digipeater Algorithm (2024, rev. 2025), sec. 4; section numbers below are of that
document. The frame that comes back is to be sent as soon as the channel is clear, without the
random wait of other frames (sec. 3.2.1).
"""

import re
from collections import OrderedDict
from collections.abc import Iterable
from enum import StrEnum

import msgspec

from ridgepost.radio.ax25 import MAX_DIGIPEATERS, Frame
from ridgepost.radio.callsign import base_call, parse_callsign, ssid_of

DUPLICATE_WINDOW_S = 30.0

MAX_HOPS = 7

# In one window 1200 bit/s carry fewer than 100 frames of the shortest kind.
MAX_REMEMBERED = 1024

# sec. 2.3: a prefix of up to five characters and the role digit.
_GENERIC = re.compile(r"[A-Z0-9]{1,5}[1-7]", re.ASCII)


class Silence(StrEnum):
    """Why a frame is not sent again."""

    NOT_UI = "not_ui"
    NO_UNUSED_ADDRESS = "no_unused_address"
    NO_MATCH = "no_match"
    HOP_COUNT_ZERO = "hop_count_zero"
    HOP_COUNT_RANGE = "hop_count_range"
    DUPLICATE = "duplicate"
    OWN_SOURCE = "own_source"


class Digipeater:
    """One digipeater: its names, and what it has sent lately.

    `aliases` are whole addresses, SSID included; `generic` are prefixes with their role digit
    ("WIDE2" answers WIDE2-1 to WIDE2-7). Raises ValueError for names that cannot be either.
    """

    def __init__(
        self,
        callsign: str,
        aliases: Iterable[str] = (),
        generic: Iterable[str] = ("WIDE1", "WIDE2"),
        duplicate_window_s: float = DUPLICATE_WINDOW_S,
    ) -> None:
        self.callsign = parse_callsign(callsign)
        self._own = {self.callsign, *map(parse_callsign, aliases)}
        self._generic = frozenset(generic)
        for prefix in sorted(self._generic):
            if _GENERIC.fullmatch(prefix) is None:
                raise ValueError(f"{prefix!r} is not a prefix with its role digit, like WIDE2")
        self._window_s = duplicate_window_s
        self._sent_at_s: OrderedDict[tuple[str, str, bytes], float] = OrderedDict()

    def hear(self, frame: Frame, at_s: float) -> Frame | Silence:
        """The frame to send in answer to `frame`, heard at `at_s`; or the reason for silence.

        `at_s` is seconds on a clock that never runs back. A frame that is returned counts as sent.
        """
        if not frame.is_ui:
            return Silence.NOT_UI  # an exchange with acknowledgements of its own repeats on purpose
        readdressed = self._readdressed(frame)
        if isinstance(readdressed, Silence):
            return readdressed
        key = (frame.source, base_call(frame.destination), frame.info)
        self._forget_before(at_s - self._window_s)
        if key in self._sent_at_s:
            return Silence.DUPLICATE  # sec. 4.2 (a)
        if frame.source == self.callsign:
            return Silence.OWN_SOURCE  # sec. 4.2 (b)
        if len(self._sent_at_s) == MAX_REMEMBERED:
            self._sent_at_s.popitem(last=False)
        self._sent_at_s[key] = at_s
        return readdressed

    def _readdressed(self, frame: Frame) -> Frame | Silence:
        """`frame` with the path it is sent with, if its path asks us (sec. 4.1 and 4.3)."""
        turn = frame.first_unused
        if turn is None:
            return Silence.NO_UNUSED_ADDRESS
        place = frame.repeated.index(False)
        if turn in self._own:
            return _with_path(frame, place, (self.callsign,), (True,))
        prefix, hops = base_call(turn), ssid_of(turn)
        if prefix not in self._generic:
            return Silence.NO_MATCH
        if hops == 0:
            return Silence.HOP_COUNT_ZERO
        if hops > MAX_HOPS:
            return Silence.HOP_COUNT_RANGE
        if hops == 1:
            return _with_path(frame, place, (self.callsign,), (True,))
        one_less = f"{prefix}-{hops - 1}"
        if len(frame.path) < MAX_DIGIPEATERS:
            return _with_path(frame, place, (self.callsign, one_less), (True, False))
        return _with_path(frame, place, (one_less,), (False,))

    def _forget_before(self, time_s: float) -> None:
        while self._sent_at_s and next(iter(self._sent_at_s.values())) <= time_s:
            self._sent_at_s.popitem(last=False)


def _with_path(
    frame: Frame, place: int, addresses: tuple[str, ...], repeated: tuple[bool, ...]
) -> Frame:
    """`frame` with `addresses` in the place of the one digipeater that stands there."""
    return msgspec.structs.replace(
        frame,
        path=frame.path[:place] + addresses + frame.path[place + 1 :],
        repeated=frame.repeated[:place] + repeated + frame.repeated[place + 1 :],
    )

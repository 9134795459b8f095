"""One report for all copies of a frame, with the copies counted.

Copies agree in source, destination without SSID, and information field: a digipeater changes
the path and may use up the destination's SSID (APRS 1.2 ch. 4), nothing else.
"""

import math
from collections import OrderedDict

import msgspec

from ridgepost.radio.ax25 import Frame
from ridgepost.radio.callsign import base_call
from ridgepost.station.arrival import path_shown
from ridgepost.station.channel import Port
from ridgepost.station.tuning import Tuning

PATHS_KEPT = 8
"""Different paths remembered for one frame; more digipeaters than that hear nobody at once."""


class Hearing(msgspec.Struct, frozen=True):
    """What a frame is among those heard lately."""

    of: int
    """Log number of the first copy, which for a first copy is its own."""

    first: bool
    """No copy was heard within the window."""

    sent_again: bool
    """A copy, but of another transmission by its sender rather than a repeat of the same one."""


class Closed(msgspec.Struct, frozen=True):
    """A frame whose window has closed after more than one copy."""

    of: int
    copies: int
    paths: list[str]


_Way = tuple[tuple[str, ...], tuple[bool, ...]]
"""The path of a copy, and its H bits: frames that came the same way share them."""


class _Recent(msgspec.Struct, gc=False):
    seq: int
    closes_s: float
    last_copy_s: float
    transmitters: tuple[tuple[str, Port], ...]
    ways: tuple[_Way, ...]
    copies: int = 1


class Duplicates:
    """Remembers the frames of the last window. Bounded by `Tuning.recent_frames`."""

    def __init__(self, tuning: Tuning) -> None:
        self._tuning = tuning
        # In order of first copy, hence also of closing.
        self._recent: OrderedDict[tuple[str, str, bytes], _Recent] = OrderedDict()
        self._closed_early: list[Closed] = []
        self._next_close_s = math.inf

    def hear(self, frame: Frame, port: Port, seq: int, now_s: float) -> Hearing:
        """Classify a frame; `seq` is the log number it gets if it is the first copy.

        Call `close` first, so that windows that have ended do not count.
        """
        key = (frame.source, base_call(frame.destination), frame.info)
        transmitter = (frame.heard_from, port)
        recent = self._recent.get(key)
        if recent is None:
            if len(self._recent) >= self._tuning.recent_frames:
                self._finish_oldest(self._closed_early)
            closes_s = now_s + self._tuning.duplicate_window_s
            way = (frame.path, frame.repeated)
            self._recent[key] = _Recent(seq, closes_s, now_s, (transmitter,), (way,))
            self._next_close_s = min(self._next_close_s, closes_s)
            return Hearing(seq, first=True, sent_again=False)
        recent.copies += 1
        late = now_s - recent.last_copy_s > self._tuning.repeat_delay_s
        sent_again = late or transmitter in recent.transmitters
        if sent_again:
            # Repeats of this transmission are not further ones.
            recent.transmitters = ()
        recent.transmitters += (transmitter,)
        recent.last_copy_s = now_s
        way = (frame.path, frame.repeated)
        if way not in recent.ways and len(recent.ways) < PATHS_KEPT:
            recent.ways += (way,)
        return Hearing(recent.seq, first=False, sent_again=sent_again)

    def close(self, now_s: float) -> list[Closed]:
        """Forget the frames whose window has ended; those with several copies are returned."""
        closed, self._closed_early = self._closed_early, []
        while self._recent and self._next_close_s <= now_s:
            self._finish_oldest(closed)
        return closed

    def __len__(self) -> int:
        return len(self._recent)

    def next_close_s(self) -> float | None:
        """When the oldest window ends."""
        return self._next_close_s if self._recent else None

    def _finish_oldest(self, closed: list[Closed]) -> None:
        _, recent = self._recent.popitem(last=False)
        first = next(iter(self._recent.values()), None)
        self._next_close_s = math.inf if first is None else first.closes_s
        if recent.copies > 1:
            paths = dict.fromkeys(",".join(path_shown(*way)) for way in recent.ways)
            closed.append(Closed(recent.seq, recent.copies, list(paths)))

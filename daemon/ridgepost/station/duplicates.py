"""One report for all copies of a frame, with the copies counted.

Copies agree in source, destination without SSID, and information field: a digipeater changes
the path and may use up the destination's SSID (APRS 1.2 ch. 4), nothing else.
"""

from collections import OrderedDict
from dataclasses import dataclass, field

import msgspec

from ridgepost.radio.ax25 import Frame
from ridgepost.radio.callsign import base_call
from ridgepost.station.arrival import path_list
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


@dataclass(slots=True)
class _Recent:
    seq: int
    closes_s: float
    last_copy_s: float
    transmitters: set[tuple[str, Port]]
    copies: int = 1
    paths: list[str] = field(default_factory=list)


class Duplicates:
    """Remembers the frames of the last window. Bounded by `Tuning.recent_frames`."""

    def __init__(self, tuning: Tuning) -> None:
        self._tuning = tuning
        # In order of first copy, hence also of closing.
        self._recent: OrderedDict[tuple[str, str, bytes], _Recent] = OrderedDict()
        self._closed_early: list[Closed] = []

    def hear(self, frame: Frame, port: Port, seq: int, now_s: float) -> Hearing:
        """Classify a frame; `seq` is the log number it gets if it is the first copy.

        Call `close` first, so that windows that have ended do not count.
        """
        key = (frame.source, base_call(frame.destination), frame.info)
        transmitter = (frame.heard_from, port)
        path = ",".join(path_list(frame))
        recent = self._recent.get(key)
        if recent is None:
            if len(self._recent) >= self._tuning.recent_frames:
                self._finish(self._recent.popitem(last=False)[1], self._closed_early)
            closes_s = now_s + self._tuning.duplicate_window_s
            self._recent[key] = _Recent(seq, closes_s, now_s, {transmitter}, paths=[path])
            return Hearing(seq, first=True, sent_again=False)
        recent.copies += 1
        late = now_s - recent.last_copy_s > self._tuning.repeat_delay_s
        sent_again = late or transmitter in recent.transmitters
        if sent_again:
            # Repeats of this transmission are not further ones.
            recent.transmitters.clear()
        recent.transmitters.add(transmitter)
        recent.last_copy_s = now_s
        if path not in recent.paths and len(recent.paths) < PATHS_KEPT:
            recent.paths.append(path)
        return Hearing(recent.seq, first=False, sent_again=sent_again)

    def close(self, now_s: float) -> list[Closed]:
        """Forget the frames whose window has ended; those with several copies are returned."""
        closed, self._closed_early = self._closed_early, []
        while self._recent:
            key, recent = next(iter(self._recent.items()))
            if recent.closes_s > now_s:
                break
            del self._recent[key]
            self._finish(recent, closed)
        return closed

    def __len__(self) -> int:
        return len(self._recent)

    def next_close_s(self) -> float | None:
        """When the oldest window ends."""
        return next(iter(self._recent.values())).closes_s if self._recent else None

    @staticmethod
    def _finish(recent: _Recent, closed: list[Closed]) -> None:
        if recent.copies > 1:
            closed.append(Closed(recent.seq, recent.copies, recent.paths))

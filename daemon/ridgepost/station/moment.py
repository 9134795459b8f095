"""Time as the station sees it: always passed in, never read.

A small computer at a field site has no battery clock. Intervals therefore run on a monotonic
clock, which nobody can set; the wall clock only dates what a person reads, and every moment says
whether it can be trusted.
"""

from collections.abc import Sequence

import msgspec


class Moment(msgspec.Struct, frozen=True):
    """One instant on both clocks.

    `mono_s` counts seconds since some start that only this boot of the machine shares.
    `wall_s` is seconds since 1970-01-01T00:00:00Z; believe it only if `wall_trusted`.
    """

    mono_s: float
    wall_s: float
    wall_trusted: bool = True


class RunSpan(msgspec.Struct, frozen=True):
    """One run of the station as the log remembers it: its boot, first and last logged moment."""

    run: int
    boot: str
    first: Moment
    last: Moment


def timeline_offsets(
    spans: Sequence[RunSpan], boot: str, now: Moment, max_age_s: float
) -> dict[int, float]:
    """Seconds to add to a logged `mono_s` of each run to place it on the present boot's clock.

    `spans` are in order, oldest first. Three cases, best first: runs of one boot share its clock
    outright; between two trusted wall clocks the gap is measured; otherwise the gap is unknown
    and taken as none, so that nothing expires or is resent early because of a clock that nobody
    set. A gap is never negative, and never more than `max_age_s` (a wall clock can be wrong in
    earnest). How long a later run lasted is known whatever the wall clock says.
    """
    offsets: dict[int, float] = {}
    boot_offsets = {boot: 0.0}
    next_start_s = now.mono_s
    for span in reversed(spans):
        if span.boot not in boot_offsets:
            gap_s = 0.0
            if now.wall_trusted and span.last.wall_trusted:
                gap_s = min(max(now.wall_s - span.last.wall_s, 0.0), max_age_s)
            # Runs do not overlap: this one ended before the next one began.
            end_s = min(now.mono_s - gap_s, next_start_s)
            boot_offsets[span.boot] = end_s - span.last.mono_s
        offset_s = boot_offsets[span.boot]
        offsets[span.run] = offset_s
        next_start_s = min(next_start_s, span.first.mono_s + offset_s)
    return offsets

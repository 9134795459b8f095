"""The clocks that the shell reads and waits by: the machine's, and one moved by hand.

Everything in the shell that waits for the station's time does it through a `Clock`, so that a
rehearsal can run the real service on a clock that jumps from event to event.
"""

import asyncio
import heapq
import itertools
import time
from pathlib import Path
from typing import Protocol

from ridgepost.station.moment import Moment

PLAUSIBLE_FROM_S = 1_767_225_600.0
"""2026-01-01T00:00:00Z. Before this release existed the wall clock cannot be right: a machine
without a battery clock starts in the past."""


class Clock(Protocol):
    """What the shell asks of a clock."""

    boot: str
    """Names the stretch of time in which `mono_s` can be compared, across runs of the program."""

    def now(self) -> Moment:
        """This instant."""

    async def sleep(self, seconds: float) -> None:
        """Return after that time."""

    async def wait(self, event: asyncio.Event, until_s: float | None) -> None:
        """Return when `event` is set or at monotonic time `until_s`, whichever is first."""


class SystemClock:
    """The machine's own clocks."""

    def __init__(self) -> None:
        self.boot = _boot_id()

    def now(self) -> Moment:
        """This instant; the wall clock is trusted from this release's year on."""
        wall_s = time.time()
        return Moment(time.monotonic(), wall_s, wall_s >= PLAUSIBLE_FROM_S)

    async def sleep(self, seconds: float) -> None:
        """Return after that time."""
        await asyncio.sleep(seconds)

    async def wait(self, event: asyncio.Event, until_s: float | None) -> None:
        """Return when `event` is set or at `until_s`."""
        timeout_s = None if until_s is None else max(0.0, until_s - time.monotonic())
        try:
            async with asyncio.timeout(timeout_s):
                await event.wait()
        except TimeoutError:
            pass


def _boot_id() -> str:
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        # Not Linux: no run can be told to share a boot with another, so none does.
        return f"unknown-{time.time_ns()}"


class SteppedClock:
    """A clock that stands still until it is moved on.

    `start` is where it begins. Whoever drives it calls `advance`, which wakes those whose time
    has come, and lets them run before moving it again.
    """

    def __init__(self, start: Moment, boot: str) -> None:
        self.boot = boot
        self._start = start
        self._mono_s = start.mono_s
        self._order = itertools.count()
        self._waiting: list[tuple[float, int, asyncio.Future[None]]] = []

    def now(self) -> Moment:
        """Where the clock stands."""
        passed_s = self._mono_s - self._start.mono_s
        return Moment(self._mono_s, self._start.wall_s + passed_s, self._start.wall_trusted)

    def advance(self, to_s: float) -> None:
        """Move on to monotonic time `to_s` (never back) and wake whoever waited for that."""
        self._mono_s = max(self._mono_s, to_s)
        while self._waiting and self._waiting[0][0] <= self._mono_s:
            future = heapq.heappop(self._waiting)[2]
            if not future.done():
                future.set_result(None)

    def next_deadline_s(self) -> float | None:
        """The earliest time that somebody waits for."""
        while self._waiting and self._waiting[0][2].done():
            heapq.heappop(self._waiting)
        return self._waiting[0][0] if self._waiting else None

    async def sleep(self, seconds: float) -> None:
        """Return once the clock has been moved on by that much."""
        await self._until(self._mono_s + seconds)

    async def wait(self, event: asyncio.Event, until_s: float | None) -> None:
        """Return when `event` is set or the clock reaches `until_s`."""
        if until_s is None:
            await event.wait()
            return
        tasks = [asyncio.ensure_future(event.wait()), asyncio.ensure_future(self._until(until_s))]
        try:
            await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def _until(self, until_s: float) -> None:
        if until_s <= self._mono_s:
            return
        future: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        heapq.heappush(self._waiting, (until_s, next(self._order), future))
        await future

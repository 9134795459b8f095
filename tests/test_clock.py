"""The clocks of the shell: the machine's against the machine, the stepped one by its own rules.

What a monotonic clock and a boot identity are is time(7) and random(4).
"""

import asyncio
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ridgepost.clock import PLAUSIBLE_FROM_S, SteppedClock, SystemClock
from ridgepost.station.moment import Moment

BOUND_S = 10.0


# --- the machine's ------------------------------------------------------------------------------


def test_now_is_between_two_looks_at_the_machine() -> None:
    clock = SystemClock()
    before = time.monotonic(), time.time()
    now = clock.now()
    after = time.monotonic(), time.time()
    assert before[0] <= now.mono_s <= after[0]
    assert before[1] <= now.wall_s <= after[1]


@pytest.mark.parametrize(
    ("wall_s", "trusted"),
    [(0.0, False), (PLAUSIBLE_FROM_S - 1.0, False), (PLAUSIBLE_FROM_S, True), (4e9, True)],
)
def test_a_clock_that_nobody_set_is_not_trusted(
    monkeypatch: pytest.MonkeyPatch, wall_s: float, trusted: bool
) -> None:
    """A machine without a battery clock starts in the past (common practice)."""
    monkeypatch.setattr(time, "time", lambda: wall_s)
    assert SystemClock().now().wall_trusted is trusted


def test_plausible_from_is_the_year_of_the_first_release() -> None:
    """RFC 3339 2026-01-01T00:00:00Z as seconds since 1970-01-01T00:00:00Z."""
    assert time.gmtime(PLAUSIBLE_FROM_S)[:6] == (2026, 1, 1, 0, 0, 0)


def test_boot() -> None:
    """random(4): the identity is drawn anew at each boot and stays until the next."""
    there = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    assert SystemClock().boot == SystemClock().boot == there


async def test_wait_for_an_event() -> None:
    clock, event = SystemClock(), asyncio.Event()
    asyncio.get_running_loop().call_soon(event.set)
    async with asyncio.timeout(BOUND_S):
        await clock.wait(event, None)
        await clock.wait(event, clock.now().mono_s + 3600.0)
        await clock.wait(event, clock.now().mono_s - 3600.0)


async def test_wait_for_a_time() -> None:
    """Not before it, and when it has passed at once."""
    clock, event = SystemClock(), asyncio.Event()
    async with asyncio.timeout(BOUND_S):
        until_s = clock.now().mono_s + 0.02
        await clock.wait(event, until_s)
        # The event loop may fire one tick of its clock early (asyncio documents its resolution).
        assert clock.now().mono_s >= until_s - time.get_clock_info("monotonic").resolution
        await clock.wait(event, until_s - 1.0)
    assert not event.is_set()


async def test_waiting_can_be_cancelled() -> None:
    clock = SystemClock()
    task = asyncio.create_task(clock.wait(asyncio.Event(), clock.now().mono_s + 3600.0))
    await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


# --- the stepped one ----------------------------------------------------------------------------


def stepped(mono_s: float = 100.0, wall_s: float = 1.8e9, *, trusted: bool = True) -> SteppedClock:
    return SteppedClock(Moment(mono_s, wall_s, trusted), "boot-1")


async def let_run() -> None:
    """Let every task that can go on do so."""
    for _ in range(20):
        await asyncio.sleep(0)


def test_stands_still_until_moved() -> None:
    clock = stepped()
    assert clock.now() == clock.now() == Moment(100.0, 1.8e9, True)
    clock.advance(107.5)
    assert clock.now() == Moment(107.5, 1.8e9 + 7.5, True)
    clock.advance(101.0)  # never back
    assert clock.now().mono_s == 107.5
    assert stepped(trusted=False).now().wall_trusted is False
    assert clock.boot == "boot-1"


async def test_sleeper_wakes_at_its_time() -> None:
    clock = stepped()
    task = asyncio.create_task(clock.sleep(5.0))
    await let_run()
    assert clock.next_deadline_s() == 105.0
    clock.advance(104.999)
    await let_run()
    assert not task.done()
    clock.advance(105.0)
    await let_run()
    assert task.done()
    assert clock.next_deadline_s() is None


async def test_wait_ends_with_the_event_or_the_time() -> None:
    clock, event = stepped(), asyncio.Event()
    first = asyncio.create_task(clock.wait(event, 110.0))
    second = asyncio.create_task(clock.wait(event, 105.0))
    third = asyncio.create_task(clock.wait(event, None))
    await let_run()
    clock.advance(105.0)
    await let_run()
    assert [task.done() for task in (first, second, third)] == [False, True, False]
    event.set()
    await let_run()
    assert [task.done() for task in (first, second, third)] == [True, True, True]
    # Nobody waits for 110 any more.
    assert clock.next_deadline_s() is None


async def test_time_that_has_come_is_not_waited_for() -> None:
    clock = stepped()
    async with asyncio.timeout(BOUND_S):
        await clock.wait(asyncio.Event(), 100.0)
        await clock.wait(asyncio.Event(), 5.0)
        await clock.sleep(0.0)
    assert clock.next_deadline_s() is None


async def test_cancelled_waiter_is_forgotten() -> None:
    clock = stepped()
    tasks = [
        asyncio.create_task(clock.wait(asyncio.Event(), 105.0)),
        asyncio.create_task(clock.sleep(7.0)),
    ]
    await let_run()
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    assert clock.next_deadline_s() is None
    clock.advance(200.0)


@given(st.lists(st.floats(0.0, 1000.0), max_size=30))
async def test_sleepers_wake_in_the_order_of_their_times(delays: list[float]) -> None:
    """And of those with the same time the one first that asked first."""
    clock, woken = stepped(0.0), []

    async def sleeper(number: int) -> None:
        await clock.sleep(delays[number])
        woken.append(number)

    tasks = [asyncio.create_task(sleeper(number)) for number in range(len(delays))]
    await let_run()
    while (deadline_s := clock.next_deadline_s()) is not None:
        clock.advance(deadline_s)
        await let_run()
    await asyncio.gather(*tasks)
    assert woken == sorted(range(len(delays)), key=lambda number: (delays[number], number))

"""Whoever waits is told for what, from two seconds on (the project's own promise)."""

import asyncio
import io
from collections.abc import Awaitable, Callable

import pytest

from ridgepost.cli.waiting import Waiting


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


class Seconds:
    """Time that is moved on by hand, a second at a time."""

    def __init__(self) -> None:
        self._gone = asyncio.Semaphore(0)
        self._asleep = asyncio.Event()

    async def sleep(self, seconds: float) -> None:
        assert seconds == 1
        self._asleep.set()
        await self._gone.acquire()

    async def pass_by(self, count: int) -> None:
        for _ in range(count):
            await self._asleep.wait()
            self._asleep.clear()
            self._gone.release()
        await self._asleep.wait()


Sleep = Callable[[float], Awaitable[None]]


async def test_nothing_is_said_within_two_seconds() -> None:
    time, stream = Seconds(), io.StringIO()
    async with Waiting("the broker", sleep=time.sleep, stream=stream):
        await time.pass_by(1)
    assert stream.getvalue() == ""


async def test_without_a_terminal_lines_come_ever_more_seldom() -> None:
    time, stream = Seconds(), io.StringIO()
    async with Waiting("the broker", sleep=time.sleep, stream=stream):
        await time.pass_by(300)
    said = [int(line.split()[-2]) for line in stream.getvalue().splitlines()]
    assert said == [2, 4, 8, 16, 32, 64, 124, 184, 244]
    assert stream.getvalue().startswith("waiting for the broker: 2 s\n")


async def test_on_a_terminal_one_line_counts_and_is_wiped_at_the_end() -> None:
    time, stream = Seconds(), Terminal()
    async with Waiting("the broker", sleep=time.sleep, stream=stream):
        await time.pass_by(4)
    # ECMA-48: CR, then EL, erase to the end of the line.
    wipe = "\r\x1b[K"
    assert stream.getvalue() == "".join(
        [f"{wipe}waiting for the broker: {second} s" for second in (2, 3, 4)] + [wipe]
    )


async def test_output_does_not_run_into_the_counting_line(
    capsys: pytest.CaptureFixture[str],
) -> None:
    time, stream = Seconds(), Terminal()
    async with Waiting("the broker", sleep=time.sleep, stream=stream) as waiting:
        await time.pass_by(2)
        waiting.say("accepted")
        assert stream.getvalue().endswith("2 s\r\x1b[K")
        assert capsys.readouterr().out == "accepted\n"
        before = len(stream.getvalue())
        waiting.begin("the answer")
        await time.pass_by(1)
        assert len(stream.getvalue()) == before, "the seconds begin anew"
        await time.pass_by(1)
        assert stream.getvalue().endswith("waiting for the answer: 2 s")


async def test_what_is_waited_for_is_escaped() -> None:
    time, stream = Seconds(), io.StringIO()
    async with Waiting("\x1b[2J\n", sleep=time.sleep, stream=stream):
        await time.pass_by(2)
    assert stream.getvalue() == "waiting for <0x1B>[2J<0x0A>: 2 s\n"


async def test_nothing_to_wait_for_says_nothing() -> None:
    time, stream = Seconds(), io.StringIO()
    async with Waiting(sleep=time.sleep, stream=stream):
        await time.pass_by(10)
    assert stream.getvalue() == ""


async def test_a_stream_that_is_gone_ends_nothing() -> None:
    class Gone(io.StringIO):
        def write(self, _text: str) -> int:
            raise BrokenPipeError

    time = Seconds()
    async with Waiting("the broker", sleep=time.sleep, stream=Gone()):
        await time.pass_by(5)

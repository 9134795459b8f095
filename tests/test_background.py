"""Threads that may be left behind: what concurrent.futures promises of an executor, but for one
thing, that the end of the program waits for them."""

import asyncio
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from ridgepost.background import BackgroundThreads


async def test_results_and_errors_come_back() -> None:
    loop = asyncio.get_running_loop()
    threads = BackgroundThreads()
    assert await loop.run_in_executor(threads, divmod, 7, 3) == (2, 1)
    with pytest.raises(ZeroDivisionError):
        await loop.run_in_executor(threads, divmod, 7, 0)


def test_one_that_hangs_holds_up_no_other() -> None:
    threads, hanging = BackgroundThreads(), threading.Event()
    try:
        stuck = [threads.submit(hanging.wait) for _ in range(50)]
        assert threads.submit(int, "5").result(10) == 5
        assert not any(call.done() for call in stuck)
    finally:
        hanging.set()


def test_program_ends_with_a_call_hanging() -> None:
    program = (
        "import asyncio, time\n"
        "from ridgepost.background import BackgroundThreads\n"
        "async def main():\n"
        "    loop = asyncio.get_running_loop()\n"
        "    loop.set_default_executor(BackgroundThreads())\n"
        "    loop.run_in_executor(None, time.sleep, 600)\n"
        "asyncio.run(main())\n"
        "print('over')\n"
    )
    root = Path(__file__).parent.parent / "daemon"
    done = subprocess.run(
        [sys.executable, "-c", program],
        env={"PYTHONPATH": str(root)},
        capture_output=True,
        text=True,
        timeout=30,
        check=True,
    )
    assert (done.stdout, done.stderr) == ("over\n", "")

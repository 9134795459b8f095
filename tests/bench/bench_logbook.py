"""How fast entries are committed, and what one message costs a card.

    PYTHONPATH=daemon:tests python tests/bench/bench_logbook.py [entries]

Rates are for this disk; the ratios to the plain library in the same minute carry over. So do the
counts of the second part, taken with strace where it is installed: fdatasync calls and octets
written for each message from its acceptance to its acknowledgement, over five commits.
"""

import asyncio
import json
import re
import shutil
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from ridgepost.logbook.book import Logbook
from ridgepost.logbook.storage import DATABASE
from ridgepost.station.moment import Moment
from ridgepost.station.records import (
    Answered,
    AnyRecord,
    Entry,
    Heard,
    OutboundChanged,
    Received,
    State,
)

RUNS = 5
LIVES = 500
HEARD = Heard(tnc="vhf", port=0, frame=bytes(88))
RECEIVED = Received(source="QZ1SAG-2", to="QZ1HUB-10", text="x" * 40, number="12}", heard=1)


async def write(book: Logbook, *records: AnyRecord) -> None:
    at = Moment(1000.0, 1_800_000_000.0)
    await book.append(
        [Entry(book.last_seq + place, book.run, at, each) for place, each in enumerate(records, 1)]
    )


async def append(folder: Path, record: AnyRecord, entries: int, batch: int) -> None:
    book = await Logbook.open(folder)
    try:
        await book.begin_run("bench")
        for _ in range(entries // batch):
            await write(book, *[record] * batch)
    finally:
        await book.close()


def plain(folder: Path, level: str, entries: int, batch: int) -> None:
    """The same rows by the standard library on the main thread."""
    connection = sqlite3.connect(folder / DATABASE, isolation_level=None)
    for pragma in ("page_size = 1024", "journal_mode = WAL", f"synchronous = {level}"):
        connection.execute(f"PRAGMA {pragma}")
    connection.execute("PRAGMA wal_autocheckpoint = 100")
    connection.execute(
        "CREATE TABLE log (seq INTEGER PRIMARY KEY, run, mono_ms, wall_ms, trusted, what, body)"
    )
    body = json.dumps({"what": "heard", "frame": "A" * 120})
    for start in range(0, entries, batch):
        connection.execute("BEGIN")
        connection.executemany(
            "INSERT INTO log VALUES (?, 1, 1000000, 1800000000000, 1, 'heard', ?)",
            [(start + place + 1, body) for place in range(batch)],
        )
        connection.execute("COMMIT")
    connection.close()


def per_second(count: int, run: Callable[[Path], None]) -> float:
    rates = []
    for _ in range(RUNS):
        with tempfile.TemporaryDirectory() as folder:
            start_s = time.perf_counter()
            run(Path(folder))
            rates.append(count / (time.perf_counter() - start_s))
    return statistics.median(rates)


async def lives(folder: Path, count: int) -> None:
    """Messages from acceptance to acknowledgement after three transmissions."""
    book = await Logbook.open(folder)
    try:
        await book.begin_run("bench")
        for number in range(count):

            def change(state: State, attempts: int, number: int = number) -> OutboundChanged:
                return OutboundChanged(
                    message=f"a1b2c3.1.{number}",
                    to="QZ1SAG-2",
                    text="Take one rider at the bridge",
                    number="12",
                    state=state,
                    why="no acknowledgement yet",
                    attempts=attempts,
                    expires_in_s=7200.0,
                    wait_s=8.0 * attempts or None,
                    frame=bytes(66) if state is State.SENDING else None,
                    tnc="vhf",
                )

            answer = Answered(
                request=f"r{number}", verb="send", digest="0" * 16, accepted=True, message="m"
            )
            await write(book, change(State.QUEUED, 0), answer)
            for attempt in (1, 2, 3):
                await write(book, change(State.SENDING, attempt))
            await write(book, change(State.ACKNOWLEDGED, 3))
    finally:
        await book.close()


def traced_lives() -> None:
    """What the system is asked to do for each message."""
    strace = shutil.which("strace")
    if strace is None:
        print("strace is not installed: no counts")
        return
    with tempfile.TemporaryDirectory() as folder:
        trace = Path(folder) / "trace"
        command = [strace, "-f", "-o", str(trace), "-e", "trace=fsync,fdatasync,pwrite64"]
        subprocess.run(
            [*command, sys.executable, __file__, "lives", str(Path(folder) / "log")],
            check=True,
            stdout=subprocess.DEVNULL,
        )
        calls = trace.read_text(encoding="utf-8", errors="replace")
    syncs = len(re.findall(r"\bf(?:data)?sync\(", calls))
    octets = sum(int(found) for found in re.findall(r"pwrite64.*\) += (\d+)$", calls, re.M))
    print(
        f"one message, five commits, two of them durable: {syncs / LIVES:.2f} fdatasync, "
        f"{octets / LIVES:,.0f} octets written"
    )


def main() -> None:
    if sys.argv[1:2] == ["lives"]:
        asyncio.run(lives(Path(sys.argv[2]), LIVES))
        return
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    for level, record in (("FULL", RECEIVED), ("NORMAL", HEARD)):
        for batch in (1, 50):
            entries = count * batch // 10 if batch > 1 else count

            def ours(
                folder: Path, record: AnyRecord = record, entries: int = entries, batch: int = batch
            ) -> None:
                asyncio.run(append(folder, record, entries, batch))

            def theirs(
                folder: Path, level: str = level, entries: int = entries, batch: int = batch
            ) -> None:
                plain(folder, level, entries, batch)

            rate, baseline = per_second(entries, ours), per_second(entries, theirs)
            print(
                f"{level:6} {batch:3} a commit: {rate:9,.0f} entries/s, plain {baseline:9,.0f}, "
                f"ratio {rate / baseline:.2f}"
            )
    traced_lives()


if __name__ == "__main__":
    main()

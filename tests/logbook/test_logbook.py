"""The logbook on real files: what is in it after a commit, a close, a kill."""

import asyncio
import re
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from logbook.pages import (
    EVERY_KIND,
    HEARD,
    RECEIVED,
    WALL_S,
    all_entries,
    ask_file,
    change,
    copy_as_killed,
    entries_after,
    moment,
    names_in,
    opened,
    write,
)
from ridgepost.logbook.book import TAIL, Logbook
from ridgepost.logbook.storage import DATABASE, LogbookError
from ridgepost.station.moment import Moment
from ridgepost.station.records import AnyRecord, Entry, Noticed, Started, State
from station.rig import POST, SAG, Rig

# --- what is kept -------------------------------------------------------------------------------


async def test_every_kind_of_record_comes_back(tmp_path: Path) -> None:
    async with opened(tmp_path) as book:
        entries = await write(book, *EVERY_KIND)
        assert await book.read(0, 100) == entries
    async with opened(tmp_path) as book:
        assert await book.read(0, 100) == entries
    assert {type(record) for record in EVERY_KIND} == set(AnyRecord.__args__)


async def test_times_are_kept_to_the_millisecond(tmp_path: Path) -> None:
    async with opened(tmp_path) as book:
        at = Moment(1234.5678, WALL_S + 0.0004, wall_trusted=False)
        await book.append([Entry(1, book.run, at, HEARD)])
    async with opened(tmp_path) as book:
        (entry,) = await book.read(0, 1)
    assert entry.at == Moment(1234.568, WALL_S, wall_trusted=False)


async def test_anyone_can_read_it(tmp_path: Path) -> None:
    """It is the after-action record: plain columns, JSON text."""
    async with opened(tmp_path) as book:
        await write(book, RECEIVED)
        assert ask_file(
            tmp_path,
            "SELECT seq, run, mono_ms, wall_ms, wall_trusted, what, json_extract(body, '$.text') "
            "FROM log",
        ) == [(1, 1, 100_000, 1_800_000_100_000, 1, "received", "hello")]


async def test_runs_and_numbers_go_on(tmp_path: Path) -> None:
    names = set()
    for run in range(1, 4):
        async with opened(tmp_path, boot=f"boot {run}") as book:
            names.add(book.log)
            assert book.run == run
            assert book.last_seq == 2 * (run - 1)
            assert book.set_aside is None
            await write(book, HEARD, RECEIVED)
    assert len(names) == 1
    assert re.fullmatch("[0-9a-f]{6}", names.pop())
    assert ask_file(tmp_path, "SELECT run, boot, first_seq FROM run") == [
        (1, "boot 1", 1),
        (2, "boot 2", 3),
        (3, "boot 3", 5),
    ]
    assert [seq for (seq,) in ask_file(tmp_path, "SELECT seq FROM log")] == [1, 2, 3, 4, 5, 6]


async def test_two_logs_have_two_names(tmp_path: Path) -> None:
    names = set()
    for folder in ("one", "two", "three"):
        async with opened(tmp_path / folder) as book:
            names.add(book.log)
    assert len(names) == 3


async def test_entries_follow_on_or_are_refused(tmp_path: Path) -> None:
    """No gap, no number twice: the bus and the next run rely on it."""
    async with opened(tmp_path) as book:
        await write(book, HEARD)
        first, second, third = entries_after(book, [HEARD] * 3)
        for wrong in ([second], [first, third], [second, first], [first, first]):
            with pytest.raises(ValueError, match="follow 1"):
                await book.append(wrong)
        await book.append([])
        await book.append([first, second, third])
        assert [entry.seq for entry in await book.read(0, 10)] == [1, 2, 3, 4]
        assert book.commits == 2


# --- durability ---------------------------------------------------------------------------------


async def traced(book: Logbook) -> list[str]:
    """The statements that the database carries out from now on."""
    statements: list[str] = []
    await book._connection.set_trace_callback(statements.append)
    return statements


def levels(statements: list[str], before: str = "?") -> list[tuple[str, str]]:
    """Each statement that writes, with the `synchronous` that held for it."""
    level, found = before, []
    for statement in statements:
        if match := re.fullmatch(r"PRAGMA synchronous = (\w+)", statement):
            level = match[1]
        else:
            found.append((level, " ".join(statement.split()[:3])))
    return found


async def test_one_statement_a_commit_at_the_level_it_needs(tmp_path: Path) -> None:
    """Measured on ext4: a commit in WAL mode at FULL is one fdatasync, at NORMAL none."""
    async with opened(tmp_path) as book:
        statements = await traced(book)
        await write(book, *[HEARD] * 50)
        await write(book, HEARD, RECEIVED, HEARD)
        await write(book, change("a"))
        await write(book, change("a", State.SENDING))
        await write(book, change("a", State.WAITING))
        await write(book, change("a", State.ACKNOWLEDGED))
        await book.move_reader("bus", 3)
        assert levels(statements) == [
            ("NORMAL", "INSERT INTO log"),
            ("FULL", "INSERT INTO log"),
            ("FULL", "INSERT INTO log"),
            ("NORMAL", "INSERT INTO log"),
            ("NORMAL", "INSERT INTO log"),
            ("FULL", "INSERT INTO log"),
            ("NORMAL", "INSERT INTO reader"),
        ]
        assert (book.commits, book.full_commits) == (6, 3)


async def test_a_run_begins_durably(tmp_path: Path) -> None:
    """Together with `seq` it names an entry for ever: it must not be given out again."""
    async with opened(tmp_path, boot=None) as book:
        statements = await traced(book)
        await book.begin_run("boot")
        assert levels(statements)[-1] == ("FULL", "INSERT INTO run")


async def test_a_reader_does_not_lower_the_level_of_a_commit(tmp_path: Path) -> None:
    """Both write at the same time."""
    async with opened(tmp_path) as book:
        statements = await traced(book)

        async def move() -> None:
            for seq in range(60):
                await book.move_reader("bus", seq)

        async def commit() -> None:
            for number in range(60):
                await write(book, RECEIVED if number % 2 else HEARD)

        await asyncio.gather(move(), commit())
        found = levels(statements)
        commits = [level for level, statement in found if statement == "INSERT INTO log"]
        assert commits == ["NORMAL", "FULL"] * 30
        moves = [level for level, statement in found if statement == "INSERT INTO reader"]
        assert moves == ["NORMAL"] * 60


@pytest.mark.parametrize("after_steps", range(6))
async def test_nor_does_one_that_is_broken_off(tmp_path: Path, after_steps: int) -> None:
    """As when the broker goes just then."""
    async with opened(tmp_path) as book:
        statements = await traced(book)
        for _ in range(5):
            await write(book, RECEIVED)
            moving = asyncio.ensure_future(book.move_reader("bus", 1))
            for _ in range(after_steps):
                await asyncio.sleep(0)
            moving.cancel()
            await asyncio.gather(moving, return_exceptions=True)
        await write(book, RECEIVED)
        found = levels(statements, before="FULL")  # for which test_a_run_begins_durably stands
        commits = [level for level, statement in found if statement == "INSERT INTO log"]
        assert commits == ["FULL"] * 6


async def test_the_file_is_as_it_was_measured(tmp_path: Path) -> None:
    """Write-ahead log, pages of 1 KiB, checkpoints at 100 pages: five times fewer octets on a card
    than the usual (measured)."""
    async with opened(tmp_path) as book:
        assert ask_file(tmp_path, "PRAGMA journal_mode") == [("wal",)]
        assert ask_file(tmp_path, "PRAGMA page_size") == [(1024,)]
        for pragma, value in (("wal_autocheckpoint", 100), ("synchronous", 2)):
            rows = await book._connection.execute_fetchall(f"PRAGMA {pragma}")
            assert [tuple(row) for row in rows] == [(value,)]
        for _ in range(500):
            await write(book, HEARD)
        # It is reused from its start: a page and its header for each of 100, and what came on top
        # of the last commit before the checkpoint.
        wal = tmp_path / f"{DATABASE}-wal"
        assert wal.stat().st_size < 130 * (1024 + 24)
    plan = ask_file(tmp_path, "SELECT name FROM sqlite_master WHERE type = 'index'")
    assert [name for (name,) in plan if not name.startswith("sqlite_autoindex")] == []


async def test_killed_after_a_commit(tmp_path: Path) -> None:
    """What append has returned from is there, durable or not: only a power cut may take the rest.
    What was put away is the file, so this looks at a copy of it."""
    async with opened(tmp_path / "alive") as book:
        for number in range(40):
            await write(book, HEARD if number % 3 else RECEIVED)
            if number % 13 == 0:
                killed = copy_as_killed(tmp_path / "alive", tmp_path / f"killed {number}")
                async with opened(killed) as copy:
                    assert (copy.last_seq, copy.set_aside) == (number + 1, None)
                    assert await all_entries(copy) == await all_entries(book)
                    assert copy.run == 2


async def test_a_write_ahead_log_cut_anywhere_is_a_log_cut_short(tmp_path: Path) -> None:
    """What a power cut leaves of commits at NORMAL: some of the last ones are gone, in order."""
    async with opened(tmp_path / "alive") as book:
        for number in range(20):
            await write(book, *[HEARD] * (number % 4 + 1))
        entries = await all_entries(book)
        found = set()
        wal_octets = (tmp_path / "alive" / f"{DATABASE}-wal").stat().st_size
        for place, cut_at in enumerate(range(0, wal_octets, wal_octets // 25)):
            folder = copy_as_killed(tmp_path / "alive", tmp_path / f"cut {place}")
            with (folder / f"{DATABASE}-wal").open("r+b") as wal:
                wal.truncate(cut_at)
            async with opened(folder, boot=None) as copy:
                assert copy.set_aside is None
                assert await all_entries(copy) == entries[: copy.last_seq]
                found.add(copy.last_seq)
        assert len(found) > 5


async def test_a_full_disk(tmp_path: Path) -> None:
    """`append` says so, nothing of it is in the log, and the same entries go in when there is room
    again."""
    async with opened(tmp_path) as book:
        await write(book, HEARD)
        ((pages,),) = await book._connection.execute_fetchall("PRAGMA page_count")
        await book._connection.execute(f"PRAGMA max_page_count = {pages + 20}")
        entries = entries_after(book, [HEARD] * 300)
        for _ in range(2):
            with pytest.raises(sqlite3.OperationalError, match="full"):
                await book.append(entries)
            assert (book.last_seq, book.commits, book.damaged) == (1, 1, False)
            assert len(await book.read(0, 1000)) == 1
        await book._connection.execute("PRAGMA max_page_count = 100000")
        await book.append(entries)
        assert book.last_seq == 301
    async with opened(tmp_path) as book:
        assert (await all_entries(book))[1:] == entries


# --- readers ------------------------------------------------------------------------------------


async def test_a_reader_comes_to_the_end_and_waits(tmp_path: Path) -> None:
    async with opened(tmp_path) as book:
        readers = [asyncio.ensure_future(book.read(2, 10)) for _ in range(3)]
        await write(book, HEARD)
        await write(book, HEARD)
        await asyncio.sleep(0)
        assert not any(reader.done() for reader in readers)
        entries = await write(book, RECEIVED, HEARD)
        assert await asyncio.gather(*readers) == [entries] * 3


@pytest.mark.parametrize("limit", [1, 7, 200, 5000])
async def test_far_behind_or_close_it_reads_the_same(tmp_path: Path, limit: int) -> None:
    """The latest entries come from memory, the rest from the file."""
    async with opened(tmp_path) as book:
        entries = []
        for _ in range(3):
            entries += await write(book, *[HEARD] * (TAIL // 2))
        starts = [0, 1, TAIL // 2 - 2, TAIL // 2 - 1, TAIL // 2, TAIL // 2 + 1, len(entries) - 1]
        for after in starts:
            got = await book.read(after, limit)
            assert got == entries[after : after + len(got)]
            assert 0 < len(got) <= limit
            assert len(got) == min(limit, len(entries) - after)


async def test_a_readers_place_is_kept(tmp_path: Path) -> None:
    async with opened(tmp_path) as book:
        await write(book, *[HEARD] * 5)
        assert await book.reader_at("bus") == 0
        await book.move_reader("bus", 3)
        await book.move_reader("other", 1)
        await book.move_reader("bus", 4)
    async with opened(tmp_path) as book:
        assert (await book.reader_at("bus"), await book.reader_at("other")) == (4, 1)


async def test_an_entry_that_the_card_got_wrong(tmp_path: Path) -> None:
    """A bit that flips inside a page: SQLite does not notice. The entry keeps its place, so that
    readers come past it, and a person is told."""
    async with opened(tmp_path) as book:
        await write(book, *[change(f"m{number}") for number in range(1, 6)])
    spoil = {2: "x'7B2277FF'", 3: '\'{"what":"unheard of"}\'', 4: "'[]'"}
    connection = sqlite3.connect(tmp_path / DATABASE)
    for seq, body in spoil.items():
        connection.execute(f"UPDATE log SET body = CAST({body} AS TEXT) WHERE seq = {seq}")
    connection.commit()
    connection.close()
    async with opened(tmp_path) as book:
        entries = await all_entries(book)
        assert [entry.seq for entry in entries] == [1, 2, 3, 4, 5]
        for entry in entries[1:4]:
            assert isinstance(entry.record, Noticed)
            assert f"entry {entry.seq}" in entry.record.text
        history = [record async for record, _ in book.history("boot", moment(200.0), 1e6)]
        assert [record for record in history if not isinstance(record, Noticed)] == [
            change("m1"),
            change("m5"),
        ]


# --- history ------------------------------------------------------------------------------------


async def test_history_is_what_a_station_is_restored_from(tmp_path: Path) -> None:
    async with opened(tmp_path) as book:
        await write(book, *EVERY_KIND, at_s=100.0)
        history = [item async for item in book.history("boot", moment(130.0), 86400.0)]
    kinds = (4, 5, 6, 7, 8, 9, 10, 11, 12, 14, 15, 16, 17, 18, 20, 21)
    assert history == [(EVERY_KIND[place], 100.0) for place in kinds]


async def test_times_of_earlier_boots(tmp_path: Path) -> None:
    """Three boots, the second without a wall clock, and runs that logged nothing in between."""
    async with opened(tmp_path, "one") as book:
        await write(book, Started(version="0", callsign="", transmit=False), at_s=5000.0)
        await write(book, change("a"), at_s=5100.0)
    for boot in ("one", "none", "none"):
        async with opened(tmp_path, boot):
            pass
    async with opened(tmp_path, "two") as book:
        await write(
            book, Started(version="0", callsign="", transmit=False), at_s=7.0, trusted=False
        )
        await write(book, change("b"), at_s=57.0, wall_s=9.0, trusted=False)
        await write(book, HEARD, at_s=107.0, wall_s=59.0, trusted=False)
    async with opened(tmp_path, "three") as book:
        now = Moment(3.0, WALL_S + 5100 + 1000)
        history = [item async for item in book.history("three", now, 86400.0)]
    assert history == [(change("a"), 3.0 - 1000), (change("b"), 3.0 - 50)]


async def test_history_is_that_of_the_rig(tmp_path: Path) -> None:
    """The tests of restarts keep the log in a list; here is the bridge from there to the file."""
    rig = Rig()
    rig.send(SAG)
    rig.hear_message(POST, "hello", "12}")
    rig.hear_message(POST, "Road closed", to="BLN1")
    rig.advance(100)
    rig.restart()
    rig.link(True)
    rig.send(POST)
    rig.advance(1000.123456)
    rig.restart(boot="boot 2", mono_s=7.5)
    rig.send("QZ1MED")
    rig.advance(40.9)
    async with opened(tmp_path, boot=None) as book:
        for run, boot in enumerate(rig.boots, start=1):
            await book.begin_run(boot)
            assert book.run == run
            for entry in [entry for entry in rig.entries if entry.run == run]:
                await book.append([entry])
        for boot in ("boot 2", "boot 3"):
            wanted = rig.history(boot)
            ages_s = (rig.tuning.max_lifetime_s, rig.tuning.heard_recall_s)
            found = [item async for item in book.history(boot, rig.now, *ages_s)]
            assert [record for record, _ in found] == [record for record, _ in wanted]
            times = [at_s for _, at_s in wanted]
            assert [at_s for _, at_s in found] == pytest.approx(times, abs=0.0011)
            assert len(found) > 10


async def test_history_of_a_long_log_is_short(tmp_path: Path) -> None:
    """A season of settled messages does not come back, the one that is not does."""
    async with opened(tmp_path) as book:
        await write(book, change("open"), at_s=0.0)
        for number in range(3000):
            name = f"m{number}"
            await write(
                book, change(name), change(name, State.CANCELLED), HEARD, at_s=10.0 * number
            )
        now = moment(30_000.0 + 86_400.0)
        history = [record async for record, _ in book.history("boot", now, 86_400.0)]
        assert history == [change("open")]
        now = moment(20_000.0 + 86_400.0)
        history = [record async for record, _ in book.history("boot", now, 86_400.0)]
        assert len(history) == 1 + 2 * 1000


# --- opening ------------------------------------------------------------------------------------


def open_in_another_process(folder: Path) -> str:
    script = (
        "import asyncio, sys, pathlib\n"
        "from ridgepost.logbook.book import Logbook\n"
        "from ridgepost.logbook.storage import LogbookError\n"
        "try:\n"
        "    asyncio.run(Logbook.open(pathlib.Path(sys.argv[1])))\n"
        "except LogbookError as error:\n"
        "    print(error)\n"
    )
    return subprocess.run(
        [sys.executable, "-c", script, str(folder)],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
        env={"PYTHONPATH": ":".join(sys.path)},
    ).stdout


async def test_a_folder_is_for_one_process(tmp_path: Path) -> None:
    async with opened(tmp_path) as book:
        with pytest.raises(LogbookError, match="in use by another ridgepost"):
            await Logbook.open(tmp_path)
        assert "in use by another ridgepost" in open_in_another_process(tmp_path)
        await write(book, HEARD)
    async with opened(tmp_path) as book:
        assert book.last_seq == 1


async def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(LogbookError, match=r"logbook\.folder"):
        await Logbook.open(tmp_path / "file")
    with pytest.raises(LogbookError, match=r"logbook\.folder"):
        await Logbook.open(tmp_path / "file" / "below")


async def test_a_folder_where_the_database_should_be(tmp_path: Path) -> None:
    (tmp_path / DATABASE).mkdir()
    with pytest.raises(LogbookError, match="cannot open"):
        await Logbook.open(tmp_path)
    (tmp_path / DATABASE).rmdir()
    async with opened(tmp_path):  # and the folder is free again
        pass


async def test_a_newer_schema_is_refused_and_left_alone(tmp_path: Path) -> None:
    async with opened(tmp_path) as book:
        await write(book, HEARD)
    connection = sqlite3.connect(tmp_path / DATABASE)
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    before = (tmp_path / DATABASE).read_bytes()
    with pytest.raises(LogbookError, match=r"newer ridgepost \(schema 99"):
        await Logbook.open(tmp_path)
    assert (tmp_path / DATABASE).read_bytes() == before
    assert names_in(tmp_path) == ["logbook.lock", DATABASE]


async def test_after_closing_nothing_is_left_open(tmp_path: Path) -> None:
    descriptors = Path("/proc/self/fd")
    before = len(names_in(descriptors))
    for _ in range(3):
        async with opened(tmp_path) as book:
            await write(book, HEARD)
    assert len(names_in(descriptors)) == before
    assert names_in(tmp_path) == ["logbook.lock", DATABASE]

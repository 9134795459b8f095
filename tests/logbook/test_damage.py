"""A damaged database: set aside with every octet, and the station goes on with a new one.

What counts as damage is SQLite's word (its result codes SQLITE_CORRUPT and SQLITE_NOTADB, and
PRAGMA quick_check), or a file that is a sound database and no logbook.
"""

import os
import random
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from logbook.pages import (
    HEARD,
    RECEIVED,
    all_entries,
    ask_file,
    change,
    copy_as_killed,
    moment,
    names_in,
    opened,
    write,
)
from ridgepost.logbook.book import TAIL
from ridgepost.logbook.storage import CONDEMNED, DATABASE, open_database

WAL = f"{DATABASE}-wal"


def spoil_database(spoil: Callable[[bytearray], None], folder: Path) -> None:
    octets = bytearray((folder / DATABASE).read_bytes())
    spoil(octets)
    (folder / DATABASE).write_bytes(octets)


def cut_in_half(octets: bytearray) -> None:
    del octets[len(octets) // 2 :]


def cut_in_the_middle_of_a_page(octets: bytearray) -> None:
    del octets[len(octets) // 2 + 300 :]


def cut_to_less_than_a_header(octets: bytearray) -> None:
    del octets[50:]


def garble_everything(octets: bytearray) -> None:
    octets[:] = random.Random(1).randbytes(len(octets))


def garble_the_header(octets: bytearray) -> None:
    octets[:40] = b"\xff" * 40


def garble_pages_in_the_middle(octets: bytearray) -> None:
    octets[20 * 1024 : 40 * 1024] = random.Random(2).randbytes(20 * 1024)


def zero_pages_in_the_middle(octets: bytearray) -> None:
    """What a card gives back for a block that it lost."""
    octets[20 * 1024 : 24 * 1024] = bytes(4 * 1024)


def write_text_over_it(octets: bytearray) -> None:
    octets[:] = b"My notes of the race\n" * 100


def octets_of(folder: Path) -> dict[str, bytes]:
    return {
        file.name: file.read_bytes() for file in folder.iterdir() if file.name != "logbook.lock"
    }


def set_aside_octets(folder: Path) -> dict[str, bytes]:
    """What was set aside, under the names that it had before.

    The index (-shm) is no data, and looking at the file makes an empty write-ahead log.
    """
    found = {}
    for name, octets in octets_of(folder).items():
        if name.startswith("damaged-") and not name.endswith("-shm") and octets:
            found[DATABASE + name.partition(DATABASE)[2]] = octets
    return found


@pytest.mark.parametrize(
    "spoil",
    [
        cut_in_half,
        cut_in_the_middle_of_a_page,
        cut_to_less_than_a_header,
        garble_everything,
        garble_the_header,
        garble_pages_in_the_middle,
        zero_pages_in_the_middle,
        write_text_over_it,
    ],
)
async def test_a_damaged_file(tmp_path: Path, spoil: Callable[[bytearray], None]) -> None:
    async with opened(tmp_path) as book:
        old_name = book.log
        for number in range(300):
            await write(book, HEARD, change(f"m{number}"))
    spoil_database(spoil, tmp_path)
    before = octets_of(tmp_path)
    async with opened(tmp_path) as book:
        assert book.set_aside is not None
        assert book.set_aside.parent == tmp_path
        assert set_aside_octets(tmp_path) == before
        assert (book.last_seq, book.run) == (0, 1)
        assert book.log != old_name
        await write(book, RECEIVED)
    async with opened(tmp_path) as book:
        assert (book.last_seq, book.set_aside) == (1, None)


@pytest.mark.parametrize("spoil", [cut_in_half, garble_pages_in_the_middle])
async def test_the_write_ahead_log_is_kept_beside_it(
    tmp_path: Path, spoil: Callable[[bytearray], None]
) -> None:
    """After a kill, the latest commits are only there; closing would work them into the ruin.

    Not so with the header alone: SQLite has the first page in the write-ahead log as well.
    """
    async with opened(tmp_path / "alive") as book:
        for number in range(330):
            await write(book, HEARD, change(f"m{number}"))
        folder = copy_as_killed(tmp_path / "alive", tmp_path / "killed")
    spoil_database(spoil, folder)
    before = octets_of(folder)
    assert len(before[WAL]) > 50 * 1024
    async with opened(folder) as book:
        assert book.set_aside is not None
        assert set_aside_octets(folder) == before
        await write(book, RECEIVED)


@pytest.mark.parametrize("spoil", ["removed", "emptied"])
async def test_a_write_ahead_log_without_its_database(tmp_path: Path, spoil: str) -> None:
    """SQLite takes it for the rest of another database, and deletes it."""
    async with opened(tmp_path / "alive") as book:
        await write(book, RECEIVED)
        folder = copy_as_killed(tmp_path / "alive", tmp_path / "killed")
    if spoil == "removed":
        (folder / DATABASE).unlink()
    else:
        (folder / DATABASE).write_bytes(b"")
    before = {name: octets for name, octets in octets_of(folder).items() if octets}
    async with opened(folder) as book:
        assert book.set_aside is not None
        assert set_aside_octets(folder) == before
        assert book.last_seq == 0


async def test_an_empty_file_is_a_new_log(tmp_path: Path) -> None:
    (tmp_path / DATABASE).touch()
    async with opened(tmp_path) as book:
        assert (book.set_aside, book.last_seq) == (None, 0)


@pytest.mark.parametrize(
    "script",
    [
        "CREATE TABLE other (x);",
        "CREATE TABLE log (seq INTEGER PRIMARY KEY);",
        "CREATE TABLE other (x); PRAGMA user_version = 1;",
        "CREATE TABLE log (seq INTEGER PRIMARY KEY); CREATE TABLE identity (log TEXT);"
        "PRAGMA user_version = 1;",
    ],
)
async def test_a_database_that_is_no_logbook(tmp_path: Path, script: str) -> None:
    connection = sqlite3.connect(tmp_path / DATABASE)
    connection.executescript(script)
    connection.close()
    async with opened(tmp_path) as book:
        assert book.set_aside is not None
        assert book.last_seq == 0
        assert ask_file(book.set_aside.parent, "SELECT count(*) FROM identity") == [(1,)]
        kept = sqlite3.connect(book.set_aside)
        assert kept.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] > 0
        kept.close()


async def test_two_in_one_second_keep_both(tmp_path: Path) -> None:
    for text in (b"one" * 999, b"two" * 999, b"three" * 999):
        (tmp_path / DATABASE).write_bytes(text)
        opened_again = await open_database(tmp_path, "20260101T000000Z")
        await opened_again.connection.close()
        assert opened_again.set_aside is not None
        assert opened_again.set_aside.read_bytes() == text
    assert [name for name in names_in(tmp_path) if name.startswith("damaged")] == [
        f"damaged-20260101T000000Z-2-{DATABASE}",
        f"damaged-20260101T000000Z-3-{DATABASE}",
        f"damaged-20260101T000000Z-{DATABASE}",
    ]


async def test_damage_that_shows_while_it_is_in_use(tmp_path: Path) -> None:
    """The station stops over it, and with the next start a new log is begun, even if the file looks
    well again then. More pages than SQLite keeps in memory (2 MB), so that it has to look."""
    async with opened(tmp_path) as book:
        for _ in range(40):
            await write(book, *[HEARD] * 400)
    async with opened(tmp_path) as book:
        sound = (tmp_path / DATABASE).read_bytes()
        with (tmp_path / DATABASE).open("r+b") as file:
            file.seek(40 * 1024)
            file.write(os.urandom(len(sound) // 2))
        before = book.damaged
        with pytest.raises(sqlite3.DatabaseError, match="malformed"):
            await all_entries(book)
        assert (before, book.damaged) == (False, True)
    (tmp_path / DATABASE).write_bytes(sound)
    assert (tmp_path / CONDEMNED).exists()
    async with opened(tmp_path) as book:
        assert book.set_aside is not None
        assert book.set_aside.read_bytes() == sound
        assert book.last_seq == 0
    async with opened(tmp_path) as book:
        assert book.set_aside is None


async def test_a_full_disk_is_no_damage(tmp_path: Path) -> None:
    async with opened(tmp_path) as book:
        await write(book, *[HEARD] * TAIL)
        await book._connection.execute("PRAGMA max_page_count = 1")
        with pytest.raises(sqlite3.OperationalError):
            await write(book, *[HEARD] * TAIL)
        assert not book.damaged
    async with opened(tmp_path) as book:
        assert (book.set_aside, book.last_seq) == (None, TAIL)


async def test_a_long_check_is_broken_off(tmp_path: Path) -> None:
    """So that a large log on a slow card does not keep the station off the air. Then damage that
    only the check would have seen goes unseen, and nothing else changes."""
    async with opened(tmp_path) as book:
        for _ in range(40):
            await write(book, *[HEARD] * 400)
    spoil_database(zero_pages_in_the_middle, tmp_path)
    unchecked = await open_database(tmp_path, "20260101T000000Z", check_s=0.0)
    await unchecked.connection.close()
    assert (unchecked.set_aside, unchecked.last_seq) == (None, 16_000)
    checked = await open_database(tmp_path, "20260101T000000Z")
    await checked.connection.close()
    assert checked.set_aside is not None


async def test_a_log_that_was_half_made(tmp_path: Path) -> None:
    """The power went before the tables were there: it begins anew, and nothing was lost."""
    connection = sqlite3.connect(tmp_path / DATABASE)
    connection.execute("PRAGMA page_size = 1024")
    connection.execute("PRAGMA journal_mode = WAL")
    connection.close()
    async with opened(tmp_path) as book:
        assert (book.set_aside, book.run) == (None, 1)
        history = [item async for item in book.history("boot", moment(1.0), 10.0)]
        assert history == []
    assert ask_file(tmp_path, "PRAGMA user_version") == [(1,)]

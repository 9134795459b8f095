"""The logbook's database file: opened, brought to the present schema, or set aside if damaged."""

import asyncio
import contextlib
import fcntl
import itertools
import os
import sqlite3
from collections.abc import Callable
from importlib import resources
from pathlib import Path
from typing import NamedTuple

import aiosqlite

DATABASE = "logbook.sqlite"
LOCK = "logbook.lock"
CONDEMNED = "logbook.damaged"
"""An empty file that says: the database was found damaged while it was in use."""

PAGE_OCTETS = 1024
"""A commit writes whole pages. Small ones cost a card a third less than the usual 4096."""

CHECKPOINT_PAGES = 100
"""The write-ahead log is reused from the start after so many pages. Growing it costs four times
as much as reusing it, so it is kept short."""

CHECK_S = 5.0
"""For how long an opened database is searched for damage: a large log on a slow card would keep the
station off the air for minutes."""


_SUFFIXES = ("", "-wal", "-shm")


class LogbookError(Exception):
    """The logbook cannot be used; the text says what to do."""


class _DamagedError(Exception):
    """The file is no logbook, or no longer one; `set_aside` is where it was put."""

    def __init__(self, why: str, set_aside: Path | None = None) -> None:
        super().__init__(why)
        self.set_aside = set_aside


class Opened(NamedTuple):
    """A database ready for use."""

    connection: aiosqlite.Connection
    log: str
    """The log's own name."""

    last_seq: int
    set_aside: Path | None
    """Where a damaged predecessor lies, if there was one."""


def says_damaged(error: sqlite3.Error) -> bool:
    """SQLite found the file damaged, or that it is no database at all."""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    return code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def lock_folder(folder: Path) -> int:
    """Take the folder for this process alone; the descriptor keeps it until it is closed."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
    except OSError as error:
        raise LogbookError(
            f"cannot write in the logbook folder {folder}: {error.strerror}; "
            "set logbook.folder to one that this user may write in"
        ) from error
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(descriptor)
        raise LogbookError(
            f"the logbook in {folder} is in use by another ridgepost; stop that one first"
        ) from error
    return descriptor


def condemn(folder: Path) -> None:
    """See to it that the next opening sets the database aside, whatever it looks like then."""
    with contextlib.suppress(OSError):
        (folder / CONDEMNED).touch()


async def open_database(folder: Path, stamp: str, check_s: float = CHECK_S) -> Opened:
    """Open the database, made or migrated as needed, and looked over for `check_s` seconds.

    A damaged one is renamed with `stamp` in its name, every octet kept, and a new one begun.
    Raises LogbookError.
    """
    path = folder / DATABASE
    try:
        set_aside = _set_condemned_aside(path, stamp)
        if set_aside is None:
            try:
                return Opened(*await _open(path, stamp, check_s), set_aside)
            except _DamagedError as damage:
                set_aside = damage.set_aside
        return Opened(*await _open(path, stamp, check_s), set_aside)
    except (sqlite3.Error, OSError, _DamagedError) as error:
        raise LogbookError(f"cannot open {path}: {error}") from error


def _set_condemned_aside(path: Path, stamp: str) -> Path | None:
    """Rename what must not even be opened."""
    condemned = path.with_name(CONDEMNED)
    # A write-ahead log without its database SQLite would delete.
    headless = _size(_beside(path, "-wal")) and not _size(path)
    set_aside = _rename(path, stamp) if headless or condemned.exists() else None
    condemned.unlink(missing_ok=True)
    return set_aside


async def _open(path: Path, stamp: str, check_s: float) -> tuple[aiosqlite.Connection, str, int]:
    """The database, the log's name and its last number. Raises _DamagedError."""
    # Autocommit: each statement is its own transaction, so that one hop to the database thread
    # is one commit.
    connection = await aiosqlite.connect(path, isolation_level=None)
    try:
        return (connection, *await _prepare(connection, path, check_s))
    except BaseException as error:
        damaged = isinstance(error, _DamagedError) or (
            isinstance(error, sqlite3.Error) and says_damaged(error)
        )
        # While it is open: on closing, SQLite would work the write-ahead log into the database and
        # delete it, but leaves both alone if the database is no longer in its place.
        set_aside = _rename(path, stamp) if damaged else None
        await connection.close()
        if set_aside is not None:
            raise _DamagedError(str(error), set_aside) from error
        raise


async def _prepare(connection: aiosqlite.Connection, path: Path, check_s: float) -> tuple[str, int]:
    """The log's name and last number, once the database is fit for use."""
    for pragma in (
        f"page_size = {PAGE_OCTETS}",
        "journal_mode = WAL",
        f"wal_autocheckpoint = {CHECKPOINT_PAGES}",
        "synchronous = FULL",
    ):
        await connection.execute(f"PRAGMA {pragma}")
    verdict = await _look_over(connection, check_s)
    if verdict != "ok":
        raise _DamagedError(verdict)
    await _migrate(connection, path)
    try:
        rows = await connection.execute_fetchall(
            "SELECT log, (SELECT coalesce(max(seq), 0) FROM log) FROM identity"
        )
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode == sqlite3.SQLITE_ERROR:
            raise _DamagedError(str(error)) from error  # no such table
        raise
    for log, last_seq in rows:
        return log, last_seq
    raise _DamagedError("the log has no name")


async def _look_over(connection: aiosqlite.Connection, check_s: float) -> str:
    """What is wrong with the database as far as it was looked at, or 'ok'."""
    try:
        async with asyncio.timeout(check_s):
            rows = await connection.execute_fetchall("PRAGMA quick_check(1)")
    except TimeoutError:
        await connection.interrupt()
        return "ok"
    return "; ".join(str(row[0]) for row in rows)


async def _migrate(connection: aiosqlite.Connection, path: Path) -> None:
    migrations = _migrations()
    version = await _number(connection, "PRAGMA user_version")
    if version > len(migrations):
        raise LogbookError(
            f"{path} was written by a newer ridgepost (schema {version}, this one knows "
            f"{len(migrations)}); install that version or set another logbook.folder"
        )
    if version == 0 and await _number(connection, "SELECT count(*) FROM sqlite_master"):
        raise _DamagedError("not a logbook")
    if version == len(migrations):
        return
    script = "".join(read() for read in migrations[version:])
    await connection.executescript(
        f"BEGIN IMMEDIATE;\n{script}PRAGMA user_version = {len(migrations)};\nCOMMIT;"
    )


async def _number(connection: aiosqlite.Connection, query: str) -> int:
    return next(int(row[0]) for row in await connection.execute_fetchall(query))


def _migrations() -> list[Callable[[], str]]:
    files = [
        file
        for file in resources.files("ridgepost.logbook").iterdir()
        if file.name.endswith(".sql")
    ]
    return [file.read_text for file in sorted(files, key=lambda file: file.name)]


# --- files --------------------------------------------------------------------------------------


def _beside(path: Path, suffix: str) -> Path:
    return path.with_name(path.name + suffix)


def _size(path: Path) -> int:
    return path.stat().st_size if path.exists() else 0


def _rename(path: Path, stamp: str) -> Path:
    """Put a database aside under a name that no file has; the name."""
    target = path.with_name(f"damaged-{stamp}-{path.name}")
    for number in itertools.count(2):
        if not any(_beside(target, suffix).exists() for suffix in _SUFFIXES):
            break
        target = path.with_name(f"damaged-{stamp}-{number}-{path.name}")
    for suffix in _SUFFIXES:
        if (file := _beside(path, suffix)).exists():
            file.rename(_beside(target, suffix))
    return target

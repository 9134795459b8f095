"""The logbook: one append-only log, which is the after-action record, the source from which the
station is restored, and the outbox of the bus."""

import asyncio
import itertools
import math
import os
import sqlite3
from collections import deque
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec

from ridgepost.logbook.storage import Opened, condemn, lock_folder, open_database, says_damaged
from ridgepost.station.moment import Moment, RunSpan, timeline_offsets
from ridgepost.station.recall import Dated, Recall
from ridgepost.station.records import (
    HEARD,
    KEPT_FOR_STATE,
    AnyRecord,
    Entry,
    Noticed,
    is_durable,
)

TAIL = 1024
"""Latest entries kept in memory, so that a reader that keeps up never asks the database."""

BATCH = 500
"""Rows read at a time."""

HEARD_RECALLED = 5000
"""Frames heard that are read again at a start: about an hour of a full channel, or a second of a
small computer's time."""

_COLUMNS = "seq, run, mono_ms, wall_ms, wall_trusted, what, body"
# One statement, hence one transaction and one hop to the database thread for any number of rows.
_INSERT = f"""
    INSERT INTO log ({_COLUMNS})
    SELECT json_extract(value, '$[0]'), json_extract(value, '$[1]'), json_extract(value, '$[2]'),
           json_extract(value, '$[3]'), json_extract(value, '$[4]'), json_extract(value, '$[5]'),
           json_extract(value, '$[6]')
    FROM json_each(?)
"""  # noqa: S608 - the column list is the constant above

# As octets: one that a card got wrong must not keep SQLite from handing out its neighbours.
_SELECT = "SELECT seq, run, mono_ms, wall_ms, wall_trusted, CAST(body AS BLOB) FROM log"

_SPANS = """
    SELECT run.run, run.boot, first.mono_ms, first.wall_ms, first.wall_trusted,
           last.mono_ms, last.wall_ms, last.wall_trusted
    FROM run
    JOIN log AS first ON first.seq = run.first_seq
    JOIN log AS last ON last.seq = (
        SELECT max(seq) FROM log WHERE seq < coalesce(
            (SELECT first_seq FROM run AS later WHERE later.run > run.run
             ORDER BY later.run LIMIT 1),
            9223372036854775807))
    WHERE first.run = run.run AND last.run = run.run
    ORDER BY run.run
"""

_decoder = msgspec.json.Decoder(AnyRecord)


class Logbook:
    """An open logbook in a folder. Make it with `Logbook.open`; one process at a time.

    Errors of the database come out as `sqlite3.Error`. From `append`: the entries are then not
    written, and the caller keeps them. Once one of them says that the database is damaged,
    `damaged` is true: the next `open` sets it aside.
    """

    def __init__(self, folder: Path, opened: Opened, lock: int) -> None:
        self._folder = folder
        self._connection = opened.connection
        self._lock = lock
        self._writing = asyncio.Lock()
        self._full_sync: bool | None = None
        self._tail: deque[Entry] = deque(maxlen=TAIL)
        self._grew = asyncio.Event()
        self.log = opened.log
        """This log's own short name."""

        self.set_aside = opened.set_aside
        """Where a damaged predecessor was put, if there was one."""

        self.damaged = False
        self.run = 0
        self.last_seq = opened.last_seq
        self.commits = 0
        self.full_commits = 0

    @classmethod
    async def open(cls, folder: Path) -> "Logbook":
        """Open or make the logbook in `folder`. Raises `LogbookError` if that cannot be."""
        lock = lock_folder(folder)
        try:
            stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
            return cls(folder, await open_database(folder, stamp), lock)
        except BaseException:
            os.close(lock)
            raise

    async def close(self) -> None:
        """Close the file and give the folder free."""
        try:
            await self._connection.close()
        finally:
            os.close(self._lock)

    # -- starting --------------------------------------------------------------------------------

    async def begin_run(self, boot: str) -> int:
        """Note a start of the program, durably, and return its number."""
        rows = await self._query("SELECT coalesce(max(run), 0) + 1 FROM run")
        self.run = rows[0][0]
        await self._write(
            "INSERT INTO run (run, boot, first_seq) VALUES (?, ?, ?)",
            (self.run, boot, self.last_seq + 1),
            full=True,
        )
        return self.run

    async def history(
        self, boot: str, now: Moment, max_age_s: float, heard_age_s: float = 0.0
    ) -> AsyncIterator[Dated]:
        """The records that the station is restored from, oldest first, each with its time on the
        present monotonic clock. `max_age_s` bounds what a wrong wall clock can do; of what is
        older, only that which still matters is there (see `Recall`). Frames heard are there from
        the last `heard_age_s`, `HEARD_RECALLED` of them at most."""
        spans = [
            RunSpan(run, boot_of_run, _moment(*times[:3]), _moment(*times[3:]))
            for run, boot_of_run, *times in await self._query(_SPANS)
        ]
        offsets = timeline_offsets(spans, boot, now, max_age_s)
        heard_since_s = now.mono_s - heard_age_s if heard_age_s else math.inf
        recall = Recall(now.mono_s - max_age_s, heard_since_s)
        kinds = ", ".join(f"'{kind}'" for kind in KEPT_FOR_STATE)
        recent = self.last_seq - HEARD_RECALLED
        chosen = f"(what IN ({kinds}) OR (what = '{HEARD}' AND seq > {recent}))"
        after = 0
        while entries := await self._select(f"seq > ? AND {chosen}", after, BATCH):
            for entry in entries:
                after = entry.seq
                for dated in recall.take(entry.record, entry.at.mono_s + offsets[entry.run]):
                    yield dated
        for dated in recall.rest():
            yield dated

    # -- writing ---------------------------------------------------------------------------------

    async def append(self, entries: Sequence[Entry]) -> None:
        """Commit entries, all or none; their numbers go on from `last_seq` without a gap.

        If any of them is durable, they are on the disk when this returns; otherwise they survive
        the death of this process at once, and a power cut once the system has written them out.
        """
        if [entry.seq for entry in entries] != [
            self.last_seq + place for place in range(1, len(entries) + 1)
        ]:
            raise ValueError(f"these entries do not follow {self.last_seq}")
        if not entries:
            return
        full = any(is_durable(entry.record) for entry in entries)
        rows = msgspec.json.encode([_row(entry) for entry in entries]).decode()
        await self._write(_INSERT, (rows,), full=full)
        self.commits += 1
        self.full_commits += full
        self._tail.extend(entries)
        self.last_seq = entries[-1].seq
        self._grew.set()

    async def move_reader(self, name: str, seq: int) -> None:
        """Note that a reader has dealt with every entry up to `seq`. Losing this costs a repeat."""
        await self._write(
            "INSERT INTO reader (name, seq) VALUES (?, ?) "
            "ON CONFLICT (name) DO UPDATE SET seq = excluded.seq",
            (name, seq),
            full=False,
        )

    async def _write(self, statement: str, values: tuple[object, ...], *, full: bool) -> None:
        """One statement, which is one transaction, durable if `full`."""
        # The setting holds for the connection: nobody may change it before the statement is done.
        async with self._writing, self._noticing_damage():
            if full != self._full_sync:
                self._full_sync = None  # unknown, should this be broken off
                mode = "FULL" if full else "NORMAL"
                await self._connection.execute(f"PRAGMA synchronous = {mode}")
                self._full_sync = full
            await self._connection.execute(statement, values)

    # -- reading ---------------------------------------------------------------------------------

    async def reader_at(self, name: str) -> int:
        """How far a reader has come; 0 if it never read."""
        rows = await self._query("SELECT seq FROM reader WHERE name = ?", (name,))
        return int(rows[0][0]) if rows else 0

    async def read(self, after: int, limit: int) -> list[Entry]:
        """Up to `limit` entries after `after`, in order; waits until there is at least one."""
        while self.last_seq <= after:
            self._grew.clear()
            await self._grew.wait()
        if self._tail and self._tail[0].seq <= after + 1:
            skip = after + 1 - self._tail[0].seq
            return list(itertools.islice(self._tail, skip, skip + limit))
        return await self._select("seq > ?", after, limit)

    async def entries(self, kinds: Sequence[str], after: int, up_to: int) -> AsyncIterator[Entry]:
        """The entries of these kinds (tags of records) between two numbers, the last included."""
        chosen = ", ".join(f"'{kind}'" for kind in kinds)
        condition = f"seq > ? AND seq <= {int(up_to)} AND what IN ({chosen})"
        while found := await self._select(condition, after, BATCH):
            for entry in found:
                yield entry
            after = found[-1].seq

    async def _select(self, condition: str, after: int, limit: int) -> list[Entry]:
        query = f"{_SELECT} WHERE {condition} ORDER BY seq LIMIT ?"
        return [_entry(row) for row in await self._query(query, (after, limit))]

    async def _query(self, query: str, values: tuple[object, ...] = ()) -> list[Any]:
        async with self._noticing_damage():
            return list(await self._connection.execute_fetchall(query, values))

    @asynccontextmanager
    async def _noticing_damage(self) -> AsyncIterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            if says_damaged(error):
                self.damaged = True
                condemn(self._folder)
            raise


def _row(entry: Entry) -> tuple[int, int, int, int, int, object, str]:
    at = entry.at
    return (
        entry.seq,
        entry.run,
        round(at.mono_s * 1000),
        round(at.wall_s * 1000),
        int(at.wall_trusted),
        entry.record.__struct_config__.tag,
        msgspec.json.encode(entry.record).decode(),
    )


def _entry(row: Any) -> Entry:
    seq, run, mono_ms, wall_ms, trusted, body = row
    record: AnyRecord
    try:
        record = _decoder.decode(body)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        # It keeps its place, so that whoever reads the log in order comes past it.
        record = Noticed(kind="log", text=f"entry {seq} of the log cannot be read: {error}")
    return Entry(seq, run, _moment(mono_ms, wall_ms, trusted), record)


def _moment(mono_ms: int, wall_ms: int, trusted: int) -> Moment:
    return Moment(mono_ms / 1000, wall_ms / 1000, bool(trusted))

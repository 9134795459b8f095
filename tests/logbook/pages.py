"""Entries to fill a logbook with, and a look at its file from outside."""

import contextlib
import shutil
import sqlite3
from collections.abc import AsyncIterator, Iterable
from pathlib import Path
from typing import Any

from ridgepost.logbook.book import Logbook
from ridgepost.logbook.storage import DATABASE
from ridgepost.station.moment import Moment
from ridgepost.station.records import (
    AckSent,
    Answered,
    AnyRecord,
    BulletinHeard,
    BulletinOut,
    Cleared,
    CopiesHeard,
    Entry,
    Heard,
    Joined,
    LineState,
    LinkChanged,
    MarkedRead,
    MemberChanged,
    Noticed,
    OutboundChanged,
    Precedence,
    QueryAnswered,
    QuestionChanged,
    QuestionState,
    Received,
    Started,
    State,
    Stopped,
    WatchChanged,
    Watched,
)

WALL_S = 1_800_000_000.0
HEARD = Heard(tnc="vhf", port=0, frame=b"\x82\xa0\xb4\xa4\x8e\xa0\xe0" * 12)
RECEIVED = Received(source="QZ1SAG-2", to="QZ1HUB-10", text="hello", heard=1)


def change(message: str, state: State = State.QUEUED, **more: Any) -> OutboundChanged:
    fields: dict[str, Any] = {
        "message": message,
        "to": "QZ1SAG-2",
        "text": "hello",
        "number": "12",
        "state": state,
        "why": "",
        "expires_in_s": 60.0,
    }
    return OutboundChanged(**fields | more)


EVERY_KIND: list[AnyRecord] = [
    Started(version="0.1", callsign="QZ1HUB-10", transmit=True),
    LinkChanged(tnc="vhf", up=False, reason="no such device"),
    HEARD,
    CopiesHeard(of=3, copies=4, paths=["", "QZ1RDG-3*,WIDE2-1"]),
    change("a1b2c3.1.5"),
    change("a1b2c3.1.5", State.SENDING, attempts=1, wait_s=8.25, frame=b"\x00\xff{", tnc="vhf"),
    change("a1b2c3.1.5", State.EXPIRED, precedence=Precedence.EMERGENCY, expires_in_s=0.0),
    RECEIVED,
    Received(
        source="x:y",
        to="QST",
        group=True,
        text="NUL \x00, \x1b[31m, '; DROP TABLE log; -- \"\\ ü \N{BICYCLE} \u2028",
        number="12}07",
        path=["QZ1RDG-3*"],
        heard=2,
        latin1=True,
    ),
    AckSent(to="x:y", number="12}07", frame=b"\xfe", tnc="vhf", port=15),
    BulletinHeard(source="QZ1SAG-2", line="BLN1", text="", heard=3),
    Answered(
        request="r",
        verb="send",
        digest="00",
        accepted=False,
        field="to",
        why="no",
        correlation=b"\x00",
    ),
    Noticed(kind="late-ack", text="late"),
    Joined(source="QZ1SAG-2", to="QZ1HUB-10", text="a long text", parts=["a.1.2", "a.1.3"]),
    BulletinOut(
        bulletin="a.1.4",
        line="BLN1",
        text="Post 4 is closed",
        state=LineState.SENDING,
        why="in its turn",
        attempts=2,
        expires_in_s=600.0,
        wait_s=120.0,
        frame=b"\x01",
        tnc="vhf",
    ),
    QueryAnswered(asker="x:y", query="APRSD", why="asked", frame=b"\x02", tnc="vhf", port=0),
    QuestionChanged(
        question="a.1.5", to="QZ1SAG-2", text="?APRSP", state=QuestionState.QUEUED, why="accepted"
    ),
    MarkedRead(messages=["a.1.2"], client="desk"),
    Cleared(notice="a.1.6", client="desk"),
    Stopped(reason="asked to"),
    MemberChanged(callsign="QZ1SAG-2", present=True, tactical="SAG2", interval_s=60.0),
    WatchChanged(callsign="QZ1SAG-2", state=Watched.LATE, why="not heard", silent_s=90.0),
]


def moment(at_s: float, *, wall_s: float | None = None, trusted: bool = True) -> Moment:
    return Moment(at_s, WALL_S + at_s if wall_s is None else wall_s, trusted)


def entries_after(
    book: Logbook, records: Iterable[AnyRecord], at_s: float = 100.0, **more: Any
) -> list[Entry]:
    """The next entries of this run."""
    return [
        Entry(book.last_seq + place, book.run, moment(at_s, **more), record)
        for place, record in enumerate(records, start=1)
    ]


async def write(
    book: Logbook, *records: AnyRecord, at_s: float = 100.0, **more: Any
) -> list[Entry]:
    """Append records as one commit."""
    entries = entries_after(book, records, at_s, **more)
    await book.append(entries)
    return entries


@contextlib.asynccontextmanager
async def opened(folder: Path, boot: str | None = "boot") -> AsyncIterator[Logbook]:
    """A logbook in which a run has begun, unless `boot` is None."""
    book = await Logbook.open(folder)
    try:
        if boot is not None:
            await book.begin_run(boot)
        yield book
    finally:
        await book.close()


async def all_entries(book: Logbook) -> list[Entry]:
    """From the database, whatever is in memory."""
    found: list[Entry] = []
    after = 0
    while after < book.last_seq:
        found += await book.read(after, 1000)
        after = found[-1].seq
    return found


def ask_file(folder: Path, query: str) -> list[Any]:
    """What another program reads in the database, e.g. a person's."""
    with contextlib.closing(sqlite3.connect(folder / DATABASE)) as connection:
        return connection.execute(query).fetchall()


def names_in(folder: Path) -> list[str]:
    return sorted(file.name for file in folder.iterdir())


def copy_as_killed(folder: Path, to: Path) -> Path:
    """The files as they would be found if the process had been killed just now."""
    to.mkdir()
    for suffix in ("", "-wal"):
        file = folder / f"{DATABASE}{suffix}"
        if file.exists():
            shutil.copyfile(file, to / file.name)
    return to

"""The log as anybody can read it: with SQLite, and without the station's code.

The tables are described in daemon/ridgepost/logbook/0001.sql, what the bus makes of them in
config/bus-contract.md; AX.25 addresses are AX.25 2.2, 3.12 (from memory).
"""

import base64
import json
import sqlite3
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import quote

TOPICS = {
    "heard": "heard/",
    "copies": "copies",
    "outbound": "traffic/out/",
    "received": "traffic/in/",
    "ack": "traffic/ack",
    "bulletin": "bulletin/",
    "joined": "traffic/joined/",
    "bulletin-out": "traffic/bulletin/",
    "query": "traffic/query",
    "question": "traffic/question/",
    "read": "traffic/read",
    "link": "link/",
    "notice": "notice/",
    "cleared": "cleared",
    "answer": "answer/",
}
"""Where the entries of each kind are told."""

NOT_TOLD = ("started", "stopped")
SETTLED = ("acknowledged", "rejected", "expired", "cancelled")
SETTLED_KEPT = INBOUND_KEPT = 100
UNREAD_KEPT, NOTICES_KEPT = 2048, 256
"""config/bus-contract.md, Bounds."""


class Row(NamedTuple):
    """An entry of the log; `id` is its name on the bus."""

    id: str
    seq: int
    run: int
    at: str
    clock_trusted: bool
    what: str
    body: dict[str, Any]


def read(database: Path) -> list[Row]:
    """The whole log, in its order."""
    connection = sqlite3.connect(f"file:{database}?mode=ro", uri=True)
    try:
        ((log,),) = connection.execute("SELECT log FROM identity")
        rows = connection.execute(
            "SELECT seq, run, wall_ms, wall_trusted, what, body FROM log ORDER BY seq"
        ).fetchall()
    finally:
        connection.close()
    return [
        Row(f"{log}.{run}.{seq}", seq, run, _time(wall_ms), bool(trusted), what, json.loads(body))
        for seq, run, wall_ms, trusted, what, body in rows
    ]


def _time(wall_ms: int) -> str:
    """RFC 3339, in UTC and to the millisecond."""
    whole = datetime.fromtimestamp(wall_ms // 1000, UTC)
    return f"{whole:%Y-%m-%dT%H:%M:%S}.{wall_ms % 1000:03d}Z"


class Comparison(NamedTuple):
    """Entries that a client should know and does not, that it should not know, and that it knows
    otherwise."""

    missing: list[str]
    unknown: list[str]
    differing: list[str]


def compare(
    rows: list[Row], events: dict[str, tuple[str, dict[str, Any]]], base: str
) -> Comparison:
    """Hold a client's list of events against the log, entry for entry."""
    told = {row.id: row for row in rows if row.what not in NOT_TOLD}
    return Comparison(
        missing=[key for key in told if key not in events],
        unknown=[key for key in events if key not in told],
        differing=[
            f"{key} ({row.what}): {', '.join(wrong)}"
            for key, row in told.items()
            if key in events and (wrong := _differences(row, *events[key], base))
        ],
    )


def _differences(row: Row, topic: str, payload: dict[str, Any], base: str) -> list[str]:
    """The keys in which a payload says something else than the log."""
    said: dict[str, tuple[Any, Any]] = {
        "topic": (topic.startswith(f"{base}/{TOPICS[row.what]}"), True),
        "seq": (payload["seq"], row.seq),
        "at": (payload["at"], row.at),
        "clock_trusted": (payload["clock_trusted"], row.clock_trusted),
    }
    for key, value in row.body.items():
        # A tag, octets, a number of an entry and where an answer goes have no key of their own.
        if key in payload and not (row.what == "copies" and key == "of"):
            said[key] = (payload[key], value)
    if "wait_s" in row.body:
        said["next_try_s"] = (payload["next_try_s"], row.body["wait_s"])
    if row.what == "copies":
        said["of"] = (payload["of"].rpartition(".")[2], str(row.body["of"]))
    frame = row.body.get("frame")
    if frame is not None:
        key = "monitor" if row.what == "heard" else "sent"
        said[key] = (payload[key], monitor(base64.b64decode(frame)))
    return [
        f"{key} {mine!r} != {theirs!r}" for key, (mine, theirs) in said.items() if mine != theirs
    ]


def monitor(frame: bytes) -> str:
    """A frame in text form, if what it carries is printable ASCII."""
    addresses = []
    for start in range(0, len(frame), 7):
        seven = frame[start : start + 7]
        call = bytes(octet >> 1 for octet in seven[:6]).decode("ascii").rstrip()
        ssid = seven[6] >> 1 & 15
        repeated = start >= 14 and seven[6] & 0x80
        addresses.append((f"{call}-{ssid}" if ssid else call, bool(repeated)))
        if seven[6] & 1:
            break
    (to, _), (source, _), *path = addresses
    last = max((at for at, (_, repeated) in enumerate(path) if repeated), default=-1)
    digipeaters = "".join(f",{call}{'*' * (at == last)}" for at, (call, _) in enumerate(path))
    text = frame[7 * len(addresses) + 2 :].decode("ascii")
    return f"{source}>{to}{digipeaters}:{text}"


# --- what is retained -----------------------------------------------------------------------------


def retained(rows: Iterable[Row], base: str) -> dict[str, dict[str, Any]]:
    """What each retained topic says at the end of this log, as far as it is told here: the `id` or
    `of` of an entry, and counts."""
    kept: dict[str, dict[str, Any]] = {}
    settled: dict[str, None] = {}
    inbound: list[str] = []
    unread: dict[str, None] = {}
    notices: dict[str, None] = {}
    marks = {"unread": "", "notices": ""}
    for row in rows:
        body, said = row.body, {"id": row.id}
        match row.what:
            case "outbound":
                topic = f"traffic/out/{body['message']}"
                kept[topic] = said
                if body["state"] in SETTLED:
                    settled[topic] = None
            case "received":
                inbound.append(f"traffic/in/{row.id}")
                kept[inbound[-1]] = said
                unread[row.id] = None
                _bound(unread, UNREAD_KEPT)
                marks["unread"] = row.id
            case "read":
                for message in body["messages"]:
                    unread.pop(message, None)
                marks["unread"] = row.id
            case "bulletin":
                kept[f"bulletin/{_word(body['source'])}/{_word(body['line'])}"] = said
            case "bulletin-out":
                kept[f"traffic/bulletin/{_word(body['line'])}"] = said
            case "link":
                kept[f"link/{_word(body['tnc'])}"] = said
            case "notice":
                notices[row.id] = None
                _bound(notices, NOTICES_KEPT)
                marks["notices"] = row.id
            case "cleared":
                notices.pop(body["notice"], None)
                marks["notices"] = row.id
            case "heard":
                _place(row, kept)
    for topic in [*list(settled)[:-SETTLED_KEPT], *inbound[:-INBOUND_KEPT]]:
        del kept[topic]
    for name, waiting in (("unread", unread), ("notices", notices)):
        kept[name] = {"count": len(waiting), "of": marks[name] or None}
    return {f"{base}/{topic}": said for topic, said in kept.items()}


def _bound(waiting: dict[str, None], limit: int) -> None:
    """What came first goes."""
    if len(waiting) > limit:
        del waiting[next(iter(waiting))]


def _place(row: Row, kept: dict[str, dict[str, Any]]) -> None:
    """Positions as this test sends them: '!' (APRS 1.2c ch. 8), and objects (ch. 11)."""
    source, _, info = monitor(base64.b64decode(row.body["frame"])).partition(">")
    info = info.partition(":")[2]
    if info.startswith("!"):
        kept[f"place/{_word(source)}"] = {"of": row.id}
    elif info.startswith(";"):
        topic = f"place/object/{_word(info[1:10].rstrip())}"
        kept.pop(topic, None)
        if info[10] == "*":
            kept[topic] = {"of": row.id}


def _word(text: str) -> str:
    """A name as one level of a topic: RFC 3986 2.1."""
    return quote(text, safe="")

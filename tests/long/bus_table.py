"""A client's table against the log, through broker stops, network cuts and kills of the station.

    PYTHONPATH=daemon:tests python tests/long/bus_table.py --stops 20 --cuts 20 --kills 20 --seed 1

A real station with a TNC on a pseudo-terminal, a real mosquitto, and a client of another make, in a
program of its own, that keeps a list of events and a table of retained topics. There is a network
between station and broker, and one between broker and client. Traffic goes on all the while:
reports, objects that come and go, messages in and out with acknowledgements and rejections,
bulletins of both sides, and people who read, clear, cancel and withdraw.

In the end the client's list must be the log, entry for entry, and its table what the broker keeps
and what by the log it should keep. Printed are the counts; the exit status is 0 if all agree.

What MQTT cannot do is not asked for: a broker that comes back without its store knows no client, so
the client is there first, before the station; and it loses its store only while it reaches it.
"""

import argparse
import collections
import contextlib
import json
import random
import select
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from end_to_end.world import HUB, Listener, Program, Site, Station, World, number_of
from harness import Broker, require_tool
from long import ledger
from long.relay import Relay
from long.table import Table

BASE = f"ridgepost/{HUB}"
BOUND_S = 60.0
"""Within which each must be back: the station waits up to half a minute between two tries."""

FRAMES_PER_S = 50.0
"""At most: many times what the channel carries, so that faults meet traffic."""

STATIONS = [f"QZ1SAG-{number}" for number in range(1, 13)]
OBJECTS = [f"POST{number}" for number in range(9)]
SHORT, LONG = (15, 40), (130, 180)
"""Frames heard between two faults, and while one lasts. In a long while the station saves its place
in the log, which it does every other second."""

BROKER_SETTINGS = (
    "persistence true\n"
    "persistence_location {folder}/\n"
    "set_tcp_nodelay true\n"
    # What a client that is away has missed must be kept for it, and what it could have by now must
    # not wait in a broker that may lose it.
    "max_queued_messages 0\n"
    "max_inflight_messages 0\n"
)


class Onlooker(Program):
    """The client, and the table that it keeps."""

    def __init__(self, world: World, port: int) -> None:
        self.table = Table()
        self.sessions = 0
        """How often the broker has granted it its subscription."""

        self.kept_sessions = 0
        self.up = False
        program = Path(__file__).with_name("onlooker.py")
        super().__init__(world, [sys.executable, program, str(port), f"{BASE}/#"])

    def on_line(self, line: str) -> None:
        said = json.loads(line)
        if "topic" in said:
            self.table.take(said["topic"], said["payload"], retain=said["retain"])
        elif "session_present" in said:
            self.table.connected(session_present=said["session_present"])
            self.kept_sessions += said["session_present"]
        elif "subscribed" in said:
            self.sessions += 1
            self.up = True
        else:
            self.up = False
        self.lines.clear()

    def ask(self, verb: str, client: str, **content: Any) -> None:
        assert self._process.stdin is not None
        line = {"topic": f"{BASE}/ask/{verb}/{client}", "payload": json.dumps(content)}
        self._process.stdin.write(json.dumps(line).encode() + b"\n")
        self._process.stdin.flush()

    def all_said(self) -> str:
        table = self.table
        return f"the client: {len(table.events)} events, {table.messages} messages, up {self.up}"


class Counts(NamedTuple):
    """What a run came to."""

    stops: int
    cuts: int
    kills: int
    entries: int
    told: int
    retained: int
    received: int
    duplicates: int
    missing: list[str]
    unknown: list[str]
    differing: list[str]
    out_of_order: list[str]
    wrong_topics: list[str]
    """Retained topics on which client, broker and log disagree."""

    @property
    def agree(self) -> bool:
        return not any(value for value in self if isinstance(value, list))

    def text(self) -> str:
        numbers = {
            "broker stops": self.stops,
            "network cuts": self.cuts,
            "kills of the station": self.kills,
            "entries in the log": self.entries,
            "of these told on the bus": self.told,
            "retained topics at the end": self.retained,
            "messages the client received": self.received,
            "of these duplicates": self.duplicates,
            "entries missing": len(self.missing),
            "entries not in the log": len(self.unknown),
            "entries that differ": len(self.differing),
            "entries out of order": len(self.out_of_order),
            "retained topics that differ": len(self.wrong_topics),
        }
        lines = [f"{name:30s} {number:8,d}" for name, number in numbers.items()]
        for found in (self.missing, self.unknown, self.differing, self.out_of_order,
                      self.wrong_topics):  # fmt: skip
            lines += [f"    {one[:300]}" for one in found[:5]]
        return "\n".join(lines)


class Run:
    """One run: the site, its two networks, and what is done to them."""

    def __init__(
        self, folder: Path, seed: int, leave: contextlib.ExitStack, long_share: float = 0.25
    ) -> None:
        self.rng = random.Random(seed)
        self.long_share = long_share
        self.world = world = World()
        self.folder = folder
        settings = BROKER_SETTINGS.format(folder=folder)
        self.broker = Broker(require_tool("mosquitto"), folder / "broker", settings)
        leave.callback(self.broker.kill)
        self.broker.start()
        self.site = Site(world, folder, self.broker)
        leave.callback(self.site.put_away)
        self.site.bus.put_away()  # this client is another one
        self.network = Relay(self.broker.port)
        leave.callback(self.network.close)
        self.network_of_client = Relay(self.broker.port)
        leave.callback(self.network_of_client.close)
        self.tnc = self.site.tnc()
        self.site.configure(self.tnc, broker=f"mqtt://127.0.0.1:{self.network.port}")
        self.onlooker = Onlooker(world, self.network_of_client.port)
        leave.callback(self.onlooker.put_away)
        self.station: Station | None = None
        self.heard = 0
        self.next_s = 0.0
        self.requests = 0
        self.answered = 0
        self.wish: collections.Counter[str] = collections.Counter()
        self.done: collections.Counter[str] = collections.Counter()

    # -- traffic ---------------------------------------------------------------------------------

    def until(self, condition: Callable[[], Any], what: str) -> None:
        """Wait, while traffic goes on."""

        def look() -> Any:
            self.traffic()
            return condition()

        self.world.until(look, what, BOUND_S)

    def pass_frames(self, count: int) -> None:
        """Let so many more frames be heard, as far as the station runs."""
        until = self.heard + count
        self.until(lambda: self.heard >= until or not self.hearing, f"{count} frames")

    def a_while(self, times: int = 1) -> None:
        """Let some frames be heard; now and then, or so many times as often, many."""
        how_long = LONG if self.rng.random() < self.long_share * times else SHORT
        self.pass_frames(self.rng.randint(*how_long))

    @property
    def hearing(self) -> bool:
        return self.station is not None and self.station.running and self.tnc.greeted()

    def traffic(self) -> None:
        """One step of what goes on on the air and among the people."""
        now_s = time.monotonic()
        if not self.hearing or now_s < self.next_s:
            return
        self.next_s = now_s + 1 / FRAMES_PER_S
        if select.select([], [self.tnc.fileno()], [], 0)[1]:
            self.heard += 1
            self.tnc.heard(self.frame())
        self.answer()
        if self.rng.random() < 0.15:
            self.people()

    def frame(self) -> str:
        """A frame that says something new."""
        rng, number = self.rng, self.heard
        who = rng.choice(STATIONS)
        path = rng.choice(["", ",QZ1RDG*", ",QZ1RDG,WIDE2-1*"])
        minutes = f"{rng.randrange(60):02d}.{rng.randrange(100):02d}"
        kind = rng.choices(["place", "status", "object", "message", "bulletin"], [4, 3, 2, 2, 1])[0]
        info = {
            "place": f"!61{minutes}N/149{minutes}W>{number}",
            "status": f">report {number}",
            "object": f";{rng.choice(OBJECTS):9s}{rng.choice('**_')}092345z"
            f"61{minutes}N/149{minutes}W-",
            "message": f":{HUB:9s}:text {number}" + f"{{{number % 100_000}",
            "bulletin": f":BLN{rng.choice('0123456789ABC')}     :line {number}",
        }[kind]
        return f"{who}>APZ001{path}:{info}"

    def answer(self) -> None:
        """Stations acknowledge what they are sent; some reject it, some never say a word."""
        for _, frame in self.tnc.sent[self.answered :]:
            self.answered += 1
            info = frame.info.decode("utf-8", "replace")
            to, number = info[1:10].rstrip(), number_of(frame)
            if info[:1] != ":" or "{" not in info or to not in STATIONS:
                continue
            word = self.rng.choices(["ack", "rej", ""], [8, 1, 2])[0]
            if word:
                self.tnc.heard(f"{to}>APZ001::{HUB:9s}:{word}{number}")

    def people(self) -> None:
        """Somebody asks for something."""
        rng, table = self.rng, self.onlooker.table
        self.requests += 1
        request, client = f"r{self.requests}", f"c{self.requests % 200}"
        ask = self.onlooker.ask
        match rng.choices(
            ["send", "bulletin", "withdraw", "cancel", "read", "clear", "query", "list"],
            [8, 1, 1, 1, 3, 1, 1, 1],
        )[0]:
            case "send":
                lifetime_s = rng.choice([None, 5.0, 60.0])
                to, text = rng.choice(STATIONS), f"to you {self.requests}"
                precedence = rng.choice(["ROUTINE", "PRIORITY", "WELFARE", "EMERGENCY"])
                ask("send", client, request=request, to=to, text=text, lifetime_s=lifetime_s,
                    precedence=precedence)  # fmt: skip
            case "bulletin":
                ask("bulletin", client, request=request, line=rng.choice("0123"), text=request)
            case "withdraw":
                ask("withdraw", client, request=request, line=rng.choice("0123"))
            case "cancel":
                if found := self.some("traffic/out/"):
                    ask("cancel", client, request=request, message=found["message"])
            case "read":
                waiting = table.retained.get(f"{BASE}/unread", {}).get("messages", [])
                if names := [one["message"] for one in waiting[:10]]:
                    ask("read", client, request=request, messages=names)
            case "clear":
                waiting = table.retained.get(f"{BASE}/notices", {}).get("notices", [])
                if waiting:
                    ask("clear", client, request=request, notice=waiting[0]["notice"])
            case "query":
                ask("query", client, request=request, to=rng.choice(STATIONS), query="APRSP")
            case _:
                ask("list", client, request=request)

    def some(self, below: str) -> dict[str, Any] | None:
        """What is retained on a topic taken at random, if any."""
        topics = [one for one in self.onlooker.table.retained if one.startswith(f"{BASE}/{below}")]
        found: dict[str, Any] = (
            self.onlooker.table.retained[self.rng.choice(topics)] if topics else {}
        )
        return found or None

    # -- what is done to it ----------------------------------------------------------------------

    def start_station(self) -> None:
        self.station = self.site.start()
        self.until(self.tnc.greeted, "the station at its TNC")

    def on_bus(self) -> bool:
        """The station's last word of the bus is that it is up."""
        assert self.station is not None
        for line in reversed(self.station.log):
            if line.get("event") in ("bus up", "bus down"):
                return bool(line["event"] == "bus up")
        return False

    def calm(self) -> None:
        """All are there, and some more frames are heard. Mostly the client catches up; when it does
        not, the next fault meets it doing so."""
        self.until(self.on_bus, "the station on the bus")
        self.until(lambda: self.onlooker.up, "the client on the bus")
        if self.rng.random() < 0.7:
            self.tnc.heard(f"QZ1MRK>APZ001:!6100.00N/14900.00W-{self.heard}")
            self.until(lambda mark=self.heard: self.marked_to() >= mark, "the client to catch up")
        self.a_while()

    def marked_to(self) -> int:
        """How many frames had been heard before the latest mark that the client knows."""
        mark = self.onlooker.table.retained.get(f"{BASE}/place/QZ1MRK")
        return int(mark["properties"]["comment"]) if mark else 0

    def stop_broker(self, how: str) -> Callable[[], None]:
        """In order with its store, without it, or killed: then it has the store of its last stop.
        The return value starts it again."""
        assert self.station is not None
        store = self.folder / "mosquitto.db"
        if how != "kept":
            self.until(lambda: self.onlooker.up, "the client on the bus")
        (self.broker.kill if how == "killed" else self.broker.stop)()
        if how == "emptied":
            store.unlink()

        def start() -> None:
            before = self.onlooker.sessions
            if how == "kept":
                self.broker.start()
                return
            self.network.cut()
            self.broker.start()
            self.until(lambda: self.onlooker.sessions > before, "the client back on the bus")
            self.network.heal()

        return start

    def cut(self, whose: Relay, how: str) -> Callable[[], None]:
        """Closed, silent, or silent for those connections that there are now; the return value
        mends it."""
        sessions, ups = self.onlooker.sessions, self.ups()
        {"closed": whose.cut, "silent": whose.stall, "stranded": whose.strand}[how]()

        def mend() -> None:
            if how == "stranded":
                # Only once the other side has given it up and has another connection.
                if whose is self.network:
                    self.until(lambda: self.ups() > ups, "a new connection")
                else:
                    self.until(lambda: self.onlooker.sessions > sessions, "a new connection")
            whose.heal()

        return mend

    def ups(self) -> int:
        """How often a station has said that it is on the bus."""
        return sum(
            line.get("event") == "bus up" for each in self.site._stations for line in each.log
        )

    def kill_station(self) -> Callable[[], None]:
        """Without warning; the return value starts it again."""
        assert self.station is not None
        self.station.kill()
        # What was on the line is gone with it.
        self.tnc.unplug()
        self.tnc.plug()
        return self.start_station

    def fault(self, what: str, number: int) -> str:
        """Do one of them, with traffic before, while it lasts, and after; its name."""
        if what == "stop":
            how = ["kept", "emptied", "killed"][number % 3]
            self.until(self.on_bus, "the station on the bus")
            end = self.stop_broker(how)
        elif what == "cut":
            whose = [self.network, self.network_of_client][number % 2]
            how = ["closed", "silent", "stranded"][number // 2 % 3]
            how += " to the client" if number % 2 else ""
            end = self.cut(whose, how.partition(" ")[0])
        else:
            how = ""
            end = self.kill_station()
        # A station that takes silence for a slow broker goes on saving its place.
        self.a_while(times=3 if how in ("silent", "stranded") else 1)
        # Now and then the station dies in the middle of another fault.
        if what != "kill" and self.wish["kill"] and self.rng.random() < 0.3:
            self.wish["kill"] -= 1
            self.done["kill"] += 1
            self.kill_station()()
            self.a_while()
            how += ", and the station killed"
        end()
        return f"{what} {how}".rstrip()

    # -- the whole -------------------------------------------------------------------------------

    def go(self, stops: int, cuts: int, kills: int, say: Callable[[str], None]) -> Counts:
        self.wish.update(stop=stops, cut=cuts, kill=kills)
        began_s = time.monotonic()
        self.until(lambda: self.onlooker.up, "the client on the bus")
        self.start_station()
        self.calm()
        while left := [what for what, count in self.wish.items() for _ in range(count)]:
            what = self.rng.choice(left)
            self.wish[what] -= 1
            name = self.fault(what, self.done[what])
            self.done[what] += 1
            self.calm()
            table = self.onlooker.table
            say(
                f"{time.monotonic() - began_s:6.1f} s  {len(table.events):7,d} entries, "
                f"{table.duplicates:6,d} duplicates  {name}"
            )
        return self.settle()

    def settle(self) -> Counts:
        """End the station in order, wait until the client has everything, and compare."""
        assert self.station is not None
        status = self.station.stop()
        if status:
            pytest.fail(f"exit status {status}: {self.station.all_said()}", pytrace=False)
        rows = ledger.read(self.site.logbook / "logbook.sqlite")
        told = [row for row in rows if row.what not in ledger.NOT_TOLD]
        table = self.onlooker.table
        # What is missing for good ends the wait, and is counted below.
        with contextlib.suppress(pytest.fail.Exception):
            self.world.until(
                lambda: (
                    len(table.events) >= len(told)
                    and table.retained.get(f"{BASE}/presence", {}).get("online") is False
                ),
                "the client to have everything",
                BOUND_S,
            )
        kept = self.kept()
        found = ledger.compare(rows, table.events, BASE)
        return Counts(
            stops=self.done["stop"],
            cuts=self.done["cut"],
            kills=self.done["kill"],
            entries=len(rows),
            told=len(told),
            retained=len(kept),
            received=table.messages,
            duplicates=table.duplicates,
            missing=found.missing,
            unknown=found.unknown,
            differing=[*found.differing, *(f"{key}: came otherwise" for key in table.differing)],
            out_of_order=table.out_of_order,
            wrong_topics=wrong_topics(rows, kept, table.retained),
        )

    def kept(self) -> dict[str, Any]:
        """What the broker retains, by mosquitto's own client."""
        late = Listener(self.world, self.broker.port, f"{BASE}/#")
        try:
            self.world.until(late.subscribed, "the subscription")
            self.site.ask("fence", {})  # behind all that is retained
            self.world.until(lambda: late.find("ask/fence"), "the end of what is retained")
        finally:
            late.put_away()
        return {event.topic: event.payload for event in late.events if event.retained}


def wrong_topics(rows: list[ledger.Row], kept: dict[str, Any], table: dict[str, Any]) -> list[str]:
    """Where broker and client, or broker and log, do not say the same."""
    wrong = [
        f"{topic}: broker {kept.get(topic)}, client {table.get(topic)}"
        for topic in sorted({*kept, *table})
        if kept.get(topic) != table.get(topic)
    ]
    expected = ledger.retained(rows, BASE)
    log, _, _ = rows[0].id.partition(".")
    expected[f"{BASE}/presence"] = {"online": False}
    expected[f"{BASE}/published"] = {"log": log}
    wrong += [
        f"{topic}: broker {kept.get(topic)}, by the log {expected.get(topic)}"
        for topic in sorted({*kept, *expected})
        if topic not in kept
        or topic not in expected
        or not expected[topic].items() <= kept[topic].items()
    ]
    return wrong


def run(
    folder: Path,
    stops: int,
    cuts: int,
    kills: int,
    seed: int,
    say: Callable[[str], None] = lambda _: None,
    long_share: float = 0.25,
) -> tuple[Counts, Table]:
    """A run in this folder, in which so many of the times between are long ones; what came of it,
    and what the client had."""
    with contextlib.ExitStack() as leave:
        one = Run(folder, seed, leave, long_share)
        counts = one.go(stops, cuts, kills, say)
        one.site.check()
        return counts, one.onlooker.table


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    for name in ("stops", "cuts", "kills"):
        parser.add_argument(f"--{name}", type=int, default=20, metavar="N")
    parser.add_argument("--seed", type=int, default=1, metavar="N")
    parser.add_argument("--keep", metavar="FOLDER", help="leave log and broker's files there")
    wish = parser.parse_args()
    folder = Path(wish.keep) if wish.keep else Path(tempfile.mkdtemp())
    folder.mkdir(parents=True, exist_ok=True)

    def say(line: str) -> None:
        print(line, flush=True)

    try:
        counts, _ = run(folder, wish.stops, wish.cuts, wish.kills, wish.seed, say)
    except pytest.fail.Exception as error:
        print(error)
        return 2
    finally:
        if not wish.keep:
            shutil.rmtree(folder)
    print(counts.text())
    return 0 if counts.agree else 1


if __name__ == "__main__":
    sys.exit(main())

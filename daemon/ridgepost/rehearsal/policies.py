"""Delivery policies to be compared, and the stations that follow them."""

import functools
import math
from collections.abc import Callable
from typing import Literal, Protocol

import msgspec

from ridgepost.rehearsal.bounds import OraclePair
from ridgepost.rehearsal.cell import PATH, RELAY, Cell
from ridgepost.rehearsal.channel import Happening, Received
from ridgepost.rehearsal.digipeater import DUPLICATE_WINDOW_S
from ridgepost.rehearsal.host import StationHost
from ridgepost.rehearsal.stations import (
    Habits,
    Outgoing,
    PlainStation,
    doubling_schedule,
    fixed_schedule,
)
from ridgepost.station.records import Entry, OutboundChanged, State
from ridgepost.station.tuning import Tuning

FIXED_S = 30.0
"""The usual setting of a fixed rate (common practice): as long as the digipeaters' window."""

DOUBLING_S = 8.0
"""The decay algorithm's n: time for a message and its acknowledgement on a loaded channel."""

TRIES = 8

Sender = Literal["fixed", "doubling", "own", "oracle"]
Receiver = Literal["plain", "own", "oracle"]


class Policy(msgspec.Struct, frozen=True, kw_only=True):
    """Who is at either end of a pair. An oracle's addressee is an oracle or a plain station."""

    key: str
    title: str
    sender: Sender
    receiver: Receiver
    duplicate_window_s: float = DUPLICATE_WINDOW_S
    """Of the digipeater, which the policy cannot choose in the field: 0 shows what it costs."""

    in_flight: int = 1
    """Messages to one addressee that our own station may have in the air."""

    by_ear: bool = False
    """The oracle learns that a first hop failed when no repeat has followed, not at once."""

    @property
    def is_bound(self) -> bool:
        """No station can be like this: it shows what there is to be had."""
        return self.sender == "oracle"

    @property
    def is_ours(self) -> bool:
        """Our station is at one end at least."""
        return "own" in (self.sender, self.receiver)


FIXED = Policy(key="fixed", title="fixed 30 s", sender="fixed", receiver="plain")
DOUBLING = Policy(key="doubling", title="doubling from 8 s", sender="doubling", receiver="plain")
FIXED_TO_OWN = Policy(
    key="fixed-to-ours", title="fixed 30 s to ours", sender="fixed", receiver="own"
)
OWN_TO_PLAIN = Policy(key="ours-to-plain", title="ours to plain", sender="own", receiver="plain")
OWN = Policy(key="ours", title="ours to ours", sender="own", receiver="own")
OWN_TWO = Policy(
    key="ours-two", title="ours, two in the air", sender="own", receiver="own", in_flight=2
)
ORACLE = Policy(key="oracle", title="oracle", sender="oracle", receiver="oracle")
ORACLE_NO_WINDOW = Policy(
    key="oracle-no-window",
    title="oracle, no window",
    sender="oracle",
    receiver="oracle",
    duplicate_window_s=0.0,
)
ORACLE_BY_EAR = Policy(
    key="oracle-by-ear",
    title="oracle by ear",
    sender="oracle",
    receiver="oracle",
    by_ear=True,
)
ORACLE_TO_PLAIN = Policy(
    key="oracle-to-plain", title="oracle to plain", sender="oracle", receiver="plain"
)
POLICIES = (
    FIXED,
    DOUBLING,
    FIXED_TO_OWN,
    OWN_TO_PLAIN,
    ORACLE_TO_PLAIN,
    OWN,
    ORACLE_BY_EAR,
    ORACLE,
    ORACLE_NO_WINDOW,
)


class Mailer(Protocol):
    """One who sends messages to one addressee. What ends a message is up to the policy."""

    def send(self, text: str) -> None:
        """Take a message at the channel's present time."""


class Ending(Protocol):
    """Is told that a message has ended: acknowledged, or given up."""

    def __call__(self, text: str) -> None: ...


Watcher = Callable[[Happening], None]


def put_on_air(
    policy: Policy,
    cell: Cell,
    pair: tuple[str, str],
    *,
    tries: int,
    lifetime_s: float | None,
    on_end: Ending,
) -> tuple[Mailer, Watcher | None]:
    """Stations for both ends of a pair: the sender, and who must see each happening at once.

    `tries` is the most transmissions of one message. With `lifetime_s` our own station may try
    again when it hears an addressee that was silent, until that time is over; without, it is
    stopped where the others give up.
    """
    sender, to = pair
    if policy.sender == "oracle":
        oracle = OraclePair(
            cell.channel,
            relay=RELAY,
            sender=sender,
            to=to,
            path=PATH,
            duplicate_window_s=policy.duplicate_window_s,
            tries=tries,
            on_end=on_end,
            by_ear=policy.by_ear,
            plain_addressee=policy.receiver == "plain",
        )
        if policy.receiver == "plain":
            _put_receiver(policy.receiver, cell, to, tries)
        return oracle, oracle.note
    _put_receiver(policy.receiver, cell, to, tries)
    if policy.sender == "own":
        tuning = Tuning(attempts=tries, messages_in_flight=policy.in_flight)
        return _OwnMailer(cell, sender, to, tuning, lifetime_s, on_end), None
    schedule = _schedule(policy.sender, tries)
    return _PlainMailer(cell, sender, to, schedule, on_end), None


def _schedule(sender: Sender, tries: int) -> tuple[float, ...]:
    if sender == "fixed":
        return fixed_schedule(FIXED_S, tries - 1)
    return doubling_schedule(DOUBLING_S, tries - 1)


def _put_receiver(receiver: Receiver, cell: Cell, callsign: str, tries: int) -> None:
    if receiver == "own":
        _own_station(cell, callsign, Tuning(attempts=tries)).start()
    else:
        PlainStation(cell.channel, callsign, cell.rng(f"station/{callsign}"), Habits(path=PATH))


def _own_station(
    cell: Cell,
    callsign: str,
    tuning: Tuning,
    on_entry: Callable[[Entry], None] = lambda _entry: None,
) -> StationHost:
    return StationHost(
        cell.channel,
        callsign,
        cell.rng(f"station/{callsign}"),
        path=PATH,
        tuning=tuning,
        on_entry=on_entry,
    )


class _PlainMailer:
    """A plain station; each message runs its schedule by itself, as with a plain program."""

    def __init__(
        self, cell: Cell, sender: str, to: str, schedule: tuple[float, ...], on_end: Ending
    ) -> None:
        self._channel = cell.channel
        self._to = to
        self._on_end = on_end
        habits = Habits(path=PATH, retry_after_s=schedule)
        self._station = PlainStation(cell.channel, sender, cell.rng(f"station/{sender}"), habits)
        last_wait_s = schedule[-1] if schedule else 0.0
        self._gives_up_after_s = math.fsum(schedule) + last_wait_s
        self._open: list[Outgoing] = []
        # After the station's own ear: what it has just settled is settled.
        cell.channel.on_received(sender, self._look)

    def send(self, text: str) -> None:
        now_s = self._channel.now_s
        self._station.send_at(now_s, self._to, text)
        self._channel.schedule(now_s, self._taken)

    def _taken(self) -> None:
        outgoing = self._station.account.outgoing[-1]
        self._open.append(outgoing)
        # A moment later than the station, which adds its waits one by one.
        at_s = self._channel.now_s + self._gives_up_after_s + 0.001
        self._channel.schedule(at_s, functools.partial(self._over, outgoing))

    def _look(self, _got: Received) -> None:
        for outgoing in [one for one in self._open if one.settled]:
            self._over(outgoing)

    def _over(self, outgoing: Outgoing) -> None:
        if any(one is outgoing for one in self._open):
            self._open = [one for one in self._open if one is not outgoing]
            self._on_end(outgoing.text)


class _OwnMailer:
    """Our own station. Messages that it is still at may be many: what it sends when is its own
    decision."""

    def __init__(
        self,
        cell: Cell,
        sender: str,
        to: str,
        tuning: Tuning,
        lifetime_s: float | None,
        on_end: Ending,
    ) -> None:
        self._channel = cell.channel
        self._to = to
        self._lifetime_s = lifetime_s
        self._on_end = on_end
        self._host = _own_station(cell, sender, tuning, self._logged)
        self._host.start()
        self._ended: set[str] = set()

    def send(self, text: str) -> None:
        answer = self._host.ask(self._host.send(self._to, text, lifetime_s=self._lifetime_s))
        if answer is None or not answer.accepted:
            raise RuntimeError(f"a message was not taken: {answer}")

    def _logged(self, entry: Entry) -> None:
        record = entry.record
        if not isinstance(record, OutboundChanged):
            return
        gives_up = record.state is State.WAITING and self._lifetime_s is None
        if not (gives_up or record.state.settled) or record.text in self._ended:
            return
        self._ended.add(record.text)
        now_s = self._channel.now_s
        if gives_up:
            cancel = self._host.cancel(record.message)
            self._channel.schedule(now_s, functools.partial(self._host.ask, cancel))
        self._channel.schedule(now_s, functools.partial(self._on_end, record.text))

"""Scripted stations for the simulated channel: plain ones that do what the standard says and no
more, and a digipeater.

A plain station beacons its position, sends numbered messages until they are acknowledged or its
retries are used up, acknowledges what is addressed to it and shows each message once (APRS 1.2c
ch. 14). It keeps an account, so that the other side's account can be checked against it.
"""

import functools
import itertools
import math
import random
from collections import Counter
from collections.abc import Sequence

import msgspec

from ridgepost import aprs
from ridgepost.radio import ax25
from ridgepost.rehearsal.channel import Channel, Received
from ridgepost.rehearsal.digipeater import Digipeater, Silence

SOFTWARE_ADDRESS = "APZ001"
"""Destination of all frames: APZxxx is for software without an address of its own (APRS 1.2c
ch. 4)."""

SAME_TRANSMISSION_S = 10.0
"""A copy from another transmitter within this time is a repeat of the first, not a retry."""

UNNUMBERED_MEMORY_S = 30.0
"""Copies of a message without a number are one message within the digipeaters' window."""

_NM_PER_DEG = 60.0


# --- where a station is -------------------------------------------------------------------------


class Waypoint(msgspec.Struct, frozen=True):
    """A place, and when a station is there (seconds of virtual time)."""

    at_s: float
    latitude_deg: float
    longitude_deg: float


class Fix(msgspec.Struct, frozen=True):
    """A place and the motion there: course from true north, 0 to below 360."""

    latitude_deg: float
    longitude_deg: float
    course_deg: float
    speed_knots: float


def fix_at(waypoints: Sequence[Waypoint], at_s: float) -> Fix:
    """Where a station is that goes straight from each waypoint to the next.

    Before the first and after the last it stands still. The earth is taken as flat within a leg.
    Raises ValueError if there are no waypoints.
    """
    if not waypoints:
        raise ValueError("no waypoints")
    for here, there in itertools.pairwise(waypoints):
        if here.at_s <= at_s < there.at_s:
            return _fix_between(here, there, at_s)
    stop = waypoints[0] if at_s < waypoints[0].at_s else waypoints[-1]
    return Fix(stop.latitude_deg, stop.longitude_deg, 0.0, 0.0)


def _fix_between(here: Waypoint, there: Waypoint, at_s: float) -> Fix:
    duration_s = there.at_s - here.at_s
    share = (at_s - here.at_s) / duration_s
    north_deg = there.latitude_deg - here.latitude_deg
    east_deg = there.longitude_deg - here.longitude_deg
    north_nm = north_deg * _NM_PER_DEG
    east_nm = east_deg * _NM_PER_DEG * math.cos(math.radians(here.latitude_deg))
    return Fix(
        here.latitude_deg + share * north_deg,
        here.longitude_deg + share * east_deg,
        math.degrees(math.atan2(east_nm, north_nm)) % 360.0,
        math.hypot(north_nm, east_nm) / duration_s * 3600.0,
    )


class Beacons(msgspec.Struct, frozen=True, kw_only=True):
    """When and as what a station beacons: each `interval_s`, give or take up to `jitter_s`."""

    first_s: float
    interval_s: float
    jitter_s: float = 0.0
    symbol_table: str = "/"
    symbol_code: str
    comment: str = ""

    def info(self, fix: Fix) -> bytes:
        """The information field: while it moves with course and speed (APRS 1.2c ch. 7)."""
        motion = ""
        if fix.speed_knots >= 0.5:
            # Course 000 means unknown, north is 360.
            motion = f"{round(fix.course_deg) or 360:03}/{round(fix.speed_knots):03}"
        return aprs.encode_position(
            fix.latitude_deg,
            fix.longitude_deg,
            self.symbol_table,
            self.symbol_code,
            motion + self.comment,
        )


# --- how it sends -------------------------------------------------------------------------------


def fixed_schedule(interval_s: float, retries: int) -> tuple[float, ...]:
    """The waits before each retry: always the same."""
    return (interval_s,) * retries


def doubling_schedule(first_s: float, retries: int) -> tuple[float, ...]:
    """The waits before each retry: each twice the one before (APRS 1.2c ch. 2, decay)."""
    return tuple(first_s * 2**retry for retry in range(retries))


class Habits(msgspec.Struct, frozen=True, kw_only=True):
    """What an operator has set.

    `retry_after_s` are the waits from one transmission of a message to the next, counted from
    hand-over to the TNC. A station that does not acknowledge reads its messages all the same.
    `ack_gap_s` lies between identical acknowledgements (APRS 1.2c ch. 14, Multiple
    Acknowledgements).
    """

    path: tuple[str, ...] = ("WIDE1-1", "WIDE2-1")
    retry_after_s: tuple[float, ...] = fixed_schedule(30.0, 5)
    acknowledges: bool = True
    ack_gap_s: float = 30.0


# --- what it did --------------------------------------------------------------------------------


class Outgoing(msgspec.Struct):
    """A message a station was asked to send, and what became of it."""

    to: str
    text: str
    message_id: str
    asked_s: float
    attempts: int = 0
    acked_s: float | None = None
    rejected_s: float | None = None
    given_up: bool = False
    """All retries are used up. An acknowledgement may still come."""

    @property
    def settled(self) -> bool:
        """The other end has answered."""
        return self.acked_s is not None or self.rejected_s is not None


class Shown(msgspec.Struct, frozen=True):
    """A message or bulletin as the operator saw it."""

    source: str
    addressee: str
    text: str
    message_id: str | None
    at_s: float


class Account(msgspec.Struct):
    """All that a station did. `frames_sent` counts what was handed to the TNC."""

    beacons: int = 0
    outgoing: list[Outgoing] = msgspec.field(default_factory=list)
    shown: list[Shown] = msgspec.field(default_factory=list)
    bulletins: list[Shown] = msgspec.field(default_factory=list)
    copies: int = 0
    """Further copies of messages that were shown already."""

    acks_sent: int = 0
    frames_sent: int = 0
    frames_received: int = 0
    unreadable: int = 0

    @property
    def acked(self) -> list[Outgoing]:
        return [outgoing for outgoing in self.outgoing if outgoing.acked_s is not None]


class _Copy(msgspec.Struct, frozen=True):
    """The latest copy of a message."""

    at_s: float
    heard_from: str


class PlainStation:
    """A station that keeps to the standard, on the node of the same name.

    The node must be on the channel already. `rng` spreads its beacons and picks the first number.
    """

    def __init__(
        self, channel: Channel, callsign: str, rng: random.Random, habits: Habits | None = None
    ) -> None:
        self.callsign = callsign
        self.account = Account()
        self._channel = channel
        self._rng = rng
        self._habits = habits or Habits()
        self._number = rng.randrange(1000)
        self._held: list[Outgoing] = []
        self._latest: dict[tuple[str, str, str | None, bytes], _Copy] = {}
        self._ack_due_s: dict[tuple[str, str], float] = {}
        channel.on_received(callsign, self._hear)

    # --- the script ---

    def beacon(self, beacons: Beacons, waypoints: Sequence[Waypoint]) -> None:
        """Beacon on and on from `beacons.first_s`, along `waypoints`."""

        fix: Fix | None = None
        info = b""

        def now() -> None:
            nonlocal fix, info
            at_s = self._channel.now_s
            here = fix_at(waypoints, at_s)
            if here != fix:  # most stations stay where they are
                fix, info = here, beacons.info(here)
            if self._transmit(info):
                self.account.beacons += 1
            jitter_s = self._rng.uniform(-beacons.jitter_s, beacons.jitter_s)
            self._channel.schedule(at_s + beacons.interval_s + jitter_s, now)

        self._channel.schedule(beacons.first_s, now)

    def status_at(self, at_s: float, text: str) -> None:
        """Send one status report (APRS 1.2c ch. 16), if the station is on then."""
        info = aprs.encode_status(text)
        self._channel.schedule(at_s, functools.partial(self._transmit, info))

    def send_at(self, at_s: float, to: str, text: str) -> None:
        """Send `text` to `to` with a number until it is acknowledged or the retries are used up."""
        self._channel.schedule(at_s, functools.partial(self._ask, to, text))

    def off_between(self, off_s: float, on_s: float) -> None:
        """Be off the air. Messages that are due meanwhile go out when the station comes back."""
        self._channel.switch_off(self.callsign, off_s)
        self._channel.switch_on(self.callsign, on_s)
        self._channel.schedule(on_s, self._come_back)

    # --- sending ---

    def _transmit(self, info: bytes) -> bool:
        """Hand a frame to the TNC; False if the station is off."""
        if not self._channel.is_on(self.callsign):
            return False
        frame = ax25.Frame(self.callsign, SOFTWARE_ADDRESS, self._habits.path, info=info)
        self._channel.transmit(self.callsign, ax25.encode(frame), self._channel.now_s)
        self.account.frames_sent += 1
        return True

    def _ask(self, to: str, text: str) -> None:
        self._number = self._number % 999 + 1
        outgoing = Outgoing(to, text, str(self._number), self._channel.now_s)
        self.account.outgoing.append(outgoing)
        self._attempt(outgoing)

    def _attempt(self, outgoing: Outgoing) -> None:
        if outgoing.settled:
            return
        waits_s = self._habits.retry_after_s
        if outgoing.attempts > len(waits_s):
            outgoing.given_up = True
            return
        info = aprs.encode_message(
            outgoing.to, outgoing.text, outgoing.message_id, reply_capable=False
        )
        if not self._transmit(info):
            self._held.append(outgoing)
            return
        # After the last attempt it waits once more as long as before it.
        wait_s = waits_s[min(outgoing.attempts, len(waits_s) - 1)] if waits_s else 0.0
        outgoing.attempts += 1
        self._channel.schedule(
            self._channel.now_s + wait_s, functools.partial(self._attempt, outgoing)
        )

    def _come_back(self) -> None:
        held, self._held = self._held, []
        for outgoing in held:
            self._attempt(outgoing)

    # --- hearing ---

    def _hear(self, got: Received) -> None:
        self.account.frames_received += 1
        packet = _read(got.octets)
        if packet is None:
            self.account.unreadable += 1
        elif packet.addressee == self.callsign or packet.for_all:
            self._read_message(packet.frame, packet.report)

    def _read_message(self, frame: ax25.Frame, report: aprs.Report | None) -> None:
        if frame.source == self.callsign:
            return  # its own, repeated
        match report:
            case aprs.Ack() | aprs.Rej():
                self._settle(frame.source, report)
            case aprs.Message() | aprs.NtsLine():
                again_after_s = math.inf if report.message_id else UNNUMBERED_MEMORY_S
                self._take(frame, report, self.account.shown, again_after_s)
            case (
                aprs.Bulletin()
                | aprs.Announcement()
                | aprs.GroupBulletin()
                | aprs.WeatherServiceBulletin()
            ):
                self._take(frame, report, self.account.bulletins, math.inf)
            case _:
                pass  # a plain station answers no queries

    def _settle(self, source: str, answer: aprs.Ack | aprs.Rej) -> None:
        for outgoing in self.account.outgoing:
            if (outgoing.to, outgoing.message_id) != (source, answer.acknowledged_id):
                continue
            if outgoing.settled:
                continue
            if isinstance(answer, aprs.Ack):
                outgoing.acked_s = self._channel.now_s
            else:
                outgoing.rejected_s = self._channel.now_s

    def _take(
        self,
        frame: ax25.Frame,
        message: aprs.Addressed,
        shown: list[Shown],
        again_after_s: float,
    ) -> None:
        """Show a message if it is new; acknowledge it if it is for this station.

        After `again_after_s` without a copy the same is new again.
        """
        now_s = self._channel.now_s
        key = aprs.duplicate_key(frame.source, message)
        latest = self._latest.get(key)
        self._latest[key] = _Copy(now_s, frame.heard_from)
        if latest is None or now_s - latest.at_s > again_after_s:
            shown.append(
                Shown(frame.source, message.addressee, message.text, message.message_id, now_s)
            )
        else:
            self.account.copies += 1
        repeated = (
            latest is not None
            and now_s - latest.at_s < SAME_TRANSMISSION_S
            and frame.heard_from != latest.heard_from
        )
        field = message.message_id_field
        if message.addressee == self.callsign and message.ack_expected and field and not repeated:
            self._acknowledge(frame.source, field)

    def _acknowledge(self, to: str, field: str) -> None:
        """Answer this copy at once, or as soon as the gap to the last answer is over."""
        if not self._habits.acknowledges:
            return
        now_s = self._channel.now_s
        last_s = self._ack_due_s.get((to, field), -math.inf)
        if last_s > now_s:
            return  # one is on its way that answers this copy too
        due_s = max(now_s, last_s + self._habits.ack_gap_s)
        self._ack_due_s[to, field] = due_s
        self._channel.schedule(due_s, functools.partial(self._send_ack, to, field))

    def _send_ack(self, to: str, field: str) -> None:
        if self._transmit(aprs.encode_ack(to, field)):
            self.account.acks_sent += 1


class RelayStation:
    """A digipeater on the node of the same name, which should have a persistence of 1."""

    def __init__(self, channel: Channel, digipeater: Digipeater) -> None:
        self.repeated = 0
        self.silent: Counter[Silence] = Counter()
        """Frames heard and not repeated, by reason."""
        self.unreadable = 0
        self._channel = channel
        self._digipeater = digipeater
        channel.on_received(digipeater.callsign, self._hear)

    def _hear(self, got: Received) -> None:
        packet = _read(got.octets)
        if packet is None:
            self.unreadable += 1
            return
        answer = self._digipeater.hear(packet.frame, got.at_s)
        if isinstance(answer, Silence):
            self.silent[answer] += 1
            return
        self.repeated += 1
        self._channel.transmit(got.node, ax25.encode(answer), got.at_s)


class _Packet(msgspec.Struct, frozen=True):
    """A frame, and what it says if that is in message format; `addressee` is '' if it is not."""

    frame: ax25.Frame
    report: aprs.Report | None = None
    addressee: str = ""
    for_all: bool = False


@functools.lru_cache(maxsize=4096)
def _read(octets: bytes) -> _Packet | None:
    """What a frame says, None if it cannot be read.

    Cached, because every station in earshot reads the same frame. The reports that go to nobody
    in particular are most of the traffic and not looked at.
    """
    try:
        frame = ax25.decode(octets)
    except ax25.FrameError:
        return None
    if not (frame.is_aprs and frame.info.startswith(b":")):
        return _Packet(frame)
    report = aprs.decode(frame.info, frame.source, frame.destination)
    if not isinstance(report, aprs.Addressed | aprs.Ack | aprs.Rej):
        return _Packet(frame)
    return _Packet(frame, report, report.addressee, aprs.is_group_addressee(report.addressee))

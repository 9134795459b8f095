"""A simulated radio channel: many TNCs on one frequency, in virtual time.

A discrete-event model. It has no clock and never sleeps: `transmit` and `schedule` put events in,
`advance(to_s)` plays them and says what happened. All chance comes from the `random.Random` that
is passed in, so the same calls give the same happenings.

What one transmission goes through, from hand-over to reception:

    hand-over  -> waits its turn in the node's queue (first in, first out)
    contention -> waits for a clear channel, then keys up with probability `persistence`, or waits a
                  slot and looks again (p-persistent CSMA as in the KISS paper, from memory); a
                  carrier is noticed only after `carrier_detect_s`
    key-up     -> TXDELAY of flags, the frame, TXTAIL (`ridgepost.radio.airtime`)
    reception  -> at the end of the frame, by everyone who hears the sender, unless ...

... the receiver was off ('off') or transmitting ('own transmission'), another audible carrier lay
over the frame itself ('collision'), or chance took it ('noise'). A carrier that only overlaps the
flags of the key-up or the tail does no harm. With capture on, a frame survives a collision if it
is stronger than all that lies over it together by `capture_db`.

Not modelled: several frames in one key-up, propagation delay, a receiver's recovery after its own
transmission.
"""

import functools
import heapq
import itertools
import math
import random
from collections import deque
from collections.abc import Callable, Sequence
from enum import Enum
from typing import Literal

import msgspec

from ridgepost.radio.airtime import airtime_s

CARRIER_DETECT_S = 0.03
"""What a 1200 bit/s demodulator needs to notice a carrier (common practice)."""

QUEUE_LIMIT = 64
"""Frames a TNC holds; what is handed over beyond that is dropped and counted."""

Cause = Literal["collision", "noise", "own transmission", "off"]


class RadioParameters(msgspec.Struct, frozen=True):
    """The timing of one TNC; the defaults are those of the KISS paper where it gives any.

    `persistence` is a probability above 0 up to 1; 1 keys up as soon as the channel is clear, as a
    digipeater should (APRS Digipeater Algorithm sec. 3.2.1). `full_duplex` does not look at the
    channel before it keys up; on one frequency the node is deaf meanwhile all the same.
    """

    txdelay_s: float = 0.3
    tx_tail_s: float = 0.03
    persistence: float = 0.25
    slot_time_s: float = 0.1
    full_duplex: bool = False

    def __post_init__(self) -> None:
        if not 0.0 < self.persistence <= 1.0:
            raise ValueError(f"persistence must be above 0, up to 1: {self.persistence}")
        for name in ("txdelay_s", "tx_tail_s", "slot_time_s"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0.0):
                raise ValueError(f"{name} must be 0 or more: {value}")


class Bursts(msgspec.Struct, frozen=True):
    """Loss that comes in bursts: each link is good or bad by turns (Gilbert-Elliott, from memory).

    Both stays last an exponentially distributed time; a frame is lost with the probability that
    belongs to the state at its end.
    """

    mean_good_s: float = 60.0
    mean_bad_s: float = 5.0
    loss_good: float = 0.0
    loss_bad: float = 1.0

    def __post_init__(self) -> None:
        if not (self.mean_good_s > 0.0 and self.mean_bad_s > 0.0):
            raise ValueError("a stay must last more than 0 s")

    @property
    def bad_share(self) -> float:
        """The share of time a link is bad."""
        return self.mean_bad_s / (self.mean_good_s + self.mean_bad_s)

    def bad_after(self, was_bad: bool, elapsed_s: float) -> float:
        """The probability of being bad `elapsed_s` after a moment with a known state."""
        memory = math.exp(-elapsed_s * (1.0 / self.mean_good_s + 1.0 / self.mean_bad_s))
        return self.bad_share + (float(was_bad) - self.bad_share) * memory


class KeyedUp(msgspec.Struct, frozen=True, gc=False):
    """A node started to transmit."""

    node: str
    at_s: float


class Sent(msgspec.Struct, frozen=True, gc=False):
    """A node's transmission is over: carrier on from `started_s` to `ended_s`."""

    node: str
    octets: bytes
    started_s: float
    ended_s: float

    @property
    def at_s(self) -> float:
        return self.ended_s


class Received(msgspec.Struct, frozen=True, gc=False):
    """A node decoded a frame."""

    node: str
    octets: bytes
    at_s: float
    sender: str


class Lost(msgspec.Struct, frozen=True, gc=False):
    """A node within earshot of the sender did not decode a frame."""

    node: str
    octets: bytes
    at_s: float
    sender: str
    cause: Cause


Happening = KeyedUp | Sent | Received | Lost


class Totals(msgspec.Struct):
    """Counts of one node, or summed over all of them.

    `handed_over` = `sent` + `cut_short` + `dropped` + frames still waiting or on the air.
    """

    handed_over: int = 0
    sent: int = 0
    cut_short: int = 0
    """Ended by switching the node off."""

    dropped: int = 0
    """Never transmitted: the node was off, was switched off, or its queue was full."""

    airtime_s: float = 0.0
    received: int = 0
    collisions: int = 0
    """Frames this node lost by collision; likewise the next three."""

    noise: int = 0
    own_transmission: int = 0
    off: int = 0

    @property
    def lost(self) -> int:
        return self.collisions + self.noise + self.own_transmission + self.off

    def lose(self, cause: Cause) -> None:
        match cause:
            case "collision":
                self.collisions += 1
            case "noise":
                self.noise += 1
            case "own transmission":
                self.own_transmission += 1
            case "off":
                self.off += 1

    def plus(self, other: "Totals") -> "Totals":
        names = self.__struct_fields__
        return Totals(**{name: getattr(self, name) + getattr(other, name) for name in names})


class _State(Enum):
    IDLE = 1
    """Nothing to send."""
    WAITING = 2
    """For the channel to clear."""
    SLOT = 3
    """The persistence draw said no; waiting one slot."""
    SENDING = 4


class _Link:
    """How one receiver hears one sender."""

    __slots__ = ("bad", "known_at_s", "level_db", "loss", "receiver")

    def __init__(self, receiver: "_Node", level_db: float, loss: float) -> None:
        self.receiver = receiver
        self.level_db = level_db
        self.loss = loss
        self.bad = False
        self.known_at_s = -math.inf  # so that the first look draws from the long-term shares


class _Node:
    __slots__ = (
        "bit",
        "era",
        "heard_by",
        "heard_by_mask",
        "listeners",
        "name",
        "on",
        "on_since_s",
        "queue",
        "radio",
        "sending",
        "state",
        "totals",
    )

    def __init__(self, name: str, index: int, radio: RadioParameters) -> None:
        self.name = name
        self.bit = 1 << index
        self.radio = radio
        self.queue: deque[bytes] = deque()
        self.state = _State.IDLE
        self.era = 0  # goes up when the node is switched off: slots of an earlier one are void
        self.sending: _Transmission | None = None
        self.on = True
        self.on_since_s = -math.inf
        self.heard_by: dict[_Node, _Link] = {}
        self.heard_by_mask = 0
        self.listeners: list[Callable[[Received], None]] = []
        self.totals = Totals()


class _Transmission:
    """A carrier on the air from `start_s` to `end_s`, with the frame in `data_start_s` to
    `data_end_s`. It keeps who heard the sender when it began."""

    __slots__ = (
        "cut",
        "data_end_s",
        "data_start_s",
        "end_s",
        "frame_out",
        "links",
        "mask",
        "octets",
        "sender",
        "start_s",
    )

    def __init__(self, sender: _Node, octets: bytes, start_s: float, frame_s: float) -> None:
        self.sender = sender
        self.octets = octets
        self.start_s = start_s
        self.data_start_s = start_s + sender.radio.txdelay_s
        self.data_end_s = self.data_start_s + frame_s
        self.end_s = self.data_end_s + sender.radio.tx_tail_s
        self.links = list(sender.heard_by.values())
        self.mask = sender.heard_by_mask
        self.frame_out = False
        self.cut = False


class Channel:
    """One frequency and the nodes on it.

    `loss` is the probability that a reception fails by chance; `bursts` adds loss in bursts;
    `capture_db` turns capture on. Times are seconds on one virtual clock that starts at 0 and
    never runs back: a past time raises ValueError, an unknown node KeyError.
    """

    def __init__(
        self,
        rng: random.Random,
        *,
        bit_rate: int = 1200,
        carrier_detect_s: float = CARRIER_DETECT_S,
        loss: float = 0.05,
        bursts: Bursts | None = None,
        capture_db: float | None = None,
        queue_limit: int = QUEUE_LIMIT,
    ) -> None:
        self._rng = rng
        self._bit_rate = bit_rate
        self._carrier_detect_s = carrier_detect_s
        self._loss = loss
        self._bursts = bursts
        self._capture_db = capture_db
        self._queue_limit = queue_limit

        self._now_s = 0.0
        self._nodes: dict[str, _Node] = {}
        self._events: list[tuple[float, int, Callable[[], object]]] = []
        self._order = itertools.count()  # events of one instant happen in the order of their making
        self._happenings: list[Happening] = []
        self._advancing = False

        self._active: list[_Transmission] = []
        self._recent: list[_Transmission] = []
        """Active ones, and those over that overlap an active one: the rivals of a frame."""
        self._waiting: list[_Node] = []
        self._switched: list[_Node] = []
        """Those who have ever been off."""
        self._busy_s = 0.0
        self._busy_since_s = 0.0
        self._collided = 0

    # --- who is there, and who hears whom ---

    def add_node(self, name: str, radio: RadioParameters | None = None) -> None:
        """Put a TNC on the channel, switched on and out of earshot of all others."""
        if name in self._nodes:
            raise ValueError(f"there is a node {name} already")
        self._nodes[name] = _Node(name, len(self._nodes), radio or RadioParameters())

    @property
    def nodes(self) -> list[str]:
        return list(self._nodes)

    def hear(
        self, receiver: str, sender: str, *, level_db: float = 0.0, loss: float | None = None
    ) -> None:
        """Let `receiver` hear `sender` (one way).

        `level_db` is the strength there against the receiver's other signals; it matters only with
        capture on. `loss` replaces the channel's for this link.
        """
        source, target = self._nodes[sender], self._nodes[receiver]
        if source is target:
            raise ValueError(f"{sender} cannot hear itself")
        source.heard_by[target] = _Link(target, level_db, self._loss if loss is None else loss)
        source.heard_by_mask |= target.bit

    def hear_each_other(
        self, names: Sequence[str], *, level_db: float = 0.0, loss: float | None = None
    ) -> None:
        """Let each of `names` hear each other one."""
        for one, other in itertools.permutations(names, 2):
            self.hear(one, other, level_db=level_db, loss=loss)

    def unhear(self, receiver: str, sender: str) -> None:
        """Take `sender` out of earshot of `receiver` (one way)."""
        source, target = self._nodes[sender], self._nodes[receiver]
        source.heard_by.pop(target, None)
        source.heard_by_mask &= ~target.bit

    def hears(self, receiver: str, sender: str) -> bool:
        return self._nodes[receiver] in self._nodes[sender].heard_by

    def radio(self, node: str) -> RadioParameters:
        return self._nodes[node].radio

    def set_radio(self, node: str, radio: RadioParameters) -> None:
        """Change a node's timing; it holds from its next draw or key-up."""
        self._nodes[node].radio = radio

    def is_on(self, node: str) -> bool:
        return self._nodes[node].on

    # --- what is to happen ---

    @property
    def now_s(self) -> float:
        return self._now_s

    def schedule(self, at_s: float, action: Callable[[], object]) -> None:
        """Call `action` when virtual time reaches `at_s`, from within `advance`.

        What it returns is not looked at.
        """
        if not at_s >= self._now_s:
            raise ValueError(f"{at_s} s is in the past: it is {self._now_s} s")
        heapq.heappush(self._events, (at_s, next(self._order), action))

    def transmit(self, node: str, octets: bytes, at_s: float) -> None:
        """Hand a frame (AX.25 without FCS) to the TNC of `node` at `at_s`."""
        self.schedule(at_s, functools.partial(self._hand_over, self._nodes[node], octets))

    def switch_off(self, node: str, at_s: float) -> None:
        """Take `node` off the air: its queue is lost, a frame on its way breaks off."""
        self.schedule(at_s, functools.partial(self._switch_off, self._nodes[node]))

    def switch_on(self, node: str, at_s: float) -> None:
        """Bring `node` back, with an empty queue."""
        self.schedule(at_s, functools.partial(self._switch_on, self._nodes[node]))

    def on_received(self, node: str, call: Callable[[Received], None]) -> None:
        """Call `call` with each frame that `node` decodes, at once, from within `advance`.

        It may transmit, schedule and switch, at the present time or later.
        """
        self._nodes[node].listeners.append(call)

    # --- playing it ---

    def next_event_s(self) -> float | None:
        """When something is due next; None if nothing is."""
        return self._events[0][0] if self._events else None

    def advance(self, to_s: float) -> list[Happening]:
        """Play everything up to and including `to_s`; what happened, in the order of time."""
        if self._advancing:
            raise RuntimeError("advance was called from within advance")
        if not self._now_s <= to_s < math.inf:
            raise ValueError(f"{to_s} s is in the past or no time at all: it is {self._now_s} s")
        self._advancing = True
        events = self._events
        try:
            while events and events[0][0] <= to_s:
                self._now_s, _, action = heapq.heappop(events)
                action()
            self._now_s = to_s
        finally:
            self._advancing = False
        happenings, self._happenings = self._happenings, []
        return happenings

    # --- accounts ---

    def totals(self, node: str | None = None) -> Totals:
        """A copy of the counts of `node`, or of all nodes together."""
        if node is not None:
            return msgspec.structs.replace(self._nodes[node].totals)
        return functools.reduce(Totals.plus, (n.totals for n in self._nodes.values()), Totals())

    @property
    def busy_s(self) -> float:
        """Seconds so far in which at least one carrier was on."""
        return self._busy_s + (self._now_s - self._busy_since_s if self._active else 0.0)

    @property
    def collided(self) -> int:
        """Transmissions that a collision kept from at least one receiver."""
        return self._collided

    def waiting(self, node: str) -> int:
        """Frames in the node's queue, the one on the air not counted."""
        return len(self._nodes[node].queue)

    # --- events ---

    def _hand_over(self, node: _Node, octets: bytes) -> None:
        node.totals.handed_over += 1
        if not node.on or len(node.queue) >= self._queue_limit:
            node.totals.dropped += 1
            return
        node.queue.append(octets)
        if node.state is _State.IDLE:
            self._contend(node)

    def _contend(self, node: _Node) -> None:
        """Look at the channel: wait for it, key up, or let a slot pass."""
        if not node.queue:
            node.state = _State.IDLE
        elif self._active and not node.radio.full_duplex and self._carrier_noticed(node):
            node.state = _State.WAITING
            self._waiting.append(node)
        elif node.radio.full_duplex or self._rng.random() < node.radio.persistence:
            self._key_up(node)
        else:
            node.state = _State.SLOT
            over = functools.partial(self._slot_over, node, node.era)
            self.schedule(self._now_s + node.radio.slot_time_s, over)

    def _slot_over(self, node: _Node, era: int) -> None:
        if node.era == era:
            self._contend(node)

    def _carrier_noticed(self, node: _Node) -> bool:
        noticed_s = self._now_s - self._carrier_detect_s
        for carrier in self._active:
            if carrier.start_s <= noticed_s and carrier.mask & node.bit:
                return True
        return False

    def _key_up(self, node: _Node) -> None:
        octets = node.queue.popleft()
        sending = _Transmission(node, octets, self._now_s, _frame_s(octets, self._bit_rate))
        node.state = _State.SENDING
        node.sending = sending
        if not self._active:
            self._busy_since_s = self._now_s
        self._active.append(sending)
        self._recent.append(sending)
        self._happenings.append(KeyedUp(node.name, self._now_s))
        self.schedule(sending.data_end_s, functools.partial(self._frame_over, sending))
        self.schedule(sending.end_s, functools.partial(self._carrier_over, sending))

    def _frame_over(self, sending: _Transmission) -> None:
        """The last bit of a frame is out: every receiver in earshot has it or has lost it."""
        if sending.cut:
            return
        sending.frame_out = True
        # Sets of nodes are bit masks: most frames meet no rival and nobody who is off, and then one
        # look at `spoiled` serves for each receiver. This is the innermost loop of a rehearsal.
        off = self._off_since(sending.data_start_s)
        rivals = self._rivals(sending)
        deaf = jammed = 0
        for rival in rivals:
            deaf |= rival.sender.bit
            jammed |= rival.mask
        spoiled = off | deaf | jammed
        sender, octets, now_s = sending.sender.name, sending.octets, self._now_s
        chance, note, bursts = self._rng.random, self._happenings.append, self._bursts
        collided = False
        for link in sending.links:
            receiver = link.receiver
            cause: Cause | None = None
            if spoiled & receiver.bit:
                cause = self._what_spoiled(link, off, deaf, rivals)
                collided |= cause == "collision"
            if cause is None and (
                chance() < link.loss or (bursts is not None and self._burst_takes(bursts, link))
            ):
                cause = "noise"
            if cause is None:
                receiver.totals.received += 1
                received = Received(receiver.name, octets, now_s, sender)
                note(received)
                for call in receiver.listeners:
                    call(received)
            else:
                receiver.totals.lose(cause)
                note(Lost(receiver.name, octets, now_s, sender, cause))
        self._collided += collided

    def _off_since(self, time_s: float) -> int:
        """Those who are off or were at some time since `time_s`."""
        mask = 0
        for node in self._switched:
            if not node.on or node.on_since_s > time_s:
                mask |= node.bit
        return mask

    def _rivals(self, sending: _Transmission) -> list[_Transmission]:
        """The carriers that lie over a frame itself."""
        start_s, end_s = sending.data_start_s, sending.data_end_s
        return [
            other
            for other in self._recent
            if other.end_s > start_s and other.start_s < end_s and other is not sending
        ]

    def _what_spoiled(
        self, link: _Link, off: int, deaf: int, rivals: list[_Transmission]
    ) -> Cause | None:
        """Why a frame did not come through, None if it did by capture."""
        if off & link.receiver.bit:
            return "off"
        if deaf & link.receiver.bit:
            return "own transmission"
        return None if self._captures(link, rivals) else "collision"

    def _captures(self, link: _Link, rivals: list[_Transmission]) -> bool:
        if self._capture_db is None:
            return False
        levels_db = (
            rival_link.level_db
            for rival in rivals
            for rival_link in rival.links
            if rival_link.receiver is link.receiver
        )
        rival_power = sum(10.0 ** (level_db / 10.0) for level_db in levels_db)
        return link.level_db >= 10.0 * math.log10(rival_power) + self._capture_db

    def _burst_takes(self, bursts: Bursts, link: _Link) -> bool:
        bad = bursts.bad_after(link.bad, self._now_s - link.known_at_s)
        link.bad = self._rng.random() < bad
        link.known_at_s = self._now_s
        return self._rng.random() < (bursts.loss_bad if link.bad else bursts.loss_good)

    def _carrier_over(self, sending: _Transmission) -> None:
        if sending.cut:
            return
        self._silence(sending)
        self._contend(sending.sender)
        self._wake_waiting()

    def _silence(self, sending: _Transmission) -> None:
        """Take a carrier off the air; its sender is idle then."""
        node = sending.sender
        if sending.frame_out:
            node.totals.sent += 1
            self._happenings.append(Sent(node.name, sending.octets, sending.start_s, sending.end_s))
        else:
            node.totals.cut_short += 1
        node.totals.airtime_s += sending.end_s - sending.start_s
        node.sending = None
        node.state = _State.IDLE
        self._active.remove(sending)
        if self._active:
            oldest_s = min(other.start_s for other in self._active)
            self._recent = [other for other in self._recent if other.end_s > oldest_s]
        else:
            self._recent.clear()
            self._busy_s += self._now_s - self._busy_since_s

    def _wake_waiting(self) -> None:
        """A carrier dropped: whoever waits looks again."""
        waiting, self._waiting = self._waiting, []
        for node in waiting:
            self._contend(node)

    def _switch_off(self, node: _Node) -> None:
        if not node.on:
            return
        if node not in self._switched:
            self._switched.append(node)
        node.on = False
        node.era += 1
        node.totals.dropped += len(node.queue)
        node.queue.clear()
        if node.state is _State.WAITING:
            self._waiting.remove(node)
        node.state = _State.IDLE
        if node.sending is not None:
            self._cut(node.sending)

    def _cut(self, sending: _Transmission) -> None:
        """Break a transmission off; a frame whose last bit was not out is lost to all."""
        sending.cut = True
        sending.end_s = self._now_s
        self._silence(sending)
        if not sending.frame_out:
            for link in sending.links:
                link.receiver.totals.lose("off")
                self._happenings.append(
                    Lost(
                        link.receiver.name,
                        sending.octets,
                        self._now_s,
                        sending.sender.name,
                        "off",
                    )
                )
        self._wake_waiting()

    def _switch_on(self, node: _Node) -> None:
        if not node.on:
            node.on = True
            node.on_since_s = self._now_s


@functools.lru_cache(maxsize=4096)
def _frame_s(octets: bytes, bit_rate: int) -> float:
    """Seconds of the frame alone; cached because every repeat and retry asks again."""
    return airtime_s(octets, bit_rate, 0.0, 0.0)

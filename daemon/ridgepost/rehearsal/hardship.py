"""The conditions under which the delivery engine has to survive, and the nets that have them.

Four stations at two ends. At the near end the hub (ours) and a car (plain), at the far end a post
(ours) and a medic (plain); those at one end hear each other. Between the ends stand digipeaters in
a row, or the ends hear each other. A condition then makes this worse in one way.
"""

import itertools
import random
from collections.abc import Callable, Sequence
from typing import Literal, TypeAlias

import msgspec

from ridgepost.radio import ax25
from ridgepost.rehearsal.channel import Bursts, Channel, RadioParameters
from ridgepost.rehearsal.digipeater import Digipeater
from ridgepost.rehearsal.stations import RelayStation

HUB, POST = "QZ1HUB-10", "QZ1PST-1"
CAR, MEDIC = "QZ1SAG", "QZ1MED"
OURS = (HUB, POST)
PLAIN = (CAR, MEDIC)
DIGIPEATERS = ("QZ1RDG", "QZ2RDG", "QZ3RDG")
NEAR, FAR = (HUB, CAR), (POST, MEDIC)

LOSS = 0.05
"""Of each reception, unless somebody says otherwise."""

POOR_LOSS = 0.6
"""The bad direction of an uneven link."""

Acknowledging = Literal["at once", "late", "twice", "never"]


class Condition(msgspec.Struct, frozen=True, kw_only=True):
    """What makes life hard. `name` is how the table calls it."""

    name: str
    digipeaters: int = 1
    """How many stand in a row between the ends."""

    repeating: bool = True
    """The digipeaters do their work. Otherwise they hear, and never transmit."""

    direct: bool = False
    """The ends hear each other."""

    hub_is_heard: bool = True
    uneven: bool = False
    """Links that are much worse one way, and one that goes only one way."""

    bursts: Bursts | None = None
    tnc_delay_s: float = 0.0
    """The TNCs of all four stations keep each frame for up to this."""

    acknowledging: Acknowledging = "at once"
    """How the plain stations answer."""

    late_s: float = 180.0
    """How late at most, if they answer late."""

    away_s: float = 0.0
    """The far end is away for this long, once every twice this long."""

    beacon_interval_s: float = 150.0

    @property
    def path(self) -> tuple[str, ...]:
        """What all stations put in their frames."""
        return ("WIDE1-1", "WIDE2-2" if self.digipeaters == 3 else "WIDE2-1")

    @property
    def digipeated(self) -> bool:
        """A digipeater repeats frames, if it hears them."""
        return self.digipeaters > 0 and self.repeating


CONDITIONS = (
    Condition(name="one digipeater"),
    Condition(name="two digipeaters in a row", digipeaters=2),
    Condition(name="three digipeaters in a row", digipeaters=3),
    Condition(name="uneven links", uneven=True),
    Condition(name="no digipeater in reach", digipeaters=0, direct=True),
    Condition(name="nobody hears the hub", hub_is_heard=False),
    Condition(name="a digipeater that is mute", repeating=False, direct=True),
    Condition(
        name="links that fade for minutes",
        bursts=Bursts(mean_good_s=300.0, mean_bad_s=120.0, loss_good=0.05, loss_bad=0.95),
    ),
    Condition(name="a TNC that delays 0 to 5 s", tnc_delay_s=5.0),
    Condition(name="acknowledgements up to 3 min late", acknowledging="late"),
    Condition(name="acknowledgements twice", acknowledging="twice"),
    Condition(name="acknowledgements never", acknowledging="never"),
    Condition(name="the far end away for 20 min", away_s=1200.0),
    Condition(name="a channel full of beacons", beacon_interval_s=10.0),
)

Handling: TypeAlias = Callable[[bytes, float], Sequence[float]]
"""When a TNC that is handed these octets at this time puts them in its queue: never, once or more
often."""


class UnrulyChannel(Channel):
    """A channel on which stations and TNCs may keep frames back, drop them or send them twice."""

    def __init__(self, rng: random.Random, *, loss: float, bursts: Bursts | None = None) -> None:
        super().__init__(rng, loss=loss, bursts=bursts)
        self._handling: dict[str, Handling] = {}

    def handle(self, node: str, handling: Handling) -> None:
        """From now on what is handed over at `node` is handled like this."""
        self._handling[node] = handling

    def transmit(self, node: str, octets: bytes, at_s: float) -> None:
        handling = self._handling.get(node)
        for time_s in (at_s,) if handling is None else handling(octets, at_s):
            super().transmit(node, octets, time_s)


def open_channel(condition: Condition, rng: random.Random, *, loss: float = LOSS) -> UnrulyChannel:
    """The channel with its nodes, links and digipeaters; the stations are still to come.

    `loss` is that of each reception; where links fade, their own takes its place.
    """
    channel = UnrulyChannel(rng, loss=0.0 if condition.bursts else loss, bursts=condition.bursts)
    for name in (*OURS, *PLAIN):
        channel.add_node(name)
    for name in _row(condition):
        channel.add_node(name, RadioParameters(persistence=1.0))
        if condition.repeating:
            RelayStation(channel, Digipeater(name))
    _link(channel, condition)
    for name in OURS if condition.tnc_delay_s else ():
        channel.handle(name, _slow(condition.tnc_delay_s, rng))
    for name in PLAIN:
        channel.handle(name, _answering(condition, rng))
    return channel


def _row(condition: Condition) -> tuple[str, ...]:
    return DIGIPEATERS[: condition.digipeaters]


def _link(channel: Channel, condition: Condition) -> None:
    row = _row(condition)
    ends: list[tuple[str, ...]] = [NEAR, FAR]
    if condition.direct:
        ends.append((*NEAR, *FAR))
    if row:
        ends += [(*NEAR, row[0]), (*FAR, row[-1])]
    for names in (*ends, *itertools.pairwise(row)):
        channel.hear_each_other(names)
    if condition.uneven:
        channel.hear(row[0], HUB, loss=POOR_LOSS)
        channel.hear(MEDIC, row[0], loss=POOR_LOSS)
        channel.hear(POST, CAR)  # and not the other way round
    if not condition.hub_is_heard:
        for name in channel.nodes:
            channel.unhear(name, HUB)


def _slow(delay_s: float, rng: random.Random) -> Handling:
    """A TNC that keeps each frame for a while, and their order."""
    free_at_s = 0.0

    def hand_over(_octets: bytes, at_s: float) -> list[float]:
        nonlocal free_at_s
        free_at_s = max(free_at_s, at_s + rng.uniform(0.0, delay_s))
        return [free_at_s]

    return hand_over


def _answering(condition: Condition, rng: random.Random) -> Handling:
    """How a plain station's acknowledgements go out; its TNC is slow if the others' are."""
    through_tnc = _slow(condition.tnc_delay_s, rng)

    def hand_over(octets: bytes, at_s: float) -> list[float]:
        times_s = list(through_tnc(octets, at_s))
        if not is_ack(octets):
            return times_s
        match condition.acknowledging:
            case "at once":
                return times_s
            case "late":
                return [at_s + rng.uniform(0.0, condition.late_s)]
            case "twice":
                return [at_s, at_s + rng.uniform(0.0, 10.0)]
            case "never":
                return []

    return hand_over


def is_ack(octets: bytes) -> bool:
    """A frame of a plain station carries an acknowledgement (APRS 1.2c ch. 14)."""
    return ax25.decode(octets).info[:1] == b":" and ax25.decode(octets).info[10:14] == b":ack"

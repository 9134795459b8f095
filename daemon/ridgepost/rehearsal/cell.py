"""The channel on which delivery policies are measured: stations, terrain and other traffic.

A digipeater that everybody hears, stations of which a part cannot hear each other, chance losses,
and position beacons at random times that make up the offered load. Everything is drawn from the
seed, each matter from a stream of its own, so that every policy meets the same terrain and the
same beacons.
"""

import itertools
import random

import msgspec

from ridgepost import aprs
from ridgepost.radio import ax25
from ridgepost.radio.airtime import airtime_s
from ridgepost.rehearsal.channel import Bursts, Channel, RadioParameters
from ridgepost.rehearsal.digipeater import DUPLICATE_WINDOW_S, Digipeater
from ridgepost.rehearsal.scenario import RELAY_RADIO
from ridgepost.rehearsal.stations import SOFTWARE_ADDRESS, RelayStation

RELAY = "QZ1RDG-3"
PATH = ("WIDE1-1", "WIDE2-1")
RADIO = RadioParameters()

COUNTER_DIGITS = 17
"""Length of a beacon's running number. It makes every beacon a frame of its own, which no
digipeater takes for a copy, and 0.85 s long: a position with course, speed and a short comment."""


class Absence(msgspec.Struct, frozen=True):
    """The addressee leaves the air for a while, again and again.

    It stays for an exponentially distributed time and is away for an evenly distributed one.
    """

    mean_stay_s: float = 600.0
    shortest_away_s: float = 180.0
    longest_away_s: float = 900.0


class Scene(msgspec.Struct, frozen=True, kw_only=True):
    """The circumstances. Those that are not given are the usual ones of a comparison.

    `load` is the offered load of beacons: the share of time their first transmissions and one
    repeat of each would take. `hidden_share` of all pairs of stations do not hear each other; the
    two ends of a message pair never do.
    """

    stations: int = 20
    pairs: int = 1
    load: float = 0.3
    hidden_share: float = 0.5
    loss: float = 0.05
    bursts: Bursts | None = None
    absence: Absence | None = None

    def __post_init__(self) -> None:
        if not 2 * self.pairs <= self.stations:
            raise ValueError(f"{self.pairs} pairs need more than {self.stations} stations")
        if not (0.0 <= self.hidden_share <= 1.0 and self.load >= 0.0):
            raise ValueError("hidden_share lies between 0 and 1, load is 0 or more")


class Cell:
    """A scene put on a channel. The first stations are the ends of the pairs, see `pairs`."""

    def __init__(
        self, scene: Scene, seed: int, *, duplicate_window_s: float = DUPLICATE_WINDOW_S
    ) -> None:
        self.scene = scene
        self.seed = seed
        self.channel = Channel(self.rng("channel"), loss=scene.loss, bursts=scene.bursts)
        self.stations = [f"QZ1S{number:02}" for number in range(scene.stations)]
        self.pairs = [
            (self.stations[2 * number], self.stations[2 * number + 1])
            for number in range(scene.pairs)
        ]
        self.channel.add_node(RELAY, RELAY_RADIO)
        for name in self.stations:
            self.channel.add_node(name, RADIO)
        self._put_terrain()
        self.relay = RelayStation(
            self.channel,
            Digipeater(RELAY, generic=("WIDE1",), duplicate_window_s=duplicate_window_s),
        )
        self._beacons = _beacons(self.stations)
        if scene.load > 0.0:
            self._put_beacons()
        if scene.absence is not None:
            for _, addressee in self.pairs:
                self._put_absences(addressee, scene.absence)

    def rng(self, what: str) -> random.Random:
        """The chance of one matter."""
        return random.Random(f"{self.seed}/{what}")  # noqa: S311 - a simulation, not a secret

    def _put_terrain(self) -> None:
        channel = self.channel
        for name in self.stations:
            channel.hear_each_other([name, RELAY])
        ends = {frozenset(pair) for pair in self.pairs}
        links = list(itertools.combinations(self.stations, 2))
        hidden = [link for link in links if frozenset(link) in ends]
        others = [link for link in links if frozenset(link) not in ends]
        wanted = round(self.scene.hidden_share * len(links)) - len(hidden)
        out_of_earshot = set(hidden + self.rng("terrain").sample(others, max(0, wanted)))
        for link in links:
            if link not in out_of_earshot:
                channel.hear_each_other(link)

    def _put_beacons(self) -> None:
        """Beacons of random stations at random times (a Poisson process)."""
        rng, channel, stations = self.rng("beacons"), self.channel, self.stations
        mean_gap_s = 2.0 * beacon_airtime_s() / self.scene.load
        number = 0

        def beacon() -> None:
            nonlocal number
            number += 1
            station = rng.choice(stations)
            octets = self._beacons[station] + f"{number:0{COUNTER_DIGITS}}".encode()
            channel.transmit(station, octets, channel.now_s)
            channel.schedule(channel.now_s + rng.expovariate(1.0 / mean_gap_s), beacon)

        channel.schedule(rng.expovariate(1.0 / mean_gap_s), beacon)

    def _put_absences(self, node: str, absence: Absence) -> None:
        rng, channel = self.rng(f"absence/{node}"), self.channel

        def leave() -> None:
            back_s = channel.now_s + rng.uniform(absence.shortest_away_s, absence.longest_away_s)
            channel.switch_off(node, channel.now_s)
            channel.switch_on(node, back_s)
            channel.schedule(back_s + rng.expovariate(1.0 / absence.mean_stay_s), leave)

        channel.schedule(rng.expovariate(1.0 / absence.mean_stay_s), leave)


def _beacons(stations: list[str]) -> dict[str, bytes]:
    """Each station's beacon without its running number."""
    info = aprs.encode_position(61.5, -149.2, "/", "v", "088/036")
    return {
        name: ax25.encode(ax25.Frame(name, SOFTWARE_ADDRESS, PATH, info=info)) for name in stations
    }


def beacon_airtime_s() -> float:
    """One beacon on the air, key-up and tail included."""
    (octets,) = _beacons(["QZ1S00"]).values()
    return airtime_s(octets + b"0" * COUNTER_DIGITS, 1200, RADIO.txdelay_s, RADIO.tx_tail_s)

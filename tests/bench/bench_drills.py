"""How fast drills run that have stations of ours in them, and what a long queue costs.

    PYTHONPATH=daemon:tests python tests/bench/bench_drills.py [hours] [cycles]

25 stations: two of ours and 22 plain ones that beacon and send each other messages, and a
digipeater; half of the pairs are hidden from each other. One drill has ours killed and restarted,
one has not. Prints figures and asserts nothing: they depend on the machine, the ratios less so.
"""

import functools
import random
import sys
import time

from bench_station import rate  # beside this file

from ridgepost.rehearsal.channel import Channel, RadioParameters
from ridgepost.rehearsal.digipeater import Digipeater
from ridgepost.rehearsal.hardship import CONDITIONS
from ridgepost.rehearsal.host import StationHost
from ridgepost.rehearsal.stations import Beacons, PlainStation, RelayStation, Waypoint
from ridgepost.rehearsal.survival import Job, play

OURS = ("QZ1HUB-10", "QZ1PST-1")
PLAIN = tuple(f"QZ{number}C" for number in range(1, 23))
RIDGE = "QZ1RDG"
BEACON_INTERVAL_S = 120.0
MESSAGE_INTERVAL_S = 60.0
"""Of each of our two; the others send as many together."""

DEATH_INTERVAL_S = 300.0
RUNS = 3


def net(hours: float, *, deaths: bool) -> tuple[Channel, list[StationHost]]:
    """25 stations with all that is to happen to them."""
    rng = random.Random(1)
    channel = Channel(rng)
    names = [*OURS, *PLAIN]
    for name in names:
        channel.add_node(name)
    channel.add_node(RIDGE, RadioParameters(persistence=1.0))
    for number, name in enumerate(names):
        channel.hear_each_other([name, RIDGE])
        for other in names[:number]:
            if rng.random() < 0.5:
                channel.hear_each_other([name, other])
    RelayStation(channel, Digipeater(RIDGE))
    hosts = [StationHost(channel, name, random.Random(number)) for number, name in enumerate(OURS)]
    for host in hosts:
        host.start()
    cars = [PlainStation(channel, name, random.Random(number)) for number, name in enumerate(PLAIN)]
    for number, car in enumerate(cars):
        first_s = number * BEACON_INTERVAL_S / len(cars)
        beacons = Beacons(
            first_s=first_s, interval_s=BEACON_INTERVAL_S, jitter_s=20.0, symbol_code=">"
        )
        car.beacon(beacons, [Waypoint(0.0, 49.05, -72.03)])
    for number in range(round(hours * 3600.0 / MESSAGE_INTERVAL_S)):
        at_s = 10.0 + number * MESSAGE_INTERVAL_S
        for host in hosts:
            ask = host.send(rng.choice(PLAIN), f"Message {number}, please confirm")
            channel.schedule(at_s + rng.uniform(0.0, 50.0), functools.partial(host.ask, ask))
            rng.choice(cars).send_at(at_s + rng.uniform(0.0, 50.0), rng.choice(OURS), "Copied")
    if deaths:
        for host in hosts:
            at_s = rng.expovariate(1.0 / DEATH_INTERVAL_S)
            while at_s < hours * 3600.0:
                host.kill_between(at_s, at_s + 5.0)
                at_s += 6.0 + rng.expovariate(1.0 / DEATH_INTERVAL_S)
    return channel, hosts


def measure(label: str, hours: float, *, deaths: bool) -> None:
    best_s, frames, busy, entries = float("inf"), 0, 0.0, 0
    for _ in range(RUNS):
        channel, hosts = net(hours, deaths=deaths)
        start_s = time.perf_counter()
        channel.advance(hours * 3600.0)
        best_s = min(best_s, time.perf_counter() - start_s)
        frames = channel.totals().sent
        busy = channel.busy_s / channel.now_s
        entries = sum(len(host.log) for host in hosts)
    print(
        f"{label:32} {hours / best_s:7.2f} h/s  {frames / hours:6.0f} frames/h  {busy:4.0%} busy  "
        f"{entries / best_s:8,.0f} log entries/s"
    )


def survival() -> None:
    """The drills of `ridgepost rehearse --survive`, each condition once, in one process."""
    start_s = time.perf_counter()
    outcomes = [play(Job(condition, 1)) for condition in CONDITIONS]
    took_s = time.perf_counter() - start_s
    hours = sum(outcome.hours for outcome in outcomes)
    print(f"{'survival drills, 4 to 7 stations':32} {hours / took_s:7.2f} h/s")


def decisions(cycles: int) -> None:
    """As bench_station.py measures them: to 100 addressees, and to 10,000."""
    for addressees in (100, 10_000):
        short, long = (
            rate(queued, min(addressees, queued), cycles) for queued in (100, 10_000)
        )  # fmt: skip
        print(
            f"decisions/s to {addressees:6} addressees: 100 queued {short:9,.0f}, "
            f"10,000 queued {long:9,.0f}, ratio {long / short:.2f}"
        )


def main() -> None:
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 2.0
    cycles = int(sys.argv[2]) if len(sys.argv) > 2 else 1000
    measure("25 stations", hours, deaths=False)
    measure("25 stations, ours die and return", hours, deaths=True)
    survival()
    decisions(cycles)


if __name__ == "__main__":
    main()

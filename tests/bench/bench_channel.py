"""How fast the simulated channel runs: hours of virtual time for each second of CPU time.

    PYTHONPATH=daemon:tests python tests/bench/bench_channel.py

Prints figures and asserts nothing: they depend on the machine.
"""

import random
import time
from collections.abc import Callable

from ridgepost.radio.airtime import airtime_s
from ridgepost.rehearsal.channel import Channel, RadioParameters, Received
from ridgepost.rehearsal.scenario import trail_race
from ridgepost.rehearsal.stations import PlainStation

STATIONS = 25
BODY = b"\x55" * 70  # with a number of 4 octets 0.85 s on the air
HOURS = 4.0


def beacons(load: float) -> Callable[[], tuple[Channel, float]]:
    """25 stations with random beacons and a digipeater, half of the pairs hidden, 5 % loss."""

    def run() -> tuple[Channel, float]:
        rng = random.Random(1)
        channel = Channel(rng)
        names = [f"S{number}" for number in range(STATIONS)]
        for name in names:
            channel.add_node(name)
        channel.add_node("DIGI", RadioParameters(persistence=1.0))
        for number, name in enumerate(names):
            channel.hear_each_other([name, "DIGI"])
            for other in names[:number]:
                if rng.random() < 0.5:
                    channel.hear_each_other([name, other])
        rate = load / (2 * airtime_s(b"\0\0\0\0" + BODY, 1200, 0.3, 0.03))
        number = 0

        def beacon() -> None:
            nonlocal number
            number += 1
            channel.transmit(rng.choice(names), number.to_bytes(4, "big") + BODY, channel.now_s)
            channel.schedule(channel.now_s + rng.expovariate(rate), beacon)

        def relay(got: Received) -> None:
            channel.transmit("DIGI", b"\xff" + got.octets[1:], got.at_s)

        channel.on_received("DIGI", relay)
        channel.schedule(0.0, beacon)
        return channel, HOURS * 3600.0

    return run


def race() -> tuple[Channel, float]:
    """The trail race with a plain station as its gateway: all frames are encoded and read."""
    scenario = trail_race(1)
    channel = scenario.open_channel()
    scenario.build(channel)
    gateway = PlainStation(channel, scenario.gateway, random.Random(1))
    for ask in scenario.asks:
        gateway.send_at(ask.at_s, ask.to, ask.text)
    return channel, scenario.end_s


def measure(label: str, prepare: Callable[[], tuple[Channel, float]], runs: int = 5) -> None:
    best_s, frames, busy, happenings, end_s = float("inf"), 0, 0.0, 0, 0.0
    for _ in range(runs):
        channel, end_s = prepare()
        start_s = time.process_time()
        happenings = len(channel.advance(end_s))
        best_s = min(best_s, time.process_time() - start_s)
        frames, busy = channel.totals().sent, channel.busy_s / end_s
    hours = end_s / 3600.0
    print(
        f"{label:32} {hours / best_s:7.1f} h/s  {frames / hours:6.0f} frames/h  "
        f"{busy:4.0%} busy  {best_s / happenings * 1e6:5.2f} us/happening"
    )


if __name__ == "__main__":
    for percent in (10, 20, 30, 50):
        measure(f"25 stations, {percent} % offered", beacons(percent / 100))
    measure("trail race, scripted stations", race)

"""How many decisions a second a station takes, with a short and with a long queue.

    PYTHONPATH=daemon:tests python tests/bench/bench_station.py [cycles]

A cycle is one second of its time and five decisions: a beacon and a message to us are heard, an
acknowledgement of one of the queued messages comes, another message is asked to be sent, and time
goes by. The queue keeps its length. Rates do not carry over to other machines, the ratios do: the
cost of a decision should not depend on how much is waiting.
"""

import random
import statistics
import sys
import time
from collections import deque

from ridgepost.radio import ax25
from ridgepost.station.asks import Send
from ridgepost.station.channel import PortSetup
from ridgepost.station.effects import Effect, Log
from ridgepost.station.moment import Moment
from ridgepost.station.records import Answered, OutboundChanged, State
from ridgepost.station.setup import Setup
from ridgepost.station.station import Station
from ridgepost.station.tuning import Tuning

RUNS = 5
DECISIONS_PER_CYCLE = 5
CLIENTS = 8
US = "QZ1HUB-10"


def callsign(number: int) -> str:
    return f"QZ{number // 16:04}-{number % 16}" if number % 16 else f"QZ{number // 16:04}"


def frame(source: str, info: str) -> bytes:
    return ax25.encode(ax25.Frame(source, "APZ001", ("WIDE1-1",), info=info.encode()))


class Bench:
    """A station with `queued` messages to `addressees` stations on their way."""

    def __init__(self, queued: int, addressees: int) -> None:
        self.addressees = addressees
        self.asked = 0
        self.mono_s = 1000.0
        self.on_air: deque[OutboundChanged] = deque()
        setup = Setup(callsign=US, transmit=True, ports=(PortSetup(tnc="vhf", port=0),))
        tuning = Tuning(open_messages=2 * queued, numbers_memory=10**6, own_share=1.0)
        self.station = Station(setup, tuning, random.Random(1), log="bench", run=1, next_seq=1)
        self.note(self.station.link_changed("vhf", True, "", self.now))
        for _ in range(queued):
            self.ask()

    @property
    def now(self) -> Moment:
        return Moment(self.mono_s, 1_800_000_000.0 + self.mono_s)

    def note(self, effects: list[Effect]) -> None:
        for effect in effects:
            if isinstance(effect, Log):
                record = effect.entry.record
                if isinstance(record, OutboundChanged) and record.state is State.SENDING:
                    self.on_air.append(record)
                elif isinstance(record, Answered) and not record.accepted:
                    raise SystemExit(record.why)

    def ask(self) -> None:
        self.asked += 1
        send = Send(
            request=f"{self.asked % CLIENTS}-{self.asked}",
            to=callsign(1 + self.asked % self.addressees),
            text="Take one rider at the bridge, please",
            lifetime_s=86400.0,
        )
        self.note(self.station.ask(send, self.now))

    def hear(self, octets: bytes) -> None:
        self.note(self.station.hear("vhf", 0, octets, self.now))

    def cycle(self, number: int) -> None:
        self.mono_s += 1.0
        self.note(self.station.tick(self.now))
        self.hear(frame(f"QY{number % 500:04}", f"!4903.50N/07201.75W>{number}"))
        self.hear(frame(f"QX{number % 500:04}", f":{US:9}:Message {number}{{{number % 9999}"))
        if self.on_air:
            acked = self.on_air.popleft()
            self.hear(frame(acked.to, f":{US:9}:ack{acked.number}"))
            self.ask()


def rate(queued: int, addressees: int, cycles: int) -> float:
    """Decisions a second: the median of a few runs."""
    rates = []
    for _ in range(RUNS):
        bench = Bench(queued, addressees)
        before = bench.station.open_messages
        start_s = time.perf_counter()
        for number in range(cycles):
            bench.cycle(number)
        rates.append(DECISIONS_PER_CYCLE * cycles / (time.perf_counter() - start_s))
        if not before - 2 <= bench.station.open_messages <= before:
            raise SystemExit(f"{bench.station.open_messages} messages open, {before} at first")
    return statistics.median(rates)


def main() -> None:
    cycles = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    for addressees in (100, 10_000):
        short = rate(100, min(addressees, 100), cycles)
        long = rate(10_000, addressees, cycles)
        print(
            f"{addressees:6} addressees: 100 queued {short:9,.0f} decisions/s, "
            f"10,000 queued {long:9,.0f} decisions/s, ratio {long / short:.2f}"
        )


if __name__ == "__main__":
    main()

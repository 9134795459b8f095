"""How fast octets become frames, as rates and as ratios to a plain reading of the same octets.

    PYTHONPATH=daemon:tests python tests/bench/bench_radio.py [frames]

Both run in the same minute on the same machine, so the ratio carries over and the rate does not.
The stream: UI frames of 90 octets (two digipeaters, 60 octets of information) from 500 stations.
"""

import random
import statistics
import sys
import time
from collections.abc import Callable

from radio.plain_deframer import deframe
from ridgepost.radio import airtime, ax25, kiss

RUNS = 5
STATIONS = 500
READ_OCTETS = 4096


def stream_of(count: int, stations: int = STATIONS) -> bytes:
    rng = random.Random(1)
    sources = [
        f"Q{''.join(rng.choices('ABCDEFGHIJ0123456789', k=5))}-{rng.randint(1, 15)}"
        for _ in range(stations)
    ]
    info = b"!4903.50N/07201.75W>088/036" + b"e" * 33
    frames = []
    for number in range(count):
        source = sources[number % stations]
        path = (rng.choice(sources), "WIDE2-1")
        frame = ax25.Frame(source, "APZ001", path, (True, False), info)
        frames.append(kiss.frame(0, kiss.DATA, ax25.encode(frame)))
    return b"".join(frames)


def reads(stream: bytes, length: int) -> list[bytes]:
    return [stream[start : start + length] for start in range(0, len(stream), length)]


def plain_decode(octets: bytes) -> dict[str, object]:
    """A frame read with a loop over each address, unchecked: what a first draft would do."""
    addresses = []
    end = 0
    while True:
        chunk = octets[end : end + 7]
        base = "".join(chr(octet >> 1) for octet in chunk[:6]).rstrip()
        ssid = chunk[6] >> 1 & 15
        addresses.append((f"{base}-{ssid}" if ssid else base, chunk[6] >= 0x80))
        end += 7
        if chunk[6] & 1:
            break
    return {
        "destination": addresses[0][0],
        "source": addresses[1][0],
        "path": addresses[2:],
        "control": octets[end],
        "pid": octets[end + 1],
        "info": octets[end + 2 :],
    }


def per_second(count: int, run: Callable[[], int]) -> float:
    """The median rate of a few runs, each of which must have seen every frame."""
    rates = []
    for _ in range(RUNS):
        start_s = time.perf_counter()
        seen = run()
        rates.append(count / (time.perf_counter() - start_s))
        if seen != count:
            raise SystemExit(f"{seen} frames of {count}")
    return statistics.median(rates)


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 50_000
    stream = stream_of(count)
    many_stations = stream_of(count, stations=4 * (ax25.decode_address.cache_info().maxsize or 0))
    payloads = [item[1:] for item in deframe(stream)]

    def ours(stream: bytes, length: int) -> Callable[[], int]:
        chunks = reads(stream, length)

        def run() -> int:
            deframer = kiss.Deframer()
            seen = 0
            for chunk in chunks:
                for item in deframer.feed(chunk):
                    ax25.decode(item.payload)
                    seen += 1
            return seen

        return run

    def deframing() -> int:
        deframer = kiss.Deframer()
        return sum(len(deframer.feed(chunk)) for chunk in reads(stream, READ_OCTETS))

    rows: list[tuple[str, Callable[[], int]]] = [
        (
            "plain, deframe octet by octet and decode",
            lambda: len([plain_decode(item[1:]) for item in deframe(stream)]),
        ),
        ("plain, deframe octet by octet", lambda: len(deframe(stream))),
        ("octets to Frame, reads of 4096", ours(stream, READ_OCTETS)),
        ("octets to Frame, reads of 64", ours(stream, 64)),
        ("octets to Frame, more stations than cached", ours(many_stations, READ_OCTETS)),
        ("deframe only, reads of 4096", deframing),
        ("decode only", lambda: len([ax25.decode(payload) for payload in payloads])),
        (
            "decode and encode",
            lambda: len([ax25.encode(ax25.decode(payload)) for payload in payloads]),
        ),
        ("airtime", lambda: len([airtime.bits_on_air(payload) for payload in payloads])),
    ]
    baseline = 0.0
    for name, run in rows:
        rate = per_second(count, run)
        baseline = baseline or rate
        print(f"{name:45s} {rate:12,.0f} frames/s   ratio {rate / baseline:6.2f}")


if __name__ == "__main__":
    main()

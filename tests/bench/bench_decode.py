"""How fast octets of a TNC become typed reports, and how that compares with tshark.

    PYTHONPATH=daemon:tests python tests/bench/bench_decode.py [frames] [--profile]

The way is the whole one: octets, KISS, AX.25, copies told apart, typed report. tshark reads the
same frames from a capture and prints addresses and information, which is AX.25 alone: it knows no
APRS. Its start-up, the time for a capture of one frame, is taken off. All times are those of the
processor and the fastest of a few runs, since whatever else the machine does can only slow one
down. Rates do not carry over to other machines, the ratio of the two does.

The frames: half of them are positions, the rest messages, Mic-E, weather, objects, status and
telemetry as a busy channel has them, and one in ten is a check value of tests/vectors. A third are
copies that a digipeater sent.
"""

import cProfile
import pstats
import random
import resource
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from checkvalues import cases, input_octets
from harness import require_tool
from radio.test_tshark import capture
from ridgepost import aprs
from ridgepost.aprs import Place, Timestamp
from ridgepost.radio import ax25, kiss
from ridgepost.station.duplicates import Duplicates
from ridgepost.station.tuning import Tuning

RUNS = 5
STATIONS = 500
READ_OCTETS = 4096
FRAMES_PER_S = 20.0  # of the channel's time, so that windows of the duplicates open and close

FIELDS = ("ax25.src", "ax25.dst", "ax25.via1", "ax25.via2", "data.data")


def check_values() -> list[tuple[str, bytes]]:
    """Destinations and information fields of the check values that fit a frame."""
    return [
        (case.get("destination", "APZ001"), octets)
        for name in ("position", "mice", "weather", "telemetry", "message", "status")
        for case in (parameter.values[0] for parameter in cases(name, "decode"))
        if len(octets := input_octets(case)) <= ax25.MAX_INFO_OCTETS
    ]


class Channel:
    """Invents what is heard, the same for the same seed."""

    def __init__(self) -> None:
        self._rng = random.Random(1)
        self._stations = [
            f"Q{''.join(self._rng.choices('ABCDEFGHIJ0123456789', k=5))}-{self._rng.randint(1, 15)}"
            for _ in range(STATIONS)
        ]
        self._held = check_values()

    def frames(self, count: int) -> list[ax25.Frame]:
        kinds: list[tuple[Callable[[], tuple[str, bytes]], int]] = [
            (self._position, 36),
            (self._compressed, 6),
            (self._mice, 16),
            (self._weather, 8),
            (self._object, 8),
            (self._message, 8),
            (self._ack, 2),
            (self._status, 4),
            (self._telemetry, 2),
            (self._check_value, 10),
        ]
        makers = self._rng.choices(*zip(*kinds, strict=True), k=count)
        heard: list[ax25.Frame] = []
        for make in makers:
            if heard and self._rng.random() < 1 / 3:
                heard.append(self._repeated(self._rng.choice(heard[-20:])))
                continue
            destination, info = make()
            source = self._rng.choice(self._stations)
            heard.append(ax25.Frame(source, destination, ("WIDE1-1", "WIDE2-1"), info=info))
        return heard

    def _repeated(self, frame: ax25.Frame) -> ax25.Frame:
        return ax25.Frame(
            frame.source,
            frame.destination,
            (self._rng.choice(self._stations[:9]), "WIDE2-1"),
            (True, False),
            frame.info,
        )

    def _place(self, code: str, comment: str, moving: bool) -> Place:
        return Place(
            latitude_deg=self._rng.uniform(44, 46),
            longitude_deg=self._rng.uniform(-110, -107),
            symbol_table="/",
            symbol_code=code,
            course_deg=float(self._rng.randint(1, 360)) if moving else None,
            speed_knots=float(self._rng.randint(0, 60)) if moving else None,
            altitude_ft=float(self._rng.randint(0, 9000)) if moving else None,
            comment=comment,
        )

    def _comment(self) -> str:
        return self._rng.choice(
            [
                "",
                "Rest stop 4",
                "146.520MHz T100 Net control",
                "QRV 73",
                "Relay on the ridge, 12.6V",
            ]
        )

    def _position(self) -> tuple[str, bytes]:
        moving = self._rng.random() < 0.6
        place = self._place(self._rng.choice(">-[k#"), "" if moving else self._comment(), moving)
        time = None
        if self._rng.random() < 0.3:
            time = Timestamp(hour=9, minute=self._rng.randint(0, 59), second=45, time_zone="zulu")
        return "APZ001", aprs.encode_place(place, time=time, precise=self._rng.random() < 0.2)

    def _compressed(self) -> tuple[str, bytes]:
        place = self._place(">", self._comment(), moving=False)
        table = {"symbol_table": "/", "compressed": True}
        fields = {name: getattr(place, name) for name in place.__struct_fields__}
        return "APZ001", aprs.encode_place(Place(**{**fields, **table}))

    def _mice(self) -> tuple[str, bytes]:
        return aprs.encode_mice(self._place(">", self._comment(), moving=True))

    def _weather(self) -> tuple[str, bytes]:
        readings = aprs.Readings(
            wind_direction_deg=self._rng.randint(1, 360),
            wind_speed_mph=float(self._rng.randint(0, 40)),
            wind_gust_mph=float(self._rng.randint(0, 60)),
            temperature_f=float(self._rng.randint(-20, 100)),
            rain_last_hour_in=0.0,
            humidity_pct=self._rng.randint(1, 100),
            pressure_hpa=float(self._rng.randint(980, 1040)),
        )
        head = aprs.encode_place(self._place("_", "", moving=False))
        return "APZ001", head + aprs.write_readings(readings).encode() + b"QZ1W"

    def _object(self) -> tuple[str, bytes]:
        name = f"SAG-{self._rng.randint(1, 40)}"
        return "APZ001", aprs.encode_object(name, self._place(">", self._comment(), moving=False))

    def _message(self) -> tuple[str, bytes]:
        number = str(self._rng.randint(10, 99))
        text = f"Rider {self._rng.randint(1, 900)} needs a lift at post {number}"
        return "APZ001", aprs.encode_message(self._rng.choice(self._stations), text, number)

    def _ack(self) -> tuple[str, bytes]:
        number = str(self._rng.randint(10, 99))
        return "APZ001", aprs.encode_ack(self._rng.choice(self._stations), number)

    def _status(self) -> tuple[str, bytes]:
        return "APZ001", aprs.encode_status(
            f"Net at {self._rng.randint(1, 23)}, 12.{self._rng.randint(0, 9)}V"
        )

    def _telemetry(self) -> tuple[str, bytes]:
        values = [self._rng.randint(0, 255) for _ in range(5)]
        return "APZ001", aprs.encode_telemetry(self._rng.randint(0, 999), values, "10110000")

    def _check_value(self) -> tuple[str, bytes]:
        return self._rng.choice(self._held)


def ours(stream: bytes) -> tuple[int, Counter[str]]:
    """The whole way; how many frames there were, and the reports by their kind."""
    deframer = kiss.Deframer()
    duplicates = Duplicates(Tuning())
    kinds: Counter[str] = Counter()
    seen = 0
    for start in range(0, len(stream), READ_OCTETS):
        for item in deframer.feed(stream[start : start + READ_OCTETS]):
            frame = ax25.decode(item.payload)
            seen += 1
            now_s = seen / FRAMES_PER_S
            duplicates.close(now_s)
            if duplicates.hear(frame, ("vhf", 0), seen, now_s).first:
                kinds[aprs.decode(frame.info, frame.source, frame.destination).kind] += 1
    return seen, kinds


def every_report(payloads: list[bytes]) -> int:
    """Typed reports of all frames, copies too."""
    for payload in payloads:
        frame = ax25.decode(payload)
        aprs.decode(frame.info, frame.source, frame.destination)
    return len(payloads)


def tshark_s(records: list[bytes], path: Path) -> float:
    """What tshark takes of the processor for these records."""
    path.write_bytes(capture(records))
    columns = [word for name in FIELDS for word in ("-e", name)]
    run = [str(require_tool("tshark")), "-n", "-r", str(path), "-T", "fields", *columns]
    times_s = []
    for _ in range(RUNS):
        start_s = _children_s()
        printed = subprocess.run(run, capture_output=True, check=True).stdout
        times_s.append(_children_s() - start_s)
        lines = printed.count(b"\n")
        if lines != len(records):
            raise SystemExit(f"tshark printed {lines} lines of {len(records)}")
    return min(times_s)


def _children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def fastest_s(run: Callable[[], object]) -> float:
    times_s = []
    for _ in range(RUNS):
        start_s = time.process_time()
        run()
        times_s.append(time.process_time() - start_s)
    return min(times_s)


def peak_kib(stream: bytes) -> float:
    """The most memory that the whole way has in use at a time; not timed, since it is slowed."""
    tracemalloc.start()
    ours(stream)
    _, peak_octets = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return peak_octets / 1024


def main() -> None:
    words = [word for word in sys.argv[1:] if word != "--profile"]
    count = int(words[0]) if words else 200_000
    payloads = [ax25.encode(frame) for frame in Channel().frames(count)]
    stream = b"".join(kiss.frame(0, kiss.DATA, payload) for payload in payloads)
    if "--profile" in sys.argv:
        profile = cProfile.Profile()
        profile.runcall(ours, stream)
        pstats.Stats(profile).sort_stats("tottime").print_stats(45)
        return
    seen, kinds = ours(stream)
    if seen != count:
        raise SystemExit(f"{seen} frames of {count}")
    print(", ".join(f"{kind} {number}" for kind, number in kinds.most_common()))
    whole_s = fastest_s(lambda: ours(stream))
    all_s = fastest_s(lambda: every_report(payloads))
    records = [b"\x00" + payload for payload in payloads]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "frames.pcap"
        theirs_s = tshark_s(records, path) - tshark_s(records[:1], path)
    for name, taken_s in (
        ("tshark, AX.25 fields", theirs_s),
        ("octets to typed report, copies once", whole_s),
        ("frame to typed report, copies too", all_s),
    ):
        print(f"{name:36} {count / taken_s:10,.0f} frames/s   ratio {theirs_s / taken_s:5.2f}")
    print(f"peak memory of the decoding {peak_kib(stream):.0f} KiB, besides the stream itself")


if __name__ == "__main__":
    main()

"""A station that is told the time, with its log in a list: what the tests of decisions drive.

Time is virtual. Every effect is checked on its way out for what holds always: the log has no gap,
nothing is transmitted that is not in the log before, or on a port that must not or cannot, no
message changes after its end, and the station does not ask to be woken in the past.
"""

import itertools
import random
from collections.abc import Iterable
from typing import NamedTuple, TypeVar

import msgspec

from ridgepost.radio import ax25
from ridgepost.station.asks import Ask, Cancel, Send
from ridgepost.station.channel import PortSetup
from ridgepost.station.effects import Effect, Log, Transmit
from ridgepost.station.moment import Moment, RunSpan, timeline_offsets
from ridgepost.station.recall import Recall
from ridgepost.station.records import (
    HEARD,
    KEPT_FOR_STATE,
    AckSent,
    Answered,
    AnyRecord,
    BulletinOut,
    Entry,
    OutboundChanged,
    Precedence,
    QueryAnswered,
    QuestionChanged,
    State,
)
from ridgepost.station.setup import Setup
from ridgepost.station.station import Station
from ridgepost.station.tuning import Tuning

US = "QZ1HUB-10"
SAG = "QZ1SAG-2"
MED = "QZ1MED"
POST = "QZ1PST-1"
RIDGE = "QZ1RDG-3"
"""A digipeater."""

VHF = PortSetup(tnc="vhf", port=0)
UHF = PortSetup(tnc="uhf", port=0)
SETUP = Setup(callsign=US, transmit=True, ports=(VHF,))
STEADY = Tuning(retry_jitter=0.0)
"""The usual numbers, but waits without their random part, so that times can be told."""

SENT_KINDS = (OutboundChanged, AckSent, BulletinOut, QueryAnswered, QuestionChanged)
"""Records of what went on the air, with its frame."""

AnyKind = TypeVar("AnyKind", bound=AnyRecord)


class Sent(NamedTuple):
    """One transmission."""

    at_s: float
    port: tuple[str, int]
    octets: bytes

    @property
    def frame(self) -> ax25.Frame:
        return ax25.decode(self.octets)

    @property
    def info(self) -> str:
        return self.frame.info.decode()


def frame_of(source: str, info: str, path: str = "", destination: str = "APZ001") -> bytes:
    """A frame from `source`; `path` as monitors show it, e.g. 'QZ1RDG-3*,WIDE2-1'."""
    head = ",".join([f"{source}>{destination}", *([path] if path else [])])
    return ax25.encode(ax25.from_monitor(f"{head}:{info}"))


def message_info(to: str, text: str, number: str = "") -> str:
    """A message as APRS 1.2c ch. 14 writes it; `number` is all that follows the brace."""
    return f":{to:9}:{text}" + (f"{{{number}" if number else "")


class Rig:
    """One station, its clock and what came out of it over all its runs."""

    def __init__(
        self,
        setup: Setup = SETUP,
        tuning: Tuning = STEADY,
        *,
        seed: int = 1,
        up: bool = True,
        start_s: float = 1000.0,
        wall_trusted: bool = True,
        records: Iterable[AnyRecord] = (),
    ) -> None:
        self.setup = setup
        self.tuning = tuning
        self.rng = random.Random(seed)
        self.mono_s = start_s
        self.wall_s = 1_800_000_000.0
        self.wall_trusted = wall_trusted
        self.elapsed_s = 0.0
        """Time that really passed, over all runs and whatever the clocks say."""

        self.up: set[str] = set()
        self.settled: set[str] = set()
        self.boots: list[str] = []
        self.entries: list[Entry] = []
        self.sent: list[Sent] = []
        self._requests = 0
        self._open_run("boot 1", [(record, start_s) for record in records])
        if up:
            for tnc in dict.fromkeys(port.tnc for port in setup.ports):
                self.link(True, tnc)

    # -- time ------------------------------------------------------------------------------------

    @property
    def now(self) -> Moment:
        return Moment(self.mono_s, self.wall_s, self.wall_trusted)

    def pass_time(self, seconds: float) -> None:
        """Let time go by without anybody looking."""
        self.mono_s += seconds
        self.wall_s += seconds
        self.elapsed_s += seconds

    def advance(self, seconds: float) -> None:
        """Let time go by, ticking whenever the station asked for it, and at the end."""
        until_s = self.mono_s + seconds
        while (wake_s := self.station.next_wakeup_s()) is not None and wake_s <= until_s:
            self.pass_time(max(0.0, wake_s - self.mono_s))
            self.tick()
            next_s = self.station.next_wakeup_s()
            assert next_s is None or next_s > self.mono_s, "the station spins"
        self.pass_time(until_s - self.mono_s)
        self.tick()

    def tick(self) -> None:
        self.take(self.station.tick(self.now))

    # -- events ----------------------------------------------------------------------------------

    def link(self, up: bool, tnc: str = "vhf") -> None:
        if up:
            self.up.add(tnc)
        else:
            self.up.discard(tnc)
        self.take(self.station.link_changed(tnc, up, "" if up else "unplugged", self.now))

    def hear(self, octets: bytes, port: tuple[str, int] = ("vhf", 0)) -> list[AnyRecord]:
        """A frame arrives; what was logged because of it."""
        return self.take(self.station.hear(*port, octets, self.now))

    def hear_info(
        self, source: str, info: str, path: str = "", port: tuple[str, int] = ("vhf", 0)
    ) -> list[AnyRecord]:
        return self.hear(frame_of(source, info, path), port)

    def hear_info_to(self, source: str, destination: str, info: bytes, path: str = "") -> None:
        """A frame whose destination says something, as in Mic-E."""
        frame = ax25.decode(frame_of(source, "", path, destination))
        self.hear(ax25.encode(msgspec.structs.replace(frame, info=info)))

    def hear_message(
        self,
        source: str,
        text: str,
        number: str = "",
        *,
        to: str = US,
        path: str = "",
        port: tuple[str, int] = ("vhf", 0),
    ) -> list[AnyRecord]:
        return self.hear_info(source, message_info(to, text, number), path, port)

    def hear_beacon(self, source: str, path: str = "", port: tuple[str, int] = ("vhf", 0)) -> None:
        """Something that differs each time, as a position does."""
        self._requests += 1
        self.hear_info(source, f">beacon {self._requests}", path, port)

    def hear_ack(self, source: str, number: str, path: str = "") -> list[AnyRecord]:
        return self.hear_message(source, f"ack{number}", path=path)

    def ask(self, ask: Ask) -> Answered:
        answers = only(Answered, self.take(self.station.ask(ask, self.now)))
        assert len(answers) == 1
        return answers[0]

    def send(
        self,
        to: str,
        text: str = "Radio check",
        precedence: Precedence = Precedence.ROUTINE,
        lifetime_s: float | None = None,
    ) -> str:
        """An accepted ask; the message's name."""
        self._requests += 1
        answer = self.ask(
            Send(
                request=f"ask-{self._requests}",
                to=to,
                text=text,
                precedence=precedence,
                lifetime_s=lifetime_s,
            )
        )
        assert answer.accepted, answer.why
        return answer.message

    def cancel(self, message: str) -> Answered:
        self._requests += 1
        return self.ask(Cancel(request=f"ask-{self._requests}", message=message))

    # -- runs ------------------------------------------------------------------------------------

    def restart(self, *, boot: str | None = None, mono_s: float | None = None) -> None:
        """A new station from the log alone, on the same boot's clock or that of another one.

        Links are down until they come up again.
        """
        if mono_s is not None:
            self.mono_s = mono_s
        self._open_run(boot or self.boots[-1], self.history(boot or self.boots[-1]))

    def history(self, boot: str) -> list[tuple[AnyRecord, float]]:
        """The log as the logbook hands it out: through JSON, times in whole milliseconds."""
        max_age_s = self.tuning.max_lifetime_s
        offsets = timeline_offsets(self._spans(), boot, self.now, max_age_s)
        heard_since_s = self.now.mono_s - self.tuning.heard_recall_s
        recall = Recall(self.now.mono_s - max_age_s, heard_since_s)
        dated: list[tuple[AnyRecord, float]] = []
        for entry in self.entries:
            if entry.record.__struct_config__.tag not in (*KEPT_FOR_STATE, HEARD):
                continue
            copy = msgspec.json.decode(msgspec.json.encode(entry.record), type=AnyRecord)
            dated += recall.take(copy, round(entry.at.mono_s, 3) + offsets[entry.run])
        return dated + recall.rest()

    def _spans(self) -> list[RunSpan]:
        spans = []
        for run, boot in enumerate(self.boots, start=1):
            moments = [entry.at for entry in self.entries if entry.run == run]
            if moments:
                spans.append(RunSpan(run, boot, moments[0], moments[-1]))
        return spans

    def _open_run(self, boot: str, history: Iterable[tuple[AnyRecord, float]]) -> None:
        self.boots.append(boot)
        self.up.clear()
        self.station = Station(
            self.setup,
            self.tuning,
            self.rng,
            log="a1b2c3",
            run=len(self.boots),
            next_seq=len(self.entries) + 1,
        )
        self.station.restore(history)
        self.take(self.station.start("0.0", self.now))

    # -- what came out ---------------------------------------------------------------------------

    def take(self, effects: list[Effect]) -> list[AnyRecord]:
        records: list[AnyRecord] = []
        promised: list[tuple[str, int, bytes]] = []
        for effect in effects:
            match effect:
                case Log(entry):
                    assert entry.seq == len(self.entries) + 1
                    assert entry.run == len(self.boots)
                    assert entry.at == self.now
                    self.entries.append(entry)
                    records.append(entry.record)
                    self.check(entry.record)
                    record = entry.record
                    if isinstance(record, SENT_KINDS) and record.frame:
                        promised.append((record.tnc, record.port, record.frame))
                case Transmit(tnc, port, octets):
                    assert promised.pop(0) == (tnc, port, octets), "sent, but not logged before"
                    assert self.setup.transmit
                    assert tnc in self.up
                    assert not self._port_setup(tnc, port).receive_only
                    self.sent.append(Sent(self.mono_s, (tnc, port), octets))
        assert not promised, "logged as sent, but not sent"
        wake_s = self.station.next_wakeup_s()
        assert wake_s is None or wake_s > self.mono_s, "to be woken in the past"
        return records

    def check(self, record: AnyRecord) -> None:
        """What holds for each record as it is written."""
        if isinstance(record, OutboundChanged):
            assert record.message not in self.settled, "it had ended"
            if record.state.settled:
                self.settled.add(record.message)
                assert record.frame is None

    def _port_setup(self, tnc: str, port: int) -> PortSetup:
        return next(s for s in self.setup.ports if (s.tnc, s.port) == (tnc, port))

    def of(self, kind: type[AnyKind]) -> list[AnyKind]:
        """All records of a kind, over all runs."""
        return only(kind, [entry.record for entry in self.entries])

    def changes(self, message: str) -> list[OutboundChanged]:
        return [record for record in self.of(OutboundChanged) if record.message == message]

    def state(self, message: str) -> State:
        return self.changes(message)[-1].state

    def number(self, message: str) -> str:
        return self.changes(message)[-1].number

    def sends(self, message: str) -> list[float]:
        """When a message was transmitted."""
        octets = {change.frame for change in self.changes(message)}
        return [sent.at_s for sent in self.sent if sent.octets in octets]

    def acks(self, to: str, number: str) -> list[float]:
        """When an acknowledgement was transmitted."""
        info = message_info(to, f"ack{number}")
        return [sent.at_s for sent in self.sent if sent.info == info]


def gaps(times: list[float]) -> list[float]:
    return [later - earlier for earlier, later in itertools.pairwise(times)]


def other(number: int) -> str:
    """One of ten thousand more stations."""
    return f"QZ{number:04}"


def only(kind: type[AnyKind], records: Iterable[AnyRecord]) -> list[AnyKind]:
    return [record for record in records if isinstance(record, kind)]

"""The account of a rehearsal, each figure taken from the log and held against another witness.

The log says what the station believes. The channel knows what was really on the air, the scripted
stations what they read and whose acknowledgement they got, the bus client what it was told. A
figure counts only if they agree.
"""

import statistics
from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

import msgspec

from ridgepost.radio import ax25
from ridgepost.radio.airtime import airtime_s
from ridgepost.rehearsal.channel import Channel
from ridgepost.rehearsal.scenario import Cast, OperatorAsk, Scenario
from ridgepost.station.channel import PortSetup
from ridgepost.station.records import (
    AckSent,
    CopiesHeard,
    Entry,
    Heard,
    OutboundChanged,
    Received,
    Started,
    State,
    Stopped,
)

TIME_TOLERANCE_S = 0.0015
"""The bus and the log give times to the millisecond, each rounded by itself."""

AIRTIME_TOLERANCE_S = 0.001
"""Sums of the same terms in another order."""


COPY_WINDOW_S = 30.0
"""APRS 1.2 ch. 14: digipeaters repeat no copy of a packet within 30 seconds."""


class Witness(msgspec.Struct):
    """What one client on the bus saw."""

    asked: dict[str, OperatorAsk] = msgspec.field(default_factory=dict)
    answers: dict[str, dict[str, Any]] = msgspec.field(default_factory=dict)
    outbound: dict[str, list[dict[str, Any]]] = msgspec.field(default_factory=dict)
    inbound: list[dict[str, Any]] = msgspec.field(default_factory=list)
    seqs: list[int] = msgspec.field(default_factory=list)

    def note(self, topic: str, payload: dict[str, Any]) -> None:
        """A message on the bus, by its topic below the station's level."""
        if "seq" in payload:
            self.seqs.append(payload["seq"])
        if topic.startswith("answer/"):
            self.answers[payload["request"]] = payload
        elif topic.startswith("traffic/out/"):
            self.outbound.setdefault(payload["message"], []).append(payload)
        elif topic.startswith("traffic/in/"):
            self.inbound.append(payload)


class Check(msgspec.Struct, frozen=True):
    """One figure by the log and by another witness."""

    figure: str
    log: str
    witness: str
    other: str
    agrees: bool


class Outgoing(msgspec.Struct, frozen=True):
    """A message of the operators and how it ended. `read`: its addressee has seen it."""

    to: str
    text: str
    state: State
    attempts: int
    read: bool
    to_ack_s: float | None


class Reckoning(msgspec.Struct, frozen=True, kw_only=True):
    """The figures of a rehearsal. Times are seconds of the event."""

    title: str
    seed: int
    length_s: float
    outgoing: list[Outgoing]
    received: int
    acks_sent: int
    frames_heard: int
    copies_heard: int
    frames_in_earshot: int
    frames_sent: int
    airtime_s: float
    checks: list[Check]

    @property
    def reconciled(self) -> bool:
        """Every figure agrees with its witness."""
        return all(check.agrees for check in self.checks)

    @property
    def outcomes(self) -> Counter[State]:
        """Outgoing messages by the state in which they ended."""
        return Counter(message.state for message in self.outgoing)

    @property
    def ack_times_s(self) -> list[float]:
        """From acceptance to acknowledgement, ascending."""
        return sorted(m.to_ack_s for m in self.outgoing if m.to_ack_s is not None)


class _Log:
    """The log, sorted into what the figures are made of."""

    def __init__(self, entries: Iterable[Entry]) -> None:
        self.changes: dict[str, list[tuple[float, OutboundChanged]]] = {}
        self.received: list[Received] = []
        self.sent: list[bytes] = []
        self.acks = 0
        self.first_copies = 0
        self.further_copies = 0
        self.for_the_bus: list[int] = []
        for entry in entries:
            if not isinstance(entry.record, Started | Stopped):
                self.for_the_bus.append(entry.seq)
            match entry.record:
                case OutboundChanged() as out:
                    self.changes.setdefault(out.message, []).append((entry.at.mono_s, out))
                    if out.frame:
                        self.sent.append(out.frame)
                case AckSent() as ack:
                    self.acks += 1
                    self.sent.append(ack.frame)
                case Received() as received:
                    self.received.append(received)
                case Heard():
                    self.first_copies += 1
                case CopiesHeard() as copies:
                    self.further_copies += copies.copies - 1


class Evidence(msgspec.Struct, kw_only=True):
    """All that an account is drawn up from.

    `entries` is the whole log and `port` what the station knows of its TNC; `on_air` are the frames
    that the gateway's node transmitted and `decoded` those that it received, with their times; the
    rest is what the others know.
    """

    scenario: Scenario
    entries: list[Entry]
    port: PortSetup
    channel: Channel
    on_air: list[bytes]
    decoded: list[tuple[float, bytes]]
    cast: Cast
    witness: Witness


def reckon(evidence: Evidence) -> Reckoning:
    """Draw up the account, each figure of the log beside that of another witness."""
    scenario, channel, witness = evidence.scenario, evidence.channel, evidence.witness
    cast, port = evidence.cast, evidence.port
    log = _Log(evidence.entries)
    outgoing = [_outgoing(changes, cast) for changes in log.changes.values()]
    own = channel.totals(scenario.gateway)
    heard = log.first_copies + log.further_copies
    airtime = sum(
        airtime_s(frame, port.bit_rate, port.txdelay_s, port.tx_tail_s) for frame in log.sent
    )
    told = [_ack_time_told(witness.outbound.get(key, [])) for key in log.changes]
    checks = [
        _same("messages accepted", len(outgoing), "bus", _accepted(witness)),
        _same("outcome of each message", _states(log), "bus", _states_told(witness)),
        _near("times to acknowledgement", [m.to_ack_s for m in outgoing], "bus", told),
        _same(
            "acknowledged messages",
            sum(m.state is State.ACKNOWLEDGED for m in outgoing),
            "read by their addressees, once",
            sum(m.state is State.ACKNOWLEDGED and m.read for m in outgoing),
        ),
        _same("messages received", len(log.received), "bus", len(witness.inbound)),
        _same("each of them", _received(log), "written by the stations", _written(log, cast)),
        _same("frames sent, octet by octet", sorted(log.sent), "channel", sorted(evidence.on_air)),
        _near("own airtime", [airtime], "channel", [own.airtime_s], AIRTIME_TOLERANCE_S),
        _same("acks among them", log.acks, "channel", _acks(evidence.on_air)),
        _same("frames heard", heard, "channel", own.received),
        _same("copies among them", log.further_copies, "channel", _copies(evidence.decoded)),
        _same("entries for the bus", log.for_the_bus, "bus", sorted(set(witness.seqs))),
    ]
    return Reckoning(
        title=scenario.title,
        seed=scenario.seed,
        length_s=channel.now_s,
        outgoing=outgoing,
        received=len(log.received),
        acks_sent=log.acks,
        frames_heard=heard,
        copies_heard=log.further_copies,
        frames_in_earshot=own.received + own.lost,
        frames_sent=len(log.sent),
        airtime_s=airtime,
        checks=checks,
    )


def _outgoing(changes: list[tuple[float, OutboundChanged]], cast: Cast) -> Outgoing:
    accepted_s, last = changes[0][0], changes[-1][1]
    acknowledged = last.state is State.ACKNOWLEDGED
    to = cast.stations.get(last.to)
    return Outgoing(
        last.to,
        last.text,
        last.state,
        last.attempts,
        to is not None and [shown.text for shown in to.account.shown].count(last.text) == 1,
        changes[-1][0] - accepted_s if acknowledged else None,
    )


def _accepted(witness: Witness) -> int:
    return sum(answer["accepted"] for answer in witness.answers.values())


def _states(log: _Log) -> list[tuple[str, str, int]]:
    return sorted(
        (key, str(changes[-1][1].state), changes[-1][1].attempts)
        for key, changes in log.changes.items()
    )


def _states_told(witness: Witness) -> list[tuple[str, str, int]]:
    return sorted(
        (key, told[-1]["state"], told[-1]["attempts"]) for key, told in witness.outbound.items()
    )


def _ack_time_told(told: list[dict[str, Any]]) -> float | None:
    if not told or told[-1]["state"] != State.ACKNOWLEDGED:
        return None
    first, last = (datetime.fromisoformat(change["at"]) for change in (told[0], told[-1]))
    return (last - first).total_seconds()


def _received(log: _Log) -> list[tuple[str, str]]:
    return sorted((record.source, record.text) for record in log.received)


def _written(log: _Log, cast: Cast) -> list[tuple[str, str]]:
    """What the stations wrote, of that which either they have an acknowledgement for or we claim
    to have: neither may be without the other."""
    claimed = set(_received(log))
    return sorted(
        (callsign, out.text)
        for callsign, station in cast.stations.items()
        for out in station.account.outgoing
        if out.acked_s is not None or (callsign, out.text) in claimed
    )


def _acks(frames: Sequence[bytes]) -> int:
    """By the letters alone: ':', nine characters, ':ack' (APRS 1.2 ch. 14)."""
    return sum(ax25.decode(frame).info[10:14] == b":ack" for frame in frames)


def _copies(decoded: Sequence[tuple[float, bytes]]) -> int:
    """Frames that differ from one received less than 30 s before in nothing but their path, by the
    octets of the addresses: bit 0 of the last octet marks the end, the others the SSID."""
    first_s: dict[tuple[bytes, int, bytes], float] = {}
    copies = 0
    for at_s, octets in decoded:
        info = octets[next(i for i in range(6, len(octets), 7) if octets[i] & 1) + 3 :]
        key = (octets[0:6] + octets[7:13], octets[13] >> 1 & 15, info)
        if key in first_s and at_s - first_s[key] < COPY_WINDOW_S:
            copies += 1
        else:
            first_s[key] = at_s
    return copies


def _same(figure: str, log: object, witness: str, other: object) -> Check:
    return Check(figure, _brief(log), witness, _brief(other), log == other)


def _near(
    figure: str,
    log: Sequence[float | None],
    witness: str,
    other: Sequence[float | None],
    tolerance_s: float = TIME_TOLERANCE_S,
) -> Check:
    agrees = len(log) == len(other) and all(
        a == b if a is None or b is None else abs(a - b) <= tolerance_s
        for a, b in zip(log, other, strict=True)
    )
    return Check(figure, _sum_s(log), witness, _sum_s(other), agrees)


def _sum_s(times_s: Sequence[float | None]) -> str:
    return f"{sum(time for time in times_s if time is not None):.1f} s"


def _brief(value: object) -> str:
    return f"{len(value)}" if isinstance(value, list) else f"{value}"


def median_s(times_s: Sequence[float]) -> float | None:
    """The middle of some times; None of none."""
    return statistics.median(times_s) if times_s else None

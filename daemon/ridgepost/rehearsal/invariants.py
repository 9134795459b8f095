"""What must hold for a station of ours whatever happens to it, checked from outside as it happens.

The examiner sees what the station committed to its log, what its node put on the air and what it
decoded. It asks the station nothing and shares none of its code for decisions.
"""

import functools
from collections import Counter, defaultdict
from collections.abc import Sequence
from enum import StrEnum

import msgspec

from ridgepost import aprs
from ridgepost.radio import ax25
from ridgepost.rehearsal.channel import Received as Decoded
from ridgepost.rehearsal.channel import Sent
from ridgepost.station import records
from ridgepost.station.records import Entry, State

ACK_GAP_S = 30.0
"""APRS 1.2c ch. 14, Multiple Acknowledgements: identical ones are at least this far apart."""

ROUNDING_S = 0.002

ACKS_FOR_A_COPY = 6
"""The most acknowledgements that one copy of a message may bring about, however the digipeater
treats them: more, and a bad link would turn each message into a storm."""

COPIES_UNHEARD = 12
"""How often a message may be sent before its addressee is heard."""

COPIES_WHEN_HEARD = 6
"""How often again for each time that it is heard."""

NET_CYCLE_S = 600.0
COPIES_IN_A_NET_CYCLE = 24
"""However often its addressee is heard, a message is not sent more often than this in any ten
minutes (the shortest net cycle time of APRS 1.2c ch. 2): once in 25 s, a few percent of the time.
"""


class Rule(StrEnum):
    """What must never be seen."""

    SHOWN_TWICE = "shown twice to its reader"
    CHANGED_AFTER_END = "changed after it was settled"
    SENT_AFTER_END = "sent after it was settled"
    SENT_UNLOGGED = "sent, but not logged before"
    UNACCOUNTED = "accepted, and not accounted for"
    OUT_OF_ORDER = "shown out of order"
    ACK_TOO_SOON = "acknowledged again too soon"
    ACK_STORM = "acknowledged too often"
    ACK_UNFOUNDED = "acknowledged, but not logged as received"
    TOO_MANY_COPIES = "sent too often"
    NOT_DELIVERED = "counted as acknowledged, and not shown to its reader by then"


class Violation(msgspec.Struct, frozen=True):
    """A rule was broken: when, by whom, and with what."""

    at_s: float
    station: str
    rule: Rule
    what: str

    def __str__(self) -> str:
        return f"{self.at_s:.1f} s, {self.station}: {self.rule}: {self.what}"


class Examiner:
    """Follows one station. Give it everything in the order in which it happens; all texts differ.

    `digipeated` says whether there is a digipeater that repeats. Then an acknowledgement whose
    repeat was not heard may be sent again before its time: no digipeater will suppress that copy.
    """

    def __init__(self, callsign: str, *, digipeated: bool) -> None:
        self.callsign = callsign
        self.violations: list[Violation] = []
        self._digipeated = digipeated
        self._ended: dict[str, State] = {}
        self._copies_s: defaultdict[str, list[float]] = defaultdict(list)
        """When each message was sent, as the log has it."""

        self._allowed: dict[str, int] = {}
        """How often each message may have been sent by now."""

        self._open_to: defaultdict[str, set[str]] = defaultdict(set)
        self._committed: defaultdict[bytes, list[float]] = defaultdict(list)
        """When each frame was committed, as often as it was not handed over yet."""

        self._in_tnc: Counter[bytes] = Counter()

        self._shown: set[tuple[str, str]] = set()
        """Source and text of each message the station showed."""

        self._received: set[tuple[str, str]] = set()
        """Source and message id of what was logged as received."""

        self._asked_for: Counter[tuple[str, str]] = Counter()
        """How many copies came of each message with this source and number field."""

        self._acks: Counter[tuple[str, str]] = Counter()
        self._ack_sent: dict[tuple[str, str], tuple[float, bytes]] = {}
        self._repeat_heard_s: dict[bytes, float] = {}
        """When a frame of our own with this information field came back last."""

    # -- what happens ----------------------------------------------------------------------------

    def committed(self, entry: Entry) -> None:
        """The station's log has a new entry."""
        at_s, record = entry.at.mono_s, entry.record
        frame = getattr(record, "frame", None)
        if frame and not isinstance(record, records.Heard):
            self._committed[frame].append(at_s)
        match record:
            case records.OutboundChanged():
                self._outbound(record, at_s)
            case records.Received():
                self._show(record, at_s)
            case records.AckSent():
                self._acknowledge(record, at_s)
            case _:
                pass

    def handed_over(self, octets: bytes, at_s: float) -> None:
        """The station gave a frame to its TNC. It is to be logged at that very time: what an
        earlier run logged and did not get to send is not to be sent on the strength of that."""
        commits = self._committed[octets]
        if at_s in commits:
            commits.remove(at_s)
        else:
            self._broken(at_s, Rule.SENT_UNLOGGED, _text(octets))
        self._in_tnc[octets] += 1

    def sent(self, sent: Sent) -> None:
        """The node's transmission is over."""
        self._in_tnc[sent.octets] -= 1
        if self._in_tnc[sent.octets] < 0:
            self._broken(sent.ended_s, Rule.SENT_UNLOGGED, f"from nowhere: {_text(sent.octets)}")

    def decoded(self, got: Decoded) -> None:
        """The node decoded a frame, and the station is there to hear it."""
        frame = ax25.decode(got.octets)
        if frame.source == self.callsign:
            self._repeat_heard_s[frame.info] = got.at_s
            return
        for message in self._open_to[frame.source]:
            self._allowed[message] += COPIES_WHEN_HEARD
        report = _read(got.octets)
        if isinstance(report, aprs.Message) and report.addressee == self.callsign:
            self._asked_for[frame.source, report.message_id_field or ""] += 1

    def power_was_cut(self, log: Sequence[Entry]) -> None:
        """Of its log the station has only this left. Attempts and acknowledgements that are not in
        it do not count, for it cannot know of them."""
        self._copies_s.clear()
        self._acks.clear()
        self._ack_sent.clear()
        for entry in log:
            match entry.record:
                case records.OutboundChanged(frame=bytes(), message=message):
                    self._copies_s[message].append(entry.at.mono_s)
                case records.AckSent() as record:
                    self._note_ack(record, entry.at.mono_s)
                case _:
                    pass

    def broken(self, rules: Sequence[tuple[Rule, str]], at_s: float) -> None:
        """Note what was found by somebody who knows more."""
        for rule, what in rules:
            self._broken(at_s, rule, what)

    # -- inside ----------------------------------------------------------------------------------

    def _broken(self, at_s: float, rule: Rule, what: str) -> None:
        self.violations.append(Violation(at_s, self.callsign, rule, what))

    def _outbound(self, record: records.OutboundChanged, at_s: float) -> None:
        message = record.message
        what = f"{message} to {record.to}, number {record.number}: {record.state}, {record.why}"
        if message in self._ended:
            rule = Rule.SENT_AFTER_END if record.frame else Rule.CHANGED_AFTER_END
            self._broken(at_s, rule, f"{what}; it was {self._ended[message]}")
            return
        if message not in self._allowed:
            self._allowed[message] = COPIES_UNHEARD
            self._open_to[record.to].add(message)
        if record.frame:
            self._count_copies(message, what, at_s)
            self._rides_along(record.to, record.frame, at_s)
        if record.state.settled:
            self._ended[message] = record.state
            self._open_to[record.to].discard(message)

    def _count_copies(self, message: str, what: str, at_s: float) -> None:
        copies_s = self._copies_s[message]
        copies_s.append(at_s)
        of_late = sum(copy_s > at_s - NET_CYCLE_S for copy_s in copies_s)
        if len(copies_s) > self._allowed[message]:
            self._broken(at_s, Rule.TOO_MANY_COPIES, f"{what}, {len(copies_s)} times")
        elif of_late > COPIES_IN_A_NET_CYCLE:
            self._broken(at_s, Rule.TOO_MANY_COPIES, f"{what}, {of_late} times in ten minutes")

    def _rides_along(self, to: str, frame: bytes, at_s: float) -> None:
        """A message may carry an acknowledgement (APRS 1.2c ch. 14, New Message Number Format)."""
        report = _read(frame)
        if isinstance(report, aprs.Message) and report.reply_ack:
            self._founded(to, report.reply_ack, at_s)

    def _show(self, record: records.Received, at_s: float) -> None:
        if (record.source, record.text) in self._shown:
            self._broken(at_s, Rule.SHOWN_TWICE, f"{record.source}: {record.text}")
        self._shown.add((record.source, record.text))
        self._received.add((record.source, _message_id(record.number)))

    def _acknowledge(self, record: records.AckSent, at_s: float) -> None:
        key = (record.to, record.number)
        self._founded(record.to, _message_id(record.number), at_s)
        before = self._ack_sent.get(key)
        self._note_ack(record, at_s)
        if self._acks[key] > ACKS_FOR_A_COPY * self._asked_for[key]:
            self._broken(
                at_s,
                Rule.ACK_STORM,
                f"number {record.number} of {record.to}, {self._acks[key]} acknowledgements for "
                f"{self._asked_for[key]} copies",
            )
        if before is None or at_s - before[0] >= ACK_GAP_S - ROUNDING_S:
            return
        before_s, info = before
        repeated = self._repeat_heard_s.get(info, -1.0) >= before_s
        if repeated or not self._digipeated:
            why = "repeat heard" if repeated else "no digipeater in reach"
            self._broken(
                at_s,
                Rule.ACK_TOO_SOON,
                f"number {record.number} of {record.to}, {at_s - before_s:.1f} s later, {why}",
            )

    def _note_ack(self, record: records.AckSent, at_s: float) -> None:
        key = (record.to, record.number)
        self._acks[key] += 1
        self._ack_sent[key] = (at_s, ax25.decode(record.frame).info)

    def _founded(self, source: str, message_id: str, at_s: float) -> None:
        if (source, message_id) not in self._received:
            self._broken(at_s, Rule.ACK_UNFOUNDED, f"number {message_id} of {source}")


def out_of_order(accepted: Sequence[str], shown: Sequence[str]) -> str | None:
    """The first text that its reader was shown before one that was accepted earlier, if any.

    Texts that were never shown are no matter.
    """
    places = {text: place for place, text in enumerate(accepted)}
    last = -1
    for text in shown:
        if places[text] < last:
            return text
        last = places[text]
    return None


def _message_id(number: str) -> str:
    """The part of a number field that names the message: '12' of '12}07'."""
    return number.partition("}")[0]


@functools.lru_cache(maxsize=4096)
def _read(octets: bytes) -> aprs.Report:
    frame = ax25.decode(octets)
    return aprs.decode(frame.info, frame.source, frame.destination)


def _text(octets: bytes) -> str:
    return ax25.to_monitor(ax25.decode(octets))

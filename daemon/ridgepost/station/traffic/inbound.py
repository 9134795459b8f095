"""Incoming messages: shown once, acknowledged each time, and the acknowledgements kept apart.

APRS 1.2 ch. 14: a message with a number is acknowledged by its addressee, once for each copy,
and identical acknowledgements are at least 30 seconds apart, because a digipeater repeats no
copy within that time. Where a digipeater should repeat us, each acknowledgement is guarded: if its
repeat is not heard, no digipeater has it, and it is sent again without waiting for the sender to
ask for it with another copy of the message.
"""

import random
from collections import OrderedDict
from dataclasses import dataclass

from ridgepost import aprs
from ridgepost.station.agenda import Agenda
from ridgepost.station.arrival import Arrival, path_list
from ridgepost.station.channel import Channel, Port
from ridgepost.station.echoes import Echoes
from ridgepost.station.heard import HeardStations
from ridgepost.station.journal import Journal
from ridgepost.station.moment import Moment
from ridgepost.station.records import AckSent, Received
from ridgepost.station.setup import Setup
from ridgepost.station.traffic.contention import Contention
from ridgepost.station.traffic.reply_acks import ReplyAcks
from ridgepost.station.tuning import Tuning
from ridgepost.station.ways import Ways

_MessageKey = tuple[str, str, str, str]
"""Source, addressee, message id ('' for none), text: what the copies of a message share."""

_AckKey = tuple[str, str]
"""Source and number field as sent, which the acknowledgement repeats to the letter."""


@dataclass(slots=True)
class _Known:
    """A message that was shown, and when its last copy came."""

    last_copy_s: float
    memory_s: float


@dataclass(slots=True)
class _Ack:
    """The acknowledgements of one message number of one sender."""

    sent: int = 0
    sent_s: float | None = None
    """When the last one was sent; None also when no digipeater can have it."""

    heard_on: Port | None = None
    why: str = ""
    info: bytes = b""
    guarded_on: Port | None = None
    """Where the repeat of the last one is expected, until it is heard or missed."""

    missed: int = 0
    pointless: bool = False
    """If the repeat of the last one is missed, too: more likely it was there and not heard."""

    copies: int = 0
    """Copies of the message that came."""


class Inbound:
    """Decides on incoming messages. Both memories are bounded by `Tuning.inbound_memory`."""

    def __init__(
        self,
        setup: Setup,
        tuning: Tuning,
        journal: Journal,
        *,
        channel: Channel,
        heard: HeardStations,
        ways: Ways,
        echoes: Echoes,
        contention: Contention,
        reply_acks: ReplyAcks,
        rng: random.Random,
    ) -> None:
        self._setup = setup
        self._tuning = tuning
        self._journal = journal
        self._channel = channel
        self._heard = heard
        self._ways = ways
        self._echoes = echoes
        self._contention = contention
        self._reply_acks = reply_acks
        self._rng = rng
        self._known: OrderedDict[_MessageKey, _Known] = OrderedDict()
        self._latest: dict[tuple[str, str], _MessageKey] = {}
        """The latest message to us from a source under a message id."""

        self._acks: OrderedDict[_AckKey, _Ack] = OrderedDict()
        self._due: Agenda[_AckKey, float] = Agenda()
        """Acknowledgements that wait for their 30 seconds, or whose repeat is listened for."""

        self._by_info: dict[bytes, _AckKey] = {}
        """Acknowledgements whose repeat is listened for, by what was sent."""

        self.acks_sent = 0
        self.acks_withheld = 0
        self.acks_guarded = 0
        """Sent again because nobody had repeated them."""

    def hear(
        self,
        message: aprs.Message | aprs.NtsLine,
        source: str,
        arrival: Arrival,
        now: Moment,
    ) -> bool:
        """Take in a message to us or to a group of ours; True if it is new and to be shown.

        `source` is who wrote it, which for third-party traffic is not who transmitted it.
        """
        number = message.message_id_field or ""
        to_us = self._setup.is_ours(message.addressee)
        key = (source, message.addressee, message.message_id or "", message.text)
        known = self._known.get(key)
        new = known is None or now.mono_s - known.last_copy_s > known.memory_s
        if new:
            record = Received(
                source=source,
                to=message.addressee,
                group=not to_us,
                text=message.text,
                number=number,
                path=path_list(arrival.frame),
                heard=arrival.seq,
                latin1=message.text_encoding != "utf-8",
            )
            self._journal.write(record, now)
            self.apply_received(record, now.mono_s)
        else:
            self._remember(key, now.mono_s)
            if to_us:
                self._note_number(source, number, now.mono_s)
        if number and to_us:
            self._acknowledge((source, number), arrival, now)
        return new

    def repeated(self, info: bytes, now: Moment) -> None:
        """Our frame with this information field was heard back from a digipeater."""
        key = self._by_info.get(info)
        ack = self._acks.get(key) if key is not None else None
        if key is None or ack is None:
            return
        postponed = ack.guarded_on is None and key in self._due
        self._unguard(key, ack)
        ack.missed = 0
        # From now on the digipeater suppresses a copy.
        ack.sent_s = now.mono_s
        if postponed:
            self._due.put(key, now.mono_s + self._tuning.ack_gap_s)

    def next_wakeup_s(self) -> float | None:
        """When the next postponed or guarded acknowledgement falls due."""
        due = self._due.first()
        return due[0] if due else None

    def tick(self, now: Moment) -> None:
        """Send the acknowledgements whose 30 seconds are over, and those that nobody repeated."""
        while (due := self._due.first()) and due[0] <= now.mono_s:
            key = self._due.pop()
            ack = self._acks[key]
            if ack.guarded_on is not None:
                self._echoes.missed(ack.guarded_on)
                ack.guarded_on = None  # a late repeat still counts
                ack.sent_s = None
                ack.missed += 1
                if ack.pointless:
                    continue
                self.acks_guarded += 1
                ack.why = "no repeat heard"
            self._send(key, ack, now)

    # -- restoring -------------------------------------------------------------------------------

    def apply_received(self, record: Received, at_s: float) -> None:
        """A message was shown: its copies are known from now on."""
        message_id = _message_id(record.number)
        key = (record.source, record.to, message_id, record.text)
        self._remember(key, at_s)
        if message_id and not record.group:
            self._latest[record.source, message_id] = key
            self._note_number(record.source, record.number, at_s)

    def apply_ack(self, record: AckSent, at_s: float) -> None:
        """An acknowledgement was sent: a copy had come, and the next one waits its turn."""
        ack = self._ack((record.to, record.number))
        ack.sent += 1
        ack.sent_s = at_s
        key = self._latest.get((record.to, _message_id(record.number)))
        if key is not None:
            self._remember(key, at_s)

    # -- inside ----------------------------------------------------------------------------------

    def _remember(self, key: _MessageKey, at_s: float) -> None:
        tuning = self._tuning
        numbered = key[2] != ""
        memory_s = tuning.numbered_memory_s if numbered else tuning.unnumbered_memory_s
        self._known[key] = _Known(at_s, memory_s)
        self._known.move_to_end(key)
        if len(self._known) > tuning.inbound_memory:
            oldest, _ = self._known.popitem(last=False)
            if self._latest.get((oldest[0], oldest[2])) == oldest:
                del self._latest[oldest[0], oldest[2]]

    def _note_number(self, source: str, number: str, at_s: float) -> None:
        """A sender that writes '}' understands reply-acks (APRS 1.2 ch. 14)."""
        if "}" in number:
            self._reply_acks.note(source, _message_id(number), at_s)

    def _ack(self, key: _AckKey) -> _Ack:
        ack = self._acks.setdefault(key, _Ack())
        self._acks.move_to_end(key)
        if len(self._acks) > self._tuning.inbound_memory:
            oldest, forgotten = self._acks.popitem(last=False)
            self._unguard(oldest, forgotten)
        return ack

    def _acknowledge(self, key: _AckKey, arrival: Arrival, now: Moment) -> None:
        if not self._setup.transmit:
            return
        ack = self._ack(key)
        ack.heard_on = arrival.port
        ack.copies += 1
        ack.missed = 0
        ack.why = f"message {arrival.way}" if ack.copies == 1 else f"a copy {arrival.way}"
        if ack.guarded_on is not None:
            return  # one is on its way that answers this copy too, or will be sent again soon
        earliest_s = now.mono_s
        if ack.sent_s is not None:
            earliest_s = ack.sent_s + self._tuning.ack_gap_s
        if earliest_s > now.mono_s:
            self._due.put(key, earliest_s)  # and answers the copies until then too
        else:
            self._send(key, ack, now)

    def _send(self, key: _AckKey, ack: _Ack, now: Moment) -> None:
        to, number = key
        port = self._channel.choose([ack.heard_on, self._heard.port_of(to)], ack.sent)
        if port is None:
            return  # the sender repeats its message, and that copy is acknowledged
        if not self._channel.room_for_ack(port, now.mono_s):
            self.acks_withheld += 1
            return
        # Both were read off the air: a name of a frame or a third-party header, which have no more
        # than nine characters, and an identifier field.
        info = aprs.encode_ack(to, number)
        # Each further copy of the message says that the answer to the one before did not arrive.
        path = self._ways.to(to, now.mono_s, max(ack.copies - 1, ack.missed))
        frame = self._setup.frame(info, path)
        record = AckSent(to=to, number=number, why=ack.why, frame=frame, tnc=port[0], port=port[1])
        self._journal.write(record, now)
        self.acks_sent += 1
        self._channel.transmit(self._journal, port, frame, now.mono_s)
        self.apply_ack(record, now.mono_s)
        if path:
            self._guard(key, ack, port, frame, info, now.mono_s)

    def _guard(
        self, key: _AckKey, ack: _Ack, port: Port, frame: bytes, info: bytes, now_s: float
    ) -> None:
        """Listen for the repeat of an acknowledgement, if one can be expected."""
        patience_s = self._echoes.sent(port, frame, info, now_s)
        if not self._echoes.expected(port, now_s):
            return
        tuning = self._tuning
        odds = self._echoes.nobody_has_it(port, ack.missed + 1)
        growth = tuning.guard_growth
        ack.pointless = ack.missed + 1 >= len(growth) or odds < tuning.guard_worth
        patience_s *= growth[min(ack.missed, len(growth) - 1)]
        patience_s *= 1.0 + self._rng.uniform(0.0, tuning.retry_jitter)
        others = self._contention.others(port, key[0], now_s)
        patience_s += others * self._rng.uniform(0.0, 2.0 * tuning.guard_contender_gap_s)
        ack.guarded_on = port
        ack.info = info
        self._by_info[info] = key
        self._due.put(key, now_s + patience_s)

    def _unguard(self, key: _AckKey, ack: _Ack) -> None:
        self._due.drop(key)
        self._by_info.pop(ack.info, None)
        ack.guarded_on = None


def _message_id(number: str) -> str:
    """The part of a number field that names the message: '12' of '12}07'."""
    return number.partition("}")[0]

"""The station: every decision, and nothing that touches the world.

Frames and asks go in, effects come out. Whoever calls it must write the `Log` effects to the
disk before carrying out what follows them, and must call `tick` by `next_wakeup_s`.
"""

import random
from collections.abc import Iterable

from ridgepost import aprs
from ridgepost.radio import ax25
from ridgepost.station.alarms import Alarms
from ridgepost.station.arrival import Arrival
from ridgepost.station.asks import Ask
from ridgepost.station.board import Board
from ridgepost.station.channel import Channel, Port
from ridgepost.station.counts import Counts
from ridgepost.station.desk import Desk
from ridgepost.station.duplicates import Duplicates
from ridgepost.station.echoes import Echoes
from ridgepost.station.effects import Effect, Log, Transmit
from ridgepost.station.heard import HeardStations
from ridgepost.station.hearing_log import HearingLog
from ridgepost.station.journal import Journal
from ridgepost.station.moment import Moment
from ridgepost.station.overview import Overview
from ridgepost.station.records import (
    AckSent,
    Answered,
    AnyRecord,
    BulletinHeard,
    BulletinOut,
    Cleared,
    CopiesHeard,
    Heard,
    LinkChanged,
    MarkedRead,
    MemberChanged,
    Noticed,
    OutboundChanged,
    QueryAnswered,
    QuestionChanged,
    Received,
    Started,
    Stopped,
    WatchChanged,
)
from ridgepost.station.setup import Setup
from ridgepost.station.traffic.bulletins import Bulletins
from ridgepost.station.traffic.contention import Contention
from ridgepost.station.traffic.inbound import Inbound
from ridgepost.station.traffic.outbound import Outbound
from ridgepost.station.traffic.parts import Parts
from ridgepost.station.traffic.queries import Queries
from ridgepost.station.traffic.questions import Questions
from ridgepost.station.traffic.reply_acks import ReplyAcks
from ridgepost.station.tuning import Tuning
from ridgepost.station.unseen import MESSAGES_KEPT, NOTICES_KEPT, Unseen
from ridgepost.station.watch import Watch
from ridgepost.station.ways import Ways


class Station:
    """One station's whole behaviour, in memory, told the time by its caller.

    `log`, `run` and `next_seq` name the place in the log where this run begins; `restore` it from
    the records before, then `start` it. Every method that returns effects returns all that is due
    at `now`.
    """

    def __init__(
        self,
        setup: Setup,
        tuning: Tuning,
        rng: random.Random,
        *,
        log: str,
        run: int,
        next_seq: int,
    ) -> None:
        self.setup = setup
        self.counts = Counts()
        self._journal = Journal(log, run, next_seq)
        self._channel = Channel(setup.ports, tuning)
        self._links: dict[str, tuple[bool, str]] = {}
        self._duplicates = Duplicates(tuning)
        self._heard = HeardStations(tuning.heard_stations)
        self._hearing_log = HearingLog(tuning.heard_stations)
        self._ways = Ways(setup, tuning, self._heard)
        self._echoes = Echoes(setup.ports, tuning)
        self._contention = Contention(tuning.contender_memory_s)
        self._reply_acks = ReplyAcks(tuning.reply_ack_memory_s)
        self._board = Board(self._journal)
        self._outbound = Outbound(
            setup,
            tuning,
            self._journal,
            channel=self._channel,
            heard=self._heard,
            ways=self._ways,
            echoes=self._echoes,
            contention=self._contention,
            reply_acks=self._reply_acks,
            rng=rng,
        )
        self._inbound = Inbound(
            setup,
            tuning,
            self._journal,
            channel=self._channel,
            heard=self._heard,
            ways=self._ways,
            echoes=self._echoes,
            contention=self._contention,
            reply_acks=self._reply_acks,
            rng=rng,
        )
        self._parts = Parts(tuning.parts_memory_s, tuning.unfinished_texts)
        self._bulletins = Bulletins(setup, tuning, self._journal, channel=self._channel, rng=rng)
        self._queries = Queries(
            setup,
            tuning,
            self._journal,
            channel=self._channel,
            heard=self._heard,
            hearing_log=self._hearing_log,
            ways=self._ways,
            outbound=self._outbound,
            rng=rng,
        )
        self._questions = Questions(setup, self._journal, channel=self._channel, heard=self._heard)
        self._overview = Overview()
        self._unread: Unseen[Received] = Unseen(MESSAGES_KEPT)
        self._notices: Unseen[Noticed] = Unseen(NOTICES_KEPT)
        self._watch = Watch(setup, tuning, self._journal)
        self._alarms = Alarms(tuning, self._journal, self._notices)
        self._desk = Desk(
            setup,
            tuning,
            self._journal,
            self._outbound,
            self._bulletins,
            self.counts,
            questions=self._questions,
            overview=self._overview,
            unread=self._unread,
            notices=self._notices,
            watch=self._watch,
            alarms=self._alarms,
        )

    # -- life ------------------------------------------------------------------------------------

    def restore(self, records: Iterable[tuple[AnyRecord, float]]) -> None:
        """Take over what earlier runs logged, oldest first: each record with the time at which it
        happened on this run's monotonic clock (before now, possibly negative)."""
        for record, at_s in records:
            self._keep(record, at_s)
            match record:
                case OutboundChanged():
                    self._outbound.apply(record, at_s)
                case Received():
                    self._inbound.apply_received(record, at_s)
                    self._parts.hear(
                        record.source, record.to, record.text, record.number, record.message, at_s
                    )
                case AckSent():
                    self._inbound.apply_ack(record, at_s)
                case BulletinHeard():
                    self._board.apply(record)
                case BulletinOut():
                    self._bulletins.apply(record, at_s)
                case QueryAnswered():
                    self._queries.apply(record, at_s)
                case QuestionChanged():
                    self._questions.apply(record, at_s)
                case Answered():
                    self._desk.apply(record, at_s)
                case MemberChanged():
                    self._watch.apply_member(record)
                case WatchChanged():
                    self._watch.apply(record, at_s)
                case Noticed():
                    self._alarms.apply(record, at_s)
                case Heard():
                    self._recall_heard(record, at_s)
                case _:
                    pass

    def start(self, version: str, now: Moment) -> list[Effect]:
        """Begin the run. Nothing is sent before a link comes up."""
        setup = self.setup
        started = Started(version=version, callsign=setup.callsign, transmit=setup.transmit)
        self._journal.write(started, now)
        self._watch.start(now)
        return self.tick(now)

    def stop(self, reason: str, now: Moment) -> list[Effect]:
        """End the run: close the counts of what was heard."""
        self._close_windows(Moment(float("inf"), now.wall_s, now.wall_trusted), now)
        self._journal.write(Stopped(reason=reason), now)
        return self._take()

    # -- events ----------------------------------------------------------------------------------

    def link_changed(self, tnc: str, up: bool, reason: str, now: Moment) -> list[Effect]:
        """A TNC came or went; the same news again is no news."""
        self._channel.link_changed(tnc, up)
        if self._links.get(tnc) != (up, reason):
            self._links[tnc] = (up, reason)
            self._journal.write(LinkChanged(tnc=tnc, up=up, reason=reason), now)
        self._watch.listening(any(is_up for is_up, _ in self._links.values()), now)
        return self.tick(now)

    def hear(self, tnc: str, port: int, octets: bytes, now: Moment) -> list[Effect]:
        """A frame (AX.25 without FCS) arrived on a port. Bad ones are counted, never raised."""
        self.counts.frames += 1
        try:
            frame = ax25.decode(octets)
        except ax25.FrameError:
            self.counts.malformed += 1
        else:
            if frame.is_aprs:
                self._hear_aprs(frame, octets, (tnc, port), now)
            else:
                self.counts.other_protocols += 1
        return self.tick(now)

    def not_sent(self, transmit: Transmit, now: Moment) -> list[Effect]:
        """A TNC did not take a frame that is logged as handed to it. The schedule stays: what is
        to be acknowledged is sent again, and an acknowledgement is asked for again."""
        frame = ax25.to_monitor(ax25.decode(transmit.octets))
        text = f"{transmit.tnc} port {transmit.port} did not take {frame}"
        self._journal.write(Noticed(kind="not-sent", text=text), now)
        return self.tick(now)

    def ask(self, ask: Ask, now: Moment) -> list[Effect]:
        """A client asks for something; the answer is among the effects."""
        self._desk.ask(ask, now)
        return self.tick(now)

    def tick(self, now: Moment) -> list[Effect]:
        """Do whatever has fallen due."""
        self._close_windows(now, now)
        self._inbound.tick(now)
        self._outbound.tick(now)
        # These use what the messages leave free.
        self._queries.tick(now)
        self._bulletins.tick(now)
        self._questions.tick(now)
        self._watch.tick(now)
        return self._take()

    def next_wakeup_s(self) -> float | None:
        """The monotonic time by which `tick` is to be called; None: only after an event."""
        times = (
            self._duplicates.next_close_s(),
            self._inbound.next_wakeup_s(),
            self._outbound.next_wakeup_s(),
            self._queries.next_wakeup_s(),
            self._questions.next_wakeup_s(),
            self._bulletins.next_wakeup_s(),
            self._watch.next_wakeup_s(),
        )
        return min((time for time in times if time is not None), default=None)

    # -- for people ------------------------------------------------------------------------------

    def totals(self) -> Counts:
        """Everything counted since the start, brought up to date."""
        self.counts.acks_sent = self._inbound.acks_sent
        self.counts.acks_guarded = self._inbound.acks_guarded
        self.counts.acks_withheld = self._inbound.acks_withheld
        self.counts.acks_late = self._outbound.late_acks
        self.counts.acks_unmatched = self._outbound.unmatched_acks
        self.counts.queries_answered = self._queries.answered
        self.counts.queries_unanswered = self._queries.unanswered
        return self.counts

    @property
    def open_messages(self) -> int:
        """Outgoing messages not yet settled."""
        return len(self._outbound)

    @property
    def airtime_used_s(self) -> float:
        """Seconds that this station has been on the air since its start."""
        return self._channel.airtime_used_s()

    # -- inside ----------------------------------------------------------------------------------

    def _take(self) -> list[Effect]:
        """All effects so far, with what they change noted for asks about it."""
        effects = self._journal.take()
        for effect in effects:
            if isinstance(effect, Log):
                self._keep(effect.entry.record, effect.entry.at.mono_s)
        return effects

    def _keep(self, record: AnyRecord, at_s: float) -> None:
        """What a person has still to see, and what can be asked about."""
        match record:
            case OutboundChanged():
                self._overview.apply(record, at_s)
            case Received() if record.message:
                self._unread.add(record.message, record)
            case MarkedRead():
                for message in record.messages:
                    self._unread.see(message)
            case Noticed() if record.notice:
                self._notices.add(record.notice, record)
            case Cleared():
                self._notices.see(record.notice)
                self._alarms.cleared(record.notice, at_s)
            case _:
                pass

    def _close_windows(self, until: Moment, now: Moment) -> None:
        for closed in self._duplicates.close(until.mono_s):
            record = CopiesHeard(of=closed.of, copies=closed.copies, paths=closed.paths)
            self._journal.write(record, now)

    def _hear_aprs(self, frame: ax25.Frame, octets: bytes, port: Port, now: Moment) -> None:
        self._close_windows(now, now)
        hearing = self._duplicates.hear(frame, port, self._journal.next_seq, now.mono_s)
        if hearing.first:
            self._journal.write(Heard(tnc=port[0], port=port[1], frame=octets), now)
        self._channel.heard(port, octets, now.mono_s)
        if frame.source == self.setup.callsign:
            self.counts.own_heard += 1
            self._hear_own(frame, port, now)
            return
        if not frame.direct and self._channel.may_transmit(port):
            self._echoes.repeat_heard(port, now.mono_s)
        report = aprs.decode(frame.info, frame.source, frame.destination)
        if hearing.first:
            self.counts.reports += 1
            self.counts.unreadable += isinstance(report, aprs.Unreadable)
        else:
            self.counts.copies += 1
        if hearing.first or hearing.sent_again:
            arrival = Arrival(frame, port, hearing.of)
            self._hearing_log.note(frame.source, now.mono_s, direct=frame.direct)
            self._note_heard(frame.source, port, now, direct=frame.direct, via=frame.used)
            if isinstance(report, aprs.Message | aprs.NtsLine | aprs.Ack | aprs.Rej):
                self._contention.note(port, frame.source, now.mono_s)
            self._read(report, frame.source, arrival, now)
            self._outbound.addressee_heard(frame.source, now)
            author, said, via = _author(frame, report)
            if author != self.setup.callsign:
                self._watch.hear(author, said, via, now)
                self._alarms.hear(author, self._watch.name_of(author), said, via, now)
        elif self._heard.port_of(frame.source) is None:
            # The first copy came in on a port that only listens.
            self._note_heard(frame.source, port, now, direct=frame.direct, via=frame.used)

    def _recall_heard(self, record: Heard, at_s: float) -> None:
        """A frame was heard in an earlier run: who is where and by which way."""
        try:
            frame = ax25.decode(record.frame)
        except ax25.FrameError:
            return
        if frame.source == self.setup.callsign:
            return
        port = (record.tnc, record.port)
        self._hearing_log.note(frame.source, at_s, direct=frame.direct)
        if self._channel.may_transmit(port):
            self._heard.note(frame.source, port, at_s, direct=frame.direct, via=frame.used)
        if len(self._watch):
            report = aprs.decode(frame.info, frame.source, frame.destination)
            author, said, via = _author(frame, report)
            if author != self.setup.callsign:
                self._watch.recall(author, said, via, at_s)

    def _hear_own(self, frame: ax25.Frame, port: Port, now: Moment) -> None:
        """Our own frame came back; if through a digipeater, that one has it."""
        if frame.direct or not self._channel.may_transmit(port):
            return
        echo = self._echoes.heard(port, frame.info, frame.heard_from, now.mono_s)
        if echo is not None:
            self._outbound.repeated(frame.info, echo, now)
            self._inbound.repeated(frame.info, now)

    def _note_heard(
        self,
        callsign: str,
        port: Port,
        now: Moment,
        *,
        direct: bool,
        via: tuple[str, ...] = (),
    ) -> None:
        if self._channel.may_transmit(port):
            self._heard.note(callsign, port, now.mono_s, direct=direct, via=via)

    def _hear_message(
        self, message: aprs.Message | aprs.NtsLine, source: str, arrival: Arrival, now: Moment
    ) -> None:
        """A message to us or to a group of ours, which may be the last part of a long text."""
        name = self._journal.upcoming_id()
        new = self._inbound.hear(message, source, arrival, now)
        self.counts.messages_in += new
        self.counts.message_copies += not new
        if new:
            number = message.message_id_field or ""
            joined = self._parts.hear(
                source, message.addressee, message.text, number, name, now.mono_s
            )
            if joined is not None:
                self._journal.write(joined, now)

    def _read(self, report: aprs.Report, source: str, arrival: Arrival, now: Moment) -> None:
        """Act on a report. `source` is its author, who for third-party traffic is far away."""
        match report:
            case aprs.ThirdParty(inner=inner, inner_source=author):
                if author != self.setup.callsign:
                    self._note_heard(author, arrival.port, now, direct=False)
                    self._read(inner, author, arrival, now)
                    self._outbound.addressee_heard(author, now)
            case (
                aprs.Bulletin()
                | aprs.Announcement()
                | aprs.GroupBulletin()
                | aprs.WeatherServiceBulletin()
            ):
                self._board.hear(source, report.addressee, report.text, arrival.seq, now)
            case aprs.Message() | aprs.NtsLine():
                if self.setup.is_ours(report.addressee) and report.reply_ack:
                    how = f"its message acknowledges, {arrival.way}"
                    self._outbound.acknowledged(source, report.reply_ack, how, now)
                if self.setup.is_ours(report.addressee) or report.addressee in self.setup.groups:
                    self._hear_message(report, source, arrival, now)
            case aprs.Ack() if self.setup.is_ours(report.addressee):
                self.counts.acks_heard += 1
                how = f"ack {arrival.way}"
                self._outbound.acknowledged(source, report.acknowledged_id, how, now)
            case aprs.Rej() if self.setup.is_ours(report.addressee):
                self.counts.acks_heard += 1
                how = f"rejection {arrival.way}"
                self._outbound.rejected(source, report.acknowledged_id, how, now)
            case aprs.DirectedQuery() if self.setup.is_ours(report.addressee):
                self._queries.hear_directed(report, source, arrival, now)
            case aprs.GeneralQuery() if source == arrival.frame.source:
                self._queries.hear_general(report, source, arrival, now)
            case _:
                pass  # logged and published as heard; no decision depends on it


def _author(frame: ax25.Frame, report: aprs.Report) -> tuple[str, aprs.Report, str]:
    """Who wrote a report, the report itself without the headers of gateways, and the digipeater or
    gateway that it was heard from, '' if it was heard direct."""
    author, via = frame.source, "" if frame.direct else frame.heard_from
    while isinstance(report, aprs.ThirdParty):
        author, report, via = report.inner_source, report.inner, frame.source
    return author, report, via

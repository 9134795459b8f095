"""Queries answered: those to this station, and those to all stations (APRS 1.2c ch. 15).

An answer is sent once and never acknowledged; whoever missed it asks again. Anybody can ask, so
the airtime is bounded thrice: the same answer once in a while, so many to one station, and so many
in all. Nothing is said where nothing is known, nor to what is not understood, as the standard has
it. Messages go first: an answer uses what they leave free, and is dropped if that is not soon.
"""

import random
from collections import deque
from collections.abc import Iterable

import msgspec

from ridgepost import aprs
from ridgepost.station.arrival import Arrival, path_list
from ridgepost.station.channel import Channel, Port
from ridgepost.station.heard import HeardStations
from ridgepost.station.hearing_log import HearingLog
from ridgepost.station.journal import Journal
from ridgepost.station.moment import Moment
from ridgepost.station.records import QueryAnswered
from ridgepost.station.setup import Setup
from ridgepost.station.traffic.outbound import Outbound
from ridgepost.station.tuning import Tuning
from ridgepost.station.ways import Path, Ways

_TO_ALL = "APRS"


class _Kind:
    """The query types that are answered here (APRS 1.2c ch. 15)."""

    DIRECTS = "APRSD"
    HEARD = "APRSH"
    MESSAGES = "APRSM"
    POSITION = "APRSP"
    STATUS = "APRSS"
    TRACE = "APRST"


_FOR_EVERYBODY = (_Kind.POSITION, _Kind.STATUS)
"""Answers that are reports like any other, and not messages to whoever asks."""


class _Promise(msgspec.Struct, frozen=True):
    """An answer that is due, or soon will be."""

    asker: str
    query: str
    why: str
    info: bytes
    path: Path
    heard_on: Port
    due_s: float


class _Given(msgspec.Struct, frozen=True):
    """An answer that was promised, or sent in an earlier run."""

    at_s: float
    asker: str
    query: str


class Queries:
    """Decides on queries. Both memories are bounded by `Tuning.answers_in_all`."""

    def __init__(
        self,
        setup: Setup,
        tuning: Tuning,
        journal: Journal,
        *,
        channel: Channel,
        heard: HeardStations,
        hearing_log: HearingLog,
        ways: Ways,
        outbound: Outbound,
        rng: random.Random,
    ) -> None:
        self._setup = setup
        self._tuning = tuning
        self._journal = journal
        self._channel = channel
        self._heard = heard
        self._hearing_log = hearing_log
        self._ways = ways
        self._outbound = outbound
        self._rng = rng
        self._position, self._status = _own_reports(setup)
        self._promises: list[_Promise] = []
        self._given: deque[_Given] = deque(maxlen=tuning.answers_in_all)
        self.answered = 0
        self.unanswered = 0
        """Queries without an answer here or past the limits, and answers that found no room."""

    def __len__(self) -> int:
        return len(self._promises)

    # -- what was heard --------------------------------------------------------------------------

    def hear_directed(
        self, query: aprs.DirectedQuery, source: str, arrival: Arrival, now: Moment
    ) -> None:
        """`source` asks this station; for third-party traffic it did not transmit the frame."""
        if not query.recognised or not self._setup.transmit:
            return
        kind = query.same_as or query.query
        if kind == _Kind.MESSAGES:
            self._send_again(source, now)
            return
        info = self._info(kind, query.heard_station or "", source, arrival, now)
        why = f"{source} asks, {arrival.way}"
        asked = kind + (query.heard_station or "")
        path = self._ways.to(source, now.mono_s)
        self._answer([(asked, info)], source, why, path, arrival.port, now, now.mono_s)

    def hear_general(
        self, query: aprs.GeneralQuery, source: str, arrival: Arrival, now: Moment
    ) -> None:
        """`source` asks all stations, or those within a circle."""
        if query.query != _TO_ALL or not self._setup.transmit:
            return
        place = self._setup.position
        latitude_deg = place.latitude_deg if place else None
        longitude_deg = place.longitude_deg if place else None
        if not aprs.must_answer(query, latitude_deg, longitude_deg):
            return
        due_s = now.mono_s + self._rng.uniform(0.0, self._tuning.general_answer_spread_s)
        why = f"{source} asks all, {arrival.way}"
        reports = ((_Kind.POSITION, self._position), (_Kind.STATUS, self._status))
        self._answer(reports, source, why, self._setup.path, arrival.port, now, due_s)

    # -- time ------------------------------------------------------------------------------------

    def next_wakeup_s(self) -> float | None:
        """When `tick` has something to do, if nothing else happens before."""
        times: list[float] = []
        for promise in self._promises:
            port = self._port(promise)
            times.append(promise.due_s + self._tuning.answer_patience_s)
            if port is not None:
                times.append(max(promise.due_s, self._channel.free_at_s(port)))
        return min(times, default=None)

    def tick(self, now: Moment) -> None:
        """Send what is due and what the messages leave room for; to be called after them."""
        if not self._promises:
            return
        kept: list[_Promise] = []
        for promise in self._promises:
            port = self._port(promise)
            if now.mono_s >= promise.due_s + self._tuning.answer_patience_s:
                self.unanswered += 1
            elif (
                port is None
                or now.mono_s < promise.due_s
                or now.mono_s < self._channel.free_at_s(port)
            ):
                kept.append(promise)
            else:
                self._send(promise, port, now)
        self._promises = kept

    # -- restoring -------------------------------------------------------------------------------

    def apply(self, record: QueryAnswered, at_s: float) -> None:
        """An answer was sent in an earlier run, and counts for the limits."""
        self._given.append(_Given(at_s, record.asker, record.query))

    # -- inside ----------------------------------------------------------------------------------

    def _answer(
        self,
        answers: Iterable[tuple[str, bytes | None]],
        asker: str,
        why: str,
        path: Path,
        heard_on: Port,
        now: Moment,
        due_s: float,
    ) -> None:
        """Promise each answer that there is, as far as the limits allow."""
        promised = False
        for query, info in answers:
            if info is not None and self._allowed(query, asker, now.mono_s):
                self._promises.append(_Promise(asker, query, why, info, path, heard_on, due_s))
                self._given.append(_Given(now.mono_s, asker, query))
                promised = True
        self.unanswered += not promised

    def _send_again(self, asker: str, now: Moment) -> None:
        """The answer is the messages themselves: they are sent from where they wait."""
        if self._allowed(_Kind.MESSAGES, asker, now.mono_s) and self._outbound.asked_for(
            asker, now
        ):
            self._given.append(_Given(now.mono_s, asker, _Kind.MESSAGES))
            self.answered += 1
        else:
            self.unanswered += 1

    def _allowed(self, query: str, asker: str, now_s: float) -> bool:
        tuning = self._tuning
        lately = [given for given in self._given if now_s - given.at_s < tuning.answer_window_s]
        if len(lately) >= tuning.answers_in_all:
            return False
        if sum(given.asker == asker for given in lately) >= tuning.answers_per_asker:
            return False
        return not any(
            given.query == query
            and (given.asker == asker or query in _FOR_EVERYBODY)
            and now_s - given.at_s < tuning.answer_gap_s
            for given in lately
        )

    def _port(self, promise: _Promise) -> Port | None:
        return self._channel.choose([promise.heard_on, self._heard.port_of(promise.asker)], 0)

    def _send(self, promise: _Promise, port: Port, now: Moment) -> None:
        frame = self._setup.frame(promise.info, promise.path)
        record = QueryAnswered(
            asker=promise.asker,
            query=promise.query,
            why=promise.why,
            frame=frame,
            tnc=port[0],
            port=port[1],
        )
        self._journal.write(record, now)
        self.answered += 1
        self._channel.transmit(self._journal, port, frame, now.mono_s)

    # -- inside: what is said --------------------------------------------------------------------

    def _info(
        self, kind: str, station: str, asker: str, arrival: Arrival, now: Moment
    ) -> bytes | None:
        """The information field that answers a directed query; None if there is nothing to say,
        as always for objects, since this station has none."""
        text: str | None = None
        match kind:
            case _Kind.POSITION:
                return self._position
            case _Kind.STATUS:
                return self._status
            case _Kind.DIRECTS:
                text = self._directs(now.mono_s)
            case _Kind.HEARD:
                text = self._heard_counts(station, now.mono_s)
            case _Kind.TRACE:
                text = _route(arrival)
        try:
            return aprs.encode_message(asker, text) if text else None
        except aprs.EncodeError:
            return None  # an asker in a third-party header whose name cannot be an addressee

    def _directs(self, now_s: float) -> str | None:
        """'Directs= QZ1SAG QZ1MED': as many as there is room for, the latest first."""
        text = "Directs="
        for callsign in self._hearing_log.heard_direct(now_s, self._tuning.direct_memory_s):
            if len(text) + 1 + len(callsign) > aprs.MAX_TEXT:
                break
            text += f" {callsign}"
        return text if " " in text else None

    def _heard_counts(self, station: str, now_s: float) -> str | None:
        """'QZ1SAG HEARD: 1 3 2 . . 4 5 6': the present hour first, a dot for none."""
        counts = self._hearing_log.counts_of(station, now_s)
        if counts is None:
            return None
        return f"{station} HEARD: {' '.join(str(count) if count else '.' for count in counts)}"


def _own_reports(setup: Setup) -> tuple[bytes | None, bytes | None]:
    """Our position and our status as they are sent; None for what is not set."""
    position, place = None, setup.position
    if place is not None:
        position = aprs.encode_position(
            place.latitude_deg,
            place.longitude_deg,
            setup.symbol[:1],
            setup.symbol[1:],
            setup.comment,
        )
    return position, aprs.encode_status(setup.status) if setup.status else None


def _route(arrival: Arrival) -> str:
    """The way by which a query came, 'QZ1SAG>APZ001,QZ1RDG*,WIDE2-1:'; dots for what is too long
    to be told."""
    frame = arrival.frame
    head = f"{frame.source}>{frame.destination}"
    for count in range(len(frame.path), -1, -1):
        addresses = path_list(frame)[:count]
        end = ":" if count == len(frame.path) else ",...:"
        text = ",".join([head, *addresses]) + end
        if len(text) <= aprs.MAX_TEXT:
            break
    return text

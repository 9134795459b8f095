"""Gives each record its place in the log and collects the effects of one decision."""

import msgspec

from ridgepost.station.effects import Effect, Log, Tell, Transmit
from ridgepost.station.moment import Moment
from ridgepost.station.records import AnyRecord, Entry, Noticed, Received, entry_id
from ridgepost.station.told import Told


class Journal:
    """The pen that every part of the station writes with.

    `log` and `run` name the log and this run of it; `next_seq` is the first free number.
    """

    def __init__(self, log: str, run: int, next_seq: int) -> None:
        self.log = log
        self.run = run
        self.next_seq = next_seq
        self._effects: list[Effect] = []

    def write(self, record: AnyRecord, now: Moment) -> int:
        """Log a record and return its sequence number."""
        if isinstance(record, Noticed) and not record.notice:
            record = msgspec.structs.replace(record, notice=self.upcoming_id())
        elif isinstance(record, Received) and not record.message:
            record = msgspec.structs.replace(record, message=self.upcoming_id())
        seq = self.next_seq
        self.next_seq += 1
        self._effects.append(Log(Entry(seq, self.run, now, record)))
        return seq

    def upcoming_id(self) -> str:
        """The name that the next entry will have."""
        return entry_id(self.log, self.run, self.next_seq)

    def transmit(self, tnc: str, port: int, octets: bytes) -> None:
        """Ask for a transmission, after everything written so far."""
        self._effects.append(Transmit(tnc, port, octets))

    def tell(self, told: Told) -> None:
        """Tell a client something, after everything written so far."""
        self._effects.append(Tell(told))

    def take(self) -> list[Effect]:
        """All effects since the last call, in order."""
        effects, self._effects = self._effects, []
        return effects

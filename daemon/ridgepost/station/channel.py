"""The ports that the station may use, and the share of each channel's time that it takes."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeAlias

import msgspec

from ridgepost.radio.airtime import airtime_s
from ridgepost.station.journal import Journal
from ridgepost.station.records import Precedence
from ridgepost.station.tuning import Tuning

Port: TypeAlias = tuple[str, int]
"""A TNC by its name in the settings, and the number of one of its KISS ports."""


class PortSetup(msgspec.Struct, frozen=True, kw_only=True):
    """One KISS port of one TNC as the settings describe it."""

    tnc: str
    port: int
    receive_only: bool = False
    bit_rate: int = 1200
    txdelay_s: float = 0.3
    tx_tail_s: float = 0.03


@dataclass(slots=True)
class _Port:
    setup: PortSetup
    up: bool = False
    free_at_s: float = 0.0
    airtime_s: float = 0.0
    heard_s: float = 0.0
    """Airtime of what was heard, fading with `Tuning.occupancy_memory_s`."""

    heard_at_s: float = 0.0


class Channel:
    """Which ports can transmit, and when the next message of ours may go out on each."""

    def __init__(self, ports: Iterable[PortSetup], tuning: Tuning) -> None:
        self._tuning = tuning
        self._ports = {(setup.tnc, setup.port): _Port(setup) for setup in ports}

    def link_changed(self, tnc: str, up: bool) -> None:
        """A TNC came or went; frames in a TNC that went are lost with it."""
        for (name, _), port in self._ports.items():
            if name == tnc:
                port.up = up

    def may_transmit(self, port: Port) -> bool:
        """The settings let us transmit on this port, whether its TNC is there or not."""
        known = self._ports.get(port)
        return known is not None and not known.setup.receive_only

    def can_transmit(self, port: Port) -> bool:
        """This port can transmit now."""
        return self.may_transmit(port) and self._ports[port].up

    def usable(self) -> list[Port]:
        """Ports that can transmit now, in the order of the settings."""
        return [port for port in self._ports if self.can_transmit(port)]

    def choose(self, preferred: Iterable[Port | None], turn: int) -> Port | None:
        """The first of the preferred ports that can transmit; failing these, each usable port in
        turn. None if none can."""
        for port in preferred:
            if port is not None and self.can_transmit(port):
                return port
        usable = self.usable()
        return usable[turn % len(usable)] if usable else None

    def free_at_s(self, port: Port, precedence: Precedence = Precedence.ROUTINE) -> float:
        """From when the next message of ours with this precedence may be handed to this port."""
        return self._ports[port].free_at_s - self._tuning.overdraft_s[precedence.rank]

    def room_for_ack(self, port: Port, now_s: float) -> bool:
        """An acknowledgement may go at once: we have not talked too much already."""
        return self.free_at_s(port) - now_s <= self._tuning.ack_debt_s

    def heard(self, port: Port, octets: bytes, now_s: float) -> None:
        """A frame was heard: the channel was busy for as long as it took."""
        used = self._ports.get(port)
        if used is not None:
            used.heard_s = self._heard_s(used, now_s) + _on_air_s(used.setup, octets)
            used.heard_at_s = now_s

    def occupancy(self, port: Port, now_s: float) -> float:
        """The share of time that frames heard have lately taken, from 0 to 1."""
        return min(self._heard_s(self._ports[port], now_s) / self._tuning.occupancy_memory_s, 1.0)

    def transmit(self, journal: Journal, port: Port, octets: bytes, now_s: float) -> None:
        """Ask for a transmission; count its airtime and leave the channel to others after it."""
        journal.transmit(*port, octets)
        used = self._ports[port]
        on_air_s = _on_air_s(used.setup, octets)
        used.airtime_s += on_air_s
        over = max(self.occupancy(port, now_s) - self._tuning.busy_above, 0.0)
        share = self._tuning.own_share * (1.0 - over)
        used.free_at_s = max(used.free_at_s, now_s) + on_air_s / share

    def airtime_used_s(self) -> float:
        """Seconds on air since the start, as far as the frames handed over were sent."""
        return sum(port.airtime_s for port in self._ports.values())

    def _heard_s(self, port: _Port, now_s: float) -> float:
        return port.heard_s * math.exp((port.heard_at_s - now_s) / self._tuning.occupancy_memory_s)


def _on_air_s(setup: PortSetup, octets: bytes) -> float:
    return airtime_s(octets, setup.bit_rate, setup.txdelay_s, setup.tx_tail_s)

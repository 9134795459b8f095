"""The ports that the station may use, and the share of each channel's time that it takes."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeAlias

import msgspec

from ridgepost.radio.airtime import airtime_s
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

    def free_at_s(self, port: Port) -> float:
        """From when the next message of ours may be handed to this port."""
        return self._ports[port].free_at_s

    def room_for_ack(self, port: Port, now_s: float) -> bool:
        """An acknowledgement may go at once: we have not talked too much already."""
        return self.free_at_s(port) - now_s <= self._tuning.ack_debt_s

    def book(self, port: Port, octets: bytes, now_s: float) -> None:
        """A frame of ours goes out: count its airtime and leave the channel to others after it."""
        used = self._ports[port]
        setup = used.setup
        on_air_s = airtime_s(octets, setup.bit_rate, setup.txdelay_s, setup.tx_tail_s)
        used.airtime_s += on_air_s
        used.free_at_s = max(used.free_at_s, now_s) + on_air_s / self._tuning.own_share

    def airtime_used_s(self) -> float:
        """Seconds on air since the start, as far as the frames handed over were sent."""
        return sum(port.airtime_s for port in self._ports.values())

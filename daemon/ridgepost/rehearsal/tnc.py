"""A TNC for a node of the simulated channel: KISS over TCP on this machine, for real programs.

It has no clock and starts no timers: what a host sends is handed to the channel at the moment that
`now_s` gives, and what the node receives goes to the hosts while somebody advances the channel.
"""

import asyncio
from collections.abc import Callable
from types import TracebackType
from typing import Self, cast

import msgspec

from ridgepost.radio import kiss
from ridgepost.rehearsal.channel import Channel, RadioParameters, Received

HOST = "127.0.0.1"


class SimulatedTnc:
    """A KISS server in front of one node.

        async with SimulatedTnc(channel, "QZ1HUB-10", clock) as tnc:
            ...  # a host connects to tnc.url

    Any number of hosts may connect, as to a real TNC with a network side. It has one KISS port,
    0. `now_s` gives the present virtual time; if the channel has been advanced beyond it, the
    channel's time is taken.
    """

    def __init__(self, channel: Channel, node: str, now_s: Callable[[], float]) -> None:
        self.frames_to_host = 0
        """Frames handed to the sockets, counted once for each host."""
        self.frames_from_host = 0
        """Data frames handed to the channel."""
        self.frames_dropped = 0
        """Received frames that a host did not get because it reads too slowly."""
        self.ignored = 0
        """KISS frames from hosts that this TNC has no use for."""
        self._channel = channel
        self._node = node
        self._now_s = now_s
        self._hosts: list[_Host] = []
        self._server: asyncio.Server | None = None
        self._changed = asyncio.Event()
        channel.on_received(node, self._to_hosts)

    def __repr__(self) -> str:
        return f"<SimulatedTnc {self._node} hosts={self.hosts}>"

    async def start(self, port: int = 0) -> None:
        """Listen on 127.0.0.1; `port` 0 takes any free one. Raises OSError."""
        loop = asyncio.get_running_loop()
        self._server = await loop.create_server(lambda: _Host(self), HOST, port)

    async def close(self) -> None:
        """Stop listening and hang up; when it returns, every connection is gone."""
        if self._server is None:
            return
        self._server.close()
        for host in list(self._hosts):
            host.hang_up()
        while self._hosts:
            await self.changed()
        await self._server.wait_closed()
        self._server = None

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self.close()

    @property
    def port(self) -> int:
        """The TCP port. Raises RuntimeError while closed."""
        if self._server is None:
            raise RuntimeError("the TNC is not listening")
        return int(self._server.sockets[0].getsockname()[1])

    @property
    def url(self) -> str:
        return f"tcp://{HOST}:{self.port}"

    @property
    def hosts(self) -> int:
        """How many are connected."""
        return len(self._hosts)

    async def changed(self) -> None:
        """Return when a host has come, gone or sent something since the call."""
        self._changed.clear()
        await self._changed.wait()

    def hang_up(self) -> None:
        """Break all connections, as when a cable is pulled, and go on listening."""
        for host in list(self._hosts):
            host.hang_up()

    # --- between the sockets and the channel ---

    def _joined(self, host: "_Host") -> None:
        self._hosts.append(host)
        self._changed.set()

    def _left(self, host: "_Host") -> None:
        self._hosts.remove(host)
        self._changed.set()

    def _to_hosts(self, received: Received) -> None:
        octets = kiss.frame(0, kiss.DATA, received.octets)
        for host in self._hosts:
            if host.write(octets):
                self.frames_to_host += 1
            else:
                self.frames_dropped += 1

    def _from_host(self, frame: kiss.KissFrame) -> None:
        self._changed.set()
        if frame.port != 0 or not frame.payload:
            self.ignored += 1
        elif frame.command == kiss.DATA:
            self.frames_from_host += 1
            at_s = max(self._now_s(), self._channel.now_s)
            self._channel.transmit(self._node, frame.payload, at_s)
        else:
            radio = self._channel.radio(self._node)
            changed = _with_command(radio, frame.command, frame.payload[0])
            if changed is None:
                self.ignored += 1
            else:
                self._channel.set_radio(self._node, changed)


def _with_command(radio: RadioParameters, command: int, value: int) -> RadioParameters | None:
    """`radio` after one KISS parameter command (KISS paper, from memory); None: not a known one."""
    replace = msgspec.structs.replace
    match command:
        case kiss.TXDELAY:
            return replace(radio, txdelay_s=value / 100)
        case kiss.PERSISTENCE:
            return replace(radio, persistence=(value + 1) / 256)
        case kiss.SLOT_TIME:
            return replace(radio, slot_time_s=value / 100)
        case kiss.TX_TAIL:
            return replace(radio, tx_tail_s=value / 100)
        case kiss.FULL_DUPLEX:
            return replace(radio, full_duplex=value != 0)
        case _:
            return None


class _Host(asyncio.Protocol):
    """One connection."""

    def __init__(self, tnc: SimulatedTnc) -> None:
        self._tnc = tnc
        self._deframer = kiss.Deframer()
        self._transport: asyncio.Transport | None = None
        self._paused = False

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast("asyncio.Transport", transport)
        self._tnc._joined(self)

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 - asyncio passes it
        self._transport = None
        self._tnc._left(self)

    def data_received(self, data: bytes) -> None:
        for frame in self._deframer.feed(data):
            self._tnc._from_host(frame)

    def pause_writing(self) -> None:
        self._paused = True

    def resume_writing(self) -> None:
        self._paused = False

    def write(self, octets: bytes) -> bool:
        """False: the host has not read what it got so far, and does not get this."""
        if self._transport is None or self._paused:
            return False
        self._transport.write(octets)
        return True

    def hang_up(self) -> None:
        if self._transport is not None:
            self._transport.abort()

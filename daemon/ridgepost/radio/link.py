"""The link to one TNC: KISS over a serial line or TCP, kept up for as long as the program runs.

This is the shell around kiss.py. It opens the line, tells the TNC its parameters, hands up what the
TNC heard, and opens the line again whenever it fails. It decides nothing about what is sent or what
a frame means.
"""

import asyncio
import contextlib
import errno
import fcntl
import os
import random
import socket
import struct
import termios
from collections.abc import Awaitable, Callable, Mapping
from typing import Any, Final, cast

import msgspec
import serial
import serial_asyncio

from ridgepost.causes import causes
from ridgepost.radio import kiss
from ridgepost.radio.address import SerialAddress, TcpAddress
from ridgepost.radio.backoff import Backoff

CONNECT_TIMEOUT_S: Final = 10.0
CLOSE_TIMEOUT_S: Final = 2.0
# About 25 frames of the greatest length that APRS allows: a minute on air at 1200 bit/s. A TNC that
# takes no more than that is hung, and what waits for it would be stale when it woke up.
MAX_BACKLOG_OCTETS: Final = 8192
# A name with more addresses than this is not the name of a TNC.
MAX_ADDRESSES: Final = 4
# A dead peer is noticed 60 s after its last sign of life when nothing is sent (idle, then three
# probes), and as long after the first octets that it does not acknowledge when something is.
KEEPALIVE_IDLE_S: Final = 30
KEEPALIVE_INTERVAL_S: Final = 10
KEEPALIVE_PROBES: Final = 3
DEAD_PEER_S: Final = KEEPALIVE_IDLE_S + KEEPALIVE_PROBES * KEEPALIVE_INTERVAL_S
_FLUSH_POLL_S: Final = 0.01

_CLOSED: Final = "the TNC closed the connection"
_TIMED_OUT: Final = "timed out: the TNC does not answer"
_VANISHED: Final = "the device is gone (was it unplugged?)"
_BUSY: Final = "device busy: another program has it open"
_NO_DEVICE: Final = "no such device (is it plugged in?)"
_NO_SERIAL_PORT: Final = "not a serial port"
_PERMISSION: Final = (
    "permission denied: the user must be in the group that owns the device, usually dialout"
)
_UNREACHABLE: Final = "host not reachable (is the network up?)"
_SERIAL_REASONS: Final = {
    errno.ENOENT: _NO_DEVICE,
    errno.ENODEV: _NO_DEVICE,
    errno.ENXIO: _NO_DEVICE,
    errno.EACCES: _PERMISSION,
    errno.EPERM: _PERMISSION,
    errno.EBUSY: _BUSY,
    errno.EAGAIN: _BUSY,  # from the lock on the device
    errno.EIO: _VANISHED,
    errno.ENOTTY: _NO_SERIAL_PORT,
    errno.EISDIR: _NO_SERIAL_PORT,
    errno.EINVAL: "the device does not take these settings (is the baud rate right?)",
}
_TCP_REASONS: Final = {
    errno.ECONNREFUSED: "connection refused (is the TNC's server running, and on this port?)",
    errno.ECONNRESET: _CLOSED,
    errno.ECONNABORTED: _CLOSED,
    errno.EPIPE: _CLOSED,
    errno.EHOSTUNREACH: _UNREACHABLE,
    errno.EHOSTDOWN: _UNREACHABLE,
    errno.ENETUNREACH: _UNREACHABLE,
    errno.ENETDOWN: _UNREACHABLE,
    errno.EACCES: "permission denied by a packet filter",
    errno.EPERM: "permission denied by a packet filter",
}


class LinkUp(msgspec.Struct, frozen=True):
    """The line to the TNC is open and its parameters are on the way."""

    tnc: str


class LinkDown(msgspec.Struct, frozen=True):
    """The line failed or could not be opened; one for each try. `reason` is for the operator."""

    tnc: str
    reason: str
    retry_in_s: float


class FrameHeard(msgspec.Struct, frozen=True):
    """A data frame from a port of the TNC: AX.25 without flags and FCS, not yet looked at."""

    tnc: str
    port: int
    octets: bytes


LinkEvent = LinkUp | LinkDown | FrameHeard


class LinkCounts(msgspec.Struct):
    """What a link has done since it was made; octets are those on the line, framing and all."""

    connects: int = 0
    failures: int = 0  # tries that failed, and links that were lost
    frames_heard: int = 0
    frames_sent: int = 0
    octets_in: int = 0
    octets_out: int = 0
    send_refused: int = 0  # the link was down, or the TNC did not keep up
    framing: kiss.Counts = msgspec.field(default_factory=kiss.Counts)


class Link:
    """One TNC. `run()` keeps the line up; `send()` and `is_up` may be used at any time.

    `parameters` are sent to the KISS ports they are listed for each time the line is opened, since
    a TNC that was off has forgotten them. Ports that are not listed are heard all the same.
    `on_event` is called from the event loop and must not block.

    Raises ValueError when a port in `parameters` is not a KISS port.
    """

    def __init__(
        self,
        tnc: str,
        address: SerialAddress | TcpAddress,
        parameters: Mapping[int, kiss.Parameters],
        on_event: Callable[[LinkEvent], None],
        *,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
        rng: random.Random,
        backoff: Backoff = Backoff(),  # noqa: B008  frozen, so one may serve all
    ) -> None:
        self.tnc = tnc
        self.address = address
        self.last_error = ""  # why the last try failed or the last link was lost
        self._greeting = b"".join(parameters[port].commands(port) for port in sorted(parameters))
        self._on_event = on_event
        self._sleep = sleep
        self._rng = rng
        self._backoff = backoff
        self._deframer = kiss.Deframer()
        self.counts = LinkCounts(framing=self._deframer.counts)
        self._wire: _Wire | None = None  # only while the link is up
        self._opening: asyncio.Future[_Port] | None = None

    def __repr__(self) -> str:
        state = "up" if self.is_up else f"down, {self.last_error or 'not yet tried'}"
        return f"<Link {self.tnc} {self.address}: {state}>"

    @property
    def is_up(self) -> bool:
        """True while the line is open."""
        return self._wire is not None and self._wire.is_open

    def send(self, port: int, octets: bytes) -> bool:
        """Hand a frame (AX.25 without flags and FCS) to `port` of the TNC; never blocks.

        True means that it was written towards the TNC, not that it was sent on air. False: the link
        is down, or the TNC has left MAX_BACKLOG_OCTETS untaken; nothing was written then. Raises
        ValueError when `port` is not a KISS port.
        """
        framed = kiss.frame(port, kiss.DATA, octets)
        wire = self._wire
        if (
            wire is None
            or not wire.is_open
            or wire.backlog_octets + len(framed) > MAX_BACKLOG_OCTETS
        ):
            self.counts.send_refused += 1
            return False
        self._write(wire, framed)
        self.counts.frames_sent += 1
        return True

    async def run(self) -> None:
        """Keep the link up until cancelled; then write what is left, within CLOSE_TIMEOUT_S."""
        delays = self._backoff.delays(self._rng)
        try:
            while True:
                lasted = await self._one_connection()
                if lasted:
                    delays = self._backoff.delays(self._rng)
                retry_in_s = next(delays)
                self._emit(LinkDown(self.tnc, self.last_error, retry_in_s))
                await self._sleep(retry_in_s)
        finally:
            if self._opening is not None:
                self._opening.add_done_callback(_close_late)

    async def _one_connection(self) -> bool:
        """Open the line and use it until it fails; True when it was up for the stable time."""
        loop = asyncio.get_running_loop()
        wire = _Wire(self._received)
        try:
            try:
                async with asyncio.timeout(CONNECT_TIMEOUT_S):
                    await self._open(wire)
            except Exception as error:  # whatever a driver or a resolver comes up with
                self._failed(error)
                return False
            up_at_s = loop.time()
            self.counts.connects += 1
            self._deframer.reset()
            self._wire = wire
            self._write(wire, self._greeting)
            self._emit(LinkUp(self.tnc))
            await wire.gone.wait()
            self._failed(wire.failure)
            return loop.time() - up_at_s >= self._backoff.stable_s
        finally:
            self._wire = None
            await wire.close()

    async def _open(self, wire: "_Wire") -> None:
        loop = asyncio.get_running_loop()
        if isinstance(self.address, TcpAddress):
            dialled = await _dial(self.address)
            await loop.create_connection(lambda: wire, sock=dialled)
        else:
            port = await self._open_port(self.address)
            port.on_failure = wire.fail
            transport, _ = await serial_asyncio.connection_for_serial(loop, lambda: wire, port)
            # The transport says so itself only in the next turn of the loop.
            wire.connection_made(transport)

    async def _open_port(self, address: SerialAddress) -> "_Port":
        """Open the device in a thread: the driver of a sick USB device can take seconds over it.

        A thread cannot be stopped. So one that was given up is waited for again by the next try,
        and there is never more than one.
        """
        if self._opening is None:
            loop = asyncio.get_running_loop()
            self._opening = loop.run_in_executor(None, _Port, address)
        try:
            port = await asyncio.shield(self._opening)
        except Exception:
            self._opening = None
            raise
        self._opening = None
        return port

    def _write(self, wire: "_Wire", octets: bytes) -> None:
        wire.write(octets)
        self.counts.octets_out += len(octets)

    def _received(self, wire: "_Wire", octets: bytes) -> None:
        if wire is not self._wire:
            return  # it is being closed
        self.counts.octets_in += len(octets)
        for frame in self._deframer.feed(octets):
            if frame.command == kiss.DATA and frame.payload:
                self.counts.frames_heard += 1
                self._emit(FrameHeard(self.tnc, frame.port, frame.payload))

    def _failed(self, error: BaseException | None) -> None:
        self.counts.failures += 1
        self.last_error = explain(error, self.address)

    def _emit(self, event: LinkEvent) -> None:
        try:
            self._on_event(event)
        except Exception as error:  # a fault of the listener must not stop the radio
            asyncio.get_running_loop().call_exception_handler(
                {"message": f"listener of link {self.tnc} failed", "exception": error}
            )


def explain(error: BaseException | None, address: SerialAddress | TcpAddress) -> str:
    """Why the line failed, in words an operator can act on; None is an end without an error."""
    if error is None:
        return _CLOSED
    if isinstance(error, socket.gaierror):
        if error.errno == socket.EAI_AGAIN:
            return "host not found: no name server answers (is the network up?)"
        return "host not found (is its name right?)"
    number = _error_number(error)
    if isinstance(error, TimeoutError) or number == errno.ETIMEDOUT:
        return _TIMED_OUT
    is_serial = isinstance(address, SerialAddress)
    reason = (_SERIAL_REASONS if is_serial else _TCP_REASONS).get(number or 0)
    if reason is not None:
        return reason
    if number is not None:
        return os.strerror(number).lower()
    if isinstance(error, serial.SerialException):
        return _VANISHED  # ready to read, but nothing comes: what a lost USB device looks like
    return f"{type(error).__name__}: {error}"


def _error_number(error: BaseException) -> int | None:
    """The errno at the root of `error`: pyserial raises errors of its own, often without one."""
    for cause in causes(error):
        if isinstance(cause, OSError) and cause.errno is not None:
            return cause.errno
        if isinstance(cause, termios.error) and cause.args and isinstance(cause.args[0], int):
            return cause.args[0]
    return None


async def _dial(address: TcpAddress) -> socket.socket:
    """A connected socket; each address of the host gets its share of the time.

    Not create_connection(), which folds the failures of several addresses into one text.
    """
    loop = asyncio.get_running_loop()
    found = await loop.getaddrinfo(address.host, address.port, type=socket.SOCK_STREAM)
    candidates = found[:MAX_ADDRESSES]
    failure: OSError = OSError(errno.EHOSTUNREACH, os.strerror(errno.EHOSTUNREACH))
    for family, kind, protocol, _, where in candidates:
        try:
            dialled = socket.socket(family, kind, protocol)
        except OSError as error:  # IPv6 may be switched off here
            failure = error
            continue
        try:
            dialled.setblocking(False)
            tune(dialled)
            async with asyncio.timeout(CONNECT_TIMEOUT_S / len(candidates)):
                await loop.sock_connect(dialled, where)
        except OSError as error:  # TimeoutError is one
            dialled.close()
            failure = error
        except BaseException:
            dialled.close()
            raise
        else:
            return dialled
    raise failure


def tune(line: socket.socket) -> None:
    """Set a TCP socket up so that frames leave at once and a dead TNC is noticed (RFC 9293, 5482).

    The kernel's send buffer is kept small: what sits there for a hung TNC can no longer be refused.
    """
    line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    line.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, MAX_BACKLOG_OCTETS)
    line.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    line.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, KEEPALIVE_IDLE_S)
    line.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, KEEPALIVE_INTERVAL_S)
    line.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPCNT, KEEPALIVE_PROBES)
    # Keepalive probes are not sent while octets wait to be acknowledged; this limits that case.
    line.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, DEAD_PEER_S * 1000)


class _Wire(asyncio.Protocol):
    """One open line, serial or TCP: the same few operations whichever transport is below."""

    def __init__(self, on_octets: "Callable[[_Wire, bytes], None]") -> None:
        self.gone = asyncio.Event()
        self.failure: BaseException | None = None
        self._on_octets = on_octets
        self._transport: asyncio.Transport | None = None
        self._aborted = False

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast("asyncio.Transport", transport)

    def data_received(self, data: bytes) -> None:
        self._on_octets(self, data)

    def connection_lost(self, exc: Exception | None) -> None:
        self.failure = self.failure or exc
        self.gone.set()

    @property
    def is_open(self) -> bool:
        return self._transport is not None and not self._transport.is_closing()

    @property
    def backlog_octets(self) -> int:
        return 0 if self._transport is None else self._transport.get_write_buffer_size()

    def write(self, octets: bytes) -> None:
        if self._transport is not None and octets:
            self._transport.write(octets)

    def fail(self, error: OSError) -> None:
        """Give the line up at once because of `error`."""
        self.failure = self.failure or error
        self._abort()

    async def close(self) -> None:
        """Let what was written get out, within CLOSE_TIMEOUT_S; then close. Returns when closed."""
        if self._transport is None:
            return
        try:
            async with asyncio.timeout(CLOSE_TIMEOUT_S):
                await self._flushed(self._transport)
        except TimeoutError:
            pass  # hung: it has had its time
        finally:
            self._abort()
        await self.gone.wait()

    async def _flushed(self, transport: asyncio.Transport) -> None:
        below = transport.get_extra_info("socket") or transport.get_extra_info("serial")
        # Nothing tells when the kernel's own queue has run empty, so it has to be asked.
        while self.is_open and (  # noqa: ASYNC110  for the same reason
            self.backlog_octets or _queued_octets(below)
        ):
            await asyncio.sleep(_FLUSH_POLL_S)

    def _abort(self) -> None:
        # Once only: the serial transport calls connection_lost() for each abort(), and fails over
        # the second. It never gets to close by itself, since _Port keeps failures from it.
        if self._transport is not None and not self._aborted:
            self._aborted = True
            self._transport.abort()


class _Port(serial.Serial):  # type: ignore[misc]  # pyserial has no types
    """A serial port that reports its failure itself, once, and never blocks the event loop.

    pyserial-asyncio 0.6 logs a traceback when a write fails, waits for octets to be written that
    never will be when a read fails, and blocks in tcdrain() as it closes; pyserial 3.5 spins when
    a write would block. Here a failed port goes quiet towards the transport, and `on_failure` ends
    the connection.
    """

    on_failure: Callable[[OSError], None]

    def __init__(self, address: SerialAddress) -> None:
        super().__init__(address.device, baudrate=address.baud, exclusive=True)

    def read(self, size: int = 1) -> bytes:
        try:
            octets: bytes = super().read(size)
        except serial.SerialException as error:
            self.on_failure(error)
            return b""
        return octets

    def write(self, data: bytes) -> int:
        """The octets taken; raises BlockingIOError for none, and the transport keeps them."""
        try:
            return os.write(self.fd, data)
        except (BlockingIOError, InterruptedError):
            raise
        except OSError as error:
            self.on_failure(error)
            raise BlockingIOError from error

    def flush(self) -> None:
        """Drop what the device has not taken by now: only a hung one leaves anything."""
        if _queued_octets(self):
            self.reset_output_buffer()


def _queued_octets(below: Any) -> int:
    """Octets that the kernel has not got rid of: to a tty not sent, to TCP not acknowledged.

    `below` is anything with a fileno(). tcp(7): SIOCOUTQ has the number of TIOCOUTQ.
    """
    with contextlib.suppress(OSError):
        answer = fcntl.ioctl(below.fileno(), termios.TIOCOUTQ, bytes(4))
        return int(struct.unpack("i", answer)[0])
    return 0


def _close_late(opening: "asyncio.Future[_Port]") -> None:
    """Close a port whose opening was given up before it ended."""
    if not opening.cancelled() and opening.exception() is None:
        opening.result().close()

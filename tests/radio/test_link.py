"""A link against real pseudo-terminals and sockets; the far end of each is a TNC of a few lines.

Octets on the line are checked against the KISS paper (Chepponis and Karn, 1987), from memory, as
kept in vectors/kiss.toml; the values of the parameters are those of APRS 1.2c ch. 3 (Channel
Access). What the kernel does with lines and sockets is the kernel's own word here: pty(7), tty(4),
tcp(7). The words for failures are what an operator would need to be told: common practice.
"""

import asyncio
import errno
import gc
import os
import random
import socket
import termios
import threading
import tty
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager
from itertools import islice
from pathlib import Path
from typing import Any

import pytest
import serial

from checkvalues import Case, cases, input_octets, octets
from ridgepost.radio import kiss
from ridgepost.radio import link as link_module
from ridgepost.radio.address import SerialAddress, TcpAddress
from ridgepost.radio.backoff import Backoff
from ridgepost.radio.link import (
    MAX_BACKLOG_OCTETS,
    FrameHeard,
    Link,
    LinkDown,
    LinkEvent,
    LinkUp,
    explain,
    tune,
)

BOUND_S = 10.0  # for what should take milliseconds
LISTED = {
    0: kiss.Parameters(txdelay_ms=300, persistence=0.25, slot_time_ms=100, full_duplex=False),
    1: kiss.Parameters(
        txdelay_ms=1920, persistence=None, slot_time_ms=None, tx_tail_ms=None, full_duplex=None
    ),
}
# Port 0: TXDELAY 30, P 63, SlotTime 10, FullDuplex 0. Port 1: TXDELAY 192, whose octet is escaped.
GREETING = bytes.fromhex("c0011ec0 c0023fc0 c0030ac0 c00500c0 c011dbdcc0")
# TEST in a data frame on port 0: an example of the KISS paper.
TEST_FRAME = bytes.fromhex("c00054455354c0")


async def until(condition: Callable[[], object]) -> None:
    async with asyncio.timeout(BOUND_S):
        # sleep(0) gives way and does not wait. An Event will not do: some of the conditions are
        # states of the kernel, or of the object under test, that nobody announces.
        while not condition():  # noqa: ASYNC110  see above
            await asyncio.sleep(0)


async def until_is(read: Callable[[], int], due: int) -> None:
    await until(lambda: read() == due)


class PtyTnc:
    """A TNC on a serial line: its device path stays, as udev keeps it, with a new pty behind it."""

    gone = "the device is gone"
    absent = "no such device"

    def __init__(self, directory: Path) -> None:
        self.path = directory / "tty"
        self.address = SerialAddress(str(self.path), 115200)
        self.heard = bytearray()
        self._ends: tuple[int, int] | None = None

    async def plug(self) -> None:
        self._ends = os.openpty()
        ours, theirs = self._ends
        tty.setraw(theirs)
        os.set_blocking(ours, False)
        self.path.symlink_to(os.ttyname(theirs))
        self.listen()

    async def unplug(self) -> None:
        if self._ends is not None:
            self.stop_listening()
            for end in self._ends:
                os.close(end)
            self._ends = None
            self.path.unlink()

    def put_away(self) -> None:
        pass  # the path went with the plug

    async def say(self, said: bytes) -> None:
        async with asyncio.timeout(BOUND_S):
            while said:
                try:
                    said = said[os.write(self._ours, said) :]
                except BlockingIOError:
                    await asyncio.sleep(0)

    def listen(self) -> None:
        asyncio.get_running_loop().add_reader(self._ours, self._read)

    def stop_listening(self) -> None:
        asyncio.get_running_loop().remove_reader(self._ours)

    @property
    def _ours(self) -> int:
        assert self._ends is not None
        return self._ends[0]

    def _read(self) -> None:
        self.heard += os.read(self._ours, 4096)


class TcpTnc(asyncio.Protocol):
    """A TNC behind a server. Without a plug its port is taken, but nobody listens: refused."""

    gone = "the TNC closed the connection"
    absent = "connection refused"

    def __init__(self, _directory: Path, host: str = "127.0.0.1") -> None:
        self._socket = self._bound(host, 0)
        self.address = TcpAddress(host, self._socket.getsockname()[1])
        self.heard = bytearray()
        self.connections: list[asyncio.Transport] = []
        self.ended = 0  # connections that the host closed
        self._server: asyncio.Server | None = None

    @staticmethod
    def _bound(host: str, port: int) -> socket.socket:
        bound = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET)
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)  # a small box is soon full
        bound.bind((host, port))
        return bound

    async def plug(self) -> None:
        loop = asyncio.get_running_loop()
        self._server = await loop.create_server(lambda: self, sock=self._socket)

    async def unplug(self) -> None:
        if self._server is not None:
            self._server.close()
            for connection in self.connections:
                connection.abort()
            self.connections.clear()
            self._server = None
            self._socket = self._bound(self.address.host, self.address.port)

    def put_away(self) -> None:
        self._socket.close()

    async def say(self, said: bytes) -> None:
        self.connections[-1].write(said)

    def listen(self) -> None:
        self.connections[-1].resume_reading()

    def stop_listening(self) -> None:
        self.connections[-1].pause_reading()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self.connections.append(transport)

    def data_received(self, data: bytes) -> None:
        self.heard += data

    def eof_received(self) -> None:
        self.ended += 1


AnyTnc = PtyTnc | TcpTnc


class Naps:
    """Stands for asyncio.sleep: notes how long, and returns at once unless it is held."""

    def __init__(self) -> None:
        self.delays_s: list[float] = []
        self._free = asyncio.Event()
        self._free.set()

    async def __call__(self, delay_s: float) -> None:
        self.delays_s.append(delay_s)
        await asyncio.sleep(0)  # gives way once, as the true one does at least
        await self._free.wait()

    def hold(self) -> None:
        self._free.clear()

    def release(self) -> None:
        self._free.set()


class HighestDraw(random.Random):
    """Dice that always show the top, so that delays are known beforehand."""

    def uniform(self, a: float, b: float) -> float:
        return b


class Rig:
    """A link, its fake sleep, and what it said."""

    def __init__(
        self,
        address: SerialAddress | TcpAddress,
        *,
        tnc: str = "hill",
        backoff: Backoff | None = None,
        rng: random.Random | None = None,
    ) -> None:
        self.events: list[LinkEvent] = []
        self.naps = Naps()
        self.link = Link(
            tnc,
            address,
            LISTED,
            self.events.append,
            sleep=self.naps,
            rng=rng or random.Random(1),
            backoff=backoff or Backoff(),
        )

    @asynccontextmanager
    async def running(self) -> AsyncIterator["asyncio.Task[None]"]:
        task = asyncio.create_task(self.link.run())
        try:
            yield task
        finally:
            task.cancel()
            await asyncio.wait_for(asyncio.wait([task]), BOUND_S)
            assert task.cancelled(), "run() may end by being cancelled only"

    @property
    def ups(self) -> int:
        return self.events.count(LinkUp(self.link.tnc))

    @property
    def downs(self) -> list[LinkDown]:
        return [event for event in self.events if isinstance(event, LinkDown)]

    @property
    def frames(self) -> list[tuple[int, bytes]]:
        return [
            (event.port, event.octets) for event in self.events if isinstance(event, FrameHeard)
        ]


async def heard_by(tnc: AnyTnc, due: bytes) -> None:
    """Wait for `due` and check that the TNC heard just that."""
    await until(lambda: len(tnc.heard) >= len(due))
    assert tnc.heard == due


async def hang(rig: Rig, tnc: AnyTnc, payload: bytes) -> int:
    """Let the TNC take nothing any more and send until no buffer has room; the frames taken."""
    tnc.stop_listening()
    taken = refused_in_a_row = 0
    # The kernel takes some more each time the loop turns, until its own buffers are full.
    while refused_in_a_row < 300:
        if rig.link.send(0, payload):
            taken += 1
            refused_in_a_row = 0
            assert taken < 10_000, "a hung TNC makes memory grow"
        else:
            refused_in_a_row += 1
            await asyncio.sleep(0)
    return taken


def descriptors() -> int:
    return sum(1 for _ in Path("/proc/self/fd").iterdir())


@pytest.fixture(scope="module", autouse=True)
def quick_collections() -> Iterator[None]:
    """Leaves what the test run itself has made out of the collections, which take long over it."""
    gc.collect()
    gc.freeze()
    yield
    gc.unfreeze()


@pytest.fixture(autouse=True)
async def complaints() -> AsyncIterator[list[dict[str, Any]]]:
    """Nothing may be left open, and the event loop must have had no cause to complain."""
    heard: list[dict[str, Any]] = []
    asyncio.get_running_loop().set_exception_handler(lambda _, context: heard.append(context))
    before = descriptors()
    yield heard
    await until(lambda: descriptors() == before)
    gc.collect()  # an exception that nobody retrieved is reported when its future is collected
    assert heard == []


@asynccontextmanager
async def plugged(*tncs: AnyTnc) -> AsyncIterator[None]:
    try:
        for tnc in tncs:
            await tnc.plug()
        yield
    finally:
        for tnc in tncs:
            await tnc.unplug()
            tnc.put_away()


@pytest.fixture
async def pty_tnc(tmp_path: Path, complaints: object) -> AsyncIterator[PtyTnc]:
    tnc = PtyTnc(tmp_path)
    async with plugged(tnc):
        yield tnc


@pytest.fixture
async def tcp_tnc(tmp_path: Path, complaints: object) -> AsyncIterator[TcpTnc]:
    tnc = TcpTnc(tmp_path)
    async with plugged(tnc):
        yield tnc


@pytest.fixture(params=[PtyTnc, TcpTnc])
async def tnc(
    request: pytest.FixtureRequest, tmp_path: Path, complaints: object
) -> AsyncIterator[AnyTnc]:
    """A TNC of either kind, plugged in."""
    made: AnyTnc = request.param(tmp_path)
    async with plugged(made):
        yield made


# Coming up


async def test_parameters_of_every_listed_port_are_sent_on_connecting(tnc: AnyTnc) -> None:
    rig = Rig(tnc.address)
    was_up = [rig.link.is_up]
    async with rig.running():
        await heard_by(tnc, GREETING)
        assert rig.events == [LinkUp("hill")]
        assert "up" in repr(rig.link)
        was_up.append(rig.link.is_up)
    was_up.append(rig.link.is_up)
    assert was_up == [False, True, False]
    assert tnc.heard == GREETING
    assert (rig.link.counts.connects, rig.link.counts.failures) == (1, 0)
    assert rig.link.counts.octets_out == len(GREETING)
    assert rig.link.last_error == ""


async def test_parameters_are_sent_again_on_every_reconnect(tnc: AnyTnc) -> None:
    rig = Rig(tnc.address)
    async with rig.running():
        for round_number in range(1, 4):
            await heard_by(tnc, GREETING)
            rig.naps.hold()
            await tnc.unplug()
            await until_is(lambda: len(rig.downs), round_number)
            tnc.heard.clear()
            await tnc.plug()
            rig.naps.release()
    assert rig.link.counts.failures == 3


def test_parameters_for_a_port_that_kiss_has_not_are_refused_at_once() -> None:
    # KISS paper: the port is the high half of the type octet, so 0 to 15.
    with pytest.raises(ValueError, match="16"):
        Link("hill", TcpAddress("q", 1), {16: LISTED[0]}, print, rng=random.Random(1))


async def test_without_parameters_nothing_is_said_first(tnc: AnyTnc) -> None:
    events: list[LinkEvent] = []
    link = Link("hill", tnc.address, {}, events.append, rng=random.Random(1))
    task = asyncio.create_task(link.run())
    await until(lambda: events)
    assert link.send(0, b"TEST")
    await heard_by(tnc, TEST_FRAME)
    task.cancel()
    await asyncio.wait([task])


# Hearing


@pytest.mark.parametrize("case", cases("kiss", "decode"))
async def test_frames_of_the_check_values(case: Case, tnc: AnyTnc) -> None:
    """Source: vectors/kiss.toml, each case as the reads it prescribes."""
    stream = input_octets(case)
    rig = Rig(tnc.address)
    async with rig.running():
        await until(lambda: rig.ups)
        for length in case.get("chunk_lengths", [len(stream)]):
            before = rig.link.counts.octets_in
            await tnc.say(stream[:length])
            await until_is(lambda: rig.link.counts.octets_in, before + length)
            stream = stream[length:]
        assert rig.frames == [
            (frame["port"], octets(frame["payload_hex"]))
            for frame in case["expect"]["data_frames"]
            if frame["payload_hex"]
        ]
        assert rig.link.counts.frames_heard == len(rig.frames)
        assert rig.link.is_up


async def test_frames_in_any_chunking(tnc: AnyTnc) -> None:
    dice = random.Random(3)
    sent = [(dice.randrange(16), dice.randbytes(dice.randint(1, 300))) for _ in range(40)]
    stream = b"".join(kiss.frame(port, kiss.DATA, payload) for port, payload in sent)
    rig = Rig(tnc.address)
    async with rig.running():
        await until(lambda: rig.ups)
        total = len(stream)
        while stream:
            length = dice.choice([1, 2, 3, 50, 700])
            before = rig.link.counts.octets_in
            await tnc.say(stream[:length])
            due = before + min(length, len(stream))
            await until_is(lambda: rig.link.counts.octets_in, due)
            stream = stream[length:]
        assert rig.frames == sent
        assert rig.link.counts.octets_in == total


async def test_ports_without_parameters_are_heard_and_other_commands_are_not(tnc: AnyTnc) -> None:
    rig = Rig(tnc.address)
    async with rig.running():
        await until(lambda: rig.ups)
        await tnc.say(bytes.fromhex("c0064142c0"))  # command 6, SetHardware: an answer of the TNC
        await tnc.say(bytes.fromhex("c000c0"))  # data, but nothing in it
        await tnc.say(bytes.fromhex("c0f04142c0"))  # data on port 15
        await until(lambda: rig.frames)
        assert rig.frames == [(15, b"AB")]
        assert rig.link.counts.framing.frames == 3
        assert rig.link.counts.frames_heard == 1


async def test_garbage_is_survived_and_counted(tnc: AnyTnc) -> None:
    dice = random.Random(5)
    prompt = b"cmd:\r\n"  # what a TNC that is not in KISS mode says; before any FEND it is noise
    garbage = b"".join(
        [
            prompt,
            bytes.fromhex("c00041db42c0"),  # FESC and an octet that may not follow it
            b"\xc0" * 1000,
            bytes.fromhex("c000") + bytes(50_000) + b"\xc0",  # far longer than a frame may be
            dice.randbytes(50_000),
            b"\xc0",
        ]
    )
    rig = Rig(tnc.address)
    async with rig.running():
        await until(lambda: rig.ups)
        await tnc.say(garbage)
        await until(lambda: rig.link.counts.octets_in == len(garbage))
        heard = len(rig.frames)
        await tnc.say(TEST_FRAME)
        await until(lambda: len(rig.frames) > heard)
        assert rig.frames[heard:] == [(0, b"TEST")]
        counts = rig.link.counts
        assert counts.framing.noise_octets == len(prompt)
        assert counts.framing.bad_escapes >= 1
        assert counts.framing.oversize_frames >= 1
        assert (counts.connects, counts.failures) == (1, 0)


async def test_half_a_frame_is_not_joined_to_what_comes_after_a_reconnect(tnc: AnyTnc) -> None:
    rig = Rig(tnc.address)
    async with rig.running():
        await until(lambda: rig.ups == 1)
        await tnc.say(TEST_FRAME[:4])
        await until(lambda: rig.link.counts.octets_in == 4)
        rig.naps.hold()
        await tnc.unplug()
        await until(lambda: rig.downs)
        await tnc.plug()
        rig.naps.release()
        await until(lambda: rig.ups == 2)
        await tnc.say(TEST_FRAME[4:])
        await tnc.say(bytes.fromhex("c0104142c0"))
        await until(lambda: rig.frames)
        assert rig.frames == [(1, b"AB")]
        assert rig.link.counts.framing.cut_frames == 1


async def test_a_listener_that_fails_does_not_stop_the_link(
    tnc: AnyTnc, complaints: list[dict[str, Any]]
) -> None:
    heard: list[LinkEvent] = []

    def listener(event: LinkEvent) -> None:
        heard.append(event)
        raise ZeroDivisionError

    link = Link("hill", tnc.address, LISTED, listener, rng=random.Random(1))
    task = asyncio.create_task(link.run())
    await until(lambda: heard)
    await tnc.say(TEST_FRAME)
    await tnc.say(TEST_FRAME)
    await until(lambda: len(heard) == 3)
    assert link.is_up
    task.cancel()
    await asyncio.wait([task])
    assert [type(complaint["exception"]) for complaint in complaints] == [ZeroDivisionError] * 3
    complaints.clear()


# Sending


async def test_frames_are_sent_in_order_with_their_framing(tnc: AnyTnc) -> None:
    """Source: vectors/kiss.toml, all data frames of the encode cases one after the other."""
    data = [param.values[0] for param in cases("kiss", "encode", where=lambda c: c["command"] == 0)]
    due = b"".join(octets(case["expect"]["frame_hex"]) for case in data)
    rig = Rig(tnc.address)
    async with rig.running():
        await until(lambda: rig.ups)
        assert all(rig.link.send(case["port"], input_octets(case)) for case in data)
        await heard_by(tnc, GREETING + due)
        assert rig.link.counts.frames_sent == len(data)
        assert rig.link.counts.octets_out == len(GREETING + due)
        assert rig.link.counts.send_refused == 0


async def test_sending_is_refused_while_the_link_is_down(tnc: AnyTnc) -> None:
    rig = Rig(tnc.address)
    assert not rig.link.send(0, b"before run")
    async with rig.running():
        await until(lambda: rig.ups)
        rig.naps.hold()
        await tnc.unplug()
        await until(lambda: rig.downs)
        assert not rig.link.is_up
        assert not rig.link.send(0, b"while down")
    assert not rig.link.send(0, b"after run")
    assert rig.link.counts.send_refused == 3
    assert rig.link.counts.frames_sent == 0


async def test_nothing_is_accepted_from_the_moment_the_line_fails(tnc: AnyTnc) -> None:
    rig = Rig(tnc.address)
    async with rig.running():
        await heard_by(tnc, GREETING)
        rig.naps.hold()
        await tnc.unplug()
        async with asyncio.timeout(BOUND_S):
            while not rig.downs:
                is_up = rig.link.is_up
                assert rig.link.send(0, b"TEST") is is_up
                await asyncio.sleep(0)
        assert not rig.link.send(0, b"TEST")


async def test_a_listener_may_send_from_within_an_event(tnc: AnyTnc) -> None:
    answers: list[bool] = []

    def listener(event: LinkEvent) -> None:
        answers.append(link.send(0, b"TEST"))

    link = Link("hill", tnc.address, LISTED, listener, rng=random.Random(1))
    task = asyncio.create_task(link.run())
    await heard_by(tnc, GREETING + TEST_FRAME)
    await tnc.say(TEST_FRAME)
    await heard_by(tnc, GREETING + TEST_FRAME * 2)
    task.cancel()
    await asyncio.wait([task])
    assert answers == [True, True]


async def test_a_hung_tnc_is_sent_no_more_than_the_bound(tnc: AnyTnc) -> None:
    rig = Rig(tnc.address)
    async with rig.running():
        await heard_by(tnc, GREETING)
        payload = bytes(300)
        taken = await hang(rig, tnc, payload)
        assert rig.link._wire is not None
        assert 0 < rig.link._wire.backlog_octets <= MAX_BACKLOG_OCTETS
        assert rig.link.is_up
        assert rig.link.counts.frames_sent == taken
        assert rig.link.counts.send_refused > 0
        tnc.listen()
        framed = kiss.frame(0, kiss.DATA, payload)
        # Whole and in order, and nothing of what was refused.
        await heard_by(tnc, GREETING + framed * taken)
        assert rig.link.send(0, payload)


async def test_one_write_never_takes_more_than_the_bound(tnc: AnyTnc) -> None:
    rig = Rig(tnc.address)
    async with rig.running():
        await until(lambda: rig.ups)
        assert not rig.link.send(0, bytes(MAX_BACKLOG_OCTETS))
        assert rig.link.counts.send_refused == 1
        assert rig.link.is_up


async def test_a_port_that_kiss_has_not_is_refused(tnc: AnyTnc) -> None:
    rig = Rig(tnc.address)
    async with rig.running():
        await until(lambda: rig.ups)
        with pytest.raises(ValueError, match="16"):
            rig.link.send(16, b"TEST")


# Failing and coming back


async def test_unplug_and_replug(tnc: AnyTnc) -> None:
    rig = Rig(tnc.address)
    async with rig.running():
        await until(lambda: rig.ups == 1)
        rig.naps.hold()
        await tnc.unplug()
        await until(lambda: rig.downs)
        [down] = rig.downs
        assert tnc.gone in down.reason
        assert rig.link.last_error == down.reason
        assert [down.retry_in_s] == rig.naps.delays_s
        tnc.heard.clear()
        await tnc.plug()
        rig.naps.release()
        await until(lambda: rig.ups == 2)
        assert rig.link.send(0, b"TEST")
        await tnc.say(TEST_FRAME)
        await until(lambda: rig.frames and len(tnc.heard) >= len(GREETING + TEST_FRAME))
        assert tnc.heard == GREETING + TEST_FRAME
        assert rig.events == [LinkUp("hill"), down, LinkUp("hill"), FrameHeard("hill", 0, b"TEST")]


async def test_unplugged_while_octets_wait_to_be_written(tnc: AnyTnc) -> None:
    """The `complaints` fixture sees to it that nothing is logged or left open by that."""
    rig = Rig(tnc.address)
    async with rig.running():
        await heard_by(tnc, GREETING)
        await hang(rig, tnc, bytes(300))
        rig.naps.hold()
        await tnc.unplug()
        await until(lambda: rig.downs)
        assert tnc.gone in rig.downs[0].reason
        await tnc.plug()
        rig.naps.release()
        await until(lambda: rig.ups == 2)
        assert rig.link.send(0, b"TEST")


async def test_unplugged_many_times_leaves_nothing_behind(tnc: AnyTnc) -> None:
    rig = Rig(tnc.address)
    async with rig.running():
        await until(lambda: rig.ups == 1)
        before = descriptors()
        for round_number in range(2, 30):
            rig.naps.hold()
            await tnc.unplug()
            await until_is(lambda: len(rig.downs), round_number - 1)
            await tnc.plug()
            rig.naps.release()
            await until_is(lambda: rig.ups, round_number)
        await until(lambda: descriptors() == before)


async def test_an_absent_tnc_is_tried_until_it_is_there(tnc: AnyTnc) -> None:
    await tnc.unplug()
    rig = Rig(tnc.address)
    async with rig.running():
        await until(lambda: len(rig.downs) >= 5)
        assert all(tnc.absent in down.reason for down in rig.downs)
        assert rig.ups == 0
        assert "down" in repr(rig.link)
        await tnc.plug()
        await until(lambda: rig.ups)
        await tnc.say(TEST_FRAME)
        await until(lambda: rig.frames)
    assert rig.link.counts.failures == len(rig.downs)


async def test_the_waits_are_those_of_the_backoff(tnc: AnyTnc) -> None:
    await tnc.unplug()
    rig = Rig(tnc.address, backoff=Backoff(first_s=1.0, max_s=10.0), rng=HighestDraw())
    async with rig.running():
        await until(lambda: len(rig.naps.delays_s) >= 6)
    assert rig.naps.delays_s[:6] == [1.0, 2.0, 4.0, 8.0, 10.0, 10.0]
    assert [down.retry_in_s for down in rig.downs] == rig.naps.delays_s


async def test_the_jitter_comes_from_the_generator_passed_in(tnc: AnyTnc) -> None:
    await tnc.unplug()
    rig = Rig(tnc.address, rng=random.Random(7))
    async with rig.running():
        await until(lambda: len(rig.naps.delays_s) >= 5)
    assert rig.naps.delays_s[:5] == list(islice(Backoff().delays(random.Random(7)), 5))


async def flap(rig: Rig, tnc: AnyTnc, times: int) -> None:
    """Let the link come up and be lost, so many times over."""
    for round_number in range(1, times + 1):
        await until_is(lambda: rig.ups, round_number)
        rig.naps.hold()
        await tnc.unplug()
        await until_is(lambda: len(rig.downs), round_number)
        await tnc.plug()
        rig.naps.release()


async def test_a_link_that_is_lost_again_at_once_is_tried_less_and_less(tnc: AnyTnc) -> None:
    backoff = Backoff(first_s=1.0, max_s=60.0, stable_s=3600.0)
    rig = Rig(tnc.address, backoff=backoff, rng=HighestDraw())
    async with rig.running():
        await flap(rig, tnc, 4)
    assert rig.naps.delays_s == [1.0, 2.0, 4.0, 8.0]


async def test_a_link_that_was_stable_is_tried_again_soon(tnc: AnyTnc) -> None:
    backoff = Backoff(first_s=1.0, max_s=60.0, stable_s=0.0)  # any time is long enough
    rig = Rig(tnc.address, backoff=backoff, rng=HighestDraw())
    async with rig.running():
        await flap(rig, tnc, 4)
    assert rig.naps.delays_s == [1.0, 1.0, 1.0, 1.0]


async def test_tries_that_fail_are_no_stable_time(tnc: AnyTnc) -> None:
    await tnc.unplug()
    rig = Rig(tnc.address, backoff=Backoff(stable_s=0.0), rng=HighestDraw())
    async with rig.running():
        await until(lambda: len(rig.naps.delays_s) >= 4)
    assert rig.naps.delays_s[:4] == [1.0, 2.0, 4.0, 8.0]


# Ending


async def test_cancelling_lets_what_was_written_get_out(tnc: AnyTnc) -> None:
    rig = Rig(tnc.address)
    async with rig.running():
        await heard_by(tnc, GREETING)
        tnc.stop_listening()  # busy for the moment: it reads only after the link is closed
        for _ in range(20):
            assert rig.link.send(0, b"TEST")
        # Cancelled before the loop has turned even once.
    tnc.listen()
    await heard_by(tnc, GREETING + TEST_FRAME * 20)
    assert rig.events == [LinkUp("hill")]


async def test_cancelling_closes_the_socket(tcp_tnc: TcpTnc) -> None:
    rig = Rig(tcp_tnc.address)
    async with rig.running():
        await until(lambda: rig.ups)
        assert tcp_tnc.ended == 0
    await until(lambda: tcp_tnc.ended == 1)


async def test_closing_throws_away_nothing_that_a_pty_holds(pty_tnc: PtyTnc) -> None:
    """A pty stands for a TNC that is a program; what is in it can still be read after a close."""
    rig = Rig(pty_tnc.address)
    async with rig.running():
        await heard_by(pty_tnc, GREETING)
        pty_tnc.stop_listening()
        for _ in range(20):
            assert rig.link.send(0, bytes(300))
    pty_tnc.listen()
    await heard_by(pty_tnc, GREETING + kiss.frame(0, kiss.DATA, bytes(300)) * 20)


async def test_what_the_kernel_holds_is_waited_for_too(tcp_tnc: TcpTnc) -> None:
    """Source: RFC 1122 4.2.2.13: closing while something is unread resets the connection, and so
    may lose what the other end has not acknowledged yet."""
    rig = Rig(tcp_tnc.address)
    async with rig.running() as task:
        await heard_by(tcp_tnc, GREETING)
        tcp_tnc.stop_listening()
        framed = kiss.frame(0, kiss.DATA, bytes(600))
        for _ in range(12):
            assert rig.link.send(0, bytes(600))
        assert rig.link._wire is not None
        assert rig.link._wire.backlog_octets == 0  # all of it is in the kernel
        task.cancel()
        for _ in range(200):
            await asyncio.sleep(0)
        assert not task.done()
        tcp_tnc.listen()
        await until(task.done)
    await heard_by(tcp_tnc, GREETING + framed * 12)


async def test_cancelling_gives_the_device_back(pty_tnc: PtyTnc) -> None:
    rig = Rig(pty_tnc.address)
    device = str(pty_tnc.path)
    async with rig.running():
        await until(lambda: rig.ups)
        with pytest.raises(serial.SerialException, match="exclusively lock"):
            serial.Serial(device, exclusive=True)
    serial.Serial(device, exclusive=True).close()


async def test_a_hung_tnc_cannot_keep_the_link_from_ending(
    tnc: AnyTnc, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(link_module, "CLOSE_TIMEOUT_S", 0.05)
    rig = Rig(tnc.address)
    async with rig.running():
        await heard_by(tnc, GREETING)
        await hang(rig, tnc, bytes(300))
        assert rig.link._wire is not None
        assert rig.link._wire.backlog_octets > 0
    # running() bounds the wait, and the `complaints` fixture looks for what is left open.


async def test_cancelled_once_more_while_it_is_closing(tnc: AnyTnc) -> None:
    rig = Rig(tnc.address)
    async with rig.running() as task:
        await heard_by(tnc, GREETING)
        await hang(rig, tnc, bytes(300))
        task.cancel()
        await asyncio.sleep(0)
        assert not task.done()
        assert not rig.link.send(0, b"TEST")  # closing already
        await tnc.say(TEST_FRAME)
        for _ in range(50):
            await asyncio.sleep(0)
        assert not task.done()
        assert rig.frames == []  # nobody may be left to hear it
        task.cancel()
        await asyncio.sleep(0)
        await until(task.done)


async def test_cancelled_at_any_turn_of_the_loop(tnc: AnyTnc) -> None:
    """The `complaints` fixture looks for what a cut connection attempt leaves open."""
    for turns in range(40):
        rig = Rig(tnc.address)
        async with rig.running():
            for _ in range(turns):
                await asyncio.sleep(0)


async def test_cancelled_at_any_turn_of_the_loop_after_an_unplug(tnc: AnyTnc) -> None:
    """The same with octets still to be written, so that both ends of the line close at once."""
    for turns in range(8):
        rig = Rig(tnc.address)
        tnc.heard.clear()
        async with rig.running():
            await heard_by(tnc, GREETING)
            await hang(rig, tnc, bytes(300))
            rig.naps.hold()
            await tnc.unplug()
            for _ in range(turns):
                await asyncio.sleep(0)
        await tnc.plug()


async def test_cancelled_while_waiting_for_the_next_try(tnc: AnyTnc) -> None:
    await tnc.unplug()
    rig = Rig(tnc.address)
    rig.naps.hold()
    async with rig.running():
        await until(lambda: rig.downs)
    assert len(rig.naps.delays_s) == 1


# Serial lines only


async def test_a_device_in_use_is_busy(pty_tnc: PtyTnc) -> None:
    first, second = Rig(pty_tnc.address), Rig(pty_tnc.address)
    async with first.running():
        await until(lambda: first.ups)
        async with second.running():
            await until(lambda: second.downs)
            assert "device busy" in second.downs[0].reason
            assert first.link.is_up
        async with second.running():
            pass
    async with second.running():
        await until(lambda: second.ups)


async def test_the_line_is_set_to_the_baud_rate(pty_tnc: PtyTnc) -> None:
    rig = Rig(SerialAddress(str(pty_tnc.path), 19200))
    async with rig.running():
        await until(lambda: rig.ups)
        assert pty_tnc._ends is not None
        attributes = termios.tcgetattr(pty_tnc._ends[1])
        assert attributes[4:6] == [termios.B19200, termios.B19200]


async def test_a_full_line_is_not_waited_for(pty_tnc: PtyTnc) -> None:
    """Source: write(2): a descriptor that does not block answers EAGAIN when it has no room."""
    port = link_module._Port(pty_tnc.address)
    port.write_timeout = 0  # as the transport sets it
    pty_tnc.stop_listening()

    def fill() -> None:
        while True:
            port.write(bytes(1000))

    filling = asyncio.get_running_loop().run_in_executor(None, fill)
    try:
        with pytest.raises(BlockingIOError):
            await asyncio.wait_for(filling, BOUND_S)
    finally:
        await pty_tnc.unplug()  # would end a thread that goes round in circles
        port.close()


@pytest.mark.parametrize(
    ("what", "reason"),
    [
        ("nothing", "no such device"),
        ("directory", "not a serial port"),
        ("file", "not a serial port"),
        ("pipe", "not a serial port"),
    ],
)
async def test_what_is_no_device(
    tmp_path: Path, what: str, reason: str, complaints: object
) -> None:
    path = tmp_path / what
    match what:
        case "directory":
            path.mkdir()
        case "file":
            path.write_bytes(b"")
        case "pipe":
            os.mkfifo(path)
    rig = Rig(SerialAddress(str(path)))
    async with rig.running():
        await until(lambda: rig.downs)
    assert reason in rig.downs[0].reason


class HungPort(link_module._Port):
    """A device whose driver does not come back from opening it until it is let."""

    let = threading.Event()
    opened = 0

    def __init__(self, address: SerialAddress) -> None:
        type(self).opened += 1
        assert self.let.wait(BOUND_S)
        super().__init__(address)


@pytest.fixture
def hung_driver(monkeypatch: pytest.MonkeyPatch) -> type[HungPort]:
    monkeypatch.setattr(HungPort, "let", threading.Event())
    monkeypatch.setattr(HungPort, "opened", 0)
    monkeypatch.setattr(link_module, "_Port", HungPort)
    monkeypatch.setattr(link_module, "CONNECT_TIMEOUT_S", 0.02)
    return HungPort


async def test_a_driver_that_hangs_is_given_up_and_waited_for_by_the_next_try(
    pty_tnc: PtyTnc, hung_driver: type[HungPort]
) -> None:
    rig = Rig(pty_tnc.address)
    async with rig.running():
        await until(lambda: len(rig.downs) >= 3)
        assert all("timed out" in down.reason for down in rig.downs)
        assert hung_driver.opened == 1  # not a thread more for each try
        hung_driver.let.set()
        await until(lambda: rig.ups)
        await heard_by(pty_tnc, GREETING)
        assert hung_driver.opened == 1


async def test_a_device_that_opens_after_the_end_is_closed(
    pty_tnc: PtyTnc, hung_driver: type[HungPort]
) -> None:
    rig = Rig(pty_tnc.address)
    async with rig.running():
        await until(lambda: rig.downs)
    hung_driver.let.set()
    device = str(pty_tnc.path)

    def is_free() -> bool:
        try:
            serial.Serial(device, exclusive=True).close()
        except serial.SerialException:
            return False
        return True

    await until(is_free)


# TCP only


def client_sockets(port: int) -> list[socket.socket]:
    """The open sockets of this process that are connected to `port`."""
    found = []
    for thing in gc.get_objects():
        if isinstance(thing, socket.socket) and thing.family == socket.AF_INET:
            try:
                if thing.getpeername()[1] == port:
                    found.append(thing)
            except OSError:
                pass  # closed, or not connected
    return found


async def test_a_dead_peer_is_noticed_and_frames_are_not_held_back(tcp_tnc: TcpTnc) -> None:
    """Source: tcp(7), socket(7). A peer that died is noticed in a minute or so, asleep or not."""
    rig = Rig(tcp_tnc.address)
    async with rig.running():
        await until(lambda: rig.ups)
        [ours] = client_sockets(tcp_tnc.address.port)

        def option(level: int, name: int) -> int:
            return ours.getsockopt(level, name)

        assert option(socket.SOL_SOCKET, socket.SO_KEEPALIVE)
        assert option(socket.IPPROTO_TCP, socket.TCP_NODELAY)
        idle_s = option(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE)
        interval_s = option(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL)
        probes = option(socket.IPPROTO_TCP, socket.TCP_KEEPCNT)
        assert 10 <= idle_s + interval_s * probes <= 90
        assert 10_000 <= option(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) <= 90_000


async def test_a_server_that_does_not_answer_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    # Linux leaves a connection unanswered when the queue of the listener is full: listen(2).
    monkeypatch.setattr(link_module, "CONNECT_TIMEOUT_S", 0.1)
    with socket.socket() as listener, socket.socket() as filler:
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        filler.connect(listener.getsockname())
        rig = Rig(TcpAddress("127.0.0.1", listener.getsockname()[1]))
        async with rig.running():
            await until(lambda: rig.downs)
        assert "timed out" in rig.downs[0].reason


async def test_the_end_of_a_stream_is_the_tnc_closing(tcp_tnc: TcpTnc) -> None:
    rig = Rig(tcp_tnc.address)
    async with rig.running():
        await heard_by(tcp_tnc, GREETING)
        rig.naps.hold()
        tcp_tnc.connections[-1].write(TEST_FRAME)
        tcp_tnc.connections[-1].write_eof()
        await until(lambda: rig.downs)
        assert rig.frames == [(0, b"TEST")]  # what came before the end is heard
        assert "the TNC closed the connection" in rig.downs[0].reason


Lookup = Callable[..., Awaitable[list[Any]]]


def resolver(monkeypatch: pytest.MonkeyPatch, lookup: Lookup) -> None:
    monkeypatch.setattr(asyncio.get_running_loop(), "getaddrinfo", lookup)


@pytest.mark.parametrize("answers", [True, False])
async def test_each_address_of_a_host_is_tried(
    answers: bool, tcp_tnc: TcpTnc, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first one refuses, or is silent: see the test above."""
    monkeypatch.setattr(link_module, "CONNECT_TIMEOUT_S", 0.4)
    port = tcp_tnc.address.port
    # 127.0.0.2 is this computer as well (RFC 1122 3.2.1.3).
    both = [
        (socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP, "", (ip, port))
        for ip in ("127.0.0.2", "127.0.0.1")
    ]

    async def lookup(*_: object, **__: object) -> list[Any]:
        return both

    resolver(monkeypatch, lookup)
    rig = Rig(TcpAddress("tnc.example", port))
    with socket.socket() as first, socket.socket() as filler:
        first.bind(("127.0.0.2", port))
        if not answers:
            first.listen(0)
            filler.connect(first.getsockname())
        async with rig.running():
            await until(lambda: rig.events)
            assert rig.events == [LinkUp("hill")]
            await heard_by(tcp_tnc, GREETING)
            rig.naps.hold()
            await tcp_tnc.unplug()
            await until(lambda: rig.downs)
            rig.naps.release()
            # No address is any good now: there is still one reason that an operator can read.
            await until(lambda: len(rig.downs) > 1)
            assert "connection refused" in rig.downs[1].reason
    monkeypatch.undo()


@pytest.mark.parametrize("number", [socket.EAI_NONAME, socket.EAI_AGAIN])
async def test_a_host_that_is_not_found(number: int, monkeypatch: pytest.MonkeyPatch) -> None:
    async def nothing(*_: object, **__: object) -> list[Any]:
        raise socket.gaierror(number, "made up")

    resolver(monkeypatch, nothing)
    rig = Rig(TcpAddress("tnc.invalid", 8001))
    async with rig.running():
        await until(lambda: rig.downs)
    assert "host not found" in rig.downs[0].reason
    monkeypatch.undo()


async def test_ipv6(tmp_path: Path, complaints: object) -> None:
    try:
        tnc = TcpTnc(tmp_path, "::1")
    except OSError:
        pytest.skip("no IPv6 here")
    async with plugged(tnc):
        rig = Rig(tnc.address)
        async with rig.running():
            await heard_by(tnc, GREETING)


def test_tune_keeps_the_send_buffer_small() -> None:
    """Source: socket(7): the kernel doubles the value that is set. By default it is far larger."""
    with socket.socket() as plain, socket.socket() as tuned:
        tune(tuned)
        size = tuned.getsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF)
        assert size <= 2 * MAX_BACKLOG_OCTETS
        # A connected socket grows its buffer by itself up to megabytes, unless it was set.
        assert size <= plain.getsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF)


# Several at once


async def test_several_links_do_not_mix(tmp_path: Path, complaints: object) -> None:
    tncs: list[AnyTnc] = []
    for number in range(6):
        place = tmp_path / str(number)
        place.mkdir()
        tncs.append(PtyTnc(place) if number % 2 else TcpTnc(place))
    rigs = [Rig(tnc.address, tnc=f"tnc{number}") for number, tnc in enumerate(tncs)]
    async with plugged(*tncs):
        tasks = [asyncio.create_task(rig.link.run()) for rig in rigs]
        await until(lambda: all(rig.ups for rig in rigs))
        for number, (tnc, rig) in enumerate(zip(tncs, rigs, strict=True)):
            await tnc.say(kiss.frame(number, kiss.DATA, b"from %d" % number))
            assert rig.link.send(number, b"to %d" % number)
        await until(lambda: all(rig.frames for rig in rigs))
        for number, (tnc, rig) in enumerate(zip(tncs, rigs, strict=True)):
            due = GREETING + bytes([0xC0, number << 4]) + b"to %d" % number + b"\xc0"
            await heard_by(tnc, due)
            assert rig.events == [
                LinkUp(f"tnc{number}"),
                FrameHeard(f"tnc{number}", number, b"from %d" % number),
            ]
        rigs[2].naps.hold()
        rigs[3].naps.hold()
        await tncs[2].unplug()
        await tncs[3].unplug()
        await until(lambda: rigs[2].downs and rigs[3].downs)
        assert [rig.link.is_up for rig in rigs] == [True, True, False, False, True, True]
        for task in tasks:
            task.cancel()
        await asyncio.wait(tasks)


# The words


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOENT, ["no such device", "plugged in"]),
        (errno.ENXIO, ["no such device"]),
        (errno.ENODEV, ["no such device"]),
        (errno.EACCES, ["permission denied", "group", "dialout"]),
        (errno.EPERM, ["permission denied", "dialout"]),
        (errno.EBUSY, ["device busy"]),
        (errno.EIO, ["gone"]),
        (errno.ENOTTY, ["not a serial port"]),
        (errno.EINVAL, ["baud"]),
        (errno.EMFILE, ["too many open files"]),
    ],
)
def test_reasons_on_a_serial_line(number: int, words: list[str]) -> None:
    address = SerialAddress("/dev/ttyUSB0")
    plain = OSError(number, os.strerror(number))
    wrapped = serial.SerialException(number, "could not open port")
    hidden = serial.SerialException("read failed")  # pyserial: the errno only in the context
    hidden.__context__ = plain
    settings = serial.SerialException("Could not configure port")
    settings.__context__ = termios.error(number, os.strerror(number))
    for error in (plain, wrapped, hidden, settings):
        assert all(word in explain(error, address) for word in words)


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ECONNREFUSED, ["connection refused"]),
        (errno.ECONNRESET, ["the TNC closed the connection"]),
        (errno.EPIPE, ["the TNC closed the connection"]),
        (errno.ETIMEDOUT, ["timed out"]),
        (errno.EHOSTUNREACH, ["not reachable"]),
        (errno.ENETUNREACH, ["not reachable"]),
        (errno.EACCES, ["permission denied"]),
        (errno.EMFILE, ["too many open files"]),
    ],
)
def test_reasons_on_tcp(number: int, words: list[str]) -> None:
    reason = explain(OSError(number, os.strerror(number)), TcpAddress("q", 1))
    assert all(word in reason for word in words)


def test_reasons_without_a_number() -> None:
    on_serial, on_tcp = SerialAddress("/dev/ttyUSB0"), TcpAddress("q", 1)
    assert explain(None, on_tcp) == "the TNC closed the connection"
    assert "timed out" in explain(TimeoutError(), on_tcp)
    assert "timed out" in explain(TimeoutError(), on_serial)
    assert "gone" in explain(serial.SerialException("no data"), on_serial)
    assert "qz" in explain(RuntimeError("qz"), on_serial)

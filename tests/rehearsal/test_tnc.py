"""The simulated TNC over a real socket, against the KISS paper's framing and commands."""

import asyncio
import random
from collections.abc import AsyncIterator, Callable

import pytest

from ridgepost.rehearsal.channel import Channel, RadioParameters, Received
from ridgepost.rehearsal.tnc import SimulatedTnc

BOUND_S = 10.0
"""No condition here takes long; a test that waits for this long fails."""

FRAME = b"\x55" * 40


class Bench:
    """Two nodes that hear each other, a TNC in front of HUB, and a clock that the test sets."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.channel = Channel(random.Random(1), loss=0.0)
        for name in ("HUB", "FAR"):
            self.channel.add_node(name, RadioParameters(persistence=1.0))
        self.channel.hear_each_other(["HUB", "FAR"])
        self.tnc = SimulatedTnc(self.channel, "HUB", lambda: self.now_s)
        self.far: list[Received] = []
        self.channel.on_received("FAR", self.far.append)

    def advance(self, to_s: float) -> None:
        self.now_s = to_s
        self.channel.advance(to_s)

    async def until(self, condition: Callable[[], bool]) -> None:
        """Wait for what the TNC sees."""
        async with asyncio.timeout(BOUND_S):
            while not condition():
                await self.tnc.changed()

    async def connect(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        hosts = self.tnc.hosts
        streams = await asyncio.open_connection("127.0.0.1", self.tnc.port)
        await self.until(lambda: self.tnc.hosts > hosts)
        return streams


@pytest.fixture
async def bench() -> AsyncIterator[Bench]:
    bench = Bench()
    async with bench.tnc:
        yield bench
    assert bench.tnc.hosts == 0
    assert asyncio.all_tasks() == {asyncio.current_task()}


async def read(reader: asyncio.StreamReader, octets: int) -> bytes:
    return await asyncio.wait_for(reader.readexactly(octets), BOUND_S)


async def gone(reader: asyncio.StreamReader) -> bool:
    """Whether the other end has hung up, with a reset or in order."""
    try:
        return await asyncio.wait_for(reader.read(), BOUND_S) == b""
    except ConnectionError:
        return True


async def test_a_frame_from_the_host_goes_on_the_air(bench: Bench) -> None:
    # Source: KISS paper (from memory): FEND, type 00 for data on port 0, the frame, FEND; C0 and
    # DB inside it as DB DC and DB DD.
    _, writer = await bench.connect()
    bench.advance(5.0)
    writer.write(b"\xc0\x00" + FRAME + b"\xdb\xdc\xdb\xdd\xc0")
    await bench.until(lambda: bench.tnc.frames_from_host == 1)
    assert bench.channel.next_event_s() == 5.0
    bench.advance(10.0)
    assert [got.octets for got in bench.far] == [FRAME + b"\xc0\xdb"]
    assert bench.tnc.frames_to_host == 0
    writer.close()


async def test_what_the_node_receives_goes_to_every_host(bench: Bench) -> None:
    first, first_writer = await bench.connect()
    second, second_writer = await bench.connect()
    bench.channel.transmit("FAR", FRAME + b"\xc0\xdb", 1.0)
    bench.advance(5.0)
    expected = b"\xc0\x00" + FRAME + b"\xdb\xdc\xdb\xdd\xc0"
    assert await read(first, len(expected)) == expected
    assert await read(second, len(expected)) == expected
    assert bench.tnc.frames_to_host == 2
    first_writer.close()
    second_writer.close()


async def test_a_frame_cut_into_pieces_is_one_frame(bench: Bench) -> None:
    _, writer = await bench.connect()
    for octet in b"\xc0\xc0\x00" + FRAME + b"\xc0":
        writer.write(bytes([octet]))
        await writer.drain()
    await bench.until(lambda: bench.tnc.frames_from_host == 1)
    bench.advance(5.0)
    assert [got.octets for got in bench.far] == [FRAME]
    writer.close()


async def test_parameter_commands_set_the_radio(bench: Bench) -> None:
    # Source: KISS paper (from memory): 1 TXDELAY, 3 SlotTime and 4 TXtail in tens of milliseconds,
    # 2 P for (P + 1) / 256, 5 FullDuplex.
    _, writer = await bench.connect()
    writer.write(
        b"\xc0\x01\x32\xc0\xc0\x02\x3f\xc0\xc0\x03\x05\xc0\xc0\x04\x02\xc0\xc0\x05\x01\xc0"
    )
    writer.write(b"\xc0\x00" + FRAME + b"\xc0")
    await bench.until(lambda: bench.tnc.frames_from_host == 1)
    assert bench.channel.radio("HUB") == RadioParameters(
        txdelay_s=0.5, persistence=0.25, slot_time_s=0.05, tx_tail_s=0.02, full_duplex=True
    )
    assert bench.tnc.ignored == 0
    writer.write(b"\xc0\x05\x00\xc0\xc0\x00" + FRAME + b"\xc0")
    await bench.until(lambda: bench.tnc.frames_from_host == 2)
    assert not bench.channel.radio("HUB").full_duplex
    writer.close()


@pytest.mark.parametrize(
    "useless",
    [
        b"\xc0\x10" + FRAME + b"\xc0",  # port 1
        b"\xc0\x00\xc0",  # data without a frame
        b"\xc0\x01\xc0",  # TXDELAY without a value
        b"\xc0\x06\x01\xc0",  # SetHardware
        b"\xc0\x07\x01\xc0",  # no such command
        b"\xc0\xff\xc0",  # leave KISS mode
    ],
)
async def test_what_it_has_no_use_for_is_counted(bench: Bench, useless: bytes) -> None:
    _, writer = await bench.connect()
    radio = bench.channel.radio("HUB")
    writer.write(useless)
    await bench.until(lambda: bench.tnc.ignored == 1)
    assert bench.channel.radio("HUB") == radio
    assert bench.channel.next_event_s() is None
    writer.close()


async def test_a_channel_ahead_of_the_clock_takes_the_frame_at_its_own_time(bench: Bench) -> None:
    _, writer = await bench.connect()
    bench.channel.advance(8.0)
    bench.now_s = 7.9
    writer.write(b"\xc0\x00" + FRAME + b"\xc0")
    await bench.until(lambda: bench.tnc.frames_from_host == 1)
    assert bench.channel.next_event_s() == 8.0
    writer.close()


async def test_a_host_may_leave_and_come_back(bench: Bench) -> None:
    reader, writer = await bench.connect()
    bench.tnc.hang_up()
    assert await gone(reader)
    await bench.until(lambda: bench.tnc.hosts == 0)
    writer.close()
    bench.channel.transmit("FAR", FRAME, 1.0)
    bench.advance(5.0)  # nobody there: the frame is lost, as with a real TNC
    assert (bench.tnc.frames_to_host, bench.tnc.frames_dropped) == (0, 0)
    reader, writer = await bench.connect()
    bench.channel.transmit("FAR", FRAME, 6.0)
    bench.advance(10.0)
    assert await read(reader, len(FRAME) + 3) == b"\xc0\x00" + FRAME + b"\xc0"
    writer.close()


async def test_a_host_that_does_not_read_loses_frames_and_holds_up_nobody(bench: Bench) -> None:
    _, lazy = await bench.connect()  # the loop never gets to read for it
    at_s = 0.0
    # Past what the sockets and the transport hold (some megabytes), every frame is dropped.
    while bench.tnc.frames_dropped < 100:
        assert bench.tnc.frames_to_host < 100_000
        for _ in range(100):
            at_s += 20.0
            bench.channel.transmit("FAR", FRAME * 20, at_s)
        bench.advance(at_s + 20.0)
        at_s += 20.0
    held = bench.tnc.frames_to_host
    bench.channel.transmit("FAR", FRAME, at_s + 1.0)
    bench.advance(at_s + 20.0)
    assert bench.tnc.frames_to_host == held
    lazy.transport.abort()


async def test_closing_hangs_up_and_frees_the_port(bench: Bench) -> None:
    reader, writer = await bench.connect()
    port = bench.tnc.port
    await bench.tnc.close()
    assert await gone(reader)
    assert bench.tnc.hosts == 0
    with pytest.raises(RuntimeError, match="not listening"):
        _ = bench.tnc.port
    with pytest.raises(OSError, match=r"[Cc]onnect"):
        await asyncio.open_connection("127.0.0.1", port)
    await bench.tnc.close()  # once more does no harm
    writer.close()

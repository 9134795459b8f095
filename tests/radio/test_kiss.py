"""KISS framing.

Check values: vectors/kiss.toml, which names the source of each (the KISS paper of 1987 throughout).
"""

import tracemalloc
from itertools import pairwise
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from checkvalues import cases, input_octets, octets
from radio.plain_deframer import deframe
from ridgepost.radio import kiss
from ridgepost.radio.kiss import Counts, Deframer, KissFrame, Parameters, frame

Case = dict[str, Any]

NOTHING_SET = Parameters(
    txdelay_ms=None, persistence=None, slot_time_ms=None, tx_tail_ms=None, full_duplex=None
)


def fed(deframer: Deframer, chunks: list[bytes]) -> list[KissFrame]:
    return [kiss_frame for chunk in chunks for kiss_frame in deframer.feed(chunk)]


def octet_by_octet(stream: bytes) -> list[bytes]:
    return [bytes([octet]) for octet in stream]


def expected_frames(case: Case) -> tuple[list[KissFrame], list[KissFrame]]:
    data = [
        KissFrame(item["port"], kiss.DATA, octets(item["payload_hex"]))
        for item in case["expect"]["data_frames"]
    ]
    other = [
        KissFrame(item["port"], item["command"], octets(item["value_hex"]))
        for item in case["expect"]["other_frames"]
    ]
    return data, other


def check(case: Case, frames: list[KissFrame]) -> None:
    data, other = expected_frames(case)
    assert [item for item in frames if item.command == kiss.DATA] == data
    assert [item for item in frames if item.command != kiss.DATA] == other


# --- to the TNC ---------------------------------------------------------------------------------


@pytest.mark.parametrize("case", cases("kiss", "encode"))
def test_framing(case: Case) -> None:
    payload = input_octets(case)
    sent = frame(case["port"], case["command"], payload)
    assert sent == octets(case["expect"]["frame_hex"])
    if "frame_length_octets" in case["expect"]:
        assert len(sent) == case["expect"]["frame_length_octets"]
    # The way back, which the paper makes the same for both directions.
    assert Deframer().feed(sent) == [KissFrame(case["port"], case["command"], payload)]


# The names of the check values, and ours.
PARAMETER_OF_KEY = {
    "txdelay_ms": "txdelay_ms",
    "persistence_probability": "persistence",
    "slottime_ms": "slot_time_ms",
    "txtail_ms": "tx_tail_ms",
    "full_duplex": "full_duplex",
}


@pytest.mark.parametrize(
    "case",
    cases("kiss", "encode", where=lambda case: bool(PARAMETER_OF_KEY.keys() & case["expect"])),
)
def test_parameters(case: Case) -> None:
    values = {
        ours: case["expect"][key] for key, ours in PARAMETER_OF_KEY.items() if key in case["expect"]
    }
    parameters = msgspec.structs.replace(NOTHING_SET, **values)
    assert parameters.commands(case["port"]) == octets(case["expect"]["frame_hex"])


def test_default_parameters_are_those_of_the_standard() -> None:
    # APRS 1.2c ch. 3, Channel Access: TXDELAY 30, PERSIST 63, SLOTTIME 10. Half duplex: one radio.
    assert Parameters().commands(0) == (
        b"\xc0\x01\x1e\xc0" + b"\xc0\x02\x3f\xc0" + b"\xc0\x03\x0a\xc0" + b"\xc0\x05\x00\xc0"
    )


def test_unset_parameters_send_nothing() -> None:
    assert NOTHING_SET.commands(0) == b""


@pytest.mark.parametrize(
    ("values", "name"),
    [
        ({"txdelay_ms": -10}, "txdelay_ms"),
        ({"txdelay_ms": 2560}, "txdelay_ms"),  # 256 does not fit the octet
        ({"txdelay_ms": 305}, "txdelay_ms"),  # KISS counts in tens
        ({"slot_time_ms": 15}, "slot_time_ms"),
        ({"tx_tail_ms": 2551}, "tx_tail_ms"),
        ({"persistence": 0.0}, "persistence"),
        ({"persistence": 1.01}, "persistence"),
        ({"persistence": -0.5}, "persistence"),
        ({"persistence": float("nan")}, "persistence"),
    ],
)
def test_parameters_that_kiss_cannot_carry(values: dict[str, Any], name: str) -> None:
    with pytest.raises(ValueError, match=name):
        Parameters(**values)


@given(st.floats(min_value=0, max_value=1, exclude_min=True))
def test_persistence_is_carried_as_the_nearest_value(probability: float) -> None:
    sent = msgspec.structs.replace(NOTHING_SET, persistence=probability).commands(0)
    (carried,) = Deframer().feed(sent)
    # KISS paper: p = (P + 1) / 256 with P from 0 to 255.
    distance = {octet: abs((octet + 1) / 256 - probability) for octet in range(256)}
    assert distance[carried.payload[0]] == min(distance.values())


def test_return_leaves_kiss_mode() -> None:
    (case,) = (
        parameter.values[0]
        for parameter in cases("kiss", where=lambda case: "leaves_kiss_mode" in case["expect"])
    )
    assert octets(case["expect"]["frame_hex"]) == kiss.RETURN_FRAME


@pytest.mark.parametrize(("port", "command"), [(-1, 0), (16, 0), (0, -1), (0, 16)])
def test_port_and_command_are_half_an_octet_each(port: int, command: int) -> None:
    with pytest.raises(ValueError, match="15"):
        frame(port, command, b"")


# --- from the TNC -------------------------------------------------------------------------------


@pytest.mark.parametrize("case", cases("kiss", "decode"))
def test_deframing_whole(case: Case) -> None:
    deframer = Deframer()
    check(case, deframer.feed(input_octets(case)))
    assert deframer.incomplete is case["expect"]["incomplete"]


@pytest.mark.parametrize("case", cases("kiss", "decode"))
def test_deframing_octet_by_octet(case: Case) -> None:
    deframer = Deframer()
    check(case, fed(deframer, octet_by_octet(input_octets(case))))
    assert deframer.incomplete is case["expect"]["incomplete"]


@pytest.mark.parametrize(
    "case", cases("kiss", "decode", where=lambda case: "chunk_lengths" in case)
)
def test_deframing_in_the_chunks_of_the_case(case: Case) -> None:
    stream = input_octets(case)
    ends = [0]
    for length in case["chunk_lengths"]:
        ends.append(ends[-1] + length)
    assert ends[-1] == len(stream)
    check(case, fed(Deframer(), [stream[start:end] for start, end in pairwise(ends)]))


@pytest.mark.parametrize("case", cases("kiss", "decode"))
def test_deframing_with_a_tail(case: Case) -> None:
    tail = KissFrame(3, kiss.DATA, b"tail")
    deframer = Deframer()
    frames = deframer.feed(input_octets(case) + frame(3, kiss.DATA, b"tail"))
    assert frames.pop() == tail
    if case["expect"]["incomplete"]:
        # The FEND of the tail ends what stood unfinished.
        assert frames.pop().command == kiss.DATA
    check(case, frames)
    assert not deframer.incomplete


def test_each_defect_is_counted() -> None:
    deframer = Deframer(max_frame_octets=4)
    frames = deframer.feed(
        b"cmd:\xc0"  # noise: 4 octets
        b"\x00A\xc0"  # a frame
        b"\x00A\xdbXB\xc0"  # a bad escape, and a frame
        b"\x00A\xdb\xc0"  # cut
        b"\x00AAAA\xc0"  # a frame, just short enough
        b"\x00AAAAA\xc0"  # too long
        b"\xdb\xdc\xdb\xdc\xdb\xdc\xdb\xdc\xdb\xdc\xc0"  # a frame, each octet of it escaped
    )
    assert [item.payload for item in frames] == [b"A", b"AB", b"AAAA", b"\xc0" * 4]
    assert deframer.counts == Counts(
        frames=4, noise_octets=4, bad_escapes=1, cut_frames=1, oversize_frames=1
    )


def test_reset_drops_what_was_begun_and_waits_for_a_frame() -> None:
    deframer = Deframer()
    assert deframer.feed(b"\xc0\x00AB") == []
    deframer.reset()
    assert not deframer.incomplete
    assert deframer.feed(b"CD\xc0\x00E\xc0") == [KissFrame(0, kiss.DATA, b"E")]
    assert deframer.counts == Counts(frames=1, noise_octets=2, cut_frames=1)


def test_a_limit_below_one_octet_is_refused() -> None:
    with pytest.raises(ValueError, match="max_frame_octets"):
        Deframer(max_frame_octets=0)


# Streams in which the special octets are as common as all the others together.
streams = st.lists(
    st.sampled_from([0xC0, 0xDB, 0xDC, 0xDD, 0x00, 0x10, 0x41]) | st.integers(0, 255), max_size=60
).map(bytes)


@given(streams)
def test_agrees_with_a_plain_reading_of_the_paper(stream: bytes) -> None:
    frames = Deframer().feed(stream)
    assert [bytes([item.port << 4 | item.command]) + item.payload for item in frames] == deframe(
        stream
    )


@given(streams, st.data(), st.integers(1, 8))
def test_any_chunking_gives_the_same(stream: bytes, data: st.DataObject, limit: int) -> None:
    whole = Deframer(max_frame_octets=limit)
    frames = whole.feed(stream)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=10)))
    chunks = [stream[start:end] for start, end in pairwise([0, *cuts, len(stream)])]
    chunked = Deframer(max_frame_octets=limit)
    assert fed(chunked, chunks) == frames
    assert chunked.counts == whole.counts
    assert chunked.incomplete == whole.incomplete


@given(
    st.lists(st.tuples(st.integers(0, 15), st.integers(0, 15), st.binary(max_size=40)), max_size=5),
    streams,
)
def test_what_is_sent_comes_out_again(sent: list[tuple[int, int, bytes]], noise: bytes) -> None:
    deframer = Deframer()
    deframer.feed(noise + kiss.FEND)
    stream = b"".join(frame(*item) for item in sent)
    assert deframer.feed(stream) == [KissFrame(*item) for item in sent]
    assert not deframer.incomplete


@pytest.mark.parametrize(
    "chunk",
    [b"A" * 64, b"\xdb\xdc" * 32, b"\xdb" * 64, b"\xc0" * 64, b"\xc0\x00A" * 21],
    ids=["text", "escapes", "FESC", "FEND", "frames"],
)
def test_memory_stays_bounded(chunk: bytes) -> None:
    deframer = Deframer()
    deframer.feed(kiss.FEND)
    tracemalloc.start()
    try:
        for _ in range(4096):  # 256 KiB
            deframer.feed(chunk)
        _, peak_octets = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    # What it may hold, as escaped octets, twice over while it joins; and some small objects.
    assert peak_octets < 2 * 2 * (kiss.MAX_FRAME_OCTETS + 1) + 16_384
    # And it goes on.
    assert deframer.feed(b"\xc0\x00A\xc0")[-1] == KissFrame(0, kiss.DATA, b"A")


def test_a_flood_without_an_end_is_one_frame_too_long() -> None:
    deframer = Deframer()
    deframer.feed(kiss.FEND)
    for _ in range(100):
        assert deframer.feed(b"A" * 1000) == []
    assert deframer.incomplete
    assert deframer.counts == Counts(oversize_frames=1)


# The KISS paper: times are one octet, in tens of milliseconds.
def test_the_longest_time_fits_the_octet() -> None:
    assert Parameters(
        txdelay_ms=2550, persistence=None, slot_time_ms=None, full_duplex=None
    ).commands(0) == bytes.fromhex("c0 01 ff c0")


def test_no_time_at_all_is_a_value_too() -> None:
    """The KISS paper: 0 is a time like any other; only a command left out leaves the TNC's own."""
    sent = Parameters(
        txdelay_ms=0, persistence=None, slot_time_ms=0, tx_tail_ms=0, full_duplex=None
    ).commands(0)
    assert sent == bytes.fromhex("c0 01 00 c0 c0 03 00 c0 c0 04 00 c0")

"""Time on air, against a bit-by-bit construction of HDLC and against a table worked by hand."""

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from ridgepost.radio.airtime import airtime_s, bits_on_air
from ridgepost.radio.ax25 import Frame, encode, fcs_octets


def sent_bits(octets: bytes) -> list[int]:
    """A frame as HDLC sends it, bit by bit (AX.25 2.2 ch. 3: low bit first, bit stuffing)."""
    sent = []
    ones = 0
    for octet in octets:
        for place in range(8):
            bit = octet >> place & 1
            sent.append(bit)
            ones = ones + 1 if bit else 0
            if ones == 5:
                sent.append(0)
                ones = 0
    return sent


def received_octets(bits: list[int]) -> bytes:
    """What a receiver makes of it: the bit after five ones is left out."""
    kept = []
    ones = 0
    for bit in bits:
        if ones == 5:
            assert bit == 0, "six ones in a row would be a flag or an abort"
            ones = 0
            continue
        kept.append(bit)
        ones = ones + 1 if bit else 0
    return bytes(
        sum(bit << place for place, bit in enumerate(kept[start : start + 8]))
        for start in range(0, len(kept), 8)
    )


frames = st.lists(
    st.sampled_from([0x00, 0xFF, 0x1F, 0xF8, 0x7E, 0x3F, 0xFC]) | st.integers(0, 255), max_size=80
).map(bytes)


@given(frames)
@example(b"")
@example(b"\xff" * 40)
@example(b"\xf8\x1f" * 20)  # runs of ten ones across the octets
def test_bits_agree_with_a_construction_bit_by_bit(octets: bytes) -> None:
    with_fcs = octets + fcs_octets(octets)
    bits = sent_bits(with_fcs)
    assert received_octets(bits) == with_fcs
    assert bits_on_air(octets) == len(bits)


@pytest.mark.parametrize(
    ("octets", "bits"),
    [
        # Worked by hand from the FCS of vectors/ax25.toml (CRC catalogue), low bits first.
        (b"", 16),  # FCS 00 00
        (b"\x00", 24),  # 00 78 F0: 00000000 00011110 00001111, four ones at most
        (b"\xff", 26),  # FF 00 FF: two runs of eight ones, a zero in each
        (b"A", 25),  # 41 F5 A3: 10000010 10101111 11000101, six ones across two octets
    ],
)
def test_bits_and_seconds_worked_by_hand(octets: bytes, bits: int) -> None:
    assert bits_on_air(octets) == bits
    # 300 ms of flags in front, one flag at either end, 30 ms behind.
    assert airtime_s(octets, 1200, 0.3, 0.03) == pytest.approx(0.33 + (bits + 16) / 1200)
    assert airtime_s(octets, 9600, 0.0, 0.0, flag_bits=8) == pytest.approx((bits + 8) / 9600)


@pytest.mark.parametrize(
    ("info", "octets_with_fcs", "with_path_s", "without_path_s"),
    [
        # A table worked apart from this code: 1200 bit/s, TXDELAY 300 ms, tail 30 ms, 16 flag bits,
        # path of two addresses. How many zeros are stuffed depends on callsigns that it does not
        # give, so a few bits of 1/1200 s are left open.
        (b":QZ2BASE  :" + b"e" * 67 + b"{12345", 116, 1.117, 1.023),
        (b":QZ2BASE  :" + b"e" * 67 + b"{12", 113, 1.097, 1.003),
        (b":QZ2BASE  :" + b"e" * 20 + b"{12", 66, 0.783, 0.691),
        (b":QZ2BASE  :ack12345", 51, 0.683, 0.590),
        (b":QZ2BASE  :ack12", 48, 0.663, 0.570),
        (b"!/5L!!<*e7>7P[", 46, 0.652, 0.558),
        (b"!4903.50N/07201.75W>", 52, 0.692, 0.598),
        (b"!4903.50N/07201.75W>088/036", 59, 0.738, 0.645),
        (b"!4903.50N/07201.75W>088/036" + b"e" * 20, 79, 0.872, 0.778),
    ],
)
def test_frames_of_a_table(
    info: bytes, octets_with_fcs: int, with_path_s: float, without_path_s: float
) -> None:
    frame = Frame("QZ1SAG-7", "APZ001", ("WIDE1-1", "WIDE2-1"), info=info)
    octets = encode(frame)
    assert len(octets) + 2 == octets_with_fcs
    a_few_bits_s = 4 / 1200
    assert airtime_s(octets, 1200, 0.3, 0.03) == pytest.approx(with_path_s, abs=a_few_bits_s)
    direct = encode(Frame("QZ1SAG-7", "APZ001", info=info))
    assert airtime_s(direct, 1200, 0.3, 0.03) == pytest.approx(without_path_s, abs=a_few_bits_s)


@pytest.mark.parametrize("bit_rate", [0, -1200])
def test_a_bit_rate_that_is_none(bit_rate: int) -> None:
    with pytest.raises(ValueError, match="bit_rate"):
        airtime_s(b"", bit_rate, 0.3, 0.03)

"""How long a frame keeps the channel busy.

A frame on the air is HDLC (AX.25 2.2 ch. 3): flags, the octets with their low bit first and a 0
stuffed in after every five ones, the FCS, a flag. In front of it the transmitter sends flags for
TXDELAY, behind it for its tail (APRS 1.2c ch. 3, Channel Access).
"""

from ridgepost.radio import ax25

FLAG_BITS = 16  # one flag at either end: the others are counted as TXDELAY and tail


def bits_on_air(octets: bytes) -> int:
    """The bits of one frame as sent: FCS and stuffed zeros counted, flags not.

    `octets` is the frame as KISS carries it, without its FCS.
    """
    with_fcs = octets + ax25.fcs_octets(octets)
    # Read as one number with the first octet lowest, the frame's bits stand in the order in which
    # they are sent, last one first. A run of n ones gets n // 5 stuffed zeros, from whichever end
    # it is read, and count() finds just these: the rows of five that do not overlap.
    stuffed_zeros = bin(int.from_bytes(with_fcs, "little")).count("11111")
    return 8 * len(with_fcs) + stuffed_zeros


def airtime_s(
    octets: bytes,
    bit_rate: int,
    txdelay_s: float,
    tx_tail_s: float,
    flag_bits: int = FLAG_BITS,
) -> float:
    """Seconds from key-up to key-down for a transmission of this one frame.

    `octets` as for `bits_on_air`; `bit_rate` in bit/s. Raises ValueError for a bit rate that is
    not positive.
    """
    if bit_rate <= 0:
        raise ValueError(f"bit_rate must be positive, not {bit_rate}")
    return txdelay_s + (bits_on_air(octets) + flag_bits) / bit_rate + tx_tail_s

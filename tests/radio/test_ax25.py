"""AX.25 frames and their monitor text.

Check values: vectors/ax25.toml, which names the source of each (AX.25 2.2, APRS 1.2c ch. 3 and 17,
the digipeater algorithm of 2024, the CRC catalogue).
"""

from collections.abc import Callable
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from checkvalues import cases, input_octets, octets
from radio.refusals import attempt
from ridgepost.radio import ax25
from ridgepost.radio.ax25 import Frame, FrameError, decode, encode, from_monitor, to_monitor
from ridgepost.radio.callsign import base_call, ssid_of

Case = dict[str, Any]

# --- addresses ----------------------------------------------------------------------------------


@pytest.mark.parametrize("case", cases("ax25", "encode_address"))
def test_encode_address(case: Case) -> None:
    sent = ax25.encode_address(case["input"], bool(case["c_or_h_bit"]), case["last"])
    assert sent == octets(case["expect"]["octets_hex"])
    if "ssid_octet_hex" in case["expect"]:
        assert sent[6:] == octets(case["expect"]["ssid_octet_hex"])


@pytest.mark.parametrize("case", cases("ax25", "decode_address"))
def test_decode_address(case: Case) -> None:
    address = ax25.decode_address(input_octets(case))
    assert {
        "callsign": base_call(address.callsign),
        "ssid": ssid_of(address.callsign),
        "c_or_h_bit": int(address.flag),
        "reserved_bits": address.reserved,
        "last": address.last,
    } == case["expect"]


@pytest.mark.parametrize("length", [0, 6, 8])
def test_an_address_has_seven_octets(length: int) -> None:
    # AX.25 2.2 ch. 3
    with pytest.raises(FrameError, match="7 octets"):
        ax25.decode_address(b"\x82" * length)


def test_invented_addresses_do_not_fill_the_memory() -> None:
    for number in range(5000):
        text = f"Q{number:04d}-{number % 16}"
        address = ax25.encode_address(text, False, True)
        assert ax25.decode_address(address).callsign == text.removesuffix("-0")
    for cached in (ax25.encode_address, ax25.decode_address):
        info = cached.cache_info()
        assert info.maxsize is not None
        assert info.currsize <= info.maxsize < 5000


# --- frames -------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", cases("ax25", "both"))
def test_octets_and_monitor_text(case: Case) -> None:
    expect = case["expect"]
    frame = from_monitor(case["input"])
    assert encode(frame) == octets(expect["frame_hex"])
    assert decode(octets(expect["frame_hex"])) == frame
    assert to_monitor(frame) == case["input"]
    assert (frame.source, frame.destination) == (expect["source"], expect["destination"])
    assert list(frame.path) == expect["digipeaters"]
    assert (frame.control, frame.pid) == (expect["control"], expect["pid"])
    assert frame.info == expect["info"].encode()
    used = expect["used_count"]
    assert frame.used_count == used
    assert frame.used_in_order
    assert frame.direct is (used == 0)
    # APRS 1.2c ch. 17: the asterisk follows the digipeater heard.
    assert frame.heard_from == [expect["source"], *expect["digipeaters"]][used]
    assert frame.first_unused == [*expect["digipeaters"], None][used]


# How each key of the check values is to be read off a frame.
READ: dict[str, Callable[[Frame], object]] = {
    "source": lambda frame: frame.source,
    "destination": lambda frame: frame.destination,
    "digipeaters": lambda frame: list(frame.path),
    "used_count": lambda frame: frame.used_count,
    "h_bits": lambda frame: [int(bit) for bit in frame.repeated],
    "h_bits_consistent": lambda frame: frame.used_in_order,
    "first_unused": lambda frame: frame.first_unused,
    "frame_type": lambda frame: frame.kind,
    "control": lambda frame: frame.control,
    "pid": lambda frame: frame.pid,
    "info": lambda frame: frame.info.decode(),
    "poll_final": lambda frame: frame.poll_final,
    "send_sequence": lambda frame: frame.send_sequence,
    "receive_sequence": lambda frame: frame.receive_sequence,
    "command": lambda frame: frame.command,
    "destination_c_bit": lambda frame: int(frame.destination_c),
    "source_c_bit": lambda frame: int(frame.source_c),
    "is_ui": lambda frame: frame.is_ui,
    "aprs": lambda frame: frame.is_aprs,
}


@pytest.mark.parametrize("case", cases("ax25", "parse_frame"))
def test_decode(case: Case) -> None:
    frame = decode(input_octets(case))
    assert {key: READ[key](frame) for key in case["expect"]} == case["expect"]
    # Whatever was read can be sent on: the reserved bits are the only ones that may differ.
    assert decode(encode(frame)) == frame


@pytest.mark.parametrize("case", cases("ax25", "refuse_frame"))
def test_refused_octets(case: Case) -> None:
    with pytest.raises(FrameError) as refused:
        decode(input_octets(case))
    assert refused.value.reason == case["expect"]["reason"]


def test_a_cut_before_the_information_is_refused() -> None:
    """Every cut of a UI frame before its information is refused, every later one is a frame."""
    whole = encode(Frame("QZ1SAG-7", "APZ001", ("QZ3DIG", "WIDE2-1"), info=b">Test"))
    information_at = 4 * 7 + 2
    for length in range(information_at):
        with pytest.raises(FrameError):
            decode(whole[:length])
    for length in range(information_at, len(whole) + 1):
        assert decode(whole[:length]).info == whole[information_at:length]


@pytest.mark.parametrize(
    ("values", "reason"),
    [
        ({"source": ""}, "blank_callsign"),
        ({"source": "qz1sag"}, "illegal_character"),
        ({"destination": "APZ0011"}, "callsign_too_long"),
        ({"path": ("WIDE1-16",)}, "bad_ssid"),
        ({"path": ("QZ3DIG",) * 9}, "too_many_digipeaters"),  # APRS 1.2c ch. 3: 0 to 8
        ({"info": b"x" * 257}, "info_too_long"),  # APRS 1.2c ch. 3: 1 to 256
        ({"pid": None}, "no_pid"),  # AX.25 2.2 ch. 3: I and UI frames carry one ...
        ({"control": 0x2F}, "unexpected_pid"),  # ... and no others
        ({"control": 0x01}, "unexpected_pid"),
        ({"control": 0x100, "pid": 0xF0}, "bad_octet"),
        ({"pid": 256}, "bad_octet"),
        ({"pid": -1}, "bad_octet"),
    ],
)
def test_frames_that_must_not_be_sent(values: dict[str, Any], reason: str) -> None:
    frame = msgspec.structs.replace(Frame("QZ1SAG-7", "APZ001"), **values, repeated=())
    with pytest.raises(FrameError) as refused:
        encode(frame)
    assert refused.value.reason == reason


@pytest.mark.parametrize("case", cases("ax25", "refuse_encode"))
def test_refused_in_encoding(case: Case) -> None:
    with pytest.raises(FrameError) as refused:
        encode(from_monitor(case["input"]))
    assert refused.value.reason == case["expect"]["reason"]


def test_h_bits_left_out_are_clear() -> None:
    assert Frame("QZ1SAG", "APZ001", ("WIDE1-1", "WIDE2-1")) == Frame(
        "QZ1SAG", "APZ001", ("WIDE1-1", "WIDE2-1"), (False, False)
    )


@pytest.mark.parametrize("repeated", [(True,), (True, False, False)])
def test_an_h_bit_belongs_to_each_digipeater(repeated: tuple[bool, ...]) -> None:
    with pytest.raises(FrameError) as refused:
        Frame("QZ1SAG", "APZ001", ("WIDE1-1", "WIDE2-1"), repeated)
    assert refused.value.reason == "bad_path"


@pytest.mark.parametrize(
    ("destination_c", "source_c", "command"),
    [(True, False, True), (False, True, False), (False, False, False), (True, True, False)],
)
def test_command(destination_c: bool, source_c: bool, command: bool) -> None:
    # AX.25 2.2 ch. 6 (command and response): equal C bits mark the older protocol, which has
    # neither.
    frame = Frame("QZ1SAG", "APZ001", destination_c=destination_c, source_c=source_c)
    assert frame.command is command


def test_heard_from_is_the_last_used_even_out_of_order() -> None:
    # Digipeater algorithm sec. 1: the last address with its H bit set is the transmitter.
    frame = Frame("QZ1SAG", "APZ001", ("WIDE1-1", "QZ3DIG"), (False, True))
    assert (frame.heard_from, frame.direct, frame.first_unused) == ("QZ3DIG", False, "WIDE1-1")


# --- frame check sequence -----------------------------------------------------------------------


@pytest.mark.parametrize("case", cases("ax25", "crc"))
def test_fcs(case: Case) -> None:
    data = input_octets(case)
    assert ax25.fcs(data) == case["expect"]["crc"]
    assert f"0x{ax25.fcs(data):04X}" == case["expect"]["crc_text"]
    assert ax25.fcs_octets(data) == octets(case["expect"]["fcs_octets_hex"])


@pytest.mark.parametrize("case", cases("ax25", "crc_check"))
def test_fcs_check(case: Case) -> None:
    data = input_octets(case)
    assert ax25.fcs_good(data) is case["expect"]["fcs_ok"]
    if "crc_value" in case["expect"]:
        assert ax25.fcs(data) == case["expect"]["crc_value"]
        assert ax25.fcs(data) ^ 0xFFFF == case["expect"]["residue_register"]


def register_bit_by_bit(data: bytes) -> int:
    """CRC-16/X-25 as a shift register: polynomial 0x8408 low bit first, all ones, inverted."""
    register = 0xFFFF
    for octet in data:
        register ^= octet
        for _ in range(8):
            register = register >> 1 ^ (0x8408 if register & 1 else 0)
    return register ^ 0xFFFF


@given(st.binary(max_size=64))
def test_fcs_agrees_with_a_shift_register(data: bytes) -> None:
    assert ax25.fcs(data) == register_bit_by_bit(data)


# --- monitor text -------------------------------------------------------------------------------


@pytest.mark.parametrize("case", cases("ax25", "refuse_monitor"))
def test_refused_monitor_text(case: Case) -> None:
    with pytest.raises(FrameError) as refused:
        from_monitor(case["input"])
    assert refused.value.reason == case["expect"]["reason"]


@pytest.mark.parametrize("case", cases("ax25", "parse_monitor"))
def test_read_monitor_text(case: Case) -> None:
    frame = from_monitor(case["input"])
    expect = case["expect"]
    encode(frame)
    if "canonical" in expect:
        assert to_monitor(frame) == expect["canonical"]
        assert (frame.source, frame.destination) == (expect["source"], expect["destination"])
        assert ssid_of(frame.source) == expect["source_ssid"]
    else:
        assert len(frame.info) == expect["info_length_octets"]


@pytest.mark.parametrize(
    ("info", "shown"),
    [
        # Octets of C0 and C1, DEL, Latin-1 that is no UTF-8: common practice is <0xNN> for each.
        (b"\x00\x1b[2J\r\n\x7f", "<0x00><0x1B>[2J<0x0D><0x0A><0x7F>"),
        (b"Gr\xfc\xdfe", "Gr<0xFC><0xDF>e"),
        ("\u0085\u009b".encode(), "<0xC2><0x85><0xC2><0x9B>"),
        # Unicode that would turn or break the line (bidirectional override, line separator).
        ("a\u202eb\u2028".encode(), "a<0xE2><0x80><0xAE>b<0xE2><0x80><0xA8>"),
        ("日本 Ä".encode(), "日本 Ä"),
        # Text that looks like an escape must not become one on the way back.
        (b"<0x41>", "<0x3C>0x41>"),
        (b"<0x3C>0x41>", "<0x3C>0x3C>0x41>"),
        (b"<0xfg><0x4>", "<0xfg><0x4>"),
        (b"<0x4\x01>", "<0x4<0x01>>"),
    ],
)
def test_information_as_text(info: bytes, shown: str) -> None:
    text = f"QZ1SAG>APZ001:{shown}"
    assert to_monitor(Frame("QZ1SAG", "APZ001", info=info)) == text
    assert from_monitor(text).info == info


def test_text_that_is_no_unicode_is_refused() -> None:
    with pytest.raises(FrameError) as refused:
        from_monitor("QZ1SAG>APZ001:\ud800")
    assert refused.value.reason == "illegal_character"


def test_used_out_of_order_is_shown_by_the_last() -> None:
    frame = Frame("QZ1SAG", "APZ001", ("WIDE1-1", "QZ3DIG", "WIDE2"), (False, True, False))
    assert to_monitor(frame) == "QZ1SAG>APZ001,WIDE1-1,QZ3DIG*,WIDE2:"


# --- properties ---------------------------------------------------------------------------------

callsigns = st.builds(
    lambda base, ssid: f"{base}-{ssid}" if ssid else base,
    st.text("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789", min_size=1, max_size=6),
    st.integers(0, 15),
)
informations = st.binary(max_size=256) | st.text("<>0x41AFaf\x00é", max_size=30).map(str.encode)


@st.composite
def built_frames(draw: st.DrawFn) -> Frame:
    path = draw(st.lists(callsigns, max_size=8))
    repeated = draw(st.lists(st.booleans(), min_size=len(path), max_size=len(path)))
    control = draw(st.just(0x03) | st.integers(0, 255))
    # AX.25 2.2 ch. 3: only I frames (low bit 0) and UI frames carry a PID.
    carries_pid = control % 2 == 0 or control in (0x03, 0x13)
    return Frame(
        source=draw(callsigns),
        destination=draw(callsigns),
        path=tuple(path),
        repeated=tuple(repeated),
        info=draw(informations),
        control=control,
        pid=draw(st.integers(0, 255)) if carries_pid else None,
        destination_c=draw(st.booleans()),
        source_c=draw(st.booleans()),
    )


@given(built_frames())
def test_what_is_encoded_is_decoded(frame: Frame) -> None:
    assert decode(encode(frame)) == frame


@given(built_frames(), st.integers(0, 8))
def test_what_is_shown_is_read(frame: Frame, used: int) -> None:
    repeated = tuple(position < used for position in range(len(frame.path)))
    shown = Frame(frame.source, frame.destination, frame.path, repeated, frame.info)
    text = to_monitor(shown)
    assert text.isprintable()
    assert from_monitor(text) == shown


@st.composite
def damaged_frames(draw: st.DrawFn) -> bytes:
    damaged = bytearray(encode(draw(built_frames())))
    for _ in range(draw(st.integers(1, 3))):
        damaged[draw(st.integers(0, len(damaged) - 1))] = draw(st.integers(0, 255))
    return bytes(damaged[: draw(st.integers(0, len(damaged)))])


@given(st.binary(max_size=100) | damaged_frames())
def test_noise_is_a_frame_or_a_reason(noise: bytes) -> None:
    frame = attempt(decode, noise)
    if frame is not None:
        assert decode(encode(frame)) == frame
        assert to_monitor(frame).isprintable()


heads = st.from_regex(
    r"[A-Z0-9]{1,7}(-[0-9]{1,2})?>[A-Z0-9]{1,6}(,[A-Z0-9]{1,6}(-1)?\*?){0,9}", fullmatch=True
)


@given(st.text(max_size=60) | st.builds("{}:{}".format, heads, st.text(max_size=40)))
def test_any_text_is_a_frame_or_a_reason(text: str) -> None:
    frame = attempt(from_monitor, text)
    if frame is not None:
        assert from_monitor(to_monitor(frame)) == frame

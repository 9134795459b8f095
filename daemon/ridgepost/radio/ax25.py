"""AX.25 frames: octets to `Frame` and back, and the text form in which monitors show them.

Source: AX.25 2.2 ch. 3 and 4, and APRS 1.2c ch. 3 (The AX.25 Frame), which keeps the eight
digipeaters of the older AX.25. Octets are those that KISS carries: no flags, no FCS. Frames of
every kind are read; that only UI frames matter to APRS is for others to decide.
"""

import binascii
import functools
import re
from collections.abc import Callable

import msgspec

from ridgepost.radio import RefusedError, callsign, quoted

ADDRESS_OCTETS = 7
MAX_DIGIPEATERS = 8
MAX_INFO_OCTETS = 256

UI = 0x03
NO_LAYER_3 = 0xF0  # the PID of APRS
POLL_FINAL = 0x10

# Control octets of unnumbered frames without the P/F bit, and the two bits that tell supervisory
# frames apart (AX.25 2.2 ch. 4).
_UNNUMBERED = {
    UI: "UI",
    0x0F: "DM",
    0x2F: "SABM",
    0x43: "DISC",
    0x63: "UA",
    0x6F: "SABME",
    0x87: "FRMR",
    0xAF: "XID",
    0xE3: "TEST",
}
_SUPERVISORY = ("RR", "RNR", "REJ", "SREJ")

# Bits of an address's seventh octet.
_FLAG = 0x80  # C in the destination and source, H in a digipeater
_RESERVED = 0x60
_LAST = 0x01
_LONGEST_ADDRESS_FIELD = (2 + MAX_DIGIPEATERS) * ADDRESS_OCTETS

# Distinct addresses heard on a channel, counted with their flag bits, run to a few hundred. An
# entry takes about 300 octets; a flood of invented addresses only pushes others out.
_CACHED_ADDRESSES = 2048

_HALVES = bytes(octet >> 1 for octet in range(256))
_REVERSED = bytes(int(f"{octet:08b}"[::-1], 2) for octet in range(256))

_ESCAPED_OCTET = re.compile(r"<0x([0-9A-Fa-f]{2})>")
_LOOKS_ESCAPED = re.compile(r"<(?=0x[0-9A-Fa-f]{2}>)")


class FrameError(RefusedError):
    """Not an AX.25 frame, or one that must not be sent; see `RefusedError`.

    `reason` is one of CallsignError, or: too_short, address_end_too_early, no_address_end,
    too_many_digipeaters, no_control, no_pid; for frames of our own also bad_path, bad_octet,
    unexpected_pid, info_too_long; in monitor text also no_colon, no_destination,
    more_than_one_asterisk.
    """


class Address(msgspec.Struct, frozen=True, gc=False):
    """One of the addresses at the head of a frame."""

    callsign: str
    flag: bool  # C bit of the destination and the source, H bit (has repeated) of a digipeater
    last: bool  # no address follows
    reserved: int  # two bits, 3 as a rule; of no account


class Frame(msgspec.Struct, frozen=True, gc=False):
    """One AX.25 frame.

    `repeated` holds the H bit of each digipeater in `path`; left empty it becomes all False.
    `pid` is None in frames that carry none (all but UI and I). Raises FrameError when `path` and
    `repeated` differ in length; everything else is checked by `encode`.
    """

    source: str
    destination: str
    path: tuple[str, ...] = ()
    repeated: tuple[bool, ...] = ()
    info: bytes = b""
    control: int = UI
    pid: int | None = NO_LAYER_3
    destination_c: bool = True
    source_c: bool = False

    def __post_init__(self) -> None:
        if len(self.repeated) != len(self.path):
            if self.repeated:
                raise FrameError(
                    "bad_path", f"{len(self.repeated)} H bits for {len(self.path)} digipeaters"
                )
            msgspec.structs.force_setattr(self, "repeated", (False,) * len(self.path))

    @property
    def kind(self) -> str:
        """The frame type of AX.25: UI, I, RR, SABM, ...; U for an unnumbered one it leaves free."""
        if not self.control & 1:
            return "I"
        if not self.control & 2:
            return _SUPERVISORY[self.control >> 2 & 3]
        return _UNNUMBERED.get(self.control & ~POLL_FINAL, "U")

    @property
    def is_ui(self) -> bool:
        """True for an unnumbered information frame, whatever its P/F bit."""
        return self.control & ~POLL_FINAL == UI

    @property
    def is_aprs(self) -> bool:
        """True for a frame that may carry APRS: UI and no layer 3 protocol."""
        return self.is_ui and self.pid == NO_LAYER_3

    @property
    def poll_final(self) -> bool:
        """The P/F bit."""
        return bool(self.control & POLL_FINAL)

    @property
    def command(self) -> bool:
        """True for a command by its C bits; False for a response and for the older AX.25."""
        return self.destination_c and not self.source_c

    @property
    def send_sequence(self) -> int | None:
        """N(S) of an I frame, counted modulo 8; None in others."""
        return None if self.control & 1 else self.control >> 1 & 7

    @property
    def receive_sequence(self) -> int | None:
        """N(R) of an I or supervisory frame, counted modulo 8; None in others."""
        return None if self.control & 3 == 3 else self.control >> 5

    @property
    def used_count(self) -> int:
        """How many digipeaters have their H bit set."""
        return sum(self.repeated)

    @property
    def used_in_order(self) -> bool:
        """False if a used digipeater stands behind an unused one, which no station should send."""
        return self.repeated == tuple(sorted(self.repeated, reverse=True))

    @property
    def used(self) -> tuple[str, ...]:
        """The digipeaters that the frame has come through, the nearest to the source first."""
        return tuple(
            digipeater for digipeater, used in zip(self.path, self.repeated, strict=True) if used
        )

    @property
    def first_unused(self) -> str | None:
        """The digipeater whose turn it is, or None at the end of the path."""
        for digipeater, used in zip(self.path, self.repeated, strict=True):
            if not used:
                return digipeater
        return None

    @property
    def heard_from(self) -> str:
        """The station whose transmitter was heard: the last used digipeater, else the source.

        A digipeater that leaves an alias in the path unchanged is known by the alias only.
        """
        if True not in self.repeated:
            return self.source
        return self.path[len(self.path) - 1 - self.repeated[::-1].index(True)]

    @property
    def direct(self) -> bool:
        """True if the source itself was heard: no digipeater has been used."""
        return True not in self.repeated


# --- octets -----------------------------------------------------------------------------------


@functools.lru_cache(maxsize=_CACHED_ADDRESSES)
def decode_address(octets: bytes) -> Address:
    """Read the seven octets of one address. Raises FrameError."""
    if len(octets) != ADDRESS_OCTETS:
        raise FrameError("too_short", f"an address has 7 octets, not {len(octets)}")
    if any(octet & 1 for octet in octets[:6]):
        raise FrameError(
            "address_end_too_early", f"an octet inside {quoted(octets)} ends the address field"
        )
    # Blanks are filler at the end only; one elsewhere is refused with other stray characters.
    text = octets[:6].translate(_HALVES).decode("latin-1").rstrip(" ")
    base = _checked(text, callsign.parse_base)
    ssid_octet = octets[6]
    ssid = ssid_octet >> 1 & 0x0F
    return Address(
        callsign=f"{base}-{ssid}" if ssid else base,
        flag=bool(ssid_octet & _FLAG),
        last=bool(ssid_octet & _LAST),
        reserved=ssid_octet >> 5 & 3,
    )


class _Route(msgspec.Struct, frozen=True, gc=False):
    """The address field of a frame from its source on."""

    source: str
    source_c: bool
    path: tuple[str, ...]
    repeated: tuple[bool, ...]


@functools.lru_cache(maxsize=_CACHED_ADDRESSES)
def _decode_route(octets: bytes) -> _Route:
    """Read the addresses of source and digipeaters. Raises FrameError.

    Most frames of a station come by the few ways by which it can be heard, so they are remembered.
    """
    source, *digipeaters = (
        decode_address(octets[start : start + ADDRESS_OCTETS])
        for start in range(0, len(octets), ADDRESS_OCTETS)
    )
    return _Route(
        source.callsign,
        source.flag,
        tuple(digipeater.callsign for digipeater in digipeaters),
        tuple(digipeater.flag for digipeater in digipeaters),
    )


@functools.lru_cache(maxsize=_CACHED_ADDRESSES)
def encode_address(text: str, flag: bool, last: bool) -> bytes:
    """The seven octets of one station address; `flag` and `last` as in `Address`.

    The reserved bits are sent as ones. Raises FrameError.
    """
    canonical = _checked(text, callsign.parse_callsign)
    base = callsign.base_call(canonical).ljust(6).encode("ascii")
    ssid_octet = flag * _FLAG | _RESERVED | callsign.ssid_of(canonical) << 1 | last * _LAST
    return bytes(octet << 1 for octet in base) + bytes([ssid_octet])


def _checked(text: str, parse: Callable[[str], str]) -> str:
    try:
        return parse(text)
    except callsign.CallsignError as error:
        raise FrameError(error.reason, error.detail) from error


def decode(octets: bytes) -> Frame:
    """Read one frame, of any kind, without flags and FCS. Raises FrameError.

    Neither the C bits nor the reserved bits are held against a frame (APRS 1.2c ch. 3), nor the
    length of its information: the link bounds that. Control fields are taken as modulo 8, one
    octet: those of the extended mode cannot be told from the frame alone.
    """
    if len(octets) < 2 * ADDRESS_OCTETS:
        raise FrameError("too_short", f"{len(octets)} octets do not hold two addresses")
    destination = decode_address(octets[:7])
    if destination.last:
        raise FrameError("address_end_too_early", "the address field ends with the destination")
    end = 2 * ADDRESS_OCTETS
    while not octets[end - 1] & _LAST:
        if end == _LONGEST_ADDRESS_FIELD:
            raise FrameError("too_many_digipeaters", "the address field goes on after the eighth")
        end += ADDRESS_OCTETS
        if len(octets) < end:
            raise FrameError("no_address_end", "the frame ends before its address field does")
    route = _decode_route(octets[ADDRESS_OCTETS:end])
    if len(octets) == end:
        raise FrameError("no_control", "the frame ends with its address field")
    control = octets[end]
    end += 1
    pid = None
    if _carries_pid(control):
        if len(octets) == end:
            raise FrameError("no_pid", f"the frame ends with its control field 0x{control:02X}")
        pid = octets[end]
        end += 1
    return Frame(
        route.source,
        destination.callsign,
        route.path,
        route.repeated,
        octets[end:],
        control,
        pid,
        destination.flag,
        route.source_c,
    )


def encode(frame: Frame) -> bytes:
    """The octets of a frame, without flags and FCS. Raises FrameError for what must not be sent."""
    if len(frame.path) > MAX_DIGIPEATERS:
        raise FrameError("too_many_digipeaters", f"{len(frame.path)} digipeaters, 8 at most")
    if len(frame.info) > MAX_INFO_OCTETS:
        raise FrameError("info_too_long", f"{len(frame.info)} octets of information, 256 at most")
    addresses = [(frame.destination, frame.destination_c), (frame.source, frame.source_c)]
    addresses += zip(frame.path, frame.repeated, strict=True)
    last = len(addresses) - 1
    head = [
        encode_address(text, flag, position == last)
        for position, (text, flag) in enumerate(addresses)
    ]
    return b"".join([*head, _control_and_pid(frame), frame.info])


def _carries_pid(control: int) -> bool:
    return not control & 1 or control & ~POLL_FINAL == UI


def _control_and_pid(frame: Frame) -> bytes:
    octets = [frame.control]
    if _carries_pid(frame.control):
        if frame.pid is None:
            raise FrameError("no_pid", f"a frame of type {frame.kind} needs a PID")
        octets.append(frame.pid)
    elif frame.pid is not None:
        raise FrameError("unexpected_pid", f"a frame of type {frame.kind} has no PID")
    if not all(0 <= octet <= 255 for octet in octets):
        raise FrameError("bad_octet", f"control or PID of {octets} does not fit an octet")
    return bytes(octets)


# --- frame check sequence ---------------------------------------------------------------------


def fcs(octets: bytes) -> int:
    """The frame check sequence, CRC-16/X-25, of the octets of a frame."""
    # The CRC of the standard library has the same polynomial but takes each octet's high bit
    # first: so turn the octets round on the way in, and the sum on the way out.
    turned = binascii.crc_hqx(octets.translate(_REVERSED), 0xFFFF)
    return (_REVERSED[turned & 0xFF] << 8 | _REVERSED[turned >> 8]) ^ 0xFFFF


def fcs_octets(octets: bytes) -> bytes:
    """The frame check sequence as it follows the frame on the air, low octet first."""
    return fcs(octets).to_bytes(2, "little")


def fcs_good(octets_with_fcs: bytes) -> bool:
    """True if the last two octets are the frame check sequence of those before them."""
    return fcs_octets(octets_with_fcs[:-2]) == octets_with_fcs[-2:]


# --- monitor text -----------------------------------------------------------------------------


def to_monitor(frame: Frame) -> str:
    """A frame on one line of printable text: SOURCE>DESTINATION,PATH*:information.

    The asterisk follows the last used digipeater (APRS 1.2c ch. 17); those before it count as used.
    Information that is valid UTF-8 and printable stands as it is, any other octet as <0xNN>;
    information that already looks like that gets its "<" as <0x3C>. Control, PID and C bits are
    not shown.
    """
    path = list(frame.path)
    if not frame.direct:
        path[len(path) - 1 - frame.repeated[::-1].index(True)] += "*"
    head = ",".join([f"{frame.source}>{frame.destination}", *path])
    return f"{head}:{_text_of(frame.info)}"


def from_monitor(text: str) -> Frame:
    """Read what `to_monitor` writes, as a UI frame with the C bits of a command. Raises FrameError.

    The information may be of any length here.
    """
    head, colon, shown = text.partition(":")
    if not colon:
        raise FrameError("no_colon", f"{quoted(text)} has no colon after its addresses")
    source, arrow, others = head.partition(">")
    if not arrow:
        raise FrameError("no_destination", f"{quoted(head)} has no destination")
    destination, *path = others.split(",")
    if len(path) > MAX_DIGIPEATERS:
        raise FrameError("too_many_digipeaters", f"{len(path)} digipeaters, 8 at most")
    marked = [position for position, address in enumerate(path) if address.endswith("*")]
    if len(marked) > 1:
        raise FrameError("more_than_one_asterisk", f"{quoted(head)} has more than one asterisk")
    used = marked[0] + 1 if marked else 0
    return Frame(
        source=_checked(source, callsign.parse_callsign),
        destination=_checked(destination, callsign.parse_callsign),
        path=tuple(
            _checked(address.removesuffix("*"), callsign.parse_callsign) for address in path
        ),
        repeated=tuple(position < used for position in range(len(path))),
        info=_octets_of(shown),
    )


def _text_of(info: bytes) -> str:
    text = _LOOKS_ESCAPED.sub("<0x3C>", info.decode("utf-8", "surrogateescape"))
    if text.isprintable():
        return text
    return "".join(
        character
        if character.isprintable()
        else "".join(f"<0x{octet:02X}>" for octet in character.encode("utf-8", "surrogateescape"))
        for character in text
    )


def _octets_of(shown: str) -> bytes:
    literal_and_escaped = _ESCAPED_OCTET.split(shown)
    try:
        octets = [literal.encode("utf-8") for literal in literal_and_escaped]
    except UnicodeEncodeError as error:
        raise FrameError("illegal_character", f"{quoted(shown)} is not Unicode text") from error
    octets[1::2] = [bytes.fromhex(escaped) for escaped in literal_and_escaped[1::2]]
    return b"".join(octets)

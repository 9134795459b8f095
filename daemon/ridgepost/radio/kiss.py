"""KISS: frames on the line between this computer and a TNC.

Source: the KISS paper (Chepponis and Karn, 1987). A frame is FEND, a type octet (high half: the
port of the TNC; low half: the command), the payload, FEND. Inside a frame FEND is sent as FESC
TFEND, and FESC as FESC TFESC.
"""

import re

import msgspec

FEND = b"\xc0"
FESC = b"\xdb"
TFEND = b"\xdc"
TFESC = b"\xdd"

# Commands. From the TNC only DATA is defined; to the TNC all of them are.
DATA = 0
TXDELAY = 1  # tens of milliseconds
PERSISTENCE = 2  # P, for a probability of (P + 1) / 256
SLOT_TIME = 3  # tens of milliseconds
TX_TAIL = 4  # tens of milliseconds
FULL_DUPLEX = 5  # 0 is half duplex
SET_HARDWARE = 6  # what follows depends on the TNC
RETURN = 15  # only as type octet 0xFF: leave KISS mode

PORTS = 16

# The longest frame that APRS allows is 328 octets without its FCS: 10 addresses of 7, control, PID
# and 256 of information. Three times that leaves room for what others send on the channel.
MAX_FRAME_OCTETS = 1024

_MEANING_AFTER_FESC = {TFEND: FEND, TFESC: FESC}
_ESCAPE = re.compile(FESC + b"(.?)", re.DOTALL)


class KissFrame(msgspec.Struct, frozen=True, gc=False):
    """One frame from the line, its escapes undone."""

    port: int  # 0 to 15
    command: int  # 0 to 15
    payload: bytes


class Counts(msgspec.Struct):
    """What a deframer has seen since it was made."""

    frames: int = 0  # whole frames, data or not
    noise_octets: int = 0  # before the first FEND, where no frame can begin
    bad_escapes: int = 0  # FESC and an octet that may not follow it: both left out
    cut_frames: int = 0  # ended inside an escape, or by a reset: dropped
    oversize_frames: int = 0  # longer than the limit: dropped


class Deframer:
    """Cuts the octets of a TNC into frames.

    However the octets are cut into reads, the frames and the counts come out the same. Between
    calls it holds at most 2 * (`max_frame_octets` + 1) octets. Nothing that arrives makes it raise.
    """

    def __init__(self, max_frame_octets: int = MAX_FRAME_OCTETS) -> None:
        """`max_frame_octets` bounds the payload of a frame; a longer one is dropped, counted."""
        if max_frame_octets < 1:
            raise ValueError(f"max_frame_octets must be at least 1, not {max_frame_octets}")
        self.counts = Counts()
        self._max_frame = 1 + max_frame_octets  # the type octet too
        self._max_escaped = 2 * self._max_frame  # each octet may be sent as two
        self._unfinished = b""
        self._in_step = False  # a FEND was seen
        self._dropping = False  # what is left of a frame that is too long

    def __repr__(self) -> str:
        held = len(self._unfinished)
        return f"<Deframer in_step={self._in_step} held_octets={held} {self.counts}>"

    @property
    def incomplete(self) -> bool:
        """True in the middle of a frame."""
        return bool(self._unfinished) or self._dropping

    def reset(self) -> None:
        """The link was opened anew: what came before will not be finished. The counts go on."""
        if self._unfinished:
            self.counts.cut_frames += 1
        self._unfinished = b""
        self._in_step = self._dropping = False

    def feed(self, data: bytes) -> list[KissFrame]:
        """The frames that `data` finishes, in order, whatever their command."""
        # Inside a frame FEND is escaped, so every FEND is a delimiter and one split finds them all.
        # That is an order of magnitude faster than a loop over the octets.
        *ended, rest = data.split(FEND)
        if not self._in_step:
            if not ended:
                self.counts.noise_octets += len(rest)
                return []
            self.counts.noise_octets += len(ended.pop(0))
            self._in_step = True
        frames = []
        for piece in ended:
            escaped = self._joined(piece)
            self._unfinished = b""
            self._dropping = False
            # Nothing between two FENDs is no frame: TNCs send runs of FENDs.
            if escaped and (frame := self._read(escaped)) is not None:
                frames.append(frame)
        self._unfinished = self._joined(rest)
        return frames

    def _joined(self, piece: bytes) -> bytes:
        """The frame so far and `piece`, still escaped; nothing once it is too long."""
        if self._dropping:
            return b""
        escaped = self._unfinished + piece
        if len(escaped) > self._max_escaped:
            self._dropping = True
            self.counts.oversize_frames += 1
            return b""
        return escaped

    def _read(self, escaped: bytes) -> KissFrame | None:
        """The frame that stood between two FENDs, or None (counted) if it is not to be had."""
        octets = self._unescaped(escaped) if FESC in escaped else escaped
        if not octets:
            return None
        if len(octets) > self._max_frame:
            self.counts.oversize_frames += 1
            return None
        self.counts.frames += 1
        return KissFrame(octets[0] >> 4, octets[0] & 0x0F, octets[1:])

    def _unescaped(self, escaped: bytes) -> bytes:
        cut = False

        def meaning(escape: re.Match[bytes]) -> bytes:
            nonlocal cut
            octet = escape[1]
            if octet in _MEANING_AFTER_FESC:
                return _MEANING_AFTER_FESC[octet]
            # The paper: anything else after FESC is an error, no action is taken for it, and the
            # frame goes on. Nothing at all after it is a frame that lost its end.
            if octet:
                self.counts.bad_escapes += 1
            else:
                cut = True
            return b""

        octets = _ESCAPE.sub(meaning, escaped)
        if cut:
            self.counts.cut_frames += 1
            return b""
        return octets


def frame(port: int, command: int, payload: bytes) -> bytes:
    """The octets that carry `payload` to the TNC, with a FEND at both ends.

    The type octet is escaped like any other, since port 12 with command 0 gives 0xC0. Raises
    ValueError for a port or command outside 0 to 15.
    """
    if not 0 <= port < PORTS:
        raise ValueError(f"a TNC has the ports 0 to {PORTS - 1}, not {port}")
    if not 0 <= command <= 15:
        raise ValueError(f"a KISS command is a number from 0 to 15, not {command}")
    octets = bytes([port << 4 | command]) + payload
    # FESC first, or the escapes made for FEND would be escaped again.
    octets = octets.replace(FESC, FESC + TFESC).replace(FEND, FESC + TFEND)
    return FEND + octets + FEND


RETURN_FRAME = frame(15, RETURN, b"")


class Parameters(msgspec.Struct, frozen=True):
    """How a TNC is to use its transmitter; None leaves the TNC's own value alone.

    The defaults are the usual ones of APRS 1.2c ch. 3 (Channel Access). The tail has none here: it
    depends on the modem, and the value of the standard fits only some. Raises ValueError for values
    that KISS cannot carry.
    """

    txdelay_ms: int | None = 300
    persistence: float | None = 0.25  # probability of transmitting after each slot, above 0 to 1
    slot_time_ms: int | None = 100
    tx_tail_ms: int | None = None
    full_duplex: bool | None = False

    def __post_init__(self) -> None:
        _check_tens("txdelay_ms", self.txdelay_ms)
        _check_tens("slot_time_ms", self.slot_time_ms)
        _check_tens("tx_tail_ms", self.tx_tail_ms)
        if self.persistence is not None and not 0 < self.persistence <= 1:
            raise ValueError(
                f"persistence must be a probability above 0 and at most 1, not {self.persistence}"
                " (0 would never transmit)"
            )

    def commands(self, port: int) -> bytes:
        """The command frames that set these values on one port of the TNC; b"" for none."""
        octet_of_command: dict[int, int | None] = {
            TXDELAY: _tens(self.txdelay_ms),
            PERSISTENCE: _persistence_octet(self.persistence),
            SLOT_TIME: _tens(self.slot_time_ms),
            TX_TAIL: _tens(self.tx_tail_ms),
            FULL_DUPLEX: None if self.full_duplex is None else int(self.full_duplex),
        }
        return b"".join(
            frame(port, command, bytes([octet]))
            for command, octet in octet_of_command.items()
            if octet is not None
        )


def _check_tens(name: str, time_ms: int | None) -> None:
    if time_ms is not None and (time_ms % 10 or not 0 <= time_ms <= 2550):
        raise ValueError(f"{name} must be 0 to 2550 in steps of 10, not {time_ms}")


def _tens(time_ms: int | None) -> int | None:
    return None if time_ms is None else time_ms // 10


def _persistence_octet(probability: float | None) -> int | None:
    """P of (P + 1) / 256, the nearest that KISS can carry."""
    return None if probability is None else max(0, round(probability * 256) - 1)

"""Frames from a file or a pipe, one after the other, in the forms that they are kept in."""

import re
from collections.abc import Callable, Iterator
from io import BufferedIOBase
from typing import TypeAlias

from ridgepost.radio import ax25, kiss, quoted

Found: TypeAlias = ax25.Frame | str
"""A frame, or why what stood in its place is none."""

MAX_LINE_OCTETS = 16_384
"""Far more than a frame of the longest kind takes with each octet written as <0xNN>."""

READ_OCTETS = 65_536

_STRAY_OCTET = re.compile("[\udc80-\udcff]")


def of_hex(stream: BufferedIOBase) -> Iterator[Found]:
    """A frame without FCS a line, two hexadecimal digits an octet; blanks do not matter."""
    return _of_lines(stream, _read_hex)


def of_monitor(stream: BufferedIOBase) -> Iterator[Found]:
    """A frame a line as monitors show it: SOURCE>DESTINATION,PATH*:information."""
    return _of_lines(stream, _read_monitor)


def of_kiss(stream: BufferedIOBase) -> Iterator[Found]:
    """The octets of a TNC as they came; of KISS frames only those with data are looked at."""
    deframer = kiss.Deframer()
    while octets := stream.read1(READ_OCTETS):
        for frame in deframer.feed(octets):
            if frame.command == kiss.DATA:
                yield _frame(frame.payload)


def _of_lines(stream: BufferedIOBase, read: Callable[[bytes], Found]) -> Iterator[Found]:
    # One more for the line end.
    while line := stream.readline(MAX_LINE_OCTETS + 1):
        whole = line
        while not whole.endswith(b"\n") and len(whole) > MAX_LINE_OCTETS:
            whole = stream.readline(MAX_LINE_OCTETS + 1)
        if whole is not line:
            yield f"the line is longer than {MAX_LINE_OCTETS} octets (line_too_long)"
        elif line.strip():
            yield read(line.removesuffix(b"\n").removesuffix(b"\r"))


def _read_hex(line: bytes) -> Found:
    try:
        octets = bytes.fromhex(line.decode("ascii"))
    except ValueError:
        return f"{quoted(line)} is not hexadecimal (bad_hex)"
    return _frame(octets)


def _read_monitor(line: bytes) -> Found:
    # Octets that are no UTF-8 stand for themselves.
    text = _STRAY_OCTET.sub(
        lambda stray: f"<0x{ord(stray[0]) & 0xFF:02X}>", line.decode("utf-8", "surrogateescape")
    )
    try:
        return ax25.from_monitor(text)
    except ax25.FrameError as error:
        return str(error)


def _frame(octets: bytes) -> Found:
    try:
        return ax25.decode(octets)
    except ax25.FrameError as error:
        return str(error)

"""What a reader of one data type is given, and how it says that the standard is broken."""

import msgspec

from ridgepost.aprs.report import BrokenReason


class Packet(msgspec.Struct, frozen=True, gc=False):
    """An information field with the addresses it came with.

    `depth` counts the third-party headers that were taken off to reach it. With `strict` a report
    with departures is unreadable, inside a third-party packet too.
    """

    info: bytes
    source: str = ""
    destination: str = ""
    depth: int = 0
    strict: bool = False


class Broken(Exception):  # noqa: N818 - a finding about the packet, not an error of the program
    """The information field breaks the standard at octet `offset`.

    Raised by the readers, and turned into an `Unreadable` report where the readers are called.
    """

    def __init__(self, reason: BrokenReason, offset: int) -> None:
        super().__init__(reason, offset)
        self.reason: BrokenReason = reason
        self.offset = offset

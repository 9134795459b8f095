"""A frame as it reached the station."""

import msgspec

from ridgepost.radio.ax25 import Frame
from ridgepost.station.channel import Port


class Arrival(msgspec.Struct, frozen=True):
    """What was heard, where, and under which number its first copy is in the log."""

    frame: Frame
    port: Port
    seq: int

    @property
    def way(self) -> str:
        """How it reached us, in words for the log."""
        return "heard direct" if self.frame.direct else f"heard via {self.frame.heard_from}"


def path_list(frame: Frame) -> list[str]:
    """The digipeaters, the last used one with an asterisk: ['Q1DIG*', 'WIDE2-1']."""
    return path_shown(frame.path, frame.repeated)


def path_shown(path: tuple[str, ...], repeated: tuple[bool, ...]) -> list[str]:
    """The same from the digipeaters and their H bits."""
    shown = list(path)
    if True in repeated:
        shown[len(shown) - 1 - repeated[::-1].index(True)] += "*"
    return shown

"""The path of each frame we send: the shortest by which its addressee was last heard, and wider
ones when that fails (APRS 1.2c ch. 4 on paths; the digipeaters' names as they wrote them)."""

import re
from typing import TypeAlias

from ridgepost.station.heard import HeardStations
from ridgepost.station.setup import Setup
from ridgepost.station.tuning import Tuning

Path: TypeAlias = tuple[str, ...]

# What a digipeater puts into the path is its callsign, which ends in a digit and letters; a used-up
# alias (WIDE1, RELAY) may stay behind it and names nobody.
_CALLSIGN = re.compile(r"[A-Z0-9]*[0-9][A-Z]+(-[0-9]+)?")


class Ways:
    """Chooses paths; the operator's path is the widest that is ever used."""

    def __init__(self, setup: Setup, tuning: Tuning, heard: HeardStations) -> None:
        self._setup = setup
        self._tuning = tuning
        self._heard = heard

    def to(self, callsign: str, now_s: float, failures: int = 0) -> Path:
        """The path for the next frame to `callsign`.

        `failures` counts the transmissions in a row that were not answered: after
        `Tuning.tries_per_path` of them the next wider path has its turn.
        """
        paths = self._known(callsign, now_s)
        return paths[min(failures // self._tuning.tries_per_path, len(paths) - 1)]

    def _known(self, callsign: str, now_s: float) -> list[Path]:
        """The paths from the shortest to the operator's own."""
        widest = self._setup.path
        paths: list[Path] = []
        last = self._heard.last(callsign)
        if widest and last is not None and now_s - last.at_s < self._tuning.way_memory_s:
            via = tuple(name for name in last.via if _CALLSIGN.fullmatch(name))
            if last.direct:
                paths.append(())
            elif len(via) == 1:
                paths.append(via)
        if widest not in paths:
            paths.append(widest)
        return paths

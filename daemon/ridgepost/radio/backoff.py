"""How long to wait before the next try at something that keeps failing. Pure."""

import random
from collections.abc import Iterator

import msgspec


class Backoff(msgspec.Struct, frozen=True, kw_only=True):
    """The rule for the delays between tries, all in seconds.

    The n-th delay is drawn evenly from 0 to `first_s * factor**n`, never above `max_s` ("full
    jitter": stations that lost the same thing at the same moment do not all come back together).
    `stable_s` is how long something must have worked before the next failure counts as the first.

    Raises ValueError when the numbers make no sense.
    """

    first_s: float = 1.0
    factor: float = 2.0
    max_s: float = 60.0
    stable_s: float = 60.0

    def __post_init__(self) -> None:
        # Written so that a NaN fails each of them.
        if not 0 < self.first_s <= self.max_s < float("inf"):
            raise ValueError(
                f"the first delay ({self.first_s:g} s) must be above 0 "
                f"and not above the longest ({self.max_s:g} s)"
            )
        if not 1 <= self.factor < float("inf"):
            raise ValueError(f"the factor of a backoff ({self.factor:g}) must be 1 or more")
        if not self.stable_s >= 0:
            raise ValueError(f"the stable time ({self.stable_s:g} s) must not be negative")

    def delays(self, rng: random.Random) -> Iterator[float]:
        """Delays in seconds without end; take a new iterator to begin again at the first."""
        ceiling_s = self.first_s
        while True:
            yield rng.uniform(0.0, ceiling_s)
            # Kept as a running product: `factor**n` would overflow after some days of failing.
            ceiling_s = min(ceiling_s * self.factor, self.max_s)

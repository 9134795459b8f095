"""When to send again: the standard's decay algorithm (APRS 1.2 ch. 2, Packet Timing)."""

import random

from ridgepost.station.tuning import Tuning


def wait_after_s(attempt: int, tuning: Tuning, rng: random.Random) -> float:
    """Seconds to wait after the `attempt`-th transmission (from 1), with jitter."""
    doublings = min(attempt - 1, 64)  # far past the net cycle time, and no overflow
    plain_s = min(tuning.first_retry_s * tuning.retry_growth**doublings, tuning.net_cycle_s)
    return plain_s * (1.0 + rng.uniform(0.0, tuning.retry_jitter))

"""The standard's decay algorithm as plain numbers (APRS 1.2c ch. 2, Packet Timing)."""

_ENOUGH = 64
"""Doublings past any longest wait, and no overflow."""


def decayed_s(attempt: int, first_s: float, growth: float, longest_s: float) -> float:
    """Seconds from the `attempt`-th transmission (from 1) to the next one, without jitter."""
    return min(first_s * growth ** min(attempt - 1, _ENOUGH), longest_s)

"""Figures with their uncertainty: shares, medians and ratios over runs with different seeds.

Messages of one run share its terrain and its traffic, so a run counts as one draw: intervals of
quantiles and ratios come from drawing whole runs again, and those of shares are widened by what
the runs differ beyond chance.
"""

import math
import random
from collections.abc import Callable, Sequence
from typing import TypeVar

import msgspec

Run = TypeVar("Run")

Z_95 = 1.959964
"""Two-sided 95 % of the normal distribution."""

DRAWS = 300
"""Bootstrap draws: enough for the 2.5 % tails to be known to a tenth of the interval."""


class Figure(msgspec.Struct, frozen=True):
    """A value and its 95 % interval; None where nothing is there to take it from."""

    value: float | None
    low: float | None = None
    high: float | None = None


def quantile(ascending: Sequence[float], share: float) -> float | None:
    """The value below which `share` of a sorted sample lies, linear between neighbours."""
    if not ascending:
        return None
    place = share * (len(ascending) - 1)
    below = math.floor(place)
    above = min(below + 1, len(ascending) - 1)
    return ascending[below] + (ascending[above] - ascending[below]) * (place - below)


def wilson(successes: float, trials: float) -> tuple[float, float]:
    """The 95 % interval of a share (E. B. Wilson 1927). Raises ValueError without trials."""
    if not trials > 0:
        raise ValueError("a share of nothing")
    share = successes / trials
    spread = Z_95**2 / trials
    centre = (share + spread / 2) / (1 + spread)
    half = math.sqrt(share * (1 - share) * spread + spread**2 / 4) / (1 + spread)
    return max(0.0, centre - half), min(1.0, centre + half)


def design_effect(successes: Sequence[int], trials: Sequence[int]) -> float:
    """How much more the shares of runs differ than chance alone would have it: 1 or more.

    Kish's design effect with the variance of a ratio estimated from the runs (from memory).
    """
    total, runs = sum(trials), len(trials)
    share = sum(successes) / total if total else 0.0
    if runs < 2 or not 0.0 < share < 1.0:
        return 1.0
    between = sum((good - share * all_) ** 2 for good, all_ in zip(successes, trials, strict=True))
    variance = between / total**2 * runs / (runs - 1)
    return max(1.0, variance * total / (share * (1 - share)))


def share_of(successes: Sequence[int], trials: Sequence[int]) -> Figure:
    """The share over all runs, one number of successes and trials for each run."""
    total = sum(trials)
    if total == 0:
        return Figure(None)
    effect = design_effect(successes, trials)
    low, high = wilson(sum(successes) / effect, total / effect)
    return Figure(sum(successes) / total, low, high)


def over_runs(
    runs: Sequence[Run], figure: Callable[[Sequence[Run]], float | None], rng: random.Random
) -> Figure:
    """What `figure` makes of all runs, with the bootstrap interval over runs.

    One run says nothing about its own uncertainty, and draws without a value are left out.
    """
    value = figure(runs)
    if value is None or len(runs) < 2:
        return Figure(value)
    drawn = (figure(rng.choices(runs, k=len(runs))) for _ in range(DRAWS))
    ascending = sorted(one for one in drawn if one is not None)
    return Figure(value, quantile(ascending, 0.025), quantile(ascending, 0.975))


def ratio(numerator: float, denominator: float) -> float | None:
    """None if nothing is there to share among."""
    return numerator / denominator if denominator else None

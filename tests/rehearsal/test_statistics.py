"""Intervals against published ones, Python's own statistics and chance itself."""

import random
import statistics as reference

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ridgepost.rehearsal.statistics import (
    Figure,
    design_effect,
    over_runs,
    quantile,
    ratio,
    share_of,
    wilson,
)


@pytest.mark.parametrize(
    ("successes", "trials", "low", "high"),
    [
        # Source: R. G. Newcombe, Statistics in Medicine 17 (1998) 857, table I, method 3 (from
        # memory).
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_wilson_intervals_are_the_published_ones(
    successes: int, trials: int, low: float, high: float
) -> None:
    assert wilson(successes, trials) == pytest.approx((low, high), abs=5e-5)


def test_a_share_of_nothing_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="nothing"):
        wilson(0, 0)
    assert share_of([], []) == Figure(None)
    assert share_of([0, 0], [0, 0]) == Figure(None)
    assert ratio(1.0, 0.0) is None


@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=50))
def test_quantiles_are_those_of_python(values: list[float]) -> None:
    # Source: statistics.quantiles, method 'inclusive'.
    expected = reference.quantiles(values, n=20, method="inclusive")
    ascending = sorted(values)
    for place, value in enumerate(expected, 1):
        assert quantile(ascending, place / 20) == pytest.approx(value, abs=1e-6)


def test_a_quantile_of_one_or_none() -> None:
    assert quantile([], 0.5) is None
    assert quantile([7.0], 0.95) == 7.0


def test_chance_alone_has_no_design_effect() -> None:
    rng = random.Random(1)
    good = [sum(rng.random() < 0.8 for _ in range(50)) for _ in range(400)]
    assert design_effect(good, [50] * 400) == pytest.approx(1.0, abs=0.15)


def test_runs_in_which_all_goes_the_same_way_count_once() -> None:
    # Fact of sampling: in a cluster of m equal answers each adds nothing, so the effect is m.
    rng = random.Random(2)
    good = [20 * (rng.random() < 0.5) for _ in range(400)]
    assert design_effect(good, [20] * 400) == pytest.approx(20.0, rel=0.02)
    figure = share_of(good, [20] * 400)
    low, high = wilson(sum(good) / 20, 400)
    assert figure.low == pytest.approx(low, abs=0.002)
    assert figure.high == pytest.approx(high, abs=0.002)


def test_one_run_or_one_outcome_has_no_design_effect() -> None:
    assert design_effect([3], [10]) == 1.0
    assert design_effect([10, 10], [10, 10]) == 1.0
    assert design_effect([0, 0], [10, 10]) == 1.0


def test_the_bootstrap_interval_of_a_mean_is_the_normal_one() -> None:
    # Fact of statistics: the mean of n draws has a deviation of sigma / sqrt(n).
    rng = random.Random(3)
    runs = [rng.gauss(10.0, 2.0) for _ in range(100)]
    figure = over_runs(runs, lambda some: sum(some) / len(some), random.Random(4))
    half = 1.96 * reference.stdev(runs) / 10.0
    assert figure.value is not None
    assert figure.low == pytest.approx(figure.value - half, abs=0.25 * half)
    assert figure.high == pytest.approx(figure.value + half, abs=0.25 * half)


def test_one_run_says_nothing_of_its_own_doubt() -> None:
    assert over_runs([1.0], sum, random.Random(1)) == Figure(1.0)
    assert over_runs([], lambda _runs: None, random.Random(1)) == Figure(None)


def test_intervals_repeat() -> None:
    runs = [1.0, 2.0, 4.0, 8.0]
    assert over_runs(runs, max, random.Random(5)) == over_runs(runs, max, random.Random(5))

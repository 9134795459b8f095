"""Delays as numbers. Source: full jitter as in M. Brooker, "Exponential Backoff And Jitter" (2015),
from memory: each delay is drawn evenly from 0 to min(cap, base * factor**n).
"""

import random
from itertools import islice, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ridgepost.radio.backoff import Backoff


class HighestDraw(random.Random):
    """Dice that always show the top, so that the ceiling of each delay can be seen."""

    def uniform(self, a: float, b: float) -> float:
        return b


def test_ceilings_grow_by_the_factor_up_to_the_longest() -> None:
    backoff = Backoff(first_s=1.0, factor=2.0, max_s=60.0)
    ceilings_s = list(islice(backoff.delays(HighestDraw()), 9))
    assert ceilings_s == [1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 60.0, 60.0, 60.0]


def test_a_new_iterator_begins_again_at_the_first() -> None:
    backoff = Backoff(first_s=0.5, factor=3.0, max_s=100.0)
    assert list(islice(backoff.delays(HighestDraw()), 3)) == [0.5, 1.5, 4.5]
    assert list(islice(backoff.delays(HighestDraw()), 3)) == [0.5, 1.5, 4.5]


def test_factor_1_is_a_constant_ceiling() -> None:
    assert list(islice(Backoff(first_s=5.0, factor=1.0).delays(HighestDraw()), 3)) == [5.0] * 3


def test_no_overflow_after_days_of_failing() -> None:
    # 2.0**1024 is beyond a double (IEEE 754), so a power would raise OverflowError here.
    backoff = Backoff(first_s=1.0, factor=2.0, max_s=60.0)
    assert next(islice(backoff.delays(HighestDraw()), 5000, None)) == 60.0


def test_jitter_is_spread_evenly_over_the_whole_range() -> None:
    # The mean of an even draw from 0 to 60 is 30 with a standard deviation of 60/sqrt(12) = 17.3,
    # so that of 4000 draws lies within 30 +- 1.1 (four standard errors).
    delays_s = list(islice(Backoff(first_s=60.0, max_s=60.0).delays(random.Random(1)), 4000))
    assert abs(sum(delays_s) / len(delays_s) - 30.0) < 1.1
    assert min(delays_s) < 1.0
    assert max(delays_s) > 59.0


def test_randomness_comes_from_the_generator_passed_in() -> None:
    backoff = Backoff()
    one = list(islice(backoff.delays(random.Random(7)), 5))
    again = list(islice(backoff.delays(random.Random(7)), 5))
    other = list(islice(backoff.delays(random.Random(8)), 5))
    assert one == again
    assert one != other


@given(
    first_s=st.floats(0.001, 100),
    factor=st.floats(1, 100),
    more_s=st.floats(0, 1000),
    seed=st.integers(),
)
def test_delays_stay_within_bounds(first_s: float, factor: float, more_s: float, seed: int) -> None:
    backoff = Backoff(first_s=first_s, factor=factor, max_s=first_s + more_s)
    assert all(
        0 <= delay_s <= backoff.max_s for delay_s in islice(backoff.delays(random.Random(seed)), 20)
    )
    ceilings_s = list(islice(backoff.delays(HighestDraw()), 20))
    assert all(before <= after for before, after in pairwise(ceilings_s))


@pytest.mark.parametrize(
    ("numbers", "word"),
    [
        ({"first_s": 0.0}, "first"),
        ({"first_s": -1.0}, "first"),
        ({"first_s": float("nan")}, "first"),
        ({"first_s": 10.0, "max_s": 5.0}, "longest"),
        ({"max_s": float("inf")}, "longest"),
        ({"factor": 0.5}, "factor"),
        ({"factor": float("nan")}, "factor"),
        ({"factor": float("inf")}, "factor"),
        ({"stable_s": -1.0}, "stable"),
        ({"stable_s": float("nan")}, "stable"),
    ],
)
def test_numbers_without_sense_are_refused(numbers: dict[str, float], word: str) -> None:
    with pytest.raises(ValueError, match=word):
        Backoff(**numbers)


# Common practice: without a stable time, one success is enough to begin again at the first delay.
def test_no_stable_time_may_be_asked_for() -> None:
    assert Backoff(stable_s=0.0).stable_s == 0.0

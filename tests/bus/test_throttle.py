"""How often clients may ask: a bucket of tokens each, against a plain model (common practice)."""

from hypothesis import given
from hypothesis import strategies as st

from ridgepost.bus.throttle import CLIENTS_KEPT, Rate, Throttle

RATE = Rate(at_once=5, every_s=2.0)


def test_at_once_and_then_one_by_one() -> None:
    throttle = Throttle(RATE)
    assert [throttle.wait_s("anna", 0.0) for _ in range(7)] == [0.0] * 5 + [2.0, 2.0]
    assert throttle.wait_s("anna", 1.9) > 0
    assert throttle.wait_s("anna", 2.0) == 0.0
    assert throttle.wait_s("anna", 2.0) > 0


def test_clients_do_not_pay_for_each_other() -> None:
    throttle = Throttle(RATE)
    for _ in range(9):
        throttle.wait_s("dashboard", 0.0)
    assert throttle.wait_s("dashboard", 0.0) > 0
    assert throttle.wait_s("anna", 0.0) == 0.0
    assert throttle.wait_s("", 0.0) == 0.0


def test_a_long_text_costs_its_parts() -> None:
    throttle = Throttle(RATE)
    assert throttle.wait_s("anna", 0.0, 4) == 0.0
    assert throttle.wait_s("anna", 0.0, 2) == 2.0
    assert throttle.wait_s("anna", 0.0, 1) == 0.0


def test_invented_names_gain_nothing() -> None:
    """Memory is bounded; past it all newcomers are one client."""
    throttle = Throttle(RATE)
    taken = sum(throttle.wait_s(f"client {n}", 0.0) == 0.0 for n in range(10 * CLIENTS_KEPT))
    assert len(throttle) <= CLIENTS_KEPT + 1
    assert taken == CLIENTS_KEPT + RATE.at_once
    # Once the buckets are full again their places are free.
    assert throttle.wait_s("new", 1000.0) == 0.0
    assert len(throttle) == 1


@given(st.lists(st.tuples(st.floats(0, 10), st.integers(1, 3)), max_size=60))
def test_as_a_bucket(asks: list[tuple[float, int]]) -> None:
    throttle, now_s, tokens = Throttle(RATE), 0.0, float(RATE.at_once)
    for pause_s, count in asks:
        now_s += pause_s
        tokens = min(tokens + pause_s / RATE.every_s, RATE.at_once)
        if abs(tokens - count) < 1e-5:
            return  # either answer is right
        wait_s = throttle.wait_s("anna", now_s, count)
        assert (wait_s == 0.0) == (tokens >= count)
        if wait_s == 0.0:
            tokens -= count
        else:
            assert abs(wait_s - (count - tokens) * RATE.every_s) < 1e-5

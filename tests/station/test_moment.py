"""Where earlier runs lie on the present clock. The rule throughout: what is not known counts as no
time at all, so that nothing is resent early and nothing expires for a clock that nobody set."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ridgepost.station.moment import Moment, RunSpan, timeline_offsets

DAY_S = 86400.0
WALL_S = 1_800_000_000.0


def span(  # a run of 100 s unless told otherwise
    run: int,
    boot: str,
    first_s: float,
    wall_s: float,
    *,
    lasted_s: float = 100.0,
    trusted: bool = True,
) -> RunSpan:
    return RunSpan(
        run,
        boot,
        Moment(first_s, wall_s, trusted),
        Moment(first_s + lasted_s, wall_s + lasted_s, trusted),
    )


def placed(spans: list[RunSpan], now: Moment, boot: str = "now") -> list[float]:
    """How long before now the last entry of each run was."""
    offsets = timeline_offsets(spans, boot, now, DAY_S)
    return [now.mono_s - (each.last.mono_s + offsets[each.run]) for each in spans]


def test_the_same_boot_shares_the_clock() -> None:
    """Whatever the wall clock did meanwhile."""
    spans = [span(1, "now", 50.0, WALL_S + 9e6), span(2, "now", 500.0, 0.0, trusted=False)]
    assert timeline_offsets(spans, "now", Moment(700.0, WALL_S), DAY_S) == {1: 0.0, 2: 0.0}


def test_between_trusted_wall_clocks_the_gap_is_measured() -> None:
    spans = [span(1, "old", 90_000.0, WALL_S)]
    assert placed(spans, Moment(30.0, WALL_S + 100 + 600)) == [600.0]


@pytest.mark.parametrize(("then", "now"), [(True, False), (False, True), (False, False)])
def test_otherwise_the_gap_is_taken_as_none(then: bool, now: bool) -> None:
    spans = [span(1, "old", 90_000.0, WALL_S, trusted=then)]
    assert placed(spans, Moment(30.0, WALL_S + 7000, now)) == [0.0]


def test_a_wall_clock_that_went_back_makes_no_future() -> None:
    assert placed([span(1, "old", 9.0, WALL_S)], Moment(30.0, WALL_S - 9e6)) == [0.0]


def test_a_wall_clock_wrong_in_earnest_counts_for_a_day() -> None:
    assert placed([span(1, "old", 9.0, WALL_S)], Moment(30.0, WALL_S + 9e9)) == [DAY_S]


def test_how_long_later_runs_lasted_is_known() -> None:
    """Three boots without a clock: the gaps are unknown, the two hours in the middle are not."""
    spans = [
        span(1, "first", 9.0, 0.0, trusted=False),
        span(2, "second", 9.0, 0.0, lasted_s=7200.0, trusted=False),
    ]
    assert placed(spans, Moment(30.0, 0.0, False)) == [7200.0, 0.0]


def test_runs_of_one_earlier_boot_share_its_clock() -> None:
    spans = [
        span(1, "old", 1000.0, 0.0, trusted=False),
        span(2, "old", 4000.0, 0.0, trusted=False),
    ]
    assert placed(spans, Moment(30.0, 0.0, False)) == [3000.0, 0.0]


def test_a_clock_set_between_two_runs_does_not_stretch_them_over_each_other() -> None:
    """The first run's wall clock was ahead; it still ended before the second one began."""
    spans = [span(1, "a", 9.0, WALL_S + 5000), span(2, "b", 9.0, WALL_S)]
    assert placed(spans, Moment(30.0, WALL_S + 100 + 50)) == [150.0, 50.0]


walls = st.tuples(st.floats(0, 4e9), st.booleans())


@given(
    runs=st.lists(
        st.tuples(st.booleans(), st.floats(0, 1e6), st.floats(0, 1e6), walls),
        min_size=1,
        max_size=8,
    ),
    now=st.builds(lambda mono_s, wall: Moment(mono_s, *wall), st.floats(0, 1e7), walls),
)
def test_the_past_is_past_and_in_order(
    runs: list[tuple[bool, float, float, tuple[float, bool]]], now: Moment
) -> None:
    """Whatever the clocks said, and whether a run began with a boot or not."""
    spans: list[RunSpan] = []
    boot, mono_s = 0, 0.0
    for number, (rebooted, before_s, lasted_s, (wall_s, trusted)) in enumerate(runs, start=1):
        boot, mono_s = (boot + 1, before_s) if rebooted else (boot, mono_s + before_s)
        spans.append(
            span(number, f"boot {boot}", mono_s, wall_s, lasted_s=lasted_s, trusted=trusted)
        )
        mono_s += lasted_s
    offsets = timeline_offsets(spans, "now", now, DAY_S)
    starts = [each.first.mono_s + offsets[each.run] for each in spans]
    ends = [each.last.mono_s + offsets[each.run] for each in spans]
    slack_s = 1e-6
    for end_s, next_start_s in zip(ends, [*starts[1:], now.mono_s], strict=True):
        assert end_s <= next_start_s + slack_s
    assert ends[-1] >= now.mono_s - DAY_S - slack_s

"""The place in the log, while publishes end in any order: a model with a set beside it."""

from hypothesis import given
from hypothesis import strategies as st

from ridgepost.bus.progress import Progress


def test_moves_over_unbroken_runs_only() -> None:
    """Only what the broker has acknowledged may be left out next time (MQTT 5, 4.3.2)."""
    progress = Progress(10)
    for seq in (11, 12, 13):
        progress.begin(seq)
    progress.end(12)
    progress.end(13)
    assert progress.floor == 10
    progress.end(11)
    assert progress.floor == 13


def test_restart_forgets_what_is_on_its_way() -> None:
    progress = Progress(0)
    progress.begin(1)
    progress.begin(2)
    progress.end(2)
    progress.restart()
    assert progress.floor == 0
    progress.begin(1)
    progress.end(1)
    assert progress.floor == 1
    progress.begin(2)
    assert progress.floor == 1


@given(st.integers(1, 40).flatmap(lambda n: st.permutations(list(range(1, n + 1)))), st.data())
def test_floor_is_the_longest_run(order: list[int], data: st.DataObject) -> None:
    progress = Progress(0)
    for seq in sorted(order):
        progress.begin(seq)
    ended: set[int] = set()
    for seq in order[: data.draw(st.integers(0, len(order)))]:
        progress.end(seq)
        ended.add(seq)
        run = 0
        while run + 1 in ended:
            run += 1
        assert progress.floor == run

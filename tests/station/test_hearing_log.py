"""How often a station was heard, by the hour, and which were heard direct (APRS 1.2c ch. 15)."""

from collections import defaultdict

from hypothesis import given
from hypothesis import strategies as st

from ridgepost.station.hearing_log import HearingLog
from station.rig import MED, POST, SAG, other

HOUR_S = 3600.0


def test_the_present_hour_first_and_eight_in_all() -> None:
    log = HearingLog(10)
    for hour, count in [(0, 9), (1, 1), (2, 3), (5, 2), (8, 4)]:
        for minute in range(count):
            log.note(SAG, hour * HOUR_S + minute * 60.0, direct=False)
    assert log.counts_of(SAG, 8.5 * HOUR_S) == (4, 0, 0, 2, 0, 0, 3, 1)
    assert log.counts_of(SAG, 13.5 * HOUR_S) == (0, 0, 0, 0, 0, 4, 0, 0)
    assert log.counts_of(SAG, 16.5 * HOUR_S) is None
    assert log.counts_of(MED, 0.0) is None


@given(st.lists(st.tuples(st.floats(0, 10_000), st.sampled_from([SAG, POST])), max_size=60))
def test_as_counted_from_a_list(heard: list[tuple[float, str]]) -> None:
    log = HearingLog(10)
    counted: defaultdict[tuple[str, int], int] = defaultdict(int)
    now_s = 0.0
    for wait_s, callsign in heard:
        now_s += wait_s
        log.note(callsign, now_s, direct=True)
        counted[callsign, int(now_s // HOUR_S)] += 1
    hour = int(now_s // HOUR_S)
    for callsign in (SAG, POST):
        wanted = tuple(counted[callsign, hour - ago] for ago in range(8))
        assert log.counts_of(callsign, now_s) == (wanted if any(wanted) else None)


def test_a_count_fits_into_an_answer() -> None:
    log = HearingLog(10)
    for _ in range(12_000):
        log.note(SAG, 0.0, direct=False)
    assert log.counts_of(SAG, 0.0) == (9999, 0, 0, 0, 0, 0, 0, 0)


def test_heard_direct_the_latest_first() -> None:
    log = HearingLog(10)
    log.note(SAG, 0.0, direct=True)
    log.note(MED, 100.0, direct=True)
    log.note(POST, 200.0, direct=False)
    assert log.heard_direct(200.0, 4800.0) == [MED, SAG]
    log.note(SAG, 300.0, direct=True)
    log.note(MED, 400.0, direct=False)
    assert log.heard_direct(400.0, 4800.0) == [SAG, MED]
    assert log.heard_direct(4950.0, 4800.0) == [SAG]


def test_bounded_by_forgetting_who_is_silent_longest() -> None:
    log = HearingLog(100)
    for number in range(1000):
        log.note(other(number), float(number), direct=True)
        log.note(SAG, float(number), direct=True)
    assert len(log) == 100
    assert len(log.heard_direct(1000.0, 1e6)) == 100
    assert log.counts_of(SAG, 1000.0) is not None
    assert log.counts_of(other(0), 1000.0) is None

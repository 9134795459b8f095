"""When a silence is called: rates of false calls and delays against the best test there can be.

Source: with a share p of the reports lost independently, k in a row are lost with probability p^k,
and whoever knows p and the interval can do no better than call after the first k at which that is
below the level (Neyman and Pearson's lemma: the likelihood of a silence falls with its length).
"""

import math
import random

import pytest

from ridgepost.station.rhythm import Loss, Rhythm
from ridgepost.station.tuning import Tuning

TUNING = Tuning()
LEVEL = 1e-3
INTERVAL_S = 60.0


def heard_for(rhythm: Rhythm, reports: int, *, interval_s: float = INTERVAL_S) -> float:
    """So many reports in a row, none lost; when the last one came."""
    for number in range(reports):
        rhythm.heard(1000.0 + number * interval_s, report=True)
    return 1000.0 + (reports - 1) * interval_s


def missed_before_call(rhythm: Rhythm, level: float = LEVEL) -> int:
    due_s = rhythm.due_s(level)
    assert due_s is not None
    assert rhythm.last_s is not None
    return int((due_s - rhythm.last_s) / INTERVAL_S)


# --- loss -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("heard", "missed"), [(10, 0), (30, 5), (50, 50), (3, 1)])
def test_chance_is_that_of_the_beta_binomial_model(heard: int, missed: int) -> None:
    """B(a + k, b) / B(a, b), by the gamma function (Gelman et al., ch. 2)."""
    loss = Loss(TUNING)
    for _ in range(heard):
        loss.note(0)
    loss.note(missed)
    weight, share = TUNING.loss_prior_reports, TUNING.loss_first_guess
    a, b = missed + weight * share, heard + 1 + weight * (1 - share)

    def chance(k: int) -> float:
        return math.exp(
            math.lgamma(a + k) - math.lgamma(a) + math.lgamma(a + b) - math.lgamma(a + b + k)
        )

    for level in (0.05, 0.001, 1e-5):
        reports = loss.silence_of_chance(level)
        if reports == TUNING.most_missed:
            continue
        assert chance(reports) < level <= chance(reports - 1)


def test_what_others_lose_is_a_first_guess() -> None:
    channel = Loss(TUNING)
    for _ in range(100):
        channel.note(1)
    assert channel.share == pytest.approx(0.5, abs=0.01)
    newcomer = Loss(TUNING, channel)
    assert newcomer.share == pytest.approx(channel.share)
    for _ in range(20):
        newcomer.note(0)
    assert newcomer.share < 0.1


def test_old_losses_fade() -> None:
    loss = Loss(TUNING)
    for _ in range(200):
        loss.note(1)
    for _ in range(600):
        loss.note(0)
    assert loss.share < 0.05


# --- one station ----------------------------------------------------------------------------------


def test_on_a_good_channel_it_takes_two_reports() -> None:
    rhythm = Rhythm(TUNING, INTERVAL_S, Loss(TUNING))
    heard_for(rhythm, 60)
    assert missed_before_call(rhythm) <= 2


def test_with_little_evidence_it_takes_longer() -> None:
    few, many = (Rhythm(TUNING, INTERVAL_S, Loss(TUNING)) for _ in range(2))
    heard_for(few, 3)
    heard_for(many, 100)
    assert missed_before_call(few) > missed_before_call(many)


def test_nothing_is_said_of_who_was_never_heard() -> None:
    rhythm = Rhythm(TUNING, INTERVAL_S, Loss(TUNING))
    assert rhythm.due_s(LEVEL) is None


def test_messages_are_a_sign_of_life_and_no_rhythm() -> None:
    rhythm = Rhythm(TUNING, INTERVAL_S, Loss(TUNING))
    last_s = heard_for(rhythm, 20)
    before_s = rhythm.due_s(LEVEL)
    rhythm.heard(last_s + 30.0, report=False)
    assert rhythm.due_s(LEVEL) == pytest.approx((before_s or 0.0) + 30.0)
    assert rhythm.loss.missed == 0.0


def test_time_in_which_nobody_listened_is_no_silence() -> None:
    rhythm = Rhythm(TUNING, INTERVAL_S, Loss(TUNING))
    last_s = heard_for(rhythm, 30)
    rhythm.resume(last_s + 3600.0)
    due_s = rhythm.due_s(LEVEL)
    assert due_s is not None
    assert due_s > last_s + 3600.0 + INTERVAL_S
    rhythm.heard(last_s + 3610.0, report=True)
    assert rhythm.loss.missed == 0.0


def test_an_interval_is_learnt_from_few_reports() -> None:
    rhythm = Rhythm(TUNING, None, Loss(TUNING))
    heard_for(rhythm, TUNING.gaps_to_learn)
    assert rhythm.interval_s is None
    heard_for(rhythm, TUNING.gaps_to_learn + 1, interval_s=90.0)
    assert rhythm.interval_s == pytest.approx(90.0, rel=0.4)


@pytest.mark.parametrize("loss", [0.0, 0.1, 0.3, 0.5])
def test_an_interval_is_learnt_through_losses(loss: float) -> None:
    rng = random.Random(7)
    rhythm = Rhythm(TUNING, None, Loss(TUNING))
    for number in range(120):
        if rng.random() >= loss:
            rhythm.heard(number * 75.0 + rng.uniform(-3.0, 3.0), report=True)
    assert rhythm.interval_s == pytest.approx(75.0, rel=0.1)


def test_who_reports_by_its_movements_is_given_time() -> None:
    """Motion-adapted beacons (common practice): often in bends, seldom on a straight or at rest."""
    rng = random.Random(3)
    rhythm = Rhythm(TUNING, None, Loss(TUNING))
    now_s, gaps = 0.0, []
    for _ in range(60):
        gap_s = rng.choice([rng.uniform(15.0, 60.0), rng.uniform(60.0, 180.0), 600.0])
        gaps.append(gap_s)
        now_s += gap_s
        rhythm.heard(now_s, report=True)
    due_s = rhythm.due_s(LEVEL)
    assert due_s is not None
    assert due_s - now_s > 600.0


# --- many stations --------------------------------------------------------------------------------


def play(loss: float, seeds: range, interval_s: float | None) -> tuple[int, int, list[float]]:
    """Eleven stations for two hours, then they fall silent: silences, false calls, and delays from
    the death of a station to the call, in intervals."""
    silences = false_calls = 0
    delays: list[float] = []
    for seed in seeds:
        rng = random.Random(f"{seed}/{loss}")
        channel = Loss(TUNING)
        rhythms = [Rhythm(TUNING, interval_s, channel) for _ in range(11)]
        starts = [rng.uniform(0.0, INTERVAL_S) for _ in rhythms]
        called = [False] * len(rhythms)
        for number in range(120):
            for place, rhythm in enumerate(rhythms):
                at_s = starts[place] + (number + rng.uniform(-0.05, 0.05)) * INTERVAL_S
                due_s = rhythm.due_s(LEVEL)
                if due_s is not None and at_s > due_s and not called[place]:
                    called[place] = True
                    false_calls += 1
                if rng.random() >= loss:
                    silences += 1
                    called[place] = False
                    rhythm.heard(at_s, report=True)
        for place, rhythm in enumerate(rhythms):
            due_s = rhythm.due_s(LEVEL)
            death_s = starts[place] + (119 + rng.random()) * INTERVAL_S
            if due_s is not None and not called[place]:
                delays.append((due_s - death_s) / INTERVAL_S)
    return silences, false_calls, delays


@pytest.mark.parametrize("interval_s", [INTERVAL_S, None], ids=["given", "learnt"])
@pytest.mark.parametrize("loss", [0.0, 0.1, 0.3, 0.5])
def test_false_calls_keep_to_the_level_and_calls_come_soon(
    loss: float, interval_s: float | None
) -> None:
    silences, false_calls, delays = play(loss, range(25), interval_s)
    # At most three standard deviations of a Poisson count above the level: 33,000 silences and
    # fewer. The figures of many more seeds are printed by tests/bench/bench_silence.py.
    assert false_calls <= LEVEL * silences + 3.0 * math.sqrt(LEVEL * silences)
    # The best test calls after the first k with loss^k below the level, and the same slack; the
    # last report heard is loss / (1 - loss) intervals before the last one sent.
    best = 1 if loss == 0.0 else math.ceil(math.log(LEVEL) / math.log(loss) - 1e-9)
    slack = max(TUNING.interval_jitter, TUNING.report_delay_s / INTERVAL_S)
    best_delay = best + slack - 0.5 - loss / (1.0 - loss)
    assert sum(delays) / len(delays) <= 1.2 * best_delay + 0.1

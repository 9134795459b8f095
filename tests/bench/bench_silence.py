"""How often stations are called overdue that are not, and how long it takes with those that are.

    PYTHONPATH=daemon:tests python tests/bench/bench_silence.py [seeds]

For each share of reports lost: false calls for each silence (a report heard, and what follows until
the next one) with a 95 % interval (Wilson's), the delay from a station's death to the call, and
that of the best test there is, which knows the share lost and the interval, at the same rate of
false calls: it calls after k - 1 or k reports missed, drawing between them so as to meet the rate.
"""

import math
import sys

from station.test_rhythm import INTERVAL_S, LEVEL, TUNING, play


def interval(count: int, of: int) -> tuple[float, float]:
    """Wilson's 95 % interval of a share."""
    z = 1.96
    share = count / of
    middle = share + z * z / (2 * of)
    half = z * math.sqrt(share * (1 - share) / of + z * z / (4 * of * of))
    return (middle - half) / (1 + z * z / of), (middle + half) / (1 + z * z / of)


def best_missed(loss: float, rate: float) -> float:
    """Reports missed until the best test calls, on average, at this rate of false calls."""
    if loss == 0.0:
        return 1.0
    missed = 1
    while loss**missed > rate:
        missed += 1
    # Between `missed - 1` and `missed` with the odds that give just this rate.
    above, below = loss ** (missed - 1), loss**missed
    return missed - (rate - below) / (above - below)


def main() -> None:
    seeds = range(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
    slack = max(TUNING.interval_jitter, TUNING.report_delay_s / INTERVAL_S)
    print(f"{len(seeds)} seeds, 11 stations, 120 reports each, level {LEVEL:g} for each silence")
    print("delays in intervals, from the death of a station to the call")
    print("loss  interval  silences  false calls, 95 %            delay  best  ratio")
    for loss in (0.0, 0.1, 0.3, 0.5):
        for given in (INTERVAL_S, None):
            silences, false_calls, delays = play(loss, seeds, given)
            low, high = interval(false_calls, silences)
            delay = sum(delays) / len(delays)
            # The last report that was heard is loss / (1 - loss) older than the last one sent, and
            # a station dies half an interval after that on average.
            since = 0.5 + loss / (1.0 - loss)
            best = best_missed(loss, false_calls / silences) + slack - since
            print(
                f"{loss:4.0%}  {'given' if given else 'learnt':8}  {silences:8}  "
                f"{false_calls / silences:.2e} ({low:.1e} - {high:.1e})  "
                f"{delay:5.2f}  {best:5.2f}  {delay / best:5.2f}"
            )


if __name__ == "__main__":
    main()

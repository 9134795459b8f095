"""When to send again.

Three cases. A repeat was expected and did not come: soon, since nobody has the frame and nobody
will suppress a copy. A repeat was heard: not before the digipeaters' window is over. Neither can
be known: the standard's decay algorithm (APRS 1.2 ch. 2, Packet Timing).
"""

import random

from ridgepost.station.traffic.decay import decayed_s
from ridgepost.station.tuning import Tuning


class Schedule:
    """Waits in seconds, with jitter, so that two stations which collided do not meet again at
    every step. `others` is the number of other stations busy with messages (see contention)."""

    def __init__(self, tuning: Tuning, rng: random.Random) -> None:
        self._tuning = tuning
        self._rng = rng

    def no_repeat_s(self, patience_s: float, missed: int, others: int) -> float:
        """From a transmission to the next if its repeat is not heard within `patience_s`.

        `missed` repeats in a row were missed before it.
        """
        growth = self._tuning.no_repeat_growth
        patience_s *= growth[min(missed, len(growth) - 1)]
        return self._jittered(patience_s) + self._standing_back_s(others)

    def after_repeat_s(self, unanswered: int, others: int, window_s: float) -> float:
        """From a repeat to the next transmission: past what is left of the window.

        After `unanswered` further ones the addressee is likely out of reach, and waits grow.
        """
        growth = self._tuning.unanswered_growth
        wait_s = window_s * growth[min(unanswered, len(growth) - 1)]
        return wait_s + self._rng.uniform(0.0, self._tuning.after_window_s * (1 + others))

    def no_answer_s(self, patience_s: float | None, attempt: int, others: int) -> float:
        """From the `attempt`-th transmission (from 1) to the next where no repeat tells anything.

        `patience_s` is what the addressee usually takes at most, None if nothing is known of it.
        """
        tuning = self._tuning
        first_s = tuning.first_retry_s
        if patience_s is not None:
            first_s = min(max(patience_s, tuning.least_retry_s), tuning.most_retry_s)
        plain_s = decayed_s(attempt, first_s, tuning.retry_growth, tuning.net_cycle_s)
        return self._jittered(plain_s) + self._standing_back_s(others)

    def gap_between_rounds_s(self, rounds: int) -> float:
        """The least time from the last transmission to a new round of a waiting message."""
        tuning = self._tuning
        return decayed_s(rounds + 1, tuning.heard_retry_gap_s, 2.0, tuning.net_cycle_s)

    def _jittered(self, plain_s: float) -> float:
        return plain_s * (1.0 + self._rng.uniform(0.0, self._tuning.retry_jitter))

    def _standing_back_s(self, others: int) -> float:
        return others * self._rng.uniform(0.0, 2.0 * self._tuning.contender_gap_s)

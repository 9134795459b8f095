"""How regularly a station is heard, and what its silence means.

A station that reports every T seconds over a channel that loses a share p of its reports leaves a
silence of k reports with probability p^k, dead or alive. So a silence is weighed against both: it
is called when the chance that mere loss explains it falls below a level. p is not known but
measured, from few reports at first, so the chance is the one averaged over all p that the reports
heard so far leave open (the posterior predictive of a Beta-binomial model, A. Gelman et al.,
Bayesian Data Analysis, ch. 2): with little evidence it takes a longer silence to say the same.
"""

import statistics
from collections import deque

from ridgepost.station.tuning import Tuning


class Loss:
    """What is known of the share of reports that are lost: a Beta distribution.

    Of others on the same channel a little is known beforehand (`prior`), and what is known fades
    with `Tuning.loss_memory` reports, since places and channels change.
    """

    def __init__(self, tuning: Tuning, prior: "Loss | None" = None) -> None:
        self._tuning = tuning
        self._prior = prior
        self.heard = 0.0
        self.missed = 0.0

    def note(self, missed: int) -> None:
        """A report was heard after `missed` ones that were not."""
        self.heard += 1.0
        self.missed += missed
        known = self.heard + self.missed
        if known > self._tuning.loss_memory:
            kept = self._tuning.loss_memory / known
            self.heard *= kept
            self.missed *= kept

    @property
    def share(self) -> float:
        """The best single guess of the share that is lost."""
        lost, arrived = self._beta()
        return lost / (lost + arrived)

    def silence_of_chance(self, level: float) -> int:
        """The fewest reports in a row that are lost with a probability below `level`; at most
        `Tuning.most_missed`."""
        lost, arrived = self._beta()
        chance = 1.0
        for place in range(self._tuning.most_missed):
            chance *= (lost + place) / (lost + arrived + place)
            if chance < level:
                return place + 1
        return self._tuning.most_missed

    def _beta(self) -> tuple[float, float]:
        share = self._tuning.loss_first_guess if self._prior is None else self._prior.share
        weight = self._tuning.loss_prior_reports
        return self.missed + weight * share, self.heard + weight * (1.0 - share)


class Rhythm:
    """The interval of one station's reports, given or learnt, and the loss measured for it.

    A given interval is the longest at which the station reports by itself: one that reports more
    often while it moves may be given that of standing still. Times are monotonic seconds.
    """

    def __init__(self, tuning: Tuning, interval_s: float | None, channel: Loss) -> None:
        self._tuning = tuning
        self._given_s = interval_s
        self._channel = channel
        self.loss = Loss(tuning, channel)
        self._gaps_s: deque[float] = deque(maxlen=tuning.gaps_remembered)
        self.last_s: float | None = None
        self._last_report_s: float | None = None
        self._listening_from_s: float | None = None

    def report_every(self, interval_s: float | None) -> None:
        """Another interval is given, or None, to be learnt: losses are counted anew."""
        if interval_s != self._given_s:
            self._given_s = interval_s
            self.loss = Loss(self._tuning, self._channel)

    def resume(self, at_s: float) -> None:
        """Nobody listened for a while: what came meanwhile was not lost, and silence counts anew
        from now on."""
        self._last_report_s = None
        self._listening_from_s = at_s

    def was_heard(self, at_s: float) -> None:
        """It was heard at `at_s`, or later; no more is known of that."""
        if self.last_s is None or self.last_s < at_s:
            self.last_s = at_s

    def heard(self, at_s: float, *, report: bool) -> None:
        """Anything of the station was heard; `report` if it is one that it sends by itself."""
        self.last_s = at_s
        if not report:
            return
        if self._last_report_s is not None and at_s > self._last_report_s:
            self._gap(at_s - self._last_report_s)
        self._last_report_s = at_s

    def _gap(self, gap_s: float) -> None:
        self._gaps_s.append(gap_s)
        interval_s = self.interval_s
        if interval_s is None or gap_s < interval_s / 2.0:
            return  # more often than it must says nothing about loss
        missed = min(max(round(gap_s / interval_s) - 1, 0), self._tuning.most_missed)
        self.loss.note(missed)
        self._channel.note(missed)

    @property
    def interval_s(self) -> float | None:
        """Given or learnt; None while too little was heard to learn it."""
        if self._given_s is not None:
            return self._given_s
        if len(self._gaps_s) < self._tuning.gaps_to_learn:
            return None
        return _learnt_s(list(self._gaps_s))

    def due_s(self, level: float) -> float | None:
        """Until when the station may be silent, and the chance that mere loss explains it is not
        below `level` yet; None if nothing is known."""
        interval_s = self.interval_s
        if interval_s is None or self.last_s is None:
            return None
        since_s = self.last_s
        if self._listening_from_s is not None:
            since_s = max(since_s, self._listening_from_s)
        reports = self.loss.silence_of_chance(level)
        slack_s = max(self._tuning.interval_jitter * interval_s, self._tuning.report_delay_s)
        return since_s + reports * interval_s + slack_s


def _learnt_s(gaps_s: list[float]) -> float:
    """The interval that most gaps are multiples of, or else one that hardly any gap exceeds.

    Losses make gaps twice or three times as long, so it is the shorter ones that show a clock; a
    station that reports by its movements has none, and is given time.
    """
    shorter_s = statistics.quantiles(gaps_s, n=4)[0]
    parts_s = []
    for gap_s in gaps_s:
        times = max(round(gap_s / shorter_s), 1)
        if abs(gap_s - times * shorter_s) <= 0.2 * shorter_s:
            parts_s.append(gap_s / times)
    if len(parts_s) >= 0.7 * len(gaps_s):
        return statistics.median(parts_s)
    return statistics.quantiles(gaps_s, n=10)[8]

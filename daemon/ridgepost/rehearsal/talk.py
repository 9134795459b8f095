"""When the sender of a pair has something to say."""

import random
from collections.abc import Callable

from ridgepost.rehearsal.channel import Channel

TEXT_LENGTH = 67
"""The longest text of a message (APRS 1.2c ch. 14)."""

FILLING = "Runner 214 passed the bridge at 10:42, two behind, all is well here"


class Talk:
    """Asks for messages until `until_s`; each text is used once.

    `say` gets each text at the time it is asked for; `ended` is to be called with the text when
    the message is over, well or badly. With `at_times` the gaps lie between asks, whatever became
    of the messages; otherwise a gap lies between the end of one message and the next ask, and up
    to `ahead` messages are on their way at a time. Gaps are exponentially distributed; with a mean
    of 0 the next ask follows at once.
    """

    def __init__(
        self,
        channel: Channel,
        rng: random.Random,
        say: Callable[[str], None],
        *,
        mean_gap_s: float,
        until_s: float,
        at_times: bool = False,
        ahead: int = 1,
    ) -> None:
        self._channel = channel
        self._rng = rng
        self._say = say
        self._mean_gap_s = mean_gap_s
        self._until_s = until_s
        self._at_times = at_times
        self._ahead = ahead
        self._asked = 0
        self._open = 0
        self._planned = 0

    def begin(self) -> None:
        """Plan the first asks."""
        for _ in range(self._ahead):
            self._plan()

    def ended(self, text: str) -> None:  # noqa: ARG002 - which one it was does not matter here
        """A message is over."""
        self._open -= 1
        if not self._at_times:
            self._plan()

    @property
    def over(self) -> bool:
        """Nothing is on its way and nothing more will be asked for."""
        return self._open == 0 and self._planned == 0

    def _plan(self) -> None:
        gap_s = self._rng.expovariate(1.0 / self._mean_gap_s) if self._mean_gap_s else 0.0
        at_s = self._channel.now_s + gap_s
        if at_s < self._until_s:
            self._planned += 1
            self._channel.schedule(at_s, self._ask)

    def _ask(self) -> None:
        self._planned -= 1
        self._asked += 1
        self._open += 1
        self._say(f"{self._asked:05} {FILLING}"[:TEXT_LENGTH])
        if self._at_times:
            self._plan()

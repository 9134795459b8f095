"""Message numbers: two characters, never twice to one addressee within a message's longest life.

Two characters are what reply-acks allow (APRS 1.2 ch. 14, New Message Number Format), and each
character saved is airtime saved in the message, every copy and every acknowledgement.
"""

import random
from collections import OrderedDict

DIGITS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"


class NoNumberError(Exception):
    """No number may be given out now; the text says why."""


class Numbers:
    """Hands out message numbers in turn.

    The count starts at random, so that a station that lost its log does not repeat the numbers
    it used before. `memory_s` is how long a number stays taken for an addressee, `limit` how many
    numbers are remembered.
    """

    def __init__(self, memory_s: float, limit: int, rng: random.Random) -> None:
        self._memory_s = memory_s
        self._limit = limit
        self._next = rng.randrange(len(DIGITS) ** 2)
        self._used: OrderedDict[tuple[str, str], float] = OrderedDict()

    def take(self, addressee: str, now_s: float) -> str:
        """A number free for this addressee. It counts as taken once `note` is told of it.

        Raises NoNumberError.
        """
        while self._used:
            oldest, used_s = next(iter(self._used.items()))
            if now_s - used_s < self._memory_s:
                break
            del self._used[oldest]
        if len(self._used) >= self._limit:
            raise NoNumberError(
                f"{self._limit} messages were taken within {self._memory_s / 3600:.0f} hours; "
                "no more for now"
            )
        for width in (2, 3):
            for step in range(len(DIGITS) ** width):
                number = _to_text(self._next + step, width)
                if (addressee, number) not in self._used:
                    return number
        raise NoNumberError(f"no message number is left for {addressee}")

    def note(self, addressee: str, number: str, now_s: float) -> None:
        """A number was used: now, or at `now_s` as the log tells."""
        self._used[addressee, number] = now_s
        self._used.move_to_end((addressee, number))
        if len(self._used) > self._limit:
            self._used.popitem(last=False)
        value = 0
        for character in number:
            value = value * len(DIGITS) + DIGITS.find(character)
        self._next = value + 1


def _to_text(value: int, width: int) -> str:
    text = ""
    for _ in range(width):
        value, digit = divmod(value, len(DIGITS))
        text = DIGITS[digit] + text
    return text

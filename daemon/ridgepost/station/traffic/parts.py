"""Texts longer than a message: sent as several that anybody can read, and put together again.

Each part is a message of its own with '(1/3) ' in front, a form of our own that the standard has
no word about, so that a station that does not know it shows the parts as they are.

A text is parted at a blank, which both halves do without. A word too long for a message is parted
where the message is full; a full part therefore goes on in the next one without a blank.
"""

import re
from collections import OrderedDict
from dataclasses import dataclass, field

import msgspec

from ridgepost.aprs.text import MAX_TEXT
from ridgepost.aprs.writing import ADDRESSEE_OCTETS, MAX_INFO_SENT
from ridgepost.station.records import Joined
from ridgepost.station.traffic.numbers import DIGITS

MAX_PARTS = 9
"""One digit in '(1/3) '; more than that is no message any more but a letter."""

_HEAD = "(1/9) "
ROOM_CHARACTERS = MAX_TEXT - len(_HEAD)
ROOM_OCTETS = MAX_INFO_SENT - len("::") - ADDRESSEE_OCTETS - len("{MM}AA") - len(_HEAD)
"""What a part holds besides its head: APRS 1.2c ch. 14 counts characters, ch. 3 octets."""

MAX_LONG_TEXT = MAX_PARTS * ROOM_CHARACTERS
"""Characters of the longest text there can be; one that is parted at blanks is shorter."""

_PART = re.compile(r"\(([1-9])/([2-9])\) (.+)", re.DOTALL)


class TooLongError(Exception):
    """A text that does not fit into the parts allowed; says why in words."""


def split(text: str) -> list[str]:
    """The texts of the messages that carry `text`, which itself is too long for one.

    Raises TooLongError. `text` is checked for what may be sent by whoever sends the parts.
    """
    pieces: list[str] = []
    while text:
        if len(pieces) == MAX_PARTS:
            raise TooLongError(
                f"does not fit into {MAX_PARTS} messages of {MAX_TEXT} characters, "
                "the most that a text may take"
            )
        piece, text = _first_piece(text)
        pieces.append(piece)
    return [f"({place}/{len(pieces)}) {piece}" for place, piece in enumerate(pieces, 1)]


def join(pieces: list[str]) -> str:
    """The whole text of the parts without their heads, in order."""
    whole = ""
    for place, piece in enumerate(pieces):
        following = pieces[place + 1][:1] if place + 1 < len(pieces) else ""
        whole += piece
        if following and _fits(piece + following):
            whole += " "
    return whole


class Part(msgspec.Struct, frozen=True):
    """One part as its message tells it: `place` of `count`, from 1."""

    place: int
    count: int
    piece: str


def read_part(text: str) -> Part | None:
    """The part that a message holds; None if it is a message like any other."""
    found = _PART.fullmatch(text)
    if not found:
        return None
    part = Part(int(found[1]), int(found[2]), found[3])
    return part if part.place <= part.count else None


def _first_piece(text: str) -> tuple[str, str]:
    """What goes into the next part, and the rest."""
    if _fits(text):
        return text, ""
    full = 1
    while _fits(text[: full + 1]):
        full += 1
    for blank in range(full, 0, -1):
        if text[blank] != " " or text[blank - 1] == " ":
            continue
        piece, rest = text[:blank], text[blank:].lstrip(" ")
        # With room for one more, so that it is not taken for a full one.
        if rest and piece.strip(" ") and _fits(piece + rest[0]):
            return piece, rest
    return text[:full], text[full:]


def _fits(piece: str) -> bool:
    return len(piece) <= ROOM_CHARACTERS and len(piece.encode("utf-8", "replace")) <= ROOM_OCTETS


_TextKey = tuple[str, str, int, str]
"""Source, addressee, number of parts, and what their message numbers have in common."""


@dataclass(slots=True)
class _Unfinished:
    """A text of which some parts have come, by place."""

    latest_s: float
    parts: dict[int, Part] = field(default_factory=dict)
    names: dict[int, str] = field(default_factory=dict)


class Parts:
    """Puts the parts of long texts together, in whatever order they come.

    The parts of one text are those whose message numbers follow each other as their places do, so
    that two texts of one sender are never mixed; without numbers, the latest ones.
    At most `limit` texts are waited for, and each for `memory_s` after its latest part.
    """

    def __init__(self, memory_s: float, limit: int) -> None:
        self._memory_s = memory_s
        self._limit = limit
        self._texts: OrderedDict[_TextKey, _Unfinished] = OrderedDict()

    def __len__(self) -> int:
        return len(self._texts)

    def hear(
        self, source: str, to: str, text: str, number: str, name: str, at_s: float
    ) -> Joined | None:
        """Take in a message that is shown under `name`; the whole text if it was the last part.

        `number` is the number field as sent, '' for none.
        """
        part = read_part(text)
        if part is None:
            return None
        self._forget(at_s)
        key = (source, to, part.count, _common(number, part.place))
        unfinished = self._texts.get(key)
        if unfinished is None or unfinished.parts.get(part.place, part) != part:
            unfinished = self._texts[key] = _Unfinished(at_s)
        unfinished.parts[part.place] = part
        unfinished.names.setdefault(part.place, name)
        unfinished.latest_s = at_s
        self._texts.move_to_end(key)
        if len(unfinished.parts) < part.count:
            if len(self._texts) > self._limit:
                self._texts.popitem(last=False)
            return None
        del self._texts[key]
        places = range(1, part.count + 1)
        return Joined(
            source=source,
            to=to,
            text=join([unfinished.parts[place].piece for place in places]),
            parts=[unfinished.names[place] for place in places],
        )

    def _forget(self, now_s: float) -> None:
        while self._texts:
            key, unfinished = next(iter(self._texts.items()))
            if now_s - unfinished.latest_s < self._memory_s:
                break
            del self._texts[key]


def _common(number: str, place: int) -> str:
    """What the numbers of all parts of one text agree in: the number that a part 0 would have.

    '' for none, and for numbers that are not counted as ours are.
    """
    digits = number.partition("}")[0]
    value = 0
    for digit in digits:
        if digit not in DIGITS:
            return ""
        value = value * len(DIGITS) + DIGITS.index(digit)
    round_ = len(DIGITS) ** len(digits)
    return f"{len(digits)}:{(value - place) % round_}" if digits else ""

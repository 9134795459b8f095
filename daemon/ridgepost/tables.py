"""TOML tables into Structs: every key known, every mistake found, each named with its place. Pure.

A key is a field of a `Table`; its type says what it takes, one of: bool, int, float, str, a Literal
of texts, a tuple of one of these, another table, a tuple of tables, or a dict for a table whose
keys are names that the writer of the file chooses. Functions in `Annotated` are
its rules: each takes the value and returns it, tidied or as it is, or raises ValueError saying what
was expected.
"""

import difflib
import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import date, time
from typing import Annotated, Any, Literal, TypeVar, cast, get_args, get_origin, get_type_hints

import msgspec

from ridgepost.radio import quoted

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]{1,40}", re.ASCII)
_NOUNS = {
    bool: "true or false",
    int: "a whole number",
    float: "a number",
    str: "text in quotes",
    date: "a date",  # datetime is one
    time: "a time",
    list: "a list",
    dict: "a table",
}

Rule = Callable[[Any], Any]


class Table(msgspec.Struct, frozen=True, kw_only=True):
    """Base of all tables."""

    @classmethod
    def conflicts(cls, found: Mapping[str, Any]) -> Iterable[tuple[str, str]]:  # noqa: ARG003 - overridden
        """What is wrong between keys that are right by themselves: each a key and why.

        `found` has all keys of the table, left out or not, but for those with a mistake. Tables in
        it are mappings of the same kind.
        """
        return ()


T = TypeVar("T", bound=Table)


class TableError(Exception):
    """The tree does not fit. `problems` are lines such as 'tnc[0].ports[1]: expected ...'."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("; ".join(problems))
        self.problems = problems


def read_table(kind: type[T], tree: Mapping[str, Any]) -> T:
    """The tree of a whole TOML document as a `kind`. Raises TableError naming every mistake."""
    reader = _Reader(kind)
    found = reader.table(kind, tree, "")
    if reader.problems:
        raise TableError(reader.problems)
    return cast("T", _made(kind, found))


def keys_of(kind: type[Table]) -> dict[str, Any]:
    """The keys of a table and their types, with the rules."""
    return get_type_hints(kind, include_extras=True)


def table_in(hint: Any) -> type[Table] | None:
    """The table in `Table`, `Table | None` or `tuple[Table, ...]`, if it is one of these."""
    for candidate in (hint, *get_args(hint)):
        if isinstance(candidate, type) and issubclass(candidate, Table):
            return candidate
    return None


class _Reader:
    """Collects what is wrong while it goes through a tree."""

    def __init__(self, root: type[Table]) -> None:
        self.problems: list[str] = []
        self._headers = dict(_headers(root))

    def table(self, kind: type[Table], tree: Mapping[str, Any], place: str) -> dict[str, Any]:
        """The keys of one table that are right, those left out with their defaults."""
        hints = keys_of(kind)
        for key in tree:
            if key not in hints:
                self._wrong(f"{place}{_shown(key)}", self._unknown(key, hints))
        found: dict[str, Any] = {}
        for field in msgspec.structs.fields(kind):
            key, hint, where = field.name, hints[field.name], f"{place}{field.name}"
            if key in tree:
                value = tree[key]
            elif get_origin(hint) is dict or (isinstance(hint, type) and issubclass(hint, Table)):
                value = {}
            elif field.required:
                self._wrong(where, f"missing; expected {_expected(hint)}")
                continue
            else:
                found[key] = field.default
                continue
            try:
                found[key] = self._value(hint, value, where)
            except ValueError as error:
                self._wrong(where, str(error))
        for key, why in kind.conflicts(found):
            self._wrong(f"{place}{key}", why)
        return found

    def _wrong(self, where: str, why: str) -> None:
        self.problems.append(f"{where}: {why}")

    def _unknown(self, key: str, known: Mapping[str, Any]) -> str:
        near = difflib.get_close_matches(key, known, 1)
        if near:
            return f"unknown key; did you mean {near[0]!r}?"
        if key in self._headers:
            # A table goes on until the next header, so a key at the wrong end lands in another one.
            return f"unknown key here; it belongs below {self._headers[key]}"
        return f"unknown key; known here: {', '.join(known)}"

    def _value(self, hint: Any, value: Any, where: str) -> Any:
        """`value` as the type `hint`, or ValueError."""
        rules: tuple[Rule, ...] = ()
        if get_origin(hint) is Annotated:
            hint, *metadata = get_args(hint)
            rules = tuple(metadata)
        kind = table_in(hint)
        if get_origin(hint) is tuple:
            value, is_whole = self._items(hint, value, where)
            if not is_whole:
                return value
        elif get_origin(hint) is dict:
            value = self._names(hint, value, where)
        elif kind is not None:
            if isinstance(value, list):
                raise ValueError(f"expected one table, with single brackets: [{where}]")
            if not isinstance(value, dict):
                raise ValueError(_mismatch(hint, value))
            return self.table(kind, value, f"{where}.")
        else:
            value = _plain_value(hint, value)
        for rule in rules:
            value = rule(value)
        return value

    def _names(self, hint: Any, value: Any, where: str) -> dict[str, Any]:
        """The entries that are right of a table whose keys are names."""
        if not isinstance(value, dict):
            raise ValueError(_mismatch(hint, value))
        name_hint, item_hint = get_args(hint)
        entries: dict[str, Any] = {}
        for key, item in value.items():
            place = f"{where}.{_shown(key)}"
            try:
                name = self._value(name_hint, key, place)
                if name in entries:
                    raise ValueError("is there twice")
                entries[name] = self._value(item_hint, item, place)
            except ValueError as error:
                self._wrong(place, str(error))
        return entries

    def _items(self, hint: Any, value: Any, where: str) -> tuple[Any, bool]:
        """The items that are right, and whether all are."""
        item_hint = get_args(hint)[0]
        if table_in(item_hint) and isinstance(value, dict):
            raise ValueError(f"expected double brackets, since there may be several: [[{where}]]")
        if not isinstance(value, list):
            raise ValueError(_mismatch(hint, value))
        items: list[Any] = []
        for number, item in enumerate(value):
            place = f"{where}[{number}]"
            try:
                items.append(self._value(item_hint, item, place))
            except ValueError as error:
                self._wrong(place, str(error))
                if table_in(item_hint):
                    items.append({})  # the numbers of the others stay right
        return tuple(items), len(items) == len(value)


def _headers(root: type[Table]) -> Iterator[tuple[str, str]]:
    """Each key of the root's tables and the header that it stands below."""
    for name, hint in keys_of(root).items():
        kind = table_in(hint)
        if kind is not None:
            header = f"[[{name}]]" if get_origin(hint) is tuple else f"[{name}]"
            yield from ((key, header) for key in keys_of(kind))


def _plain_value(hint: Any, value: Any) -> Any:
    """A bool, number, text or one of some texts."""
    if get_origin(hint) is Literal:
        if value not in get_args(hint):
            raise ValueError(_mismatch(hint, value))
        return value
    if type(value) is int and not -(2**63) <= value < 2**63:
        raise ValueError("expected a number of at most 64 bits")  # TOML 1.0, Integer
    if hint is float and type(value) is int:
        value = float(value)
    if type(value) is not hint:
        raise ValueError(_mismatch(hint, value))
    if hint is float and not math.isfinite(value):
        raise ValueError(f"expected a number, got {value}")
    return value


def _mismatch(hint: Any, value: Any) -> str:
    # Not the value itself: it may be a password in the wrong place.
    got = next((noun for kind, noun in _NOUNS.items() if isinstance(value, kind)), "something else")
    point = " with a decimal point" if isinstance(value, float) else ""
    return f"expected {_expected(hint)}, got {got}{point}"


def _expected(hint: Any) -> str:
    if get_origin(hint) is Annotated:
        return _expected(get_args(hint)[0])
    if get_origin(hint) is Literal:
        return " or ".join(f'"{text}"' for text in get_args(hint))
    if get_origin(hint) is tuple:
        return "a list"
    return "a table" if table_in(hint) or get_origin(hint) is dict else _NOUNS[hint]


def _shown(key: str) -> str:
    """A key as it stands in the file; one that only stands in quotes is escaped and shortened."""
    return key if _BARE_KEY.fullmatch(key) else quoted(key)


def _made(hint: Any, found: Any) -> Any:
    """Structs from mappings that hold every key."""
    kind = table_in(hint)
    if kind is not None and isinstance(found, dict):
        hints = keys_of(kind)
        return kind(**{key: _made(hints[key], value) for key, value in found.items()})
    if kind is not None and isinstance(found, tuple):
        return tuple(_made(kind, item) for item in found)
    return found

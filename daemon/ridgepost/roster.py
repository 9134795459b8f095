"""The roster in a file of the event's own: TOML with a [[member]] for each, or CSV with a line for
each below the names of the columns, as spreadsheets write it. The keys are the same."""

import csv
import io
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import msgspec

from ridgepost.settings import (
    MemberTable,
    Settings,
    SettingsError,
    checked_tree,
    load_settings,
    member_conflicts,
    text_of,
    toml_tree,
)
from ridgepost.tables import Table

_DELIMITERS = ",;\t"


class RosterFile(Table, frozen=True, kw_only=True):
    """The whole file."""

    member: tuple[MemberTable, ...] = ()

    @classmethod
    def conflicts(cls, found: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
        """Each callsign and each tactical call is one station's."""
        yield from member_conflicts(found.get("member", ()), {})


def load_all(path: Path) -> Settings:
    """Read and check a settings file and the roster that it names, as one.

    Raises SettingsError naming the files and every mistake.
    """
    return _with_roster(load_settings(path))


def _with_roster(settings: Settings) -> Settings:
    """The settings with the stations of the roster file beside those of the settings.

    Raises SettingsError naming the file and every mistake.
    """
    if not settings.roster.file:
        return settings
    path = Path(settings.roster.file)
    try:
        found = read_roster(text_of(path), in_columns=path.suffix.lower() == ".csv")
        members = (*settings.member, *found)
        wrong = member_conflicts(map(msgspec.structs.asdict, members), settings.tactical)
        if problems := [f"{place}: {why}" for place, why in wrong]:
            raise SettingsError(problems)
    except SettingsError as error:
        raise SettingsError([f"{path}: {problem}" for problem in error.problems]) from error
    return msgspec.structs.replace(settings, member=members)


def read_roster(text: str, *, in_columns: bool) -> tuple[MemberTable, ...]:
    """The stations in the text of a roster file. Raises SettingsError naming every mistake."""
    tree = {"member": list(_rows(text))} if in_columns else toml_tree(text)
    return checked_tree(RosterFile, tree).member


def _rows(text: str) -> Iterator[dict[str, Any]]:
    lines = text.lstrip("\r\n")
    head = lines.partition("\n")[0]
    # Spreadsheets of some countries part columns by semicolons.
    delimiter = max(_DELIMITERS, key=head.count)
    reader = csv.DictReader(io.StringIO(lines, newline=""), delimiter=delimiter, strict=True)
    try:
        for row in reader:
            yield dict(_cells(row, reader.line_num))
    except csv.Error as error:
        raise SettingsError([f"line {reader.reader.line_num}: not CSV: {error}"]) from error


def _cells(row: Mapping[str | Any, Any], line: int) -> Iterator[tuple[str, Any]]:
    """The cells of a row that are filled in, numbers as such."""
    for key, value in row.items():
        if key is None:
            raise SettingsError([f"line {line}: more cells than the first line names"])
        text = (value or "").strip()
        if not text:
            continue
        name = key.strip().lower()
        try:
            yield name, int(text) if name == "interval_s" else text
        except ValueError:
            raise SettingsError([f"line {line}: interval_s: expected a whole number"]) from None

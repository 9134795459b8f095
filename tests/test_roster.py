"""The roster in a file: TOML, and CSV as spreadsheets write it (RFC 4180)."""

import csv
import io
from pathlib import Path

import pytest

from ridgepost.roster import load_all, read_roster
from ridgepost.settings import MAX_OCTETS, SettingsError

TOML = """
[[member]]
callsign = "qz1sag-2"
tactical = "sag2"
role = "relay driver"
interval_s = 120

[[member]]
callsign = "QZ1MED"
"""
ROWS = [
    ["callsign", "tactical", "role", "interval_s"],
    ["QZ1SAG-2", "SAG2", "relay driver", "120"],
    ["QZ1MED", "", "", ""],
]


def written(delimiter: str = ",", rows: list[list[str]] = ROWS, end: str = "\r\n") -> str:
    """What Python's own csv module makes of it, the foreign writer here."""
    file = io.StringIO(newline="")
    csv.writer(file, delimiter=delimiter, lineterminator=end).writerows(rows)
    return file.getvalue()


@pytest.mark.parametrize(
    "text",
    [
        written(),
        written(";"),
        written("\t", end="\n"),
        written(rows=[[cell.upper() for cell in ROWS[0]], *ROWS[1:]]),
        written(rows=[[f" {cell} " for cell in row] for row in ROWS]),
    ],
)
def test_columns_say_the_same_as_tables(text: str) -> None:
    assert read_roster(text, in_columns=True) == read_roster(TOML, in_columns=False)


def test_a_role_with_the_delimiter_in_it() -> None:
    rows = [ROWS[0], ["QZ1SAG-2", "", 'first, "fast" car', ""]]
    (member,) = read_roster(written(rows=rows), in_columns=True)
    assert member.role == 'first, "fast" car'


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("callsign,rank\nQZ1SAG-2,first\n", "member[0].rank: unknown key"),
        ("callsign,interval_s\nQZ1SAG-2,soon\n", "line 2: interval_s: expected a whole number"),
        ("callsign\nQZ1SAG-2,SAG2\n", "line 2: more cells than the first line names"),
        ('callsign\n"QZ1SAG-2\n', "line 2: not CSV: "),
        ("tactical\nSAG2\n", "member[0].callsign: missing"),
        ("callsign\nQZ1SAG-2\nQZ1SAG-2\n", "member[1].callsign: QZ1SAG-2 is there already"),
        (
            "callsign,tactical\nQZ1SAG-2,SAG\nQZ1SAG-3,SAG\n",
            "member[1].tactical: SAG is QZ1SAG-2 already",
        ),
        ("callsign,tactical\nQZ1SAG-2,TENLETTERS\n", "member[0].tactical: expected 1 to 9"),
        ("callsign,role\nQZ1SAG-2," + "r" * 25 + "\n", "member[0].role: expected at most 24"),
    ],
)
def test_mistakes_in_columns(text: str, problem: str) -> None:
    with pytest.raises(SettingsError) as refusal:
        read_roster(text, in_columns=True)
    assert refusal.value.problems[0].startswith(problem)


SETTINGS = '[roster]\nfile = "event.csv"\n[[member]]\ncallsign = "QZ1NET"\ntactical = "NET"\n'


def both(folder: Path, roster: str, settings: str = SETTINGS) -> Path:
    (folder / "event.csv").write_text(roster, encoding="utf-8")
    path = folder / "ridgepost.toml"
    path.write_text(settings, encoding="utf-8")
    return path


def test_the_file_stands_beside_the_settings(tmp_path: Path) -> None:
    setup = load_all(both(tmp_path, written())).setup()
    assert [member.callsign for member in setup.roster] == ["QZ1NET", "QZ1SAG-2", "QZ1MED"]
    assert [member.interval_s for member in setup.roster] == [None, 120.0, None]
    assert setup.tactical_calls == {"NET": "QZ1NET", "SAG2": "QZ1SAG-2"}


@pytest.mark.parametrize(
    ("roster", "problem"),
    [
        ("callsign\nQZ1NET\n", "member[1].callsign: QZ1NET is there already"),
        ("callsign,tactical\nQZ1SAG-2,NET\n", "member[1].tactical: NET is QZ1NET already"),
        ("x" * (MAX_OCTETS + 1), f"larger than {MAX_OCTETS} octets"),
    ],
)
def test_a_mistake_names_the_file(tmp_path: Path, roster: str, problem: str) -> None:
    with pytest.raises(SettingsError) as refusal:
        load_all(both(tmp_path, roster))
    assert refusal.value.problems[0].startswith(f"{tmp_path / 'event.csv'}: {problem}")


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    path = both(tmp_path, "")
    (tmp_path / "event.csv").unlink()
    with pytest.raises(SettingsError, match="cannot be read"):
        load_all(path)


def test_without_a_file_the_settings_are_all(tmp_path: Path) -> None:
    path = both(tmp_path, "", SETTINGS.replace('file = "event.csv"', ""))
    assert [member.callsign for member in load_all(path).member] == ["QZ1NET"]

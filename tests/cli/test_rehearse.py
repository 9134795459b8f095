"""`ridgepost rehearse` as a person runs it."""

import re
import subprocess
import sys
from pathlib import Path

import pytest


def rehearse(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "ridgepost", "rehearse", *arguments],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


def test_ends_by_itself_with_a_reconciled_summary(tmp_path: Path) -> None:
    done = rehearse("--pace", "max", "--seed", "2", "--keep", str(tmp_path / "kept"))
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr
    assert done.stderr == ""
    summary = done.stdout[done.stdout.rindex("messages sent") :]
    agreeing, figures = re.search(r"(\d+) of (\d+) figures", summary).groups()  # type: ignore[union-attr]
    assert agreeing == figures
    assert "median" in summary
    assert "own airtime" in summary
    assert (tmp_path / "kept" / "logbook.sqlite").exists()


@pytest.mark.parametrize(
    "arguments",
    [
        ("--pace", "0"),
        ("--pace", "-3"),
        ("--pace", "nan"),
        ("--pace", "quickly"),
        ("--seed", "-1"),
        ("--seed", "x"),
        ("--keep", __file__),
        ("--keep", str(Path(__file__).parent)),
        ("--keep", "/proc/nowhere/at/all"),
        ("surplus",),
        ("--unknown",),
    ],
)
def test_bad_input_gets_a_clear_line(arguments: tuple[str, ...]) -> None:
    done = rehearse(*arguments)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert done.stderr.strip()
    assert done.stdout == ""

"""`ridgepost rehearse --survive` as a person runs it. The drills themselves: tests/rehearsal."""

from collections.abc import Sequence
from typing import Any

import pytest
from click.testing import CliRunner

from cli.commands import ridgepost
from ridgepost.cli import rehearse
from ridgepost.cli.survive import TOLD
from ridgepost.rehearsal import survival
from ridgepost.rehearsal.hardship import CONDITIONS
from ridgepost.rehearsal.invariants import Rule, Violation
from ridgepost.rehearsal.survival import Outcome


class Asked:
    """Takes the place of the drills."""

    def __init__(self, violations: Sequence[tuple[int, Violation]] = ()) -> None:
        self.seeds: list[int] = []
        self.length_s = 0.0
        self._violations = tuple(violations)

    def __call__(self, seeds: range, length_s: float, **_more: Any) -> list[Outcome]:
        self.seeds, self.length_s = list(seeds), length_s
        return [
            Outcome("calm", hours=2.0, messages=10, acked=9, transmissions=15, kills=3),
            Outcome("storm", hours=2.0, violations=self._violations),
        ]


def run(*arguments: str) -> tuple[int, str]:
    result = CliRunner().invoke(rehearse.command, ["--survive", *arguments])
    return result.exit_code, result.output


def violation(number: int) -> tuple[int, Violation]:
    return 17 + number, Violation(12.3, "QZ1HUB-10", Rule.SHOWN_TWICE, f"Hello {number}")


def test_a_short_run_finds_nothing() -> None:
    done = ridgepost("rehearse", "--survive", "--hours", "3", "--seed", "4")
    assert (done.returncode, done.stderr) == (0, "")
    rows = {line[:34].strip(): line[34:].split() for line in done.stdout.splitlines()}
    for condition in CONDITIONS:
        hours, messages, *_, violations = rows[condition.name]
        assert float(hours) > 0
        assert int(messages) > 0
        assert violations == "0"
    assert rows["all"][-1] == "0"
    assert max(len(line) for line in done.stdout.splitlines()) <= 100


@pytest.mark.parametrize(
    ("arguments", "seeds", "length_s"),
    [
        ((), [1], 7200.0),
        (("--hours", "28", "--seed", "5"), [5], 7200.0),
        (("--hours", "14"), [1], 3600.0),
        (("--hours", "0.1"), [1], survival.SHORTEST_DRILL_S),
        (("--hours", "1000"), list(range(1, 37)), 7200.0),
    ],
)
def test_hours_are_those_of_all_drills(
    monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], seeds: list[int], length_s: float
) -> None:
    # 14 conditions of 2 hours are 28 hours; 36 times that is the first to reach 1000.
    asked = Asked()
    monkeypatch.setattr(survival, "survive", asked)
    status, _ = run(*arguments)
    assert status == 0
    assert (asked.seeds, asked.length_s) == (seeds, length_s)


def test_what_was_found_is_told_with_its_seed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(survival, "survive", Asked([violation(0), violation(1)]))
    status, output = run()
    assert status == 1
    assert "seed 18, storm, at 12.3 s, QZ1HUB-10: shown twice to its reader: Hello 1" in output
    assert "ridgepost rehearse --survive --seed 17\n" in output
    assert "Nothing was lost" not in output
    calm = next(line for line in output.splitlines() if line.startswith("calm"))
    assert calm.split() == ["calm", "2.0", "10", "3", "1.50", "90.0%", "0"]


def test_a_short_drill_is_seen_again_with_its_hours(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(survival, "survive", Asked([violation(0)]))
    assert "--survive --seed 17 --hours 7\n" in run("--hours", "7")[1]


def test_many_findings_do_not_flood_the_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(survival, "survive", Asked([violation(n) for n in range(TOLD + 5)]))
    _, output = run()
    assert output.count("shown twice") == TOLD
    assert "and 5 more" in output


def test_breaking_off(monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(*_arguments: Any, **_more: Any) -> list[Outcome]:
        raise KeyboardInterrupt

    monkeypatch.setattr(survival, "survive", interrupted)
    status, output = run()
    assert status == 130
    assert "broken off" in output


@pytest.mark.parametrize("more", [("--compare",), ("--seeds", "3"), ("--loads", "10")])
def test_what_does_not_go_with_it(more: tuple[str, ...]) -> None:
    status, output = run(*more)
    assert status == 2
    assert output.count("\n") == 1

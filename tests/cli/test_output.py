"""What may reach a terminal, and how errors are told.

Control characters are those of ECMA-48 and Unicode (categories Cc and Cf, from memory); that a
terminal acts on them is common practice among terminals.
"""

import io
import json
import os
import subprocess
import sys
import unicodedata

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from ridgepost.cli import output
from ridgepost.cli.output import fail, json_line, plain
from ridgepost.settings import SettingsError


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("need water at post 4", "need water at post 4"),
        ("Grüße, 水", "Grüße, 水"),
        ("\x1b[2J\x1b]0;title\x07", "<0x1B>[2J<0x1B>]0;title<0x07>"),  # clear screen, set title
        ("\x9b2J", "<0x9B>2J"),  # the same control sequence in one character (ECMA-48 5.4)
        ("a\r\nb\tc\x00\x7f", "a<0x0D><0x0A>b<0x09>c<0x00><0x7F>"),
        ("\u202etxt.exe\u2066", "<U+202E>txt.exe<U+2066>"),  # right-to-left override and isolate
        ("\u2028\u2029\x85", "<U+2028><U+2029><0x85>"),  # line ends of Unicode
        ("zero\u200bwidth\ufeff", "zero<U+200B>width<U+FEFF>"),
        ("\ud800\udcff", "<U+D800><U+DCFF>"),  # half pairs, which UTF-8 has no octets for
        ("\U000e0041", "<U+E0041>"),  # a tag character, invisible
    ],
)
def test_plain(text: str, shown: str) -> None:
    assert plain(text) == shown


@given(st.text(st.characters(exclude_categories=())))
def test_plain_leaves_nothing_to_act_on(text: str) -> None:
    shown = plain(text)
    # Control, format, half pairs, private use, unassigned, separators of lines and paragraphs.
    acted_on = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
    assert not acted_on & {unicodedata.category(character) for character in shown}
    shown.encode("utf-8")
    if text.isprintable():
        assert shown == text


@given(
    st.recursive(
        st.text(st.characters(exclude_categories=())) | st.integers() | st.none() | st.booleans(),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
        max_leaves=8,
    )
)
def test_json_lines_are_one_line_of_printable_ascii_and_lose_nothing(content: object) -> None:
    line = json_line(content)
    assert all(0x20 <= ord(character) <= 0x7E for character in line)
    assert json.loads(line) == content


def test_an_error_is_one_line_whatever_is_in_it(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        fail("bad \x1b[31m\nvalue", 3)
    assert ended.value.code == 3
    assert capsys.readouterr() == ("", "ridgepost: bad <0x1B>[31m<0x0A>value\n")


def test_mistakes_in_settings_are_a_line_each_and_status_78(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with pytest.raises(SystemExit) as ended:
        output.fail_for_settings(SettingsError(["a: one", "b: two"]))
    assert ended.value.code == os.EX_CONFIG == 78  # sysexits.h
    assert capsys.readouterr() == ("", "ridgepost: a: one\nridgepost: b: two\n")


def test_an_error_that_nobody_can_read_keeps_its_status(monkeypatch: pytest.MonkeyPatch) -> None:
    class Gone(io.StringIO):
        def write(self, _text: str) -> int:
            raise BrokenPipeError

    monkeypatch.setattr(sys, "stderr", Gone())
    with pytest.raises(SystemExit) as ended:
        fail("nobody hears this", 5)
    assert ended.value.code == 5


def test_letters_that_the_terminal_has_not_are_spelt() -> None:
    say = (
        "from ridgepost.cli.output import *; make_streams_safe();"
        "click.echo('Grüße, 水 ' + chr(0xDCFF))"
    )
    for encoding, shown in (
        ("latin-1", b"Gr\xfc\xdfe, \\u6c34 \\udcff\n"),
        ("utf-8", "Grüße, 水 \\udcff\n".encode()),
    ):
        done = subprocess.run(
            [sys.executable, "-c", say],
            capture_output=True,
            check=True,
            env={**os.environ, "PYTHONIOENCODING": encoding},
        )
        assert done.stdout == shown


def test_the_runner_of_the_tests_keeps_streams_apart() -> None:
    """Or the tests of the commands would prove nothing about standard error."""
    import click

    @click.command()
    def say() -> None:
        click.echo("out")
        click.echo("err", err=True)

    result = CliRunner().invoke(say)
    assert (result.stdout, result.stderr) == ("out\n", "err\n")

"""`ridgepost post` and `ridgepost withdraw` to a real station over a real broker.

What is on the air is as APRS 1.2c ch. 14 has it; the exit statuses are the project's own promise.
"""

import re

import pytest

from cli.commands import invoke, one_line
from cli.conftest import Site
from harness import free_port


@pytest.mark.parametrize(
    ("typed", "info"),
    [
        ("1", ":BLN1     :Water at post 2"),
        ("BLN2", ":BLN2     :Water at post 2"),
        ("4wx", ":BLN4WX   :Water at post 2"),
        ("q", ":BLNQ     :Water at post 2"),
    ],
)
def test_posted(site: Site, typed: str, info: str) -> None:
    done = invoke("post", typed, "Water", "at", "post", "2", *site.options)
    assert (done.returncode, done.stderr) == (0, "")
    assert re.fullmatch(r"accepted as [0-9a-f]+\.\d+\.\d+\n", done.stdout)
    assert info in site.tnc.wait_for(info)


def test_replaced_and_withdrawn(site: Site) -> None:
    first = invoke("post", "7", "Fog", *site.options)
    second = invoke("post", "7", "Sun", "--lifetime", "600", *site.options)
    assert (first.returncode, second.returncode) == (0, 0)
    name = second.stdout.removeprefix("accepted as ")
    done = invoke("withdraw", "bln7", *site.options)
    assert (done.returncode, done.stdout) == (0, f"withdrawn: {name}")
    again = invoke("withdraw", "7", *site.options)
    assert (again.returncode, again.stdout) == (1, "")
    assert one_line(again.stderr) == "refused: line: nothing of ours is on BLN7"


def test_what_the_station_refuses(site: Site) -> None:
    done = invoke("post", "1", "brace {", *site.options)
    assert (done.returncode, done.stdout) == (1, "")
    assert one_line(done.stderr).startswith("refused: text: ")


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["post"], "missing argument 'LINE'"),
        (["post", "1"], "missing argument 'TEXT...'"),
        (["post", "", "x"], "one digit, or one capital letter"),
        (["post", "12", "x", "--station", "a/b", "--broker", "mqtt://h"], "expected 1 to 32"),
        (["post", "qwx", "x"], "a group bulletin is numbered with a digit"),
        (["post", "1toobig", "x"], "at most 5 characters"),
        (["post", "\x1b[2J", "x"], "one digit, or one capital letter"),
        (["post", "1", "x" * 68], "68 characters, at most 67 may be sent"),
        (["post", "1", "x", "--lifetime", "604801"], "expected 1 to 604800 seconds"),
        (["post", "1", "x", "--lifetime", "nan"], "expected 1 to 604800 seconds"),
        (["withdraw"], "missing argument 'LINE'"),
        (["withdraw", "qwx"], "a group bulletin is numbered with a digit"),
    ],
    ids=lambda value: " ".join(value)[:40] if isinstance(value, list) else None,
)
def test_bad_input(arguments: list[str], told: str) -> None:
    result = invoke(*arguments)
    assert (result.returncode, result.stdout) == (2, "")
    line = one_line(result.stderr)
    assert told in line
    assert line.isprintable()


@pytest.mark.parametrize("arguments", [["post", "1", "hi"], ["withdraw", "1"]])
def test_no_broker(arguments: list[str]) -> None:
    port = free_port()
    done = invoke(*arguments, "--broker", f"mqtt://127.0.0.1:{port}", "--station", "X")
    assert (done.returncode, done.stdout) == (1, "")
    assert one_line(done.stderr).startswith("no connection to the broker at 127.0.0.1")

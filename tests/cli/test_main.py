"""What holds for every command: help that tells all, and bad input that gets one clear line.

Exit status 2 for wrong usage and 78 (EX_CONFIG) for wrong settings: common practice and sysexits.h.
"""

import os
import re
import shlex
import subprocess
from pathlib import Path

import click
import pytest

from cli.commands import (
    BOUND_S,
    command_line,
    environment,
    invoke,
    one_line,
    ridgepost,
    unprivileged,
    write_station,
)
from ridgepost import __version__, cli

ALL = list(cli.COMMANDS)
WITH_SETTINGS = {
    "run": ["run", "@"],
    "check": ["check", "@"],
    "send": ["send", "QZ1SAG-9", "hi", "--settings", "@"],
    "post": ["post", "1", "hi", "--settings", "@"],
    "withdraw": ["withdraw", "1", "--settings", "@"],
    "follow": ["follow", "--settings", "@"],
}


def parameters(name: str) -> list[click.Parameter]:
    command = cli.main.get_command(click.Context(cli.main), name)
    assert command is not None
    return command.params


# --- help -----------------------------------------------------------------------------------------


def test_every_command_is_listed_and_explained() -> None:
    done = ridgepost("--help")
    assert (done.returncode, done.stderr) == (0, "")
    for name, what in cli.COMMANDS.items():
        assert re.search(rf"^  {name} +{re.escape(what)}$", done.stdout, re.M)
    assert invoke("-h").stdout.split() == done.stdout.split()


def test_a_command_for_each_module_and_none_without() -> None:
    modules = {path.stem for path in Path(cli.__path__[0]).glob("*.py")}
    assert set(ALL) <= modules


@pytest.mark.parametrize("name", ALL)
def test_help_documents_every_option_in_80_columns(name: str) -> None:
    done = ridgepost(name, "--help")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith(f"Usage: ridgepost {name} ")
    assert max(map(len, done.stdout.splitlines())) <= 80
    usage, _, options = done.stdout.partition("\nOptions:\n")
    for parameter in parameters(name):
        if isinstance(parameter, click.Option):
            assert parameter.help, parameter.name
            for word in parameter.opts:
                assert re.search(rf"^  (-\w, )?{word}\b", options, re.M), word
        else:
            assert parameter.make_metavar(click.Context(cli.main)) in usage
    assert "exit status" in " ".join(usage.split()), "what scripts need to know"


def test_nothing_at_all_gets_the_help() -> None:
    done = ridgepost()
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.split() == invoke("--help").stdout.split()


def test_version() -> None:
    assert invoke("--version").stdout == f"ridgepost {__version__}\n"


# --- usage ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("arguments", [("stop",), ("--stop",), ("run2", "x"), ("\x1b[2J\n",)])
def test_unknown_commands_and_options(arguments: tuple[str, ...]) -> None:
    result = invoke(*arguments)
    assert result.returncode == 2
    assert result.stdout == ""
    line = one_line(result.stderr)
    assert "no such" in line
    assert line.isprintable()
    assert line.endswith("see 'ridgepost --help'")


@pytest.mark.parametrize("name", ALL)
@pytest.mark.parametrize(
    "bad", [["--no-such"], ["-z"], ["a", "b", "--no-such=\x1b[2J"], ["--help=3"]]
)
def test_unknown_options_of_commands(name: str, bad: list[str]) -> None:
    result = invoke(name, *bad)
    assert result.returncode == 2
    assert result.stdout == ""
    assert one_line(result.stderr).isprintable()


@pytest.mark.parametrize(
    ("name", "option"),
    [
        (name, word)
        for name in ALL
        for parameter in parameters(name)
        if isinstance(parameter, click.Option)
        for word in parameter.opts
    ],
)
def test_an_option_without_its_value_or_with_one_too_many(name: str, option: str) -> None:
    parameter = next(p for p in parameters(name) if option in p.opts)
    assert isinstance(parameter, click.Option)
    words = ["QZ1SAG", "hi"] if name == "send" else []
    bad = f"{option}=surplus" if parameter.is_flag else option
    result = invoke(name, *words, bad)
    assert result.returncode == 2
    assert option in one_line(result.stderr)


@pytest.mark.parametrize("name", ["run", "check", "follow", "rehearse"])
def test_surplus_arguments(name: str) -> None:
    result = invoke(name, "a", "b\n\x1b[2J")
    assert result.returncode == 2
    line = one_line(result.stderr)
    assert "unexpected extra argument" in line
    assert line.isprintable()


NO_TEXT = [
    (b"\xff",),
    (b"run", b"\xff"),
    (b"check", b"\xff"),
    (b"check", b"--json", b"\xff"),
    (b"send", b"\xff", b"hi"),
    (b"send", b"QZ1SAG", b"\xff"),
    (b"send", b"QZ1SAG", b"hi", b"--lifetime", b"\xff"),
    (b"send", b"QZ1SAG", b"hi", b"--precedence", b"\xff"),
    (b"send", b"QZ1SAG", b"hi", b"--broker", b"\xff", b"--station", b"x"),
    (b"follow", b"--broker", b"mqtt://h", b"--station", b"\xff"),
    (b"follow", b"--settings", b"\xff"),
    (b"rehearse", b"--pace", b"\xff"),
    (b"decode", b"\xff"),
    (b"decode", b"--from", b"\xff"),
    (b"rehearse", b"--seed", b"\xff"),
]


@pytest.mark.parametrize("arguments", NO_TEXT, ids=repr)
def test_arguments_that_are_no_text(arguments: tuple[bytes, ...]) -> None:
    # As Python hands them over from the system: PEP 383.
    done = invoke(*map(os.fsdecode, arguments))
    assert done.returncode in (2, os.EX_CONFIG)
    joined = re.sub(r"\n +", " ", (done.stderr or done.stdout)).splitlines()
    assert len(joined) == 1
    assert joined[0].isprintable()


@pytest.mark.parametrize("arguments", [NO_TEXT[0], NO_TEXT[2], NO_TEXT[5]], ids=repr)
def test_arguments_that_are_no_text_from_the_system(arguments: tuple[bytes, ...]) -> None:
    done = ridgepost(*arguments)
    assert done.returncode in (2, os.EX_CONFIG)
    assert "Traceback" not in done.stderr


# --- settings -------------------------------------------------------------------------------------


def refused(name: str, path: Path, folder: Path) -> list[str]:
    """The lines about bad settings, each of which names the file."""
    arguments = [str(path) if word == "@" else word for word in WITH_SETTINGS[name]]
    result = invoke(*arguments)
    assert result.returncode == os.EX_CONFIG == 78
    if name == "check":
        assert result.stderr == ""
        # Wrapped for people; the words are the same.
        joined = re.sub(r"\n +", " ", result.stdout)
        lines = [line.removeprefix("bad       settings   ") for line in joined.splitlines()]
    else:
        assert result.stdout == ""
        lines = [line.removeprefix("ridgepost: ") for line in result.stderr.splitlines()]
    assert all(line.startswith(f"{path}: ") and line.isprintable() for line in lines), lines
    return [line.removeprefix(f"{path}: ") for line in lines]


@pytest.mark.parametrize("name", WITH_SETTINGS)
def test_bad_settings_files(name: str, tmp_path: Path) -> None:
    path = tmp_path / "r.toml"
    assert refused(name, path, tmp_path) == ["cannot be read: no such file or directory"]
    assert refused(name, tmp_path, tmp_path) == ["cannot be read: is a directory"]
    for content, told in (
        (b"callsign = QZ1HUB", "line 1, column 12: not TOML: "),
        (b"\x7fELF\x02\x01\xff\xff", "line 1: not UTF-8 text"),
        (b"#" * 100_000, "larger than 65536 octets"),
        (b"a = " + b"[" * 4000, "not TOML: lists or tables nested too deep"),
        (b"[station]\ntransmit = 1", "station.transmit: expected true or false, got a whole"),
    ):
        path.write_bytes(content)
        (line,) = refused(name, path, tmp_path)
        assert line.startswith(told)


@pytest.mark.parametrize("name", WITH_SETTINGS)
def test_several_mistakes_are_a_line_each(name: str, tmp_path: Path) -> None:
    path = tmp_path / "r.toml"
    path.write_text(
        '[station]\ncallsign = "A-B"\n[bus]\nprotocol = 5\ncolour = 1', encoding="utf-8"
    )
    lines = refused(name, path, tmp_path)
    assert [line.partition(":")[0] for line in lines] == [
        "station.callsign",
        "bus.colour",
        "bus.protocol",
    ]


@pytest.mark.parametrize("name", WITH_SETTINGS)
def test_an_unreadable_settings_file(name: str, tmp_path: Path) -> None:
    path = write_station(tmp_path, "tcp://127.0.0.1:1", None)
    path.chmod(0o000)
    arguments = [str(path) if word == "@" else word for word in WITH_SETTINGS[name]]
    done = ridgepost(*arguments, before=unprivileged())
    assert done.returncode == os.EX_CONFIG
    assert "permission denied" in " ".join((done.stdout + done.stderr).split())
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("name", WITH_SETTINGS)
def test_no_settings_file_anywhere(name: str, tmp_path: Path) -> None:
    if Path("/etc/ridgepost/ridgepost.toml").exists():
        pytest.skip("this machine has a station")
    arguments = [word for word in WITH_SETTINGS[name] if word not in ("@", "--settings")]
    done = ridgepost(*arguments, folder=tmp_path)
    assert done.returncode == os.EX_CONFIG
    told = " ".join((done.stdout + done.stderr).split())
    assert "no settings file here: expected ridgepost.toml or /etc/ridgepost/" in told


@pytest.mark.parametrize("name", WITH_SETTINGS)
def test_settings_named_by_the_environment(name: str, tmp_path: Path) -> None:
    arguments = [word for word in WITH_SETTINGS[name] if word not in ("@", "--settings")]
    done = ridgepost(*arguments, RIDGEPOST_SETTINGS=str(tmp_path / "elsewhere.toml"))
    assert done.returncode == os.EX_CONFIG
    assert "elsewhere.toml: cannot be read" in " ".join((done.stdout + done.stderr).split())


@pytest.mark.parametrize("name", WITH_SETTINGS)
def test_a_password_shows_nowhere(name: str, tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("hunter2\nhunter3", encoding="utf-8")
    path = tmp_path / "r.toml"
    for text in (
        '[bus]\nbroker = "mqtt://u:hunter2@h"',
        '[bus]\nbroker = "mqtt://h"\nuser = "u"\npassword_file = "hunter2"',
        f'[bus]\nbroker = "mqtt://h"\nuser = "u"\npassword_file = "{secret}"',
    ):
        path.write_text(text, encoding="utf-8")
        arguments = [str(path) if word == "@" else word for word in WITH_SETTINGS[name]]
        result = invoke(*arguments)
        assert result.returncode == os.EX_CONFIG
        assert "hunter" not in result.stdout + result.stderr


# --- streams --------------------------------------------------------------------------------------


@pytest.mark.parametrize("arguments", [[], *([name] for name in ALL)], ids=repr)
def test_help_for_a_reader_that_goes_away(arguments: list[str]) -> None:
    """As in `ridgepost --help | head -1`, at worst before the first octet."""
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run(
        command_line(*arguments, "--help"),
        stdout=writer,
        stderr=subprocess.PIPE,
        timeout=BOUND_S,
        check=False,
        env=environment(),
    )
    os.close(writer)
    assert done.stderr == b""
    assert done.returncode in (1, 141)


@pytest.mark.parametrize(
    ("arguments", "status", "closed"),
    [
        ("--version", 0, ">&-"),
        ("--version", 0, "<&- >&- 2>&-"),
        ("run /none", 78, "2>&-"),
        ("run /none", 78, "<&- >&- 2>&-"),
        ("check /none", 78, ">&-"),
        ("check --json /none", 78, "<&- >&- 2>&-"),
        ("x", 2, "2>&-"),
    ],
)
def test_closed_streams(arguments: str, status: int, closed: str) -> None:
    words = shlex.join(map(str, command_line(*arguments.split())))
    done = subprocess.run(
        ["sh", "-c", f"{words} {closed}"],
        capture_output=True,
        timeout=BOUND_S,
        check=False,
        env=environment(),
    )
    assert b"Traceback" not in done.stderr
    assert done.returncode == status

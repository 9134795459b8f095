"""Checks of the project as a whole that would otherwise be left to whoever makes a release."""

import ast
import configparser
import functools
import importlib.metadata
import os
import re
import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

import ridgepost
from harness import missing

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "daemon" / "ridgepost"
DOCUMENTS = ["README.md", "DEVELOPERS.md"]
GROUPS = {
    "build": "constraints-build.txt",
    "runtime": "constraints.txt",
    "broker": "constraints-broker.txt",
    "dev": "constraints-dev.txt",
}


@functools.cache
def pyproject() -> dict[str, Any]:
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def python_versions() -> list[str]:
    """The Pythons that pyproject.toml names as supported, oldest first."""
    prefix = "Programming Language :: Python :: 3."
    found = [c for c in pyproject()["project"]["classifiers"] if c.startswith(prefix)]
    return sorted((c.rpartition(" ")[2] for c in found), key=Version)


# --- version ------------------------------------------------------------------------------------


def test_version_stands_in_one_place() -> None:
    project = pyproject()["project"]
    assert "version" not in project
    assert project["dynamic"] == ["version"]
    assert pyproject()["tool"]["setuptools"]["dynamic"]["version"] == {
        "attr": "ridgepost.__version__"
    }
    assert re.fullmatch(r"\d+\.\d+\.\d+", ridgepost.__version__)
    literal = re.compile(rf"""["']{re.escape(ridgepost.__version__)}["']""")
    named_in = [p for p in PACKAGE.rglob("*.py") if literal.search(p.read_text(encoding="utf-8"))]
    assert named_in == [PACKAGE / "__init__.py"]


def test_installed_version_is_that_of_the_source() -> None:
    try:
        installed = importlib.metadata.version("ridgepost")
    except importlib.metadata.PackageNotFoundError:
        missing("Ridgepost in this environment (./tests/run installs it)")
    assert installed == ridgepost.__version__


# --- Python versions ----------------------------------------------------------------------------


def test_pyproject_agrees_with_itself_on_python() -> None:
    oldest = python_versions()[0]
    assert pyproject()["project"]["requires-python"] == f">={oldest}"
    assert pyproject()["tool"]["ruff"]["target-version"] == "py" + oldest.replace(".", "")


def test_scripts_take_the_same_pythons() -> None:
    script = (ROOT / "deploy" / "environment.sh").read_text(encoding="utf-8")
    assert f"    {' | '.join(python_versions())}) ;;" in script
    *early, last = python_versions()
    assert f"Python {', '.join(early)} or {last}" in script


@pytest.mark.parametrize("name", DOCUMENTS)
def test_document_agrees_on_python(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    supported = python_versions()
    for first, last in re.findall(r"Python (3\.\d+) ?(?:to|-|–|through) ?(3\.\d+)", text):
        assert [first, last] == [supported[0], supported[-1]]
    for oldest in re.findall(r"Python (3\.\d+) (?:or|and) (?:newer|later)", text):
        assert oldest == supported[0]
    assert set(re.findall(r"[Pp]ython ?(3\.\d+)", text)) <= set(supported)


# --- documents ----------------------------------------------------------------------------------


def own_commands(text: str) -> list[str]:
    """The paths of the clone's scripts that a text shows, such as `./deploy/try`, in its order."""
    return re.findall(r"(?<![\w./])\./((?:deploy|tests|\.ci)/[\w./-]*\w)", text)


@pytest.mark.parametrize("name", DOCUMENTS)
def test_document_points_at_what_exists(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    links = re.findall(r"\]\((?!\w+:|#)([^)#\s]+)", text)
    absent = [target for target in links + own_commands(text) if not (ROOT / target).exists()]
    assert not absent


def test_readme_begins_with_the_two_commands() -> None:
    """Whoever reads nothing else can try it and test it."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert list(dict.fromkeys(own_commands(text)))[:2] == ["deploy/try", "tests/run"]


def test_nothing_unexpected_at_the_top() -> None:
    expected = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"}
    expected |= {"daemon", "tests", "deploy", "config"}
    made_by_tools = {"build", "dist"}
    found = {entry.name for entry in ROOT.iterdir() if not entry.name.startswith(".")}
    assert found - made_by_tools == expected


# --- locked libraries ---------------------------------------------------------------------------


class Locked(NamedTuple):
    version: str
    marker: str
    hashes: list[str]


@functools.cache
def locked(group: str) -> dict[str, Locked]:
    """What a constraint file locks, by name; fails on any line that is not of this form."""
    text = (ROOT / "deploy" / GROUPS[group]).read_text(encoding="utf-8")
    entries: dict[str, Locked] = {}
    for line in text.replace("\\\n", " ").splitlines():
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        form = r"([a-z0-9-]+)==([\w.]+)(?: ; (.*?))?((?:\s+--hash=sha256:[0-9a-f]{64})+)"
        match = re.fullmatch(form, line.rstrip())
        assert match, f"{GROUPS[group]}: not a locked package: {line!r}"
        name, version, marker, hashes = match.groups()
        assert name not in entries
        entries[name] = Locked(version, marker or "", hashes.split())
    return entries


def direct(group: str) -> list[Requirement]:
    project = pyproject()["project"]
    lines = {
        "build": pyproject()["build-system"]["requires"],
        "runtime": project["dependencies"],
        **project["optional-dependencies"],
    }[group]
    return [Requirement(line) for line in lines]


def test_every_group_is_locked() -> None:
    assert set(GROUPS) == {"build", "runtime", *pyproject()["project"]["optional-dependencies"]}
    assert set(GROUPS.values()) == {p.name for p in (ROOT / "deploy").glob("constraints*.txt")}


@pytest.mark.parametrize("group", GROUPS)
def test_direct_dependencies_are_locked(group: str) -> None:
    for requirement in direct(group):
        entry = locked(group).get(canonicalize_name(requirement.name))
        assert entry is not None, f"{requirement.name} is missing: run deploy/lock"
        assert requirement.specifier.contains(entry.version), f"{requirement}: run deploy/lock"
        assert not entry.marker, f"{requirement.name} is not locked for all machines"
        # A wheel and its source at the least: 32-bit ARM may have to build.
        assert len(entry.hashes) >= 2


def test_groups_lock_the_same_versions() -> None:
    """They are installed side by side."""
    versions: dict[str, set[str]] = {}
    for group in GROUPS:
        for name, entry in locked(group).items():
            versions.setdefault(name, set()).add(entry.version)
    assert {name: found for name, found in versions.items() if len(found) > 1} == {}


def test_gateway_carries_no_development_tools() -> None:
    tools = {canonicalize_name(requirement.name) for requirement in direct("dev")}
    carried = locked("runtime").keys() | locked("broker").keys()
    assert not tools & carried


@pytest.mark.parametrize("path", sorted((ROOT / "deploy").glob("constraints*.txt")))
def test_constraints_name_no_place(path: Path) -> None:
    """No index, address or folder of the machine that made the file."""
    text = path.read_text(encoding="utf-8")
    assert re.findall(r"^\s*-(?!-hash).*|\w+://\S*|file:\S*|@.*|(?<!\w)/\w+/\S*", text, re.M) == []


def test_imports_are_declared() -> None:
    """Every library that the package imports is a dependency, and not just there by chance."""
    imported: set[str] = set()
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                imported |= {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
                imported.add(node.module.partition(".")[0])
    providers = importlib.metadata.packages_distributions()
    groups = ("runtime", "broker")
    declared = {canonicalize_name(r.name) for group in groups for r in direct(group)}
    undeclared = {
        name
        for name in imported - sys.stdlib_module_names - {"ridgepost"}
        if not declared & {canonicalize_name(d) for d in providers.get(name, [])}
    }
    assert undeclared == set()


# --- scripts and the service --------------------------------------------------------------------


def scripts() -> list[str]:
    folders = [ROOT / "deploy", ROOT / "tests", ROOT / ".ci"]
    files = [p for folder in folders for p in folder.rglob("*") if p.is_file()]
    return sorted(
        str(p.relative_to(ROOT)) for p in files if p.suffix == ".sh" or p.read_bytes()[:2] == b"#!"
    )


def test_scripts_are_all_there() -> None:
    deploy = {f"deploy/{name}" for name in ("try", "lock", "install", "remove", "bundle")}
    known = deploy | {"deploy/broker/certificates", "tests/run", ".ci/run"}
    assert known <= set(scripts())


@pytest.mark.parametrize("name", scripts())
def test_script_can_be_run(name: str) -> None:
    path = ROOT / name
    first = path.read_text(encoding="utf-8").partition("\n")[0]
    if path.suffix != ".sh":  # those are sourced
        assert os.access(path, os.X_OK), f"chmod +x {name}"
    if "python" in first:
        compile(path.read_bytes(), str(path), "exec")
    else:
        checked = subprocess.run(["bash", "-n", path], capture_output=True, text=True, check=False)
        assert (checked.returncode, checked.stderr) == (0, "")


def test_service_unit(tmp_path: Path) -> None:
    source = ROOT / "deploy" / "ridgepost.service"
    # systemd allows a key twice and has no interpolation.
    unit = configparser.RawConfigParser(strict=False)
    unit.optionxform = str  # type: ignore[assignment,method-assign] # how configparser documents it
    unit.read(source, encoding="utf-8")
    assert set(unit.sections()) == {"Unit", "Service", "Install"}
    service = unit["Service"]
    program, command, settings = service["ExecStart"].split()
    assert (Path(program).name, command) == ("ridgepost", "run")
    assert Path(settings).is_absolute()
    assert "ridgepost" in pyproject()["project"]["scripts"]
    # sysexits.h: EX_CONFIG is 78.
    assert int(service["RestartPreventExitStatus"]) == os.EX_CONFIG == 78
    assert service["User"] != "root"
    analyze = shutil.which("systemd-analyze")
    if analyze:  # a second opinion, where the machine runs systemd anyway
        copy = tmp_path / source.name
        copy.write_text(source.read_text(encoding="utf-8").replace(program, "/bin/true"))
        checked = subprocess.run(
            [analyze, "verify", copy], capture_output=True, text=True, check=False
        )
        assert (checked.returncode, checked.stderr) == (0, "")


def test_the_service_is_closed_to_what_it_does_not_need() -> None:
    """systemd's own judgement, 0 to 10: at most 1.5."""
    analyze = shutil.which("systemd-analyze")
    if analyze is None:
        missing("systemd-analyze")
    unit = ROOT / "deploy" / "ridgepost.service"
    judged = subprocess.run(
        [analyze, "security", "--offline=true", "--no-pager", unit],
        capture_output=True,
        text=True,
        check=False,
    )
    found = re.search(r"Overall exposure level for ridgepost.service: ([0-9.]+)", judged.stdout)
    assert found, judged.stdout + judged.stderr
    assert float(found[1]) <= 1.5


# --- the installer ------------------------------------------------------------------------------


def install(*words: str | Path, answers: str | None = None) -> subprocess.CompletedProcess[str]:
    """deploy/install as far as it comes without being root."""
    script = (ROOT / "deploy" / "install").read_text(encoding="utf-8")
    # All that it would do to the machine comes behind this line.
    start, _, _ = script.partition("# --- what is there ---")
    start = start.replace('[ "$(id -u)" -eq 0 ]', "true").replace("${BASH_SOURCE[0]}", "$0")
    more = 'read_answers; check_answers; for n in "${names[@]}"; do say "$n=${answer[$n]}"; done'
    arguments: list[str | Path] = ["bash", "-c", start + more, str(ROOT / "deploy" / "install")]
    return subprocess.run(
        [*arguments, *words], capture_output=True, text=True, check=False, input=answers
    )


def answered(tmp_path: Path, text: str) -> subprocess.CompletedProcess[str]:
    file = tmp_path / "answers"
    file.write_text(text, encoding="utf-8")
    return install("--answers", file)


def test_answers_are_read(tmp_path: Path) -> None:
    done = answered(tmp_path, "# mine\ncallsign = QZ1HUB-10\ntnc=usb:0403:6001\n\n broker = here")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines() == [
        "callsign=QZ1HUB-10",
        "transmit=no",
        "latitude=",
        "longitude=",
        "tnc=usb:0403:6001",
        "broker=here",
    ]


def test_the_example_of_answers_can_be_used(tmp_path: Path) -> None:
    text = (ROOT / "config" / "answers-example").read_text(encoding="utf-8")
    done = answered(tmp_path, text)
    assert done.returncode == 0, done.stderr
    assert "transmit=no" in done.stdout
    assert install("--questions").stdout == text


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("tnc = /dev/tnc\ncall = QZ1HUB", "line 2: no such answer"),
        ("tnc", "line 1: expected NAME = VALUE"),
        ("callsign = QZ1HUB-16\ntnc = /dev/tnc", "line 1: callsign"),
        ("transmit = maybe", "line 1: transmit"),
        ("transmit = yes\ntnc = /dev/tnc", "needs your callsign"),
        ("latitude = 61.5\ntnc = /dev/tnc", "go together"),
        ("callsign = QZ1HUB", "tnc: "),
        ('tnc = /dev/tnc"; touch /tmp/x; "', "line 1: tnc"),
        ("tnc = usb:04:6001", "line 1: tnc"),
        ("broker = ftp://x\ntnc = /dev/tnc", "line 1: broker"),
    ],
)
def test_answers_that_make_no_sense(tmp_path: Path, text: str, why: str) -> None:
    done = answered(tmp_path, text)
    assert done.returncode == 1
    assert why in done.stderr


@pytest.mark.parametrize("name", ["install", "remove", "bundle"])
def test_unknown_arguments_are_refused(name: str) -> None:
    done = subprocess.run(
        [ROOT / "deploy" / name, "--what"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 1
    assert done.stderr.startswith(f"usage: deploy/{name}")


def part_of_install(first: str, last: str = "") -> str:
    """What stands in deploy/install between two of its headings."""
    script = (ROOT / "deploy" / "install").read_text(encoding="utf-8")
    _, _, part = script.partition(f"# --- {first} ---")
    return f"#{part.partition(f'# --- {last} ---')[0]}" if last else f"#{part}"


def bash(*lines: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["bash", "-c", "\n".join(lines)], capture_output=True, text=True, check=False
    )


@pytest.mark.parametrize(
    ("answer", "wanted"),
    [("[broker]=here", True), ("[broker]=mqtt://10.0.0.1", False), ("", False)],
)
def test_a_broker_is_fetched_only_where_one_is_to_be(answer: str, wanted: bool) -> None:
    """An upgrade asks nothing, and takes the machine as it is."""
    done = bash(
        "set -euo pipefail",
        "root=/nonexistent",
        "say() { printf '%s\\n' \"$@\"; }",
        # Python is there, mosquitto is not.
        'command() { [ "$2" = python3 ]; }',
        "python3() { :; }",
        "apt-get() { :; }",
        f"declare -A answer=({answer})",
        part_of_install("what is there", "the program"),
        "require_packages",
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert ("mosquitto" in done.stdout) is wanted


def test_an_installation_that_broke_off_is_begun_again(tmp_path: Path) -> None:
    """Settings that are there say that the broker's part is done, too."""
    python = tmp_path / "current" / "bin" / "python"
    python.parent.mkdir(parents=True)
    python.write_text(f'#!/bin/sh\nPYTHONPATH={ROOT}/daemon exec {sys.executable} "$@"\n')
    python.chmod(0o755)
    done = bash(
        "set -euo pipefail",
        f"root={ROOT} PROGRAM={tmp_path} ETC={tmp_path} SETTINGS={tmp_path}/ridgepost.toml",
        f"STATE={tmp_path} OWNER=x answers=given",
        "say() { printf '%s\\n' \"$@\"; }",
        "declare -A answer=([callsign]=QZ1HUB-10 [transmit]=no [latitude]='' [broker]=here)",
        "answer[tnc]=127.0.0.1:8001",
        part_of_install("settings", "the broker"),
        "running_systemd() { false; }",
        "for name in read_answers check_answers require_packages install_program make_user"
        ' write_rule chown install; do eval "$name() { :; }"; done',
        "set_up_broker() { say 'no broker' >&2; false; }",
        part_of_install("and now"),
    )
    assert done.returncode != 0
    assert done.stderr == "no broker\n"
    assert not (tmp_path / "ridgepost.toml").exists()


@pytest.mark.parametrize("everything", [False, True])
def test_what_is_removed_can_be_installed_again(tmp_path: Path, everything: bool) -> None:
    """With the settings stays what deploy/install makes from the answers alone."""
    kept = ("SETTINGS", "RULE", "BROKER_CONF", "BROKER_ACCESS", "BROKER_PASSWORDS")
    gone = ("UNIT", "MODULES", "COMMAND")
    places = [f"{name}={tmp_path}/{name}" for name in (*kept, *gone)]
    for name in (*kept, *gone):
        (tmp_path / name).touch()
    (tmp_path / "etc").mkdir()
    script = (ROOT / "deploy" / "remove").read_text(encoding="utf-8")
    places += [f"OWNER=no-such-user ETC={tmp_path}/etc STATE={tmp_path}/log PROGRAM={tmp_path}/opt"]
    places += [f"SETTINGS={tmp_path}/etc/SETTINGS"]
    (tmp_path / "SETTINGS").rename(tmp_path / "etc" / "SETTINGS")
    for old, new in (
        ('. "$root/deploy/places.sh"', "\n".join(places)),
        ('[ "$(id -u)" -eq 0 ]', "true"),
        ("${BASH_SOURCE[0]}", str(ROOT / "deploy" / "remove")),
        ("/run/systemd", f"{tmp_path}/none"),
        ("/etc/systemd", f"{tmp_path}/none"),
    ):
        assert old in script
        script = script.replace(old, new)
    done = subprocess.run(
        ["bash", "-c", script, "remove", *(["--all"] if everything else [])],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    left = {path.name for path in tmp_path.rglob("*") if path.is_file()}
    assert left == (set() if everything else set(kept))


# --- the package --------------------------------------------------------------------------------


def test_wheel_holds_everything(tmp_path: Path) -> None:
    """What is installed is the whole of daemon/ridgepost, data files too."""
    try:
        builder = Version(importlib.metadata.version("setuptools"))
    except importlib.metadata.PackageNotFoundError:
        missing("setuptools (./tests/run installs it)")
    if builder not in direct("build")[0].specifier:
        missing(f"a setuptools that pyproject.toml allows (this is {builder})")
    tree = tmp_path / "tree"
    tree.mkdir()
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, tree)
    ignored = shutil.ignore_patterns("__pycache__", "*.egg-info")
    shutil.copytree(ROOT / "daemon", tree / "daemon", ignore=ignored)
    build = [
        sys.executable,
        "-m",
        "pip",
        "wheel",
        "--no-deps",
        "--no-build-isolation",
        "--no-index",
    ]
    build += ["--disable-pip-version-check", "--wheel-dir", str(tmp_path), str(tree)]
    done = subprocess.run(build, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    (wheel,) = tmp_path.glob("*.whl")
    held = set(zipfile.ZipFile(wheel).namelist())
    daemon = tree / "daemon"
    source = {str(p.relative_to(daemon)) for p in (daemon / "ridgepost").rglob("*") if p.is_file()}
    assert source - held == set()
    assert any(name.endswith("licenses/LICENSE") for name in held)

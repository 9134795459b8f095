"""Changes the protocol code a little, many times over, and asks whether a test notices.

    python tests/mutation/run.py [--sample N] [--seed N] [--all] [--jobs N] [MODULE ...]

MODULE is a name such as `radio.kiss`; without one, all of `radio` (but for the link, which is
I/O) and `aprs`. Of each module `--sample` changes are tried, the same for the same seed. A change
is run against the module's own test files first, and if they pass, against all others of its
package. One that passes everything is printed with its line: either a test is missing, or nobody
could see the difference. A change that makes the tests run for much longer counts as noticed.

No part of the ordinary test run. It changes no file: the changed code lives in a forked process.
"""

import argparse
import gc
import importlib.abc
import importlib.machinery
import importlib.util
import math
import os
import random
import resource
import signal
import sys
import time
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import CodeType, ModuleType

import hypothesis
import hypothesis.strategies
import msgspec
import pytest
import pytest_asyncio
from changes import Change, Source

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("radio", "aprs")
NOT_PURE = {"radio.link"}
# Its tests open sockets and wait; they say nothing of the pure modules.
NOT_ASKED = {"tests/radio/test_link.py"}

# The tests of a module that has no file named after it.
OWN_TESTS = {
    "radio.address": ["link_address"],
    "aprs.bulletin": ["message"],
    "aprs.capabilities": ["query"],
    "aprs.comment": ["comment_telemetry", "position", "frequency"],
    "aprs.coordinates": ["position", "object"],
    "aprs.distance": ["extension"],
    "aprs.listing": ["decode", "position"],
    "aprs.message_id": ["message"],
    "aprs.mice_destination": ["mice"],
    "aprs.mice_text": ["mice"],
    "aprs.narrowing": ["place"],
    "aprs.nts": ["message"],
    "aprs.packet": ["decode"],
    "aprs.parts": ["extension", "position"],
    "aprs.report": ["decode", "message"],
    "aprs.route": ["decode"],
    "aprs.signpost": ["object"],
    "aprs.symbol_names": ["symbol"],
    "aprs.telemetry_meaning": ["telemetry"],
    "aprs.test_data": ["user_defined", "decode"],
    "aprs.text": ["text", "decode", "message"],
    "aprs.writing": ["writing", "timestamp", "position"],
}

# All that the tests stand on is imported here, except the code under test: a fork then starts at
# once.
WARM = (hypothesis.strategies, msgspec, pytest_asyncio)
PYTEST = (
    "-x",
    "-q",
    "-p",
    "no:cacheprovider",
    # What pytest rewrites it imports itself, and a module of ours that is called test_... would be
    # as it is in the file, not as it is changed.
    "--assert=plain",
    "--hypothesis-profile=mutation",
)

EXIT_PASSED = 0
EXIT_NEVER_LOADED = 77
MEMORY_LIMIT = 2 << 30


class _Changed(importlib.machinery.SourceFileLoader):
    def __init__(self, fullname: str, path: str, code: CodeType) -> None:
        super().__init__(fullname, path)
        self._code = code
        self.was_loaded = False

    def get_code(self, fullname: str) -> CodeType:
        self.was_loaded = True
        return self._code


class _Finder(importlib.abc.MetaPathFinder):
    """Finds one module, as changed, before anything else can find it."""

    def __init__(self, loader: _Changed) -> None:
        self._loader = loader

    def find_spec(
        self,
        fullname: str,
        path: Sequence[str] | None,
        target: ModuleType | None = None,
    ) -> importlib.machinery.ModuleSpec | None:
        if fullname != self._loader.name:
            return None
        return importlib.util.spec_from_file_location(
            fullname, self._loader.path, loader=self._loader
        )


@dataclass
class Module:
    name: str
    path: Path
    own: tuple[str, ...]
    others: tuple[str, ...]
    noticed: int = 0
    noticed_by_others: int = 0
    survivors: list[Change] = field(default_factory=list)
    never_loaded: int = 0

    @property
    def every(self) -> tuple[str, ...]:
        return tuple(sorted(self.own + self.others))

    @property
    def tried(self) -> int:
        return self.noticed + self.noticed_by_others + len(self.survivors) + self.never_loaded


@dataclass(frozen=True)
class Try:
    """One run of test files, of the code as it is if there is no change."""

    tests: tuple[str, ...]
    module: Module | None = None
    change: Change | None = None
    code: CodeType | None = None


@dataclass(frozen=True)
class End:
    passed: bool
    was_loaded: bool
    cpu_s: float


def module_named(name: str) -> Module:
    package, _, last = name.partition(".")
    own = tuple(
        f"tests/{package}/test_{stem}.py"
        for stem in OWN_TESTS.get(name, [last])
        if (ROOT / f"tests/{package}/test_{stem}.py").exists()
    )
    every = {
        f"tests/{package}/{path.name}" for path in (ROOT / "tests" / package).glob("test_*.py")
    }
    path = ROOT / "daemon" / "ridgepost" / package / f"{last}.py"
    if not path.is_file():
        raise SystemExit(f"there is no module {name}: {path} is not a file")
    return Module(name, path, own, tuple(sorted(every - set(own) - NOT_ASKED)))


def all_modules() -> list[str]:
    return [
        f"{package}.{path.stem}"
        for package in PACKAGES
        for path in sorted((ROOT / "daemon" / "ridgepost" / package).glob("*.py"))
        if path.stem != "__init__" and f"{package}.{path.stem}" not in NOT_PURE
    ]


def start(what: Try, cpu_limit_s: int | None) -> int:
    """Forks a process that runs the tests; its id."""
    pid = os.fork()
    if pid:
        return pid
    status = 1
    try:
        nothing = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(nothing, stream)
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_LIMIT, MEMORY_LIMIT))
        if cpu_limit_s is not None:
            resource.setrlimit(resource.RLIMIT_CPU, (cpu_limit_s, cpu_limit_s + 1))
            # For a test that waits for what never comes; ample, as the machine may be busy.
            signal.alarm(60 + 10 * cpu_limit_s)
        loader = None
        if what.code is not None and what.module is not None:
            loader = _Changed(f"ridgepost.{what.module.name}", str(what.module.path), what.code)
            sys.meta_path.insert(0, _Finder(loader))
        status = int(pytest.main([*PYTEST, *what.tests]))
        if status == EXIT_PASSED and loader is not None and not loader.was_loaded:
            status = EXIT_NEVER_LOADED
    finally:
        os._exit(status)


def run_all(
    waiting: deque[Try], jobs: int, limits: dict[tuple[str, ...], int]
) -> Iterator[tuple[Try, End]]:
    """Runs them, `jobs` at a time; each as it ends. More may be added meanwhile."""
    running: dict[int, Try] = {}
    while waiting or running:
        while waiting and len(running) < jobs:
            what = waiting.popleft()
            running[start(what, limits.get(what.tests))] = what
        pid, status, usage = os.wait4(-1, 0)
        if pid in running:
            code = os.waitstatus_to_exitcode(status)
            yield (
                running.pop(pid),
                End(
                    code in {EXIT_PASSED, EXIT_NEVER_LOADED},
                    code != EXIT_NEVER_LOADED,
                    usage.ru_utime + usage.ru_stime,
                ),
            )


def first_tests(module: Module) -> tuple[str, ...]:
    return module.own or module.others


def chosen(module: Module, sample: int | None, seed: int) -> list[Try]:
    source = Source(module.path.read_text(encoding="utf-8"), str(module.path))
    changes = source.changes()
    if sample is not None and sample < len(changes):
        changes = random.Random(f"{seed} {module.name}").sample(changes, sample)
        changes.sort(key=lambda change: change.line)
    first = first_tests(module)
    return [Try(first, module, change, source.compiled(change)) for change in changes]


def measure(modules: list[Module], jobs: int) -> dict[tuple[str, ...], int]:
    """The processor time, in whole seconds, that each set of test files may take.

    The others of a module get what all tests of its package need together: to measure each such
    set by itself would take longer than most runs.
    """
    sets = {module.own for module in modules if module.own}
    sets |= {module.every for module in modules}
    limits = {}
    for what, end in run_all(deque(Try(tests) for tests in sorted(sets)), jobs, {}):
        if not end.passed:
            raise SystemExit(f"fails without any change, so it can tell nothing: {what.tests}")
        limits[what.tests] = 3 + math.ceil(3 * end.cpu_s)
    return {module.others: limits[module.every] for module in modules} | limits


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("modules", nargs="*", metavar="MODULE")
    parser.add_argument("--sample", type=int, default=8, help="changes of each module (8)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--all", action="store_true", help="every change; takes hours")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    asked = parser.parse_args()

    os.chdir(ROOT)
    modules = [module_named(name) for name in asked.modules or all_modules()]
    hypothesis.settings.register_profile(
        "mutation",
        derandomize=True,
        database=None,
        deadline=None,
        max_examples=20,
        # A busy machine is no finding, and nobody reads the smallest example.
        suppress_health_check=list(hypothesis.HealthCheck),
        phases=(hypothesis.Phase.explicit, hypothesis.Phase.generate),
    )
    gc.freeze()
    started = time.monotonic()
    limits = measure(modules, asked.jobs)
    waiting = deque(
        what
        for module in modules
        for what in chosen(module, None if asked.all else asked.sample, asked.seed)
    )
    for what, end in run_all(waiting, asked.jobs, limits):
        module, change = what.module, what.change
        assert module is not None
        assert change is not None
        if not end.passed:
            if what.tests == module.own:
                module.noticed += 1
            else:
                module.noticed_by_others += 1
        elif what.tests == module.own and module.others:
            waiting.appendleft(Try(module.others, module, change, what.code))
        elif not end.was_loaded and what.tests == first_tests(module):
            module.never_loaded += 1
        else:
            module.survivors.append(change)
            print(f"survived: {module.name}:{change}", file=sys.stderr, flush=True)
    show(modules)
    print(f"\n{time.monotonic() - started:.0f} s")


def show(modules: list[Module]) -> None:
    row = "{:26} {:>8} {:>8} {:>10} {:>9}".format
    print(row("module", "mutants", "noticed", "by others", "survived"))
    for module in modules:
        print(
            row(
                module.name,
                module.tried,
                module.noticed,
                module.noticed_by_others,
                len(module.survivors) + module.never_loaded,
            )
        )
    print(
        row(
            "all",
            sum(module.tried for module in modules),
            sum(module.noticed for module in modules),
            sum(module.noticed_by_others for module in modules),
            sum(len(module.survivors) + module.never_loaded for module in modules),
        )
    )
    for module in modules:
        if module.survivors or module.never_loaded:
            print(f"\n{module.path.relative_to(ROOT)}")
        for change in sorted(module.survivors, key=lambda change: change.line):
            print(f"  {change}")
        if module.never_loaded:
            print(f"  {module.never_loaded} of them: no test loads the module")


if __name__ == "__main__":
    main()

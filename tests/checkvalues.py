"""Loads the check values of tests/vectors: see the README there for their form and sources.

    from checkvalues import cases, octets, input_octets

    @pytest.mark.parametrize("case", cases("kiss", "decode"))
    def test_decode(case): ...

A case is the plain dictionary of the file: case["name"], case["expect"], ...
"""

import functools
import re
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

VECTORS = Path(__file__).parent / "vectors"

Case = dict[str, Any]


@functools.cache
def _load(stem: str) -> list[Case]:
    with (VECTORS / f"{stem}.toml").open("rb") as file:
        return list(tomllib.load(file)["case"])


def cases(file: str, *ops: str, where: Callable[[Case], bool] | None = None) -> list[Any]:
    """The cases of tests/vectors/`file` (with or without .toml) as pytest parameters.

    `ops` keeps the cases with one of these `op` values (none given: all), `where` those for which
    it is true. The id is the case's name. Raises ValueError when nothing is left, since pytest
    would pass over a test without parameters in silence.
    """
    stem = file.removesuffix(".toml")
    kept = [
        pytest.param(case, id=case["name"])
        for case in _load(stem)
        if (not ops or case.get("op") in ops) and (where is None or where(case))
    ]
    if not kept:
        raise ValueError(f"no case in {stem}.toml with op {' or '.join(ops) or '(any)'}")
    return kept


def octets(escaped: str) -> bytes:
    r"""The octets of a `..._hex` value, in which each octet is written as \xNN."""
    if re.fullmatch(r"(\\x[0-9A-Fa-f]{2})*", escaped) is None:
        raise ValueError(f"not a row of \\xNN escapes: {escaped!r}")
    return bytes.fromhex(escaped.replace("\\x", ""))


def input_octets(case: Mapping[str, Any]) -> bytes:
    """The input of a case as octets: `input_hex` unescaped, or `input` as UTF-8."""
    if "input_hex" in case:
        return octets(case["input_hex"])
    return str(case["input"]).encode("utf-8")

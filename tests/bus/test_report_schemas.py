"""What the contract says of each kind of report holds for whatever can be heard.

Checked by the library jsonschema, with no room for keys that the contract does not name; the
information fields are those of tests/vectors, as they are and spoiled.
"""

from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from aprs.test_decode import HEARD, destinations, spoiled
from bus.schemas import strict
from ridgepost.aprs import decode, flat

SCHEMAS: dict[str, Any] = strict()["components"]["schemas"]
REPORTS = {
    schema["properties"]["kind"]["enum"][0]: name
    for name, schema in SCHEMAS.items()
    if name.endswith("Report") and name != "Report"
}


MORE = [b"%045/9", b"$ULTW0031003702CE0069----000086A00001----011901CC00000005"]
"""Kinds that are not among the check values: APRS 1.2c ch. 5 (% stands for a direction finder) and
ch. 12 (from memory)."""


def problems(table: dict[str, Any]) -> list[str]:
    """By its kind, since of a union a library tells only that nothing fits."""
    schema = {"$ref": f"#/components/schemas/{REPORTS[table['kind']]}", **strict()}
    found = jsonschema.Draft7Validator(schema).iter_errors(table)
    return [f"{error.json_path}: {error.message}" for error in found]


def test_all_that_is_in_the_check_values() -> None:
    kinds = set()
    for info in (*HEARD, *MORE):
        for destination in ("APZ001", "S32UVT"):
            table = flat(decode(info, "QZ1SRC", destination))
            kinds.add(table["kind"])
            assert problems(table) == [], info
    assert kinds == set(REPORTS)


@given(spoiled() | st.binary(max_size=80), destinations)
def test_whatever_is_heard(info: bytes, destination: str) -> None:
    table = flat(decode(info, "QZ1SRC", destination))
    assert problems(table) == []


def test_union() -> None:
    """A report fits it, and none of another kind, nor with a key too many or too few."""
    union = jsonschema.Draft7Validator({"$ref": "#/components/schemas/Report", **strict()})
    table = flat(decode(b"}QZ1NET>APZ001,TCPIP,QZ1GAT*:!6130.00N/14912.00W-", "QZ1SRC", "APZ001"))
    assert union.is_valid(table)
    for wrong in (
        table | {"kind": "status"},
        table | {"kind": "novel"},
        table | {"other": 1},
        {key: value for key, value in table.items() if key != "inner"},
        table | {"inner": table["inner"] | {"latitude_deg": "61.5"}},
        table | {"departures": ["novel"]},
    ):
        assert not union.is_valid(wrong)


@pytest.mark.parametrize("name", REPORTS.values())
def test_every_kind_is_described(name: str) -> None:
    assert SCHEMAS[name]["description"]
    assert {"kind", "departures"} <= set(SCHEMAS[name]["required"])

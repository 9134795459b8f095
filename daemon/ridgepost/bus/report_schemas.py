"""A JSON Schema for each kind of report, as `aprs.flat` tells it: made from the report classes.

Keys that a report does not always have are those that may be unknown, and those of parts that it
does not always have. Of an extension at most one of its forms is there.
"""

import inspect
import types
from typing import Any, Literal, Union, cast, get_args, get_origin, get_type_hints

import msgspec

from ridgepost import aprs
from ridgepost.aprs.listing import listed
from ridgepost.aprs.parts import Part
from ridgepost.aprs.report import Departure, ReportBase

UNION = "Report"
"""The name of the schema that any report keeps to."""

DEPARTURE = "Departure"

Schema = dict[str, Any]

_SIMPLE: dict[type, Schema] = {
    str: {"type": "string"},
    bool: {"type": "boolean"},
    int: {"type": "integer"},
    float: {"type": "number"},
}
_OCTETS: Schema = {"type": "string", "pattern": "^([0-9a-f]{2})*$"}


def report_schemas(ref_template: str) -> dict[str, Schema]:
    """By name; `UNION` is the one that refers to all others. `ref_template` has a `{name}`."""
    kinds = cast("tuple[type[ReportBase], ...]", get_args(aprs.Report))
    refs = [{"$ref": ref_template.format(name=_name(kind))} for kind in kinds]
    inner = {"$ref": ref_template.format(name=UNION)}
    departure = {"$ref": ref_template.format(name=DEPARTURE)}
    return {
        UNION: {
            "description": "What a frame says, by its `kind`. What is unknown is left out.",
            "discriminator": "kind",
            "anyOf": refs,
        },
        **{_name(kind): _of_kind(kind, inner, departure) for kind in kinds},
        DEPARTURE: {
            "description": "Where a sender departed from the standard and was understood.",
            "enum": sorted(get_args(Departure)),
        },
    }


def shared_keys() -> dict[str, dict[str, Schema]]:
    """The keys of the large parts, by the name of the part: many kinds of reports have them."""
    parts: tuple[type[Part], ...] = (aprs.Place, aprs.Readings)
    found = {}
    for part in parts:
        keys = _Keys({})
        keys.put_all(part, always=True)
        found[part.__name__] = keys.properties
    return found


def _name(kind: type[ReportBase]) -> str:
    return f"{kind.__name__}Report"


def _of_kind(kind: type[ReportBase], inner: Schema, departure: Schema) -> Schema:
    keys = _Keys(inner)
    keys.put("kind", {"enum": [kind.kind]}, always=True)
    keys.put_all(kind, always=True)
    keys.put("departures", {"type": "array", "items": departure}, always=True)
    return {
        "description": " ".join((kind.__doc__ or "").split()),
        "type": "object",
        "properties": keys.properties,
        "required": sorted(keys.required, key=list(keys.properties).index),
    }


class _Keys:
    """The keys of one kind of report."""

    def __init__(self, inner: Schema) -> None:
        self._inner = inner
        self.properties: dict[str, Schema] = {}
        self.required: set[str] = set()

    def put(self, key: str, schema: Schema, *, always: bool) -> None:
        """Add a key. Several forms of an extension may have one of the same name and type."""
        if self.properties.setdefault(key, schema) != schema:
            raise TypeError(f"{key} is told in two ways")
        if always:
            self.required.add(key)

    def put_all(self, record: type[msgspec.Struct], *, always: bool) -> None:
        """Add the keys of a report or part, which is not `always` there."""
        hints = get_type_hints(record)
        for name in listed(record):
            hint = hints[name] if name in hints else _of_property(record, name)
            variants = _variants(hint)
            known = types.NoneType not in variants
            present = [each for each in variants if each is not types.NoneType]
            parts = [each for each in present if inspect.isclass(each) and issubclass(each, Part)]
            if parts:
                for part in parts:
                    self.put_all(part, always=always and known and len(parts) == 1)
            elif present == [bytes]:
                self.put(f"{name}_hex", _OCTETS, always=always and known)
            else:
                self.put(name, self._any_of(present), always=always and known)

    def schema(self, hint: Any) -> Schema:
        """The schema of one type that is not None."""
        origin, arguments = get_origin(hint), get_args(hint)
        if hint in _SIMPLE:
            return _SIMPLE[hint]
        if origin is Literal:
            return {"enum": sorted(arguments)}
        if origin is tuple and arguments[1:] == (...,):
            return {"type": "array", "items": self._any_of(_variants(arguments[0]))}
        if origin is tuple and len(set(arguments)) == 1:
            length = len(arguments)
            items = self._any_of(_variants(arguments[0]))
            return {"type": "array", "items": items, "minItems": length, "maxItems": length}
        if hint is types.NoneType:
            return {"type": "null"}
        raise TypeError(f"no schema for {hint}")

    def _any_of(self, variants: list[Any]) -> Schema:
        if any(inspect.isclass(each) and issubclass(each, ReportBase) for each in variants):
            return self._inner
        schemas = [self.schema(each) for each in variants]
        return schemas[0] if len(schemas) == 1 else {"anyOf": schemas}


def _variants(hint: Any) -> list[Any]:
    return list(get_args(hint)) if get_origin(hint) in (Union, types.UnionType) else [hint]


def _of_property(record: type, name: str) -> Any:
    getter = inspect.getattr_static(record, name).fget
    return get_type_hints(getter)["return"]

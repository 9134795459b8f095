"""Holds what is published against the schemas of the shipped contract, with a library of others.

More strictly than a client should: here a key that the contract does not name is a mistake.
"""

import copy
import functools
import json
import re
from datetime import datetime
from importlib import resources
from typing import Any

import jsonschema

SHIPPED: dict[str, Any] = json.loads(
    resources.files("ridgepost.bus").joinpath("asyncapi.json").read_text(encoding="utf-8")
)

formats = jsonschema.FormatChecker(formats=())


@formats.checks("date-time", raises=ValueError)
def _is_time(value: object) -> bool:
    """RFC 3339 5.6; datetime.fromisoformat() of Python 3.11 reads that and more."""
    return not isinstance(value, str) or (
        value.endswith("Z") and datetime.fromisoformat(value) is not None
    )


@functools.cache
def strict() -> dict[str, Any]:
    """The components of the contract, without room for keys that are not named."""
    components = copy.deepcopy(SHIPPED["components"])
    for schema in components["schemas"].values():
        if "properties" in schema:
            schema["additionalProperties"] = False
    return {"components": components}


@functools.cache
def _validator(name: str) -> jsonschema.Draft7Validator:
    schema = {"$ref": f"#/components/schemas/{name}", **strict()}
    return jsonschema.Draft7Validator(schema, format_checker=formats)


def models_for(topic: str) -> list[str]:
    """The payload models that the contract has for a topic; none if it does not know the topic."""
    models: list[str] = []
    for pattern, names in _channels():
        if re.fullmatch(pattern, topic):
            models += names
    return models


def complaint(topic: str, payload: Any) -> str | None:
    """What the contract has against this payload on this topic."""
    models = models_for(topic)
    if not models:
        return f"{topic}: no such topic in the contract"
    problems = [_problem(name, payload) for name in models]
    return (
        None if None in problems else f"{topic}: {'; '.join(str(p) for p in problems)}: {payload}"
    )


def _problem(name: str, payload: Any) -> str | None:
    error = jsonschema.exceptions.best_match(_validator(name).iter_errors(payload))
    return None if error is None else f"as {name}: {error.message}"


@functools.cache
def _channels() -> list[tuple[str, list[str]]]:
    channels = []
    for channel in SHIPPED["channels"].values():
        # A parameter of an address is one level (AsyncAPI 3.0, Parameters; MQTT 5, 4.7).
        pattern = "".join(
            "[^/]+" if part.startswith("{") else re.escape(part)
            for part in re.split(r"({\w+})", channel["address"])
        )
        channels.append((pattern, list(channel["messages"])))
    return channels

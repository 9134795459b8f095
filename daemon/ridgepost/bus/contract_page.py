"""The bus as a page for people: config/bus-contract.md, made from the same models as the document.

A test holds the page and what is made here together.
"""

from typing import Any

import msgspec

from ridgepost.bus import throttle
from ridgepost.bus.asks import FORMS, MAX_CORRELATION, MAX_OCTETS
from ridgepost.bus.contract import Room, document, rooms
from ridgepost.bus.kept import INBOUND_KEPT, PLACES_KEPT, SETTLED_KEPT
from ridgepost.bus.report_schemas import shared_keys
from ridgepost.bus.topics import MAX_TOPIC
from ridgepost.station.unseen import MESSAGES_KEPT, NOTICES_KEPT

_AT_ONCE, _EVERY_S = throttle.ON_AIR.at_once, throttle.ON_AIR.every_s
_OTHER, _A_SECOND = throttle.OTHER.at_once, 1 / throttle.OTHER.every_s

_HEAD = f"""# The bus: what a station publishes, and what it can be asked

Made by `ridgepost contract --page`; do not edit. `ridgepost contract` prints the same for programs,
as an AsyncAPI 3.0 document with a JSON Schema for each payload.

Everything is JSON (UTF-8) below `ridgepost/<station>/`. Times are RFC 3339 in UTC, units stand in
the keys, positions are GeoJSON (RFC 7946: longitude first). A key that you do not know is one to
leave alone: keys may be added. `schema` changes when a reader of the old payloads would be misled.

## What holds

- **At least once, in order.** Every log entry is published at QoS 1, and again until the broker has
  acknowledged it, over every failure and restart. Events have an `id`, the same whenever they come;
  `seq` numbers the log. States, which have no `id` of their own, say with `of` which entry they
  follow from.
- **Retained topics** hold what a newcomer needs. An empty payload says that there is nothing any
  more. A broker that comes back without them, or with old ones, is given them again.
- **To miss nothing,** a client connects under a name of its own with a session that the broker
  keeps, subscribes at QoS 1, and tells by `id` what it has had already. Where the broker has no
  session for it (any more), the client forgets its table of retained topics and is given them anew.
  What a broker loses before it has passed it on, with its store or by its limits
  (`max_queued_messages`), nobody gives again: it is in the log.
- **Bounds.** {PLACES_KEPT} places stay, all open messages, the last {SETTLED_KEPT} settled ones and
  the last {INBOUND_KEPT} that came in; what was heard of least lately goes first. Of unread
  messages the latest {MESSAGES_KEPT} count, of open notices the latest {NOTICES_KEPT}.
- **Names from the air** in topics: letters, digits and `-._~` stay as they are, every other octet
  of the UTF-8 becomes `%XX`, and an empty name is `%`. No two names share a topic.
- **The clock.** With `clock_trusted` false nobody has set the station's clock, and `at` is good for
  differences only.
- **Without a broker of your own** the station starts an embedded one, on this machine only, without
  logins, for MQTT 3.1.1.
"""

_ASKING = f"""## Asking

An ask is a message to `ask/<verb>`, or `ask/<verb>/<client>` with a name of your own, not retained,
of at most {MAX_OCTETS} octets. `request` is your own name for it, 1 to 64 letters, digits, `.`,
`_`, `~` or `-`: the same ask twice under one name is done once and answered twice, another one
under the same name is refused. An answer that accepts is sent after what it promises is on the
disk. `state` and `list` change nothing: they are answered anew each time, and not logged.

The answer comes on `answer/<request>`, or with MQTT 5 on the response topic of the ask, with its
correlation data: at most {MAX_TOPIC} and {MAX_CORRELATION} octets, and not below `ridgepost/`
except `answer/`. A refusal says which `field` is to be mended and `why`.

Each client may put {_AT_ONCE} messages, bulletins or queries on the air at once and then one in
{_EVERY_S:.0f} s (each part of a long text counts), and ask everything else {_OTHER} times at once
and then {_A_SECOND:.0f} times a second; past that it is refused with `retry_in_s`, which says
nothing about an earlier ask under the same name.
Clients that give no name are one client together. Access rules of the broker can hold each user to
their name: see `deploy/broker/`.
"""

_EXAMPLES: dict[str, dict[str, Any]] = {
    "send": {"request": "r1", "to": "QZ1SAG-9", "text": "Come in", "precedence": "PRIORITY"},
    "cancel": {"request": "r2", "message": "a1b2c3.1.7"},
    "bulletin": {"request": "r3", "line": "1", "text": "Post 4 is closed"},
    "withdraw": {"request": "r4", "line": "1"},
    "query": {"request": "r5", "to": "QZ1SAG-9", "query": "APRSP"},
    "read": {"request": "r6", "messages": ["a1b2c3.1.9"]},
    "clear": {"request": "r7", "notice": "a1b2c3.1.12"},
    "checkin": {"request": "r8", "callsign": "QZ1SAG-9", "tactical": "SAG9", "role": "driver"},
    "checkout": {"request": "r9", "callsign": "SAG9"},
    "state": {"request": "r10", "message": "a1b2c3.1.7"},
    "list": {"request": "r11"},
}


def examples() -> dict[str, bytes]:
    """An ask of each verb, as the page shows it."""
    return {verb: msgspec.json.encode(_EXAMPLES[verb]) for verb in FORMS}


def page() -> str:
    """The page, in Markdown."""
    schemas = document()["components"]["schemas"]
    everything = rooms()
    told = [room for room in everything if not room.asked]
    lines = [_HEAD, "## Topics", "", "| topic | payload | what |", "|---|---|---|"]
    lines += [_row(room) for room in told]
    lines += ["", _ASKING, "| ask | what | for example |", "|---|---|---|"]
    for verb, (form, _) in FORMS.items():
        says = next(room.says for room in everything if room.asked == verb)
        lines.append(f"| [{verb}](#{_anchor(form.__name__)}) | {says} | `{_example(verb)}` |")
    lines += ["", "## Payloads", ""]
    for name, schema in schemas.items():
        lines += _section(name, schema)
    for part, keys in shared_keys().items():
        described = {"description": "Keys that several kinds of reports have.", "properties": keys}
        lines += _section(part, described)
    return "\n".join(lines).rstrip("\n") + "\n"


def _example(verb: str) -> str:
    return examples()[verb].decode()


def _row(room: Room) -> str:
    topic = room.below.replace("{", "<").replace("}", ">")
    retained = f" ({room.retained})" if room.retained else ""
    models = ", ".join(f"[{m.__name__}](#{_anchor(m.__name__)})" for m in room.models)
    return f"| `{topic}`{retained} | {models} | {room.says} |"


def _section(name: str, schema: dict[str, Any]) -> list[str]:
    lines = [f"### {name}", ""]
    if "description" in schema:
        lines += [schema["description"], ""]
    if "enum" in schema:
        return [*lines, "One of " + ", ".join(f"`{value}`" for value in schema["enum"]) + ".", ""]
    if "anyOf" in schema:
        return [*lines, "One of " + ", ".join(_type(inner) for inner in schema["anyOf"]) + ".", ""]
    properties = schema.get("properties", {})
    if not properties:
        return lines
    required = schema.get("required", [])
    lines += ["| key | type |", "|---|---|"]
    parts = {
        part: keys
        for part, keys in shared_keys().items()
        if part != name and keys.items() <= properties.items()
    }
    for key, inner in properties.items():
        optional = "" if key in required else ", may be left out"
        part = next((part for part, keys in parts.items() if key in keys), None)
        if part is None:
            lines.append(f"| `{key}` | {_type(inner)}{optional} |")
        elif key == next(iter(parts[part])):
            optional = "" if key in required else ", which may all be left out"
            lines.append(f"| ... | the keys of [{part}](#{_anchor(part)}){optional} |")
    return [*lines, ""]


def _type(schema: dict[str, Any]) -> str:
    if "$ref" in schema:
        name = schema["$ref"].rpartition("/")[2]
        return f"[{name}](#{_anchor(name)})"
    if "anyOf" in schema:
        return " or ".join(_type(inner) for inner in schema["anyOf"])
    if "enum" in schema:
        return " or ".join(f"`{value}`" for value in schema["enum"])
    if "const" in schema:
        return f"always {schema['const']}"
    if schema.get("type") == "array":
        return f"list of {_type(schema.get('items', {}))}"
    if schema.get("format") == "date-time":
        return "time"
    longest = f", at most {schema['maxLength']} characters" if "maxLength" in schema else ""
    return str(schema.get("type", "anything")).replace("string", "text") + longest


def _anchor(name: str) -> str:
    return name.lower()

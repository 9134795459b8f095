"""The contract: what is shipped is what the program does, by schemas that others can read.

AsyncAPI 3.0.0 against the schema that its authors publish (tests/bus/asyncapi); JSON Schema by the
library jsonschema; GeoJSON is RFC 7946.
"""

import json
import re
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from bus.schemas import SHIPPED, complaint, models_for, strict
from bus.test_payloads import FRAME, OUT, published
from rehearsal.test_drill import opening
from ridgepost.bus import contract, contract_page
from ridgepost.bus.asks import FORMS, AskProblem, read_ask
from ridgepost.radio import ax25
from ridgepost.rehearsal.drill import Drill
from ridgepost.station.asks import VERBS
from ridgepost.station.records import (
    AckSent,
    Answered,
    AnyRecord,
    BulletinHeard,
    BulletinOut,
    Cleared,
    CopiesHeard,
    Heard,
    Joined,
    LineState,
    LinkChanged,
    MarkedRead,
    MemberChanged,
    Noticed,
    QueryAnswered,
    QuestionChanged,
    QuestionState,
    Received,
    Started,
    Stopped,
    WatchChanged,
    Watched,
)

ROOT = Path(__file__).parents[2]
ASYNCAPI = json.loads((Path(__file__).parent / "asyncapi" / "3.0.0.json").read_text("utf-8"))


def test_shipped_document_is_the_one_that_the_models_make() -> None:
    """If not: PYTHONPATH=daemon python -c 'from ridgepost.bus import contract as c;
    print(c.document_text(), end="")' > daemon/ridgepost/bus/asyncapi.json"""
    assert contract.shipped_text() == contract.document_text()


def test_page_is_the_one_that_the_models_make() -> None:
    """If not: PYTHONPATH=daemon python -m ridgepost contract --page > config/bus-contract.md"""
    path = ROOT / "config" / "bus-contract.md"
    assert path.read_text(encoding="utf-8") == contract_page.page()


def test_asyncapi() -> None:
    jsonschema.Draft7Validator(ASYNCAPI).validate(SHIPPED)


def test_the_check_for_asyncapi_finds_mistakes() -> None:
    """A document with a wrong action is none (AsyncAPI 3.0.0, Operation Object)."""
    broken = json.loads(json.dumps(SHIPPED))
    next(iter(broken["operations"].values()))["action"] = "publish"
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft7Validator(ASYNCAPI).validate(broken)


def test_schemas_are_schemas() -> None:
    """Of draft 7, which AsyncAPI 3.0.0 names as what its own kind of schema stands on, and of
    2020-12 as well."""
    for schema in SHIPPED["components"]["schemas"].values():
        jsonschema.Draft7Validator.check_schema(schema)
        jsonschema.Draft202012Validator.check_schema(schema)


def test_every_reference_leads_somewhere() -> None:
    """RFC 6901, JSON Pointer."""
    pointers = set(re.findall(r'"\$ref": "#/([^"]+)"', contract.shipped_text()))
    assert pointers
    for pointer in pointers:
        place: Any = SHIPPED
        for word in pointer.split("/"):
            place = place[word]


def test_every_ask_is_in_it() -> None:
    """What the station takes, the bus reads, and the contract names."""
    assert set(VERBS.values()) == set(FORMS)
    for verb in FORMS:
        assert models_for(f"ridgepost/QZ1HUB-10/ask/{verb}")
        assert models_for(f"ridgepost/QZ1HUB-10/ask/{verb}/anna")


@pytest.mark.parametrize("verb", FORMS)
def test_examples_on_the_page(verb: str) -> None:
    """They are asks, by the schema and by the program."""
    example = contract_page.examples()[verb]
    assert complaint(f"ridgepost/QZ1HUB-10/ask/{verb}", json.loads(example)) is None
    assert not isinstance(read_ask(verb, example), AskProblem)


@pytest.mark.parametrize(
    ("content", "wrong"),
    [
        ({"to": "QZ1SAG-9", "text": "x"}, "request"),
        ({"request": "r", "to": "QZ1SAG-9", "text": 1}, "text"),
        ({"request": "r/1", "to": "QZ1SAG-9", "text": "x"}, "request"),
        ({"request": "r", "to": "Q" * 17, "text": "x"}, "to"),
        ({"request": "r", "to": "QZ1SAG-9", "text": "x", "precedence": "urgent"}, "precedence"),
        ({"request": "r", "to": "QZ1SAG-9", "text": "x", "more": 1}, "more"),
    ],
)
def test_schema_and_program_refuse_the_same(content: dict[str, Any], wrong: str) -> None:
    assert complaint("ridgepost/QZ1HUB-10/ask/send", content) is not None
    assert isinstance(read_ask("send", json.dumps(content).encode()), AskProblem)


RECORDS: list[AnyRecord] = [
    *(
        Heard(tnc="vhf", port=0, frame=ax25.encode(ax25.from_monitor(f"QZ1SAG-9>APZ001:{info}")))
        for info in (
            "!6130.00N/14912.00W>088/036/A=001234 on the way",
            ">status",
            ":QZ1HUB-10:hello{1",
            "T#005,199,000,255,073,123,01101001",
            "_10090556c220s004g005t077P000h50b09900",
            "}QZ1NET>APZ001,TCPIP,QZ1GAT*:!6130.00N/14912.00W-",
            "?APRS?",
            "",
        )
    ),
    CopiesHeard(of=1, copies=2, paths=["", "QZ1RDG*"]),
    OUT,
    Received(source="QZ1SAG-9", to="QZ1HUB-10", text="Hi", number="07}", heard=1),
    AckSent(to="QZ1SAG-9", number="07", frame=FRAME, tnc="vhf", port=0),
    BulletinHeard(source="QZ1SAG-9", line="BLN1", text="Fog", heard=1),
    Joined(source="QZ1SAG-9", to="QZ1HUB-10", text="long", parts=["a.1.1", "a.1.2"]),
    BulletinOut(
        bulletin="a.1.1",
        line="BLN1",
        text="Fog",
        state=LineState.SENDING,
        why="first",
        expires_in_s=3.0,
        frame=FRAME,
        tnc="vhf",
    ),
    QueryAnswered(asker="QZ1SAG-9", query="APRSD", why="asked", frame=FRAME, tnc="vhf", port=0),
    QuestionChanged(
        question="a.1.1", to="QZ1SAG-9", text="?APRSD", state=QuestionState.SENT, why="sent"
    ),
    MarkedRead(messages=["a.1.1"], client="anna"),
    LinkChanged(tnc="vhf", up=False, reason="gone"),
    Noticed(kind="log", text="x"),
    Cleared(notice="a.1.1"),
    WatchChanged(callsign="QZ1SAG-2", state=Watched.EXPECTED, why="on the roster"),
    WatchChanged(
        callsign="QZ1SAG-2",
        tactical="SAG2",
        role="relay driver",
        state=Watched.OVERDUE,
        why="not heard for 9 min",
        silent_s=540.0,
        interval_s=60.0,
        loss=0.1,
        latitude_deg=61.5,
        longitude_deg=-149.2,
        course_deg=90.0,
        speed_knots=27.0,
        via="QZ1RDG-3",
        notice="a.1.1",
    ),
    Answered(request="r-1", verb="send", digest="d", accepted=True, message="m", state="s"),
    Answered(request="r-1", verb="send", digest="d", accepted=False, field="to", why="no"),
]


@pytest.mark.parametrize("record", RECORDS, ids=lambda record: type(record).__name__)
def test_each_kind_of_record(record: AnyRecord) -> None:
    message = published(record)
    assert message is not None
    assert complaint(message.topic, json.loads(message.payload)) is None


def test_no_kind_of_record_is_left_out() -> None:
    # Presence says that a run began or ended, and the roster who was checked in or out.
    kinds = set(AnyRecord.__args__) - {Started, Stopped, MemberChanged}
    assert {type(record) for record in RECORDS} == kinds


def test_the_check_of_payloads_finds_mistakes() -> None:
    message = published(Noticed(kind="log", text="x"))
    assert message is not None
    content = json.loads(message.payload)
    assert complaint(message.topic, content | {"text": 5}) is not None
    assert complaint(message.topic, content | {"extra": 5}) is not None
    assert complaint(message.topic, content | {"at": "yesterday"}) is not None
    assert complaint(message.topic, {k: v for k, v in content.items() if k != "id"}) is not None
    assert complaint(f"{message.topic}/more", content) is not None


async def test_a_rehearsal(tmp_path: Path) -> None:
    """All that a client sees of some minutes of an event keeps to the contract."""
    seen: dict[str, int] = {}
    complaints: list[str] = []

    def on_bus(topic: str, payload: dict[str, Any]) -> None:
        found = complaint(f"ridgepost/QZ1HUB-10/{topic}", payload)
        complaints.extend([found] if found else [])
        room = topic.partition("/")[0]
        seen[room] = seen.get(room, 0) + 1

    await Drill(opening(3), tmp_path, on_bus=on_bus).run()
    assert complaints == []
    assert seen.keys() >= {"presence", "heard", "copies", "place", "traffic", "answer", "unread"}


def test_places_are_geojson() -> None:
    """RFC 7946 3.2: a Feature has a type, a geometry, properties and, here, an id."""
    schema = strict()["components"]["schemas"]["PlacePayload"]
    assert {"type", "geometry", "properties", "id"} <= set(schema["required"])
    assert schema["properties"]["type"]["enum"] == ["Feature"]

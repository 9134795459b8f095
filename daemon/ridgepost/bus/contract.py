"""The bus as a document for other programs: AsyncAPI 3.0, made from the topics and payload models.

asyncapi.json beside this module is what it makes; a test holds the two together.
"""

import json
import re
from importlib import resources
from typing import Any, Literal

import msgspec

from ridgepost.bus import asks, discovery, payloads, places, summaries
from ridgepost.bus.common import SCHEMA
from ridgepost.bus.report_schemas import UNION, report_schemas
from ridgepost.bus.topics import Topics

FILE = "asyncapi.json"
REF = "#/components/schemas/{name}"

STATION = "{station}"
MQTT_BINDING = "0.2.0"

PARAMETERS = {
    "station": "The station's name on the bus, in capitals: its callsign, or bus.name.",
    "kind": "Of a report or notice, in small letters.",
    "message": "The name of a message.",
    "callsign": "A station, as it signs itself.",
    "name": "The name of an object or item.",
    "source": "The station that sent it.",
    "line": "An addressee such as BLN1, BLNQ or BLN4WX.",
    "question": "The name of a query.",
    "tnc": "The name of a TNC in the settings.",
    "client": "The client's own name; a broker can hold each user to theirs.",
    "request": "The client's own name for its ask.",
}


class Room(msgspec.Struct, frozen=True, kw_only=True):
    """One kind of topic. `models` are what is published there, or asked for if `asked`."""

    name: str
    address: str
    models: tuple[type[msgspec.Struct], ...]
    says: str
    retained: Literal["", "retained", "retained, last will"] = ""
    asked: str = ""
    """The verb, for topics on which clients ask."""

    @property
    def parameters(self) -> list[str]:
        """The variable parts of the address."""
        return re.findall(r"{(\w+)}", self.address)

    @property
    def below(self) -> str:
        """The address without the station's own levels."""
        return self.address.partition(f"{STATION}/")[2]


def rooms() -> list[Room]:
    """Every topic that there is, those of the station first."""
    topics = Topics(STATION)
    told = [
        Room(
            name="presence",
            address=topics.presence,
            models=(payloads.PresencePayload,),
            says="Whether the station is there; the broker says so if it dies.",
            retained="retained, last will",
        ),
        Room(
            name="heard",
            address=topics.heard("{kind}"),
            models=(payloads.HeardPayload,),
            says="Each report once, whatever its kind: position, status, message, ...",
        ),
        Room(
            name="copies",
            address=topics.copies(),
            models=(payloads.CopiesPayload,),
            says="Half a minute later: how often a report was heard, and by which ways.",
        ),
        Room(
            name="place",
            address=topics.place("{callsign}"),
            models=(places.PlacePayload,),
            says="The latest position of a station, a GeoJSON Feature.",
            retained="retained",
        ),
        Room(
            name="roster",
            address=topics.roster("{callsign}"),
            models=(payloads.RosterPayload,),
            says="Every change of a station on the roster; an empty payload once it is off.",
            retained="retained",
        ),
        Room(
            name="placeOfObject",
            address=topics.place_of_object("{name}"),
            models=(places.PlacePayload,),
            says="The same of an object or item; an empty payload once it is killed.",
            retained="retained",
        ),
        Room(
            name="trafficOut",
            address=topics.traffic_out("{message}"),
            models=(payloads.OutboundPayload,),
            says="Every change of an outgoing message. Open ones stay, and the last 100 settled.",
            retained="retained",
        ),
        Room(
            name="trafficIn",
            address=topics.traffic_in("{message}"),
            models=(payloads.InboundPayload,),
            says="A message to the station or to a group it reads, once. The last 100 stay.",
            retained="retained",
        ),
        Room(
            name="joined",
            address=topics.joined("{message}"),
            models=(payloads.JoinedPayload,),
            says="A long text, once all its parts have come.",
        ),
        Room(
            name="acknowledgement",
            address=topics.acknowledgement(),
            models=(payloads.AckPayload,),
            says="An acknowledgement that the station sent.",
        ),
        Room(
            name="read",
            address=topics.read(),
            models=(payloads.ReadPayload,),
            says="Messages were marked as read.",
        ),
        Room(
            name="unread",
            address=topics.unread,
            models=(summaries.UnreadPayload,),
            says="How many messages nobody has marked as read, and the latest of them.",
            retained="retained",
        ),
        Room(
            name="question",
            address=topics.question("{question}"),
            models=(payloads.QuestionPayload,),
            says="Every change of a query that the station sends.",
        ),
        Room(
            name="queryAnswered",
            address=topics.query(),
            models=(payloads.QueryPayload,),
            says="A query of another station that the station has answered.",
        ),
        Room(
            name="bulletinOut",
            address=topics.bulletin_out("{line}"),
            models=(payloads.BulletinOutPayload,),
            says="Every change of a bulletin or announcement of the station's own.",
            retained="retained",
        ),
        Room(
            name="bulletin",
            address=topics.bulletin("{source}", "{line}"),
            models=(payloads.BulletinPayload,),
            says="A bulletin or announcement heard, new or changed.",
            retained="retained",
        ),
        Room(
            name="link",
            address=topics.link("{tnc}"),
            models=(payloads.LinkPayload,),
            says="A TNC came or went.",
            retained="retained",
        ),
        Room(
            name="notice",
            address=topics.notice("{kind}"),
            models=(payloads.NoticePayload,),
            says="What a person should look at.",
        ),
        Room(
            name="cleared",
            address=topics.cleared(),
            models=(payloads.ClearedPayload,),
            says="A notice was dealt with.",
        ),
        Room(
            name="notices",
            address=topics.notices,
            models=(summaries.NoticesPayload,),
            says="How many notices nobody has cleared, and the latest of them.",
            retained="retained",
        ),
        Room(
            name="published",
            address=topics.published,
            models=(summaries.PublishedPayload,),
            says="How far the broker has the log; every half minute if anything is new.",
            retained="retained",
        ),
        Room(
            name="announced",
            address=topics.announced,
            models=(discovery.AnnouncedPayload,),
            says="Where home automation finds what is told of the station by MQTT discovery.",
            retained="retained",
        ),
        Room(
            name="answer",
            address=topics.answer("{request}"),
            models=(payloads.AnswerPayload, payloads.ToldPayload, payloads.RefusalPayload),
            says="What became of an ask that named no response topic.",
        ),
    ]
    asked = [
        Room(
            name=f"ask{verb.capitalize()}{'As' if client else ''}",
            address=topics.ask(verb, client),
            models=(form,),
            says=_sentence(form),
            asked=verb,
        )
        for verb, (form, _) in asks.FORMS.items()
        for client in ("", "{client}")
    ]
    return [
        msgspec.structs.replace(room, address=_with_braces(room.address)) for room in told + asked
    ]


def document() -> dict[str, Any]:
    """The whole contract as an AsyncAPI 3.0 document."""
    everything = rooms()
    models = list(dict.fromkeys(model for room in everything for model in room.models))
    _, schemas = msgspec.json.schema_components(models, ref_template=REF)
    forms = {form.__name__ for form, _ in asks.FORMS.values()}
    for name, schema in schemas.items():
        _tidy(schema, published=name not in forms)
    reports = report_schemas(REF)
    for schema in reports.values():
        _describe(schema)
    schemas["HeardPayload"]["properties"]["report"] = {"$ref": REF.format(name=UNION)}
    schemas |= reports
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Ridgepost",
            "version": str(SCHEMA),
            "description": "What a Ridgepost station publishes to an MQTT broker, and what it can "
            "be asked there. Published at least once and in order, at QoS 1.",
            "license": {"name": "MIT"},
        },
        "defaultContentType": "application/json",
        "channels": {room.name: _channel(room) for room in everything},
        "operations": {_operation_name(room): _operation(room) for room in everything},
        "components": {
            "messages": {model.__name__: _message(model) for model in models},
            "schemas": schemas,
        },
    }


def document_text() -> str:
    """The document as it is shipped."""
    return json.dumps(document(), indent=1, ensure_ascii=True) + "\n"


def shipped_text() -> str:
    """The document as it was shipped with this program."""
    return resources.files("ridgepost.bus").joinpath(FILE).read_text(encoding="utf-8")


def _describe(schema: dict[str, Any]) -> None:
    """Descriptions as plain text."""
    if "description" in schema:
        words = " ".join(schema["description"].split())
        schema["description"] = re.sub(r"\bNone\b", "null", words)


def _tidy(schema: dict[str, Any], *, published: bool) -> None:
    """Whatever the station publishes has all of its keys."""
    _describe(schema)
    if published and "properties" in schema:
        schema["required"] = list(schema["properties"])


def _with_braces(address: str) -> str:
    return address.replace("%7B", "{").replace("%7D", "}")


def _sentence(model: type[msgspec.Struct]) -> str:
    """What the model is, by its own words: the first sentence of its docstring."""
    text = " ".join((model.__doc__ or "").split())
    return text.partition(". ")[0].rstrip(".") + "."


def _channel(room: Room) -> dict[str, Any]:
    channel: dict[str, Any] = {
        "address": room.address,
        "description": room.says,
        "messages": {
            model.__name__: {"$ref": f"#/components/messages/{model.__name__}"}
            for model in room.models
        },
    }
    if room.parameters:
        channel["parameters"] = {
            name: {"description": PARAMETERS[name]} for name in room.parameters
        }
    return channel


def _operation_name(room: Room) -> str:
    return room.name if room.asked else f"publish{room.name[0].upper()}{room.name[1:]}"


def _operation(room: Room) -> dict[str, Any]:
    operation: dict[str, Any] = {
        # As AsyncAPI 3.0 has it: from the point of view of the program that is described.
        "action": "receive" if room.asked else "send",
        "channel": {"$ref": f"#/channels/{room.name}"},
        "summary": room.says,
        "bindings": {
            "mqtt": {
                "qos": 1,
                "retain": bool(room.retained),
                "bindingVersion": MQTT_BINDING,
            }
        },
    }
    if room.asked:
        operation["reply"] = {"channel": {"$ref": "#/channels/answer"}}
    return operation


def _message(model: type[msgspec.Struct]) -> dict[str, Any]:
    return {
        "name": model.__name__,
        "summary": _sentence(model),
        "payload": {"$ref": f"#/components/schemas/{model.__name__}"},
    }

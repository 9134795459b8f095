"""What the broker is to keep: retained messages are MQTT 5, 3.3.1.3 (from memory)."""

import json
from collections.abc import Iterable
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bus.schemas import complaint
from ridgepost.bus.discovery import MOST_TRACKERS, Discovery, plain_name
from ridgepost.bus.kept import INBOUND_KEPT, SETTLED_KEPT, Projection, Retained
from ridgepost.bus.outbox import Outbox
from ridgepost.bus.payloads import Publication
from ridgepost.bus.summaries import MOST_LISTED
from ridgepost.bus.topics import Topics
from ridgepost.radio import ax25
from ridgepost.station.moment import Moment
from ridgepost.station.records import (
    AnyRecord,
    Cleared,
    Entry,
    Heard,
    MarkedRead,
    Noticed,
    OutboundChanged,
    Received,
    State,
)

TOPICS = Topics("QZ1HUB-10")
BASE = "ridgepost/QZ1HUB-10/"
AT = Moment(1000.0, 1_800_000_000.0)


class Broker:
    """What a broker keeps: the last message on each topic, or nothing after an empty one."""

    def __init__(self, projection: Projection) -> None:
        self.projection = projection
        self.kept: dict[str, Any] = {}
        self.seq = 0
        for message in projection.beginning():
            self.publish(message)

    def publish(self, message: Publication) -> None:
        if message.retain and message.payload:
            self.kept[message.topic] = json.loads(message.payload)
        elif message.retain:
            self.kept.pop(message.topic, None)

    def log(self, *records: AnyRecord) -> None:
        for record in records:
            self.seq += 1
            for lazy in self.projection.take(Entry(self.seq, 1, AT, record)):
                message = lazy.made()
                if message.payload and message.topic.startswith(BASE):
                    assert complaint(message.topic, json.loads(message.payload)) is None
                self.publish(message)

    def at(self, below: str) -> Any:
        return self.kept.get(BASE + below)


def received(number: int) -> Received:
    return Received(
        message=f"a.1.{number}", source="QZ1SAG-9", to="QZ1HUB-10", text=f"text {number}", heard=1
    )


def outbound(number: int, state: State) -> OutboundChanged:
    return OutboundChanged(
        message=f"a.1.{number}",
        to="QZ1SAG-9",
        text="x",
        number="01",
        state=state,
        why="",
        expires_in_s=1.0,
    )


def test_nothing_unread_is_said_from_the_beginning() -> None:
    broker = Broker(Projection("a", TOPICS))
    assert (broker.at("unread")["count"], broker.at("notices")["count"]) == (0, 0)


def test_unread() -> None:
    broker = Broker(Projection("a", TOPICS))
    broker.log(received(1), received(2), received(3))
    unread = broker.at("unread")
    assert (unread["count"], unread["more"], unread["of"]) == (3, 0, "a.1.3")
    assert [item["text"] for item in unread["messages"]] == ["text 3", "text 2", "text 1"]
    broker.log(MarkedRead(messages=["a.1.2"]))
    assert [item["message"] for item in broker.at("unread")["messages"]] == ["a.1.3", "a.1.1"]
    broker.log(MarkedRead(messages=["a.1.1", "a.1.3"]))
    assert (broker.at("unread")["count"], broker.at("unread")["messages"]) == (0, [])


def test_many_unread_are_counted_and_the_latest_listed() -> None:
    broker = Broker(Projection("a", TOPICS))
    broker.log(*[received(number) for number in range(1, MOST_LISTED + 21)])
    unread = broker.at("unread")
    assert (unread["count"], unread["more"]) == (MOST_LISTED + 20, 20)
    assert unread["messages"][0]["text"] == f"text {MOST_LISTED + 20}"


def test_notices() -> None:
    broker = Broker(Projection("a", TOPICS))
    broker.log(Noticed(notice="a.1.1", kind="late-ack", text="x"))
    assert [item["notice"] for item in broker.at("notices")["notices"]] == ["a.1.1"]
    assert broker.at("notice/late-ack") is None  # an event
    broker.log(Cleared(notice="a.1.1"))
    assert broker.at("notices")["count"] == 0


def test_messages_that_stay() -> None:
    """All open ones, and of the others the latest."""
    broker = Broker(Projection("a", TOPICS))
    many = SETTLED_KEPT + 10
    broker.log(*[outbound(number, State.QUEUED) for number in range(many)])
    assert sum("traffic/out/" in topic for topic in broker.kept) == many
    broker.log(*[outbound(number, State.EXPIRED) for number in range(many)])
    stay = {topic for topic in broker.kept if "traffic/out/" in topic}
    assert stay == {f"{BASE}traffic/out/a.1.{number}" for number in range(10, many)}
    broker.log(*[received(number) for number in range(INBOUND_KEPT + 10)])
    assert sum("traffic/in/" in topic for topic in broker.kept) == INBOUND_KEPT


# --- what a broker is told again ----------------------------------------------------------------

events = st.builds(
    Publication, st.sampled_from("xyz"), st.sampled_from([b"1", b"2"]), retain=st.booleans()
)
states = st.builds(
    lambda topic, payload: Publication(topic, payload, retain=True, state=True),
    # 'x' is a topic of events too: what is retained there may be taken away later.
    st.sampled_from("xabc"),
    st.sampled_from([b"", b"1", b"2"]),
)
# An entry never has a state on the topic of its own event.
entry = st.lists(events, max_size=2) | st.lists(states, max_size=3)
made = st.lists(entry, min_size=1, max_size=20)


def keeping(sent: Iterable[Publication]) -> dict[str, bytes]:
    """What a broker keeps of messages that came in this order."""
    kept: dict[str, bytes] = {}
    for message in sent:
        if message.retain:
            kept[message.topic] = message.payload
    return {topic: payload for topic, payload in kept.items() if payload}


# How often a history is cut short for being too long depends on luck.
@settings(suppress_health_check=[HealthCheck.data_too_large])
@given(made, st.data())
def test_outbox(made: list[list[Publication]], data: st.DataObject) -> None:
    """A broker that takes messages in the order in which they are sent, acknowledges them in any
    order, and is lost at any time, when it may or may not have got what it did not acknowledge."""
    outbox = Outbox(100)
    entries = iter(enumerate(made, 101))
    arrived: list[Publication] = []
    on_its_way: list[tuple[int, Publication]] = []
    acknowledged: set[int] = set()  # by identity
    more = True

    def send(batch: list[tuple[int, Publication]]) -> None:
        on_its_way.extend(batch)
        arrived.extend(message for _, message in batch)

    while more or on_its_way or outbox.floor < outbox.fed:
        match data.draw(st.sampled_from(["add", "states", "end", "end", "lose"])):
            case "add":
                following = next(entries, None)
                more = following is not None
                if following:
                    send(outbox.add(*following))
            case "states":
                send(outbox.states())
            case "end" if on_its_way:
                item = on_its_way.pop(data.draw(st.integers(0, len(on_its_way) - 1)))
                outbox.end(*item)
                acknowledged.add(id(item[1]))
            case "lose":
                on_its_way.clear()
                send(outbox.again())
        # Nothing up to the floor is missing: not one event, and of states the latest.
        done = [message for messages in made[: outbox.floor - 100] for message in messages]
        assert all(id(message) in acknowledged for message in done if not message.state)
        # Whatever is to stay is known as that, wherever it is on its way.
        fed = [message for messages in made[: outbox.fed - 100] for message in messages]
        assert all(outbox.keeps(topic) for topic in keeping(fed))
    first_arrivals = list(dict.fromkeys(id(message) for message in arrived if not message.state))
    assert first_arrivals == [id(m) for messages in made for m in messages if not m.state]
    everything = keeping(message for messages in made for message in messages)
    assert keeping(arrived) == everything
    assert {m.topic: m.payload for m in outbox.kept.after(-1)} == everything
    assert len(outbox) == 0


@given(made)
def test_a_backlog_costs_one_state_a_topic(made: list[list[Publication]]) -> None:
    outbox = Outbox(0)
    for seq, messages in enumerate(made, 1):
        outbox.add(seq, messages)
    waiting = outbox.states()
    topics = [message.topic for _, message in waiting]
    assert len(set(topics)) == len(topics)
    assert [seq for seq, _ in waiting] == sorted(seq for seq, _ in waiting)


def test_kept_is_told_in_its_order() -> None:
    retained = Retained()
    for seq, topic, payload in ((1, "a", b"1"), (2, "b", b"2"), (3, "a", b"3"), (4, "c", b"4")):
        retained.apply(seq, Publication(topic, payload, retain=True))
    retained.apply(5, Publication("c", b"", retain=True))
    retained.apply(6, Publication("d", b"6"))
    assert [m.payload for m in retained.after(-1)] == [b"2", b"3"]
    assert [m.payload for m in retained.after(2)] == [b"3"]
    assert "c" not in retained
    assert "d" not in retained


# --- discovery ----------------------------------------------------------------------------------


def discovering() -> Broker:
    return Broker(Projection("a", TOPICS, Discovery("homeassistant", "QZ1HUB-10", TOPICS)))


def beacon(call: str) -> Heard:
    frame = ax25.from_monitor(f"{call}>APZ001:!4903.50N/07201.75W>")
    return Heard(tnc="vhf", port=0, frame=ax25.encode(frame))


def configs(broker: Broker) -> dict[str, Any]:
    return {
        topic: payload
        for topic, payload in broker.kept.items()
        if topic.startswith("homeassistant/")
    }


def test_discovery_of_the_station() -> None:
    """The convention: <prefix>/<component>/<node>/<object>/config, names of letters, digits, '_'
    and '-'; a unique_id each; availability from the same topic as presence (from memory)."""
    found = configs(discovering())
    components = [topic.split("/")[1] for topic in found]
    assert components == ["binary_sensor", "sensor", "sensor"]
    for topic, config in found.items():
        _, _, node, thing, last = topic.split("/")
        assert last == "config"
        assert set(node + thing) <= set(
            "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_"
        )
        assert config["state_topic"].startswith(BASE)
        assert config["device"]["identifiers"] == [node]
    assert len({config["unique_id"] for config in found.values()}) == len(found)


def test_discovery_of_trackers() -> None:
    """Each station heard once, and a bounded number of them; a killed object is none."""
    broker = discovering()
    broker.log(beacon("QZ1SAG-9"), beacon("QZ1SAG-9"))
    trackers = [c for t, c in configs(broker).items() if "/device_tracker/" in t]
    (tracker,) = trackers
    assert tracker["json_attributes_topic"] == f"{BASE}place/QZ1SAG-9"
    assert tracker["source_type"] == "gps"
    for attribute in ("latitude", "longitude", "gps_accuracy"):
        assert f"'{attribute}'" in tracker["json_attributes_template"]
    broker.log(*[beacon(f"QZ{number:04}") for number in range(MOST_TRACKERS)])
    topics = [topic for topic in configs(broker) if "/device_tracker/" in topic]
    assert len(topics) == MOST_TRACKERS
    assert not any("QZ1SAG-9" in topic for topic in topics)


def test_no_discovery_unless_wanted() -> None:
    broker = Broker(Projection("a", TOPICS))
    broker.log(beacon("QZ1SAG-9"))
    assert all(topic.startswith(BASE) for topic in broker.kept)


@given(st.text(max_size=12), st.text(max_size=12))
def test_names_of_the_convention(one: str, other: str) -> None:
    """Letters, digits, '_' and '-' only, and no two texts share one."""
    assert (plain_name(one) == plain_name(other)) == (one == other)
    assert set(plain_name(one)) <= set(
        "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_"
    )

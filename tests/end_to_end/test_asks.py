"""Asks that are wrong, hostile or too many: a clear refusal, and the station lives on."""

import json
import re
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from end_to_end.world import BOUND_S, HUB, SAG, Site

SEND = {"request": "r-1", "to": SAG, "text": "Water at post 2"}


def still_there(site: Site) -> None:
    """The next good ask is answered."""
    assert site.send("still-there", "Water at post 2")["accepted"]


def publish(
    site: Site, topic: str, payload: bytes, *, retain: bool = False, **more: object
) -> None:
    """Publish at QoS 1 with properties that mosquitto's own program would not send."""
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    for name, value in more.items():
        setattr(properties, name, value)
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.connect("127.0.0.1", site.broker.port)
    client.loop_start()
    try:
        sent = client.publish(topic, payload, 1, retain, properties)
        sent.wait_for_publish(BOUND_S)
    finally:
        client.disconnect()
        client.loop_stop()


def test_unreadable(site: Site) -> None:
    """Nobody can be told by name, so the refusal is where anybody can look for it."""
    site.configure(site.tnc())
    station = site.start_up()
    no_json = "not a JSON object"
    unreadable = [
        ("send", b"not JSON", no_json),
        ("send", b"", no_json),
        ("send", b"\xff\xfe", no_json),
        ("send", b'{"request":"r-1","to":"\xc3","text":"x"}', no_json),
        ("send", json.dumps(SEND | {"text": "x" * 10_000}).encode(), "longer than 4096 octets"),
        ("send", b'[{"request":"r-1"}]', "Expected object, got array"),
        # Deeper than a reader that calls itself can follow (RFC 8259 9 lets it set a limit).
        ("send", b"[" * 4000, ""),
        ("send", b'{"request":' + b"[" * 4000, ""),
        ("send", b'{"request":"#"}', "missing required field to"),
        ("cancel", b"null", "Expected object, got null"),
    ]
    for number, (verb, payload, why) in enumerate(unreadable, start=1):
        site.ask(verb, payload)
        answers = site.until(
            lambda number=number: site.bus.all("answer/unreadable")[number - 1 :], repr(payload)
        )
        assert (answers[0].payload["accepted"], answers[0].payload["request"]) == (False, None)
        assert why in answers[0].payload["why"]
    still_there(site)
    assert station.stop() == 0
    counted = station.said("counted")
    assert counted is not None
    assert counted["bus_counts"]["asks_refused"] == len(unreadable)
    assert counted["bus_counts"]["asks_taken"] == 1


def test_readable_and_wrong(site: Site) -> None:
    """Each refusal is found by its request id, names the field and says what is wrong with it."""
    site.configure(site.tnc())
    station = site.start_up()
    wrong = [
        ("send", {"to": 7}, "to", "Expected str"),
        ("send", {"to": "not a call"}, "to", "capital letters and digits"),
        ("send", {"to": HUB}, "to", "own callsign"),
        ("send", {"text": "x" * 550}, "text", "549"),
        ("send", {"text": "brace { in it"}, "text", "{"),
        ("send", {"text": "line\nbreak"}, "text", "control character"),
        ("send", {"lifetime_s": 1e9}, "lifetime_s", "1 to 86400"),
        ("send", {"lifetime_s": "long"}, "lifetime_s", "Expected float"),
        ("send", {"precedence": "URGENT"}, "precedence", "URGENT"),
        ("send", {"repeat": True}, None, "unknown field repeat"),
        ("cancel", {"message": "no-such"}, "message", "no message"),
        ("shout", {}, None, "no such ask"),
    ]
    for number, (verb, change, field, why) in enumerate(wrong):
        base = {"message": ""} if verb == "cancel" else SEND
        site.ask(verb, base | {"request": f"wrong-{number}"} | change)
        found = site.until(
            lambda number=number: site.bus.find(f"answer/wrong-{number}"), f"answer {number}"
        )
        assert not found.payload["accepted"]
        assert found.payload["field"] == field, found.payload
        assert why in found.payload["why"]
    assert site.bus.all("traffic/out/") == []
    assert station.running


def test_response_topic_and_correlation_data(site: Site) -> None:
    """MQTT 5, 4.10: request and response. The answer goes where it is wanted, with the data that it
    is known by, and nowhere else."""
    site.configure(site.tnc())
    site.start_up()
    raw = site.listen("desk/7/replies")
    wish = ("-D", "publish", "response-topic", "desk/7/replies")
    site.ask("send", SEND, *wish, "-D", "publish", "correlation-data", "abc")
    answer = site.until(lambda: raw.events[:1], "the answer")[0].payload
    assert answer["accepted"]
    assert answer["request"] == "r-1"
    # A refusal goes there as well, though nobody could read the ask.
    site.ask("send", b"rubbish", *wish)
    assert not site.until(lambda: raw.events[1:], "the refusal")[0].payload["accepted"]
    assert site.bus.all("answer/") == []


def test_hostile_response_topic(site: Site) -> None:
    """mosquitto passes all of these on. Publishing to them would let a client speak as the station,
    or make the broker end the connection, each time the answer is tried again."""
    site.configure(site.tnc())
    station = site.start_up()
    hostile = [
        "replies/#",
        "replies/+",
        "$SYS/broker/clients/total",
        f"ridgepost/{HUB}/presence",
        f"ridgepost/{HUB}/ask/send",
        f"ridgepost/{HUB}/traffic/in/1",
        "ridgepost/QZ1HUB-11/presence",
        "replies/" + "/" * 100,
        "r" * 60_000,
    ]
    for number, topic in enumerate(hostile):
        ask = json.dumps(SEND | {"request": f"hostile-{number}"}).encode()
        publish(site, f"ridgepost/{HUB}/ask/send", ask, ResponseTopic=topic)
        found = site.until(
            lambda number=number: site.bus.find(f"answer/hostile-{number}"), topic[:40]
        )
        assert (found.payload["accepted"], found.payload["field"]) == (False, "response topic")
    still_there(site)
    assert station.said("bus down") is None


def test_packet_that_cannot_be_read(site: Site) -> None:
    """U+FEFF in a property is allowed (MQTT 5, 1.5.4) and our MQTT library takes it for a fault of
    the protocol. The packet stays in the session of a station that did not acknowledge it: it
    must not come again for ever."""
    site.configure(site.tnc())
    station = site.start_up()
    publish(
        site,
        f"ridgepost/{HUB}/ask/send",
        json.dumps(SEND).encode(),
        UserProperty=[("note", "\ufeff")],
    )
    site.until(lambda: station.said("bus down"), "the connection to end")
    site.until(lambda: len(site.bus.all("presence", online=True)) >= 2, "the station to come back")
    still_there(site)


def test_retained_ask(site: Site) -> None:
    """It would come again with every connection (MQTT 5, 3.3.1.3), days later too."""
    tnc = site.tnc()
    site.configure(tnc)
    publish(site, f"ridgepost/{HUB}/ask/send", json.dumps(SEND).encode(), retain=True)
    site.start_up()
    answer = site.until(lambda: site.bus.find("answer/r-1"), "the refusal").payload
    assert not answer["accepted"]
    assert "retained" in answer["why"]
    site.hears(tnc, "afterwards")
    assert tnc.sent == []


def test_flood_of_asks(site: Site) -> None:
    """Each is answered, or refused for want of room; memory is bounded and the station goes on."""
    tnc = site.tnc()
    site.configure(tnc, station="transmit = false")
    station = site.start_up()
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.connect("127.0.0.1", site.broker.port)
    client.loop_start()
    try:
        for number in range(3000):
            ask = json.dumps(SEND | {"request": f"flood-{number}"})
            last = client.publish(f"ridgepost/{HUB}/ask/send", ask, 1)
        last.wait_for_publish(BOUND_S)
    finally:
        client.disconnect()
        client.loop_stop()
    # The broker drops what it has no room for, and so does the station.
    site.until(lambda: site.bus.find("answer/flood-0"), "an answer to the first of the flood")
    site.until(
        lambda: (
            site.ask("cancel", {"request": "after", "message": "none"})
            or site.bus.find("answer/after")
        ),
        "an answer to an ask after the flood",
    )
    whys = {re.sub(r"in \d+ s", "in N s", e.payload["why"]) for e in site.bus.all("answer/")}
    assert whys <= {
        "too many asks by nameless clients; again in N s",
        "transmit is off: set station.callsign and station.transmit = true to send",
        "too many asks at once; try again later",
        "no message 'none' is known here",
    }
    site.hears(tnc, "afterwards")
    status = Path(f"/proc/{station.pid}/status").read_text("ascii").splitlines()
    peak_kb = next(int(line.split()[1]) for line in status if line.startswith("VmHWM"))
    assert peak_kb < 100_000

"""The broker away and back, both versions of MQTT, and no broker at all.

At least once and in order is what MQTT promises for QoS 1 (MQTT 5, 4.3.2 and 4.6), between two
programs that stay up; that it holds over the broker's absence is the station's own promise.
"""

import re
import socket

from end_to_end.world import HUB, SAG, Event, Listener, Site, number_of
from harness import missing

EMBEDDED_PORT = 1883  # IANA: mqtt


def by_first_arrival(events: list[Event]) -> list[int]:
    """The log numbers in the order in which they were first seen; a copy must be the same event."""
    seen: dict[str, Event] = {}
    for event in events:
        earlier = seen.setdefault(event.payload["id"], event)
        assert (earlier.topic, earlier.payload) == (event.topic, event.payload)
    return [event.payload["seq"] for event in seen.values()]


def logged(bus: Listener) -> list[Event]:
    """What comes from the log: everything but presence."""
    return [event for event in bus.all("") if "seq" in event.payload]


def test_nothing_is_lost_while_the_broker_is_away(site: Site) -> None:
    tnc, bus = site.tnc(), site.bus
    site.configure(tnc)
    station = site.start_up()
    message = site.send("r-1", "Water at post 2")["message"]
    _, frame = site.until(lambda: tnc.sent[:1], "the message on the air")[0]

    site.broker.stop()
    site.until(lambda: station.said("bus down"), "the station to notice")
    for number in range(50):
        tnc.heard(f"QZ1PST-{number % 9 + 1}>APZ001:>report {number}")
    tnc.heard(f"{SAG}>APZ001:" + f":{HUB}:Got it" + "{1")
    tnc.heard(f"{SAG}>APZ001::{HUB}:ack{number_of(frame)}")
    site.until(lambda: ":QZ1SAG-9 :ack1" in tnc.infos(), "an ack without a broker")
    site.until(lambda: station.said("message acknowledged"), "the message to be settled")

    site.broker.start()
    done = f"traffic/out/{message}"
    site.until(lambda: bus.find(done, state="acknowledged"), "the late news")
    texts = [event.payload["report"].get("text") for event in bus.all("heard/status")]
    assert list(dict.fromkeys(texts)) == [f"report {number}" for number in range(50)]

    assert station.stop() == 0
    last = station.said("stopped")
    assert last is not None
    # The first and the last entry, start and stop, are what presence tells.
    expected = list(range(2, last["last_entry"]))
    site.until(lambda: len(by_first_arrival(logged(bus))) >= len(expected), "all entries")
    assert by_first_arrival(logged(bus)) == expected


def test_broker_that_comes_later(site: Site) -> None:
    """At a field site things are switched on in any order."""
    tnc = site.tnc()
    site.configure(tnc)
    site.broker.stop()
    station = site.start()
    site.until(tnc.greeted, "parameters without a broker")
    tnc.heard(f"{SAG}>APZ001:" + f":{HUB}:Hello" + "{1")
    site.until(lambda: tnc.sent, "the ack without a broker")
    site.until(lambda: station.said("bus down"), "the station to say so")
    site.broker.start()
    site.until(lambda: site.bus.find("presence", online=True), "the station on the bus")
    site.until(lambda: site.bus.find("traffic/in/", text="Hello"), "the message")


def test_broker_killed_under_load(site: Site) -> None:
    """As after a power cut of the broker: what it had not acknowledged comes again, in order."""
    tnc = site.tnc()
    site.configure(tnc)
    station = site.start_up()
    site.hears(tnc, "before")
    with site.paused(site.broker_pid):  # so that everything from here on is in flight
        for number in range(60):
            tnc.heard(f"QZ1PST-1>APZ001:>under load {number}")
        tnc.heard(f"{SAG}>APZ001:" + f":{HUB}:Last" + "{1")
        site.until(lambda: tnc.sent, "the ack, after all decisions")
        site.broker.kill()
    with site.paused(station.pid):  # so that the listener is there first
        site.broker.start()
        bus = site.listen()
    site.until(lambda: bus.find("traffic/in/", text="Last"), "the last event")
    texts = [event.payload["report"].get("text") for event in bus.all("heard/status")]
    under_load = [text for text in texts if text != "before"]
    assert under_load == [f"under load {number}" for number in range(60)]
    # What this broker was to keep, and has lost, comes first: here the link.
    seqs = by_first_arrival([event for event in logged(bus) if "/link/" not in event.topic])
    assert seqs == list(range(seqs[0], seqs[0] + len(seqs)))
    assert bus.find("link/vhf", up=True)


def test_mqtt_3_1_1(site: Site) -> None:
    """mosquitto itself tells in its log which version a client speaks: p2 for 3.1.1, and p5 for the
    one that all other tests here use."""
    tnc = site.tnc()
    site.configure(tnc, bus='protocol = "3.1.1"')
    station = site.start_up()
    assert versions(site) == ["p2"]

    answer = site.send("r-1", "Water at post 2")
    _, frame = site.until(lambda: tnc.sent[:1], "the message on the air")[0]
    tnc.heard(f"{SAG}>APZ001::{HUB}:ack{number_of(frame)}")
    done = f"traffic/out/{answer['message']}"
    site.until(lambda: site.bus.find(done, state="acknowledged"), "the acknowledgement")
    station.kill()
    site.until(lambda: site.bus.find("presence", online=False, at=None), "the last will")


def versions(site: Site) -> list[str]:
    """How the station has connected so far, in the words of mosquitto's log."""
    return re.findall(rf"as ridgepost-{HUB} \((p\d), ", site.broker.log)


def test_asks_wait_for_a_station_that_is_away(site: Site) -> None:
    """The broker keeps the session of a station that was there before (MQTT 5, 3.1.2.4)."""
    tnc = site.tnc()
    site.configure(tnc)
    station = site.start_up()
    assert versions(site) == ["p5"]
    station.kill()
    site.ask("send", {"request": "r-1", "to": SAG, "text": "Water at post 2"})
    site.start_up()
    site.until(lambda: site.bus.find("answer/r-1", accepted=True), "the answer")
    site.until(lambda: tnc.sent, "the message on the air")


def test_embedded_broker(site: Site) -> None:
    """Without a broker in the settings there is one, on the port that IANA gives to MQTT."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", EMBEDDED_PORT))
        except OSError:
            missing(f"a free port {EMBEDDED_PORT} for the embedded broker")
    tnc = site.tnc()
    site.configure(tnc, broker="")
    station = site.start()
    site.until(lambda: station.said("bus up"), "the embedded broker")
    site.until(tnc.greeted, "the parameters")
    bus = site.listen(port=EMBEDDED_PORT)
    site.until(lambda: bus.find("presence", online=True), "the presence, which is retained")

    sending = site.command("send", SAG, "Water at post 2", "--wait", "--settings", site.settings)
    _, frame = site.until(lambda: tnc.sent[:1], "the message on the air")[0]
    tnc.heard(f"{SAG}>APZ001::{HUB}:ack{number_of(frame)}")
    assert sending.ended() == 0
    assert bus.find("traffic/out/", state="acknowledged")
    assert station.stop() == 0


def test_embedded_broker_leaves_though_somebody_holds_on(site: Site) -> None:
    """A connection without a word must not keep the station from stopping."""
    tnc = site.tnc()
    site.configure(tnc, broker="")
    station = site.start()
    site.until(lambda: station.said("bus up"), "the embedded broker")
    with socket.create_connection(("127.0.0.1", EMBEDDED_PORT)):
        assert station.stop() == 0


def test_second_broker_on_the_same_port_is_told(site: Site) -> None:
    """Exit with one line that says what to do, and no traceback."""
    with socket.socket() as taken:
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            taken.bind(("127.0.0.1", EMBEDDED_PORT))
        except OSError:
            missing(f"a free port {EMBEDDED_PORT} for the embedded broker")
        taken.listen()
        site.configure(broker="")
        station = site.command("run", site.settings)
        assert station.ended() == 1
    told = [line for line in station.lines if line.startswith("ridgepost: ")]
    assert len(told) == 1
    assert "bus.broker" in told[0]
    assert not any("Traceback" in line for line in station.lines)


def test_broker_that_hangs_is_noticed_as_gone(site: Site) -> None:
    """Stopped, not dead: nothing is refused and nothing answered. Everything comes afterwards."""
    tnc = site.tnc()
    site.configure(tnc)
    site.start_up()
    with site.paused(site.broker_pid):
        for number in range(30):
            tnc.heard(f"{SAG}>APZ001:" + f":{HUB}:Number {number}" + f"{{{number}")
        site.until(lambda: ":QZ1SAG-9 :ack29" in tnc.infos(), "acks while the broker hangs")
    site.until(lambda: site.bus.find("traffic/in/", text="Number 29"), "the last message")
    assert [event.payload["text"] for event in site.bus.all("traffic/in/")] == [
        f"Number {number}" for number in range(30)
    ]

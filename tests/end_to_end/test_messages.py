"""Messages out and in, through the whole program.

The far station is played with our own codec for frames; what messages look like on the air is
APRS 1.2 ch. 14.
"""

import time

from end_to_end.world import HUB, SAG, Site, number_of


def test_message_out_is_acknowledged(site: Site) -> None:
    """An ask becomes a frame, and the ack to it settles the message."""
    tnc = site.tnc()
    site.configure(tnc)
    site.start_up()
    answer = site.send("r-1", "Water at post 2")
    assert answer["accepted"]

    _, frame = site.until(lambda: tnc.sent[:1], "the message on the air")[0]
    # Colon, addressee in nine characters, colon, text, brace, number.
    assert frame.info.startswith(b":QZ1SAG-9 :Water at post 2{")
    assert (frame.source, frame.path) == (HUB, ("WIDE1-1",))

    tnc.heard(f"{SAG}>APZ001::{HUB}:ack{number_of(frame)}")
    changes = f"traffic/out/{answer['message']}"
    site.until(lambda: site.bus.find(changes, state="acknowledged"), "the acknowledgement")
    states = [event.payload["state"] for event in site.bus.all(changes)]
    assert states == ["queued", "sending", "acknowledged"]
    assert site.bus.all(changes)[1].payload["attempts"] == 1


def test_ack_of_another_number_or_station_settles_nothing(site: Site) -> None:
    """ch. 14: an ack names the message by its number, and comes from its addressee."""
    tnc = site.tnc()
    site.configure(tnc)
    site.start_up()
    answer = site.send("r-1", "Water at post 2")
    _, frame = site.until(lambda: tnc.sent[:1], "the message on the air")[0]
    number = number_of(frame)
    tnc.heard(f"QZ1PST-2>APZ001::{HUB}:ack{number}")
    tnc.heard(f"{SAG}>APZ001::{HUB}:ackZ{number}")
    tnc.heard(f"{SAG}>APZ001::QZ1HUB-11:ack{number}")
    site.hears(tnc, "after the acks")
    changes = f"traffic/out/{answer['message']}"
    assert [event.payload["state"] for event in site.bus.all(changes)] == ["queued", "sending"]


def test_message_cancelled(site: Site) -> None:
    """A cancel on the bus settles the message, and a second one is told so."""
    tnc = site.tnc()
    site.configure(tnc)
    site.start_up()
    message = site.send("r-1", "Water at post 2")["message"]
    site.ask("cancel", {"request": "r-2", "message": message})
    site.ask("cancel", {"request": "r-3", "message": message})
    refused = site.until(lambda: site.bus.find("answer/r-3"), "the second answer").payload
    cancelled = site.bus.find("answer/r-2")
    assert cancelled is not None
    assert cancelled.payload["accepted"]
    assert cancelled.payload["state"] == "cancelled"
    assert (refused["accepted"], refused["field"]) == (False, "message")
    assert "already cancelled" in refused["why"]


def test_same_request_twice_is_one_ask(site: Site) -> None:
    """At-least-once delivery brings asks twice (MQTT 5, 4.3.2): one message, the same answer."""
    tnc = site.tnc()
    site.configure(tnc)
    site.start_up()
    ask = {"request": "r-1", "to": SAG, "text": "Water at post 2"}
    for _ in range(2):
        site.ask("send", ask)
    answers = site.until(
        lambda: site.bus.all("answer/r-1")[1:] and site.bus.all("answer/r-1"), "both answers"
    )
    assert answers[0].payload["message"] == answers[1].payload["message"]
    site.hears(tnc, "afterwards")
    assert len(site.bus.all("traffic/out/", state="queued")) == 1
    assert len(tnc.sent) == 1


def test_message_in_is_shown_once_and_acknowledged(site: Site) -> None:
    """ch. 14: the addressee acknowledges. Copies by digipeaters and by the sender's own retries
    are one message to whoever reads it, and acks of one number are 30 s apart at least."""
    tnc = site.tnc()
    site.configure(tnc)
    site.start_up()
    began_s = time.monotonic()
    message = f":{HUB}:Runner 12 stops here" + "{07"
    tnc.heard(f"{SAG}>APZ001,WIDE1-1,WIDE2-1:{message}")
    _, ack = site.until(lambda: tnc.sent[:1], "the ack")[0]
    assert time.monotonic() - began_s < 1.0
    assert ack.info == b":QZ1SAG-9 :ack07"

    tnc.heard(f"{SAG}>APZ001,QZ1RDG*,WIDE2-1:{message}")
    tnc.heard(f"{SAG}>APZ001,QZ1RDG,QZ1TOP*:{message}")
    tnc.heard(f"{SAG}>APZ001,WIDE1-1,WIDE2-1:{message}")
    tnc.heard(f"{SAG}>APZ001,QZ1RDG*,WIDE2-1:{message}")
    # Another message after them, and its ack behind whatever was sent for them.
    tnc.heard(f"{SAG}>APZ001:" + f":{HUB}:Second" + "{08")
    site.until(lambda: ":QZ1SAG-9 :ack08" in tnc.infos(), "the second ack")
    site.until(lambda: site.bus.find("traffic/in/", text="Second"), "the second message")

    assert tnc.infos() == [":QZ1SAG-9 :ack07", ":QZ1SAG-9 :ack08"]
    shown = [event.payload for event in site.bus.all("traffic/in/")]
    assert [(item["source"], item["text"], item["number"]) for item in shown] == [
        (SAG, "Runner 12 stops here", "07"),
        (SAG, "Second", "08"),
    ]
    assert len(site.bus.all("heard/message")) == 2


def test_transmit_off(site: Site) -> None:
    """A station without a control operator listens: asks are refused, messages shown, and nothing
    is sent, not even an acknowledgement (common practice; the rules of most countries)."""
    tnc = site.tnc()
    site.configure(tnc, station="transmit = false")
    site.start_up()
    answer = site.send("r-1", "Water at post 2")
    assert not answer["accepted"]
    assert "transmit is off" in answer["why"]

    tnc.heard(f"{SAG}>APZ001:" + f":{HUB}:Runner 12 stops here" + "{07")
    shown = site.until(lambda: site.bus.find("traffic/in/"), "the message")
    assert shown.payload["text"] == "Runner 12 stops here"
    for mark in ("one", "two"):
        site.hears(tnc, mark)
    assert tnc.sent == []
    assert site.bus.find("traffic/ack") is None


def test_two_tncs_and_two_ports(site: Site) -> None:
    """KISS carries up to 16 ports on one line (KISS paper, from memory). A reply leaves where its
    addressee was heard: on another channel nobody would hear it."""
    vhf, uhf = site.tnc("vhf"), site.tnc("uhf")
    site.configure((vhf, "ports = [0, 1]"), uhf)
    site.start_up()
    # Parameters are per port (KISS paper): five for each of the two.
    site.until(lambda: len(vhf.commands) >= 10, "parameters of both ports")
    assert sorted({frame.port for frame in vhf.commands}) == [0, 1]

    places = {"QZ1SAG-1": (vhf, 0), "QZ1SAG-2": (vhf, 1), "QZ1SAG-3": (uhf, 0)}
    for call, (tnc, port) in places.items():
        tnc.heard(f"{call}>APZ001:" + f":{HUB}:Hello" + "{1", port)
        heard = site.until(lambda call=call: site.bus.find("heard/message", source=call), call)
        assert (heard.payload["tnc"], heard.payload["port"]) == (tnc.path.name, port)
        site.until(
            lambda call=call, tnc=tnc, port=port: [
                frame for on, frame in tnc.sent if on == port and call in str(frame.info)
            ],
            f"the ack to {call}",
        )
    assert [(port, frame.info[1:9]) for port, frame in vhf.sent] == [
        (0, b"QZ1SAG-1"),
        (1, b"QZ1SAG-2"),
    ]
    assert [(port, frame.info[1:9]) for port, frame in uhf.sent] == [(0, b"QZ1SAG-3")]

    for number, call in enumerate(places):
        site.send(f"r-{number}", f"To {call}", call)
    for call, (tnc, port) in places.items():
        on, _ = site.until(
            lambda call=call, tnc=tnc: [
                item for item in tnc.sent if f":To {call}".encode() in item[1].info
            ],
            f"the message to {call}",
        )[0]
        assert on == port


def test_receive_only_tnc(site: Site) -> None:
    """What is heard there is shown; nothing is sent there, whatever was heard."""
    vhf, hf = site.tnc("vhf"), site.tnc("hf")
    site.configure(vhf, (hf, "receive_only = true"))
    site.start_up()
    hf.heard(f"{SAG}>APZ001:" + f":{HUB}:Hello" + "{1")
    site.until(lambda: site.bus.find("traffic/in/", source=SAG), "the message")
    for mark in ("one", "two"):
        site.hears(hf, mark)
    assert hf.sent == []

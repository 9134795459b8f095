"""What a dashboard needs of the bus, from a real station over a real broker.

GeoJSON is RFC 7946; objects APRS 1.2c ch. 11; queries ch. 15; retained messages MQTT 5, 3.3.1.3.
"""

import json
from typing import Any

from end_to_end.world import HUB, SAG, Site, number_of

POSITION = "!6130.00N/14912.00W>088/036on the way"


def ask(site: Site, verb: str, request: str, **content: Any) -> dict[str, Any]:
    """Ask, and return the answer."""
    site.ask(verb, {"request": request, **content})
    found = site.until(lambda: site.bus.find(f"answer/{request}"), f"the answer to {request}")
    answer: dict[str, Any] = found.payload
    return answer


def test_places(site: Site) -> None:
    tnc = site.tnc()
    site.configure(tnc)
    site.start_up()
    tnc.heard(f"{SAG}>APZ001,QZ1RDG*:{POSITION}")
    tnc.heard("QZ1NET>APZ001:;LEADER   *092345z6131.00N/14913.00Wj")
    tnc.heard("QZ1NET>APZ001:)AID3!6132.00N/14914.00WA")
    site.hears(tnc, "one")
    found = site.until(lambda: site.bus.find(f"place/{SAG}"), "its place")
    assert found.payload["geometry"] == {"type": "Point", "coordinates": [-149.2, 61.5]}
    assert found.payload["properties"]["via"] == "QZ1RDG"

    tnc.heard("QZ1NET>APZ001:;LEADER   _092346z6131.00N/14913.00Wj")
    site.hears(tnc, "two")
    late = site.listen(f"ridgepost/{HUB}/place/#")
    site.until(lambda: late.find("place/object/AID3"), "what is retained")
    assert {event.topic.rpartition("/")[2] for event in late.events} == {SAG, "AID3"}
    assert all(event.retained for event in late.events)


def test_unread_until_it_is_read(site: Site) -> None:
    tnc = site.tnc()
    site.configure(tnc)
    station = site.start_up()
    for number in (1, 2):
        tnc.heard(f"{SAG}>APZ001::{HUB}:text {number}" + f"{{{number}")
    site.until(lambda: site.bus.find("unread", count=2), "two unread messages")
    first, second = (event.payload["message"] for event in site.bus.all("traffic/in/"))
    station.kill()
    tnc.unplug()
    tnc.plug()
    site.start_up()
    answer = ask(site, "read", "r-1", messages=[first])
    assert (answer["accepted"], answer["state"]) == (True, "read")
    site.until(
        lambda: (
            [item["message"] for item in site.bus.all("unread")[-1].payload["messages"]] == [second]
        ),
        "one unread message",
    )
    assert site.bus.find("traffic/read", messages=[first])
    refused = ask(site, "read", "r-2", messages=["no-such"])
    assert (refused["accepted"], refused["field"]) == (False, "messages")
    late = site.listen(f"ridgepost/{HUB}/unread")
    site.until(lambda: late.find("unread", count=1), "the retained state")


def test_notice_until_it_is_cleared(site: Site) -> None:
    tnc = site.tnc()
    site.configure(tnc)
    site.start_up()
    message = site.send("s-1", "Water at post 2")["message"]
    _, frame = site.until(lambda: tnc.sent[:1], "the message on the air")[0]
    ask(site, "cancel", "c-1", message=message)
    tnc.heard(f"{SAG}>APZ001::{HUB}:ack{number_of(frame)}")
    notice = site.until(lambda: site.bus.find("notice/late-ack"), "the notice").payload["notice"]
    site.until(lambda: site.bus.find("notices", count=1), "the open notice")
    assert ask(site, "clear", "r-1", notice=notice)["state"] == "cleared"
    site.until(lambda: site.bus.all("notices")[-1].payload["count"] == 0, "no open notice")


def test_state_and_list(site: Site) -> None:
    tnc = site.tnc()
    site.configure(tnc)
    station = site.start_up()
    message = site.send("s-1", "Water at post 2", precedence="PRIORITY")["message"]
    site.until(lambda: tnc.sent, "the message on the air")
    answer = ask(site, "state", "r-1", message=message)
    (standing,) = answer["outgoing"]
    assert (standing["state"], standing["attempts"]) == ("sending", 1)
    answer = ask(site, "list", "r-2")
    assert [item["message"] for item in answer["outgoing"]] == [message]
    refused = ask(site, "state", "r-3", message="no-such")
    assert (refused["accepted"], refused["field"]) == (False, "message")
    # The same request is answered anew: it changes nothing.
    site.ask("list", {"request": "r-2"})
    site.until(lambda: len(site.bus.all("answer/r-2")) == 2, "a second answer")
    assert station.stop() == 0


def test_query(site: Site) -> None:
    tnc = site.tnc()
    site.configure(tnc)
    site.start_up()
    answer = ask(site, "query", "r-1", to=SAG, query="APRSP")
    assert answer["accepted"]
    site.until(lambda: ":QZ1SAG-9 :?APRSP" in tnc.infos(), "the query on the air")
    site.until(
        lambda: site.bus.find(f"traffic/question/{answer['message']}", state="sent"), "the news"
    )
    assert ask(site, "query", "r-2", to=SAG, query="WEATHER")["field"] == "query"


def test_messages_stay_for_newcomers(site: Site) -> None:
    tnc = site.tnc()
    site.configure(tnc)
    site.start_up()
    message = site.send("s-1", "Water at post 2")["message"]
    tnc.heard(f"{SAG}>APZ001::{HUB}:Hello" + "{1")
    site.until(lambda: site.bus.find("unread", count=1), "the message in")
    late = site.listen(f"ridgepost/{HUB}/traffic/#")
    site.until(lambda: late.find(f"traffic/out/{message}"), "the message out")
    site.until(lambda: late.find("traffic/in/", text="Hello"), "the message in")


def test_commands_that_read_the_bus(site: Site) -> None:
    """From whatever machine: they know the broker and the station's name, no more. Nothing from
    the air reaches a terminal as it is (CWE-150)."""
    tnc = site.tnc()
    site.configure(tnc)
    site.start_up()
    where = ("--broker", f"mqtt://127.0.0.1:{site.broker.port}", "--station", HUB)
    tnc.heard(f"{SAG}>APZ001,QZ1RDG*:{POSITION}")
    tnc.heard("QZ1NET>APZ001:;LEADER   *092345z6131.00N/14913.00Wj")
    tnc.heard("QZ1NET>APZ001::BLN1     :Post 4 is closed, all go by the lower road" + " today" * 3)
    tnc.heard(f"{SAG}>APZ001::{HUB}:\x1b[2J two riders" + "{1")
    site.send("s-1", "Water at post 2")
    site.until(lambda: tnc.sent[1:], "ack and message")
    site.hears(tnc, "the end")

    def said(*words: str) -> list[str]:
        command = site.command(*words, *where)
        assert command.ended() == 0, command.lines
        assert all(line.isprintable() and len(line) <= 80 for line in command.lines)
        return command.lines

    leader, sag = sorted(said("heard"))
    name, what, _, _, *rest = sag.split()
    assert [name, what] == [SAG, "car"]
    assert rest == ["61.5000", "-149.2000", "67", "km/h", "via", "QZ1RDG"]
    assert leader.startswith("LEADER*    jeep")
    traffic = sorted(said("traffic"), key=lambda line: line.split()[1])
    assert [line.split()[1:4] for line in traffic] == [
        ["from", SAG, "unread"],
        ["to", SAG, "sending"],
    ]
    assert "<0x1B>[2J two riders" in traffic[0]
    bulletins = said("bulletins")
    assert bulletins[0].split()[1:5] == ["QZ1NET", "BLN1", "Post", "4"]
    assert len(bulletins) == 2, "what does not fit goes on below"
    for words, count in ((("heard",), 2), (("traffic",), 2), (("bulletins",), 1)):
        lines = site.command(*words, "--json", *where)
        assert lines.ended() == 0
        events = [json.loads(line) for line in lines.lines]
        assert len(events) == count
        assert all(event["topic"].startswith(f"ridgepost/{HUB}/") for event in events)
    nobody = site.command("heard", *where[:3], "QZ1XXX")
    assert nobody.ended() == 1
    assert "QZ1XXX" in nobody.lines[-1]


def test_contract(site: Site) -> None:
    """It needs neither station nor broker."""
    document = site.command("contract")
    assert document.ended() == 0
    assert json.loads("\n".join(document.lines))["asyncapi"] == "3.0.0"
    page = site.command("contract", "--page")
    assert page.ended() == 0
    assert "| `place/<callsign>` (retained) |" in "\n".join(page.lines)


def test_discovery(site: Site) -> None:
    """Off unless it is wanted; and nobody's answer goes among what is told there."""
    tnc = site.tnc()
    site.configure(tnc, bus='discovery = true\ndiscovery_prefix = "home"')
    site.start_up()
    tnc.heard(f"{SAG}>APZ001:{POSITION}")
    raw = site.listen("home/#")
    site.until(lambda: len(raw.events) >= 4, "what there is")
    components = sorted(event.topic.split("/")[1] for event in raw.events)
    assert components == ["binary_sensor", "device_tracker", "sensor", "sensor"]
    wish = ("-D", "publish", "response-topic", "home/sensor/x/config")
    site.ask("list", {"request": "r-1"}, *wish)
    answer = site.until(lambda: site.bus.find("answer/r-1"), "the refusal").payload
    assert (answer["accepted"], answer["field"]) == (False, "response topic")

"""`ridgepost send` and `ridgepost follow` as people run them, against a real station.

Exit statuses are those that the commands' own help promises; that text from strangers must not
reach a terminal as it is, is common practice (CWE-150).
"""

import json
import re
import signal

from end_to_end.world import HUB, SAG, Program, Site, Station, Tnc, number_of
from ridgepost.radio import ax25, kiss


def test_send_and_wait(site: Site) -> None:
    """Four messages at once, and all that can become of one: each `send` prints the states and ends
    with the status of the outcome (rejection: APRS 1.2 ch. 14)."""
    tnc = site.tnc()
    site.configure(tnc)
    site.start_up()
    outcomes = {"acknowledged": 0, "rejected": 3, "expired": 4, "cancelled": 5}
    calls = {outcome: f"QZ1SAG-{number}" for number, outcome in enumerate(outcomes, start=1)}
    commands = {}
    for outcome, call in calls.items():
        words = ["send", call.lower(), f"To be {outcome}", "--wait", "--settings", site.settings]
        lifetime = ["--lifetime", "1"] if outcome == "expired" else []
        commands[outcome] = site.command(*words, *lifetime)
    frames = {
        outcome: site.until(
            lambda outcome=outcome: [
                frame for _, frame in tnc.sent if f"To be {outcome}" in frame.info.decode()
            ],
            f"the message to be {outcome}",
        )[0]
        for outcome in outcomes
    }
    for command in commands.values():
        site.until(
            lambda command=command: any("sending (1)" in line for line in command.lines),
            "the states",
        )
    for outcome, word in (("acknowledged", "ack"), ("rejected", "rej")):
        tnc.heard(f"{calls[outcome]}>APZ001::{HUB}:{word}{number_of(frames[outcome])}")
    to = calls["cancelled"]
    queued = site.until(lambda: site.bus.find("traffic/out/", to=to), "the message's name")
    site.ask("cancel", {"request": "c-1", "message": queued.payload["message"]})

    for outcome, command in commands.items():
        assert command.ended() == outcomes[outcome], command.lines
        said = "\n".join(command.lines)
        assert "accepted as " in said
        states = re.findall(r"^\d\d:\d\d:\d\d  (\w+)", said, re.MULTILINE)
        assert states == ["queued", "sending", outcome]


def test_send_refused_and_nobody_there(site: Site) -> None:
    """Status 1 in all cases, with one line that says why."""
    tnc = site.tnc()
    site.configure(tnc, station="transmit = false")
    station = site.start_up()
    words = ("send", SAG, "Water at post 2", "--settings", site.settings)
    refused = site.command(*words, "--wait")
    assert refused.ended() == 1
    assert "transmit is off" in refused.lines[-1]

    assert station.stop() == 0
    nobody = site.command(*words)
    at_no_broker = ("--broker", "mqtt://127.0.0.1:1", "--station", HUB)
    no_broker = site.command("send", SAG, "Water at post 2", *at_no_broker)
    assert nobody.ended() == 1
    assert HUB in nobody.lines[-1]
    assert no_broker.ended() == 1
    assert "127.0.0.1:1" in no_broker.lines[-1]
    for command in (refused, nobody, no_broker):
        assert not any("Traceback" in line for line in command.lines)
        assert len([line for line in command.lines if line.startswith("ridgepost:")]) == 1


def following(site: Site, *options: str) -> Program:
    """A `follow` that has shown the station's presence."""
    command = site.command("follow", *options, "--settings", site.settings)
    site.until(lambda: any("online" in line for line in command.lines), "its first line")
    return command


def noisy_air(site: Site, tnc: Tnc) -> None:
    """Everything that a terminal might obey, in a message and in a bulletin."""
    for info in (
        b":QZ1HUB-10:\x1b[2J\x1b]0;owned\x07 \xe2\x80\xae\xc2\x9b31m done" + b"{a",
        b":BLN1     :\x1b[31mred\r\nfake line",
    ):
        tnc.raw(kiss.frame(0, kiss.DATA, ax25.encode(ax25.Frame(SAG, "APZ001", info=info))))
    site.hears(tnc, "end of noise")


def test_follow(site: Site) -> None:
    tnc = site.tnc()
    site.configure(tnc)
    station: Station = site.start_up()
    command = following(site)
    tnc.heard(f"{SAG}>APZ001,QZ1RDG*:!6130.00N/14912.00W>on the way")
    noisy_air(site, tnc)
    sending = site.command("send", SAG, "Water at post 2", "--settings", site.settings)
    assert sending.ended() == 0  # accepted, and not waited for
    assert "accepted as " in sending.lines[-1]
    site.until(lambda: any("Water at post 2" in line for line in command.lines), "all lines")
    said = "\n".join(command.lines)
    assert "at 61.5000 -149.2000 on the way (via QZ1RDG)" in said
    # Shown, but as names of characters; every character that is left is printable.
    assert "<0x1B>[2J" in said
    assert "<U+202E>" in said
    assert all(line.isprintable() for line in command.lines)
    assert not any(line.startswith("fake line") for line in command.lines)

    assert station.stop() == 0
    site.until(lambda: any("offline" in line for line in command.lines), "the end of the station")
    command.signal(signal.SIGINT)
    assert command.ended() == 0


def test_follow_json(site: Site) -> None:
    """One JSON object a line: topic and payload as they are on the bus."""
    tnc = site.tnc()
    site.configure(tnc)
    site.start_up()
    command = site.command("follow", "--json", "--settings", site.settings)
    site.until(lambda: any("presence" in line for line in command.lines), "its first line")
    noisy_air(site, tnc)
    site.until(lambda: any("end of noise" in line for line in command.lines), "all lines")
    lines = [line for line in command.lines if not line.startswith("ridgepost: ")]
    events = [json.loads(line) for line in lines]
    assert all(line.isprintable() for line in lines)
    (message,) = [event for event in events if "/traffic/in/" in event["topic"]]
    (on_bus,) = site.bus.all("traffic/in/")
    assert message == {"topic": on_bus.topic, "payload": on_bus.payload}
    assert "\x1b[2J" in message["payload"]["text"]


def test_follow_survives_the_broker(site: Site) -> None:
    tnc = site.tnc()
    site.configure(tnc)
    site.start_up()
    command = following(site)
    site.broker.stop()
    site.until(
        lambda: [line for line in command.lines if "no connection" in line], "a word about it"
    )
    site.broker.start()
    site.until(lambda: len([line for line in command.lines if "online" in line]) > 1, "more lines")


def test_roster(site: Site) -> None:
    """Who takes part: listed beside the settings, checked in and out, heard, and shown."""
    tnc = site.tnc()
    site.configure(tnc, more='[roster]\nfile = "event.csv"\n')
    event = "callsign,tactical,role,interval_s\nQZ1MED,AID1,medic,300\n"
    (site.settings.parent / "event.csv").write_text(event, encoding="utf-8")
    site.start_up()

    def run(*words: str) -> Program:
        command = site.command(*words, "--settings", site.settings)
        command.ended()
        return command

    assert run("checkin", SAG.lower(), "relay", "driver", "--as", "sag1").ended() == 0
    refused = run("checkin", "QZ1NEW", "--as", "AID1")
    assert refused.ended() == 1
    tnc.heard(f"{SAG}>APZ001,QZ1RDG*:!6130.00N/14912.00W>090/027")
    site.until(lambda: site.bus.find(f"roster/{SAG}", state="heard"), "the station to be heard")
    shown = run("roster")
    assert shown.ended() == 0
    rows = [re.sub(r"\d+ s", "N s", re.sub(r" +", " ", line)).strip() for line in shown.lines]
    assert rows == [
        "AID1 QZ1MED medic expected N s on the roster",
        f"SAG1 {SAG} relay driver heard N s heard via QZ1RDG",
        "61.5000 -149.2000, 50 km/h, N s ago, via QZ1RDG",
    ]
    assert all(len(line) <= 80 for line in shown.lines)
    assert run("checkout", "sag1").ended() == 0
    assert run("checkout", "sag1").ended() == 1
    as_json = [json.loads(line) for line in run("roster", "--json").lines]
    assert [row["payload"]["callsign"] for row in as_json] == ["QZ1MED"]

"""`ridgepost send` to a real station over a real broker; the addressee is played by the test.

What is on the air is as APRS 1.2c ch. 14 has it; the exit statuses are the project's own promise.
"""

import asyncio
import json
import re
import signal
import subprocess
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import aiomqtt
import msgspec
import pytest

from cli.commands import (
    BOUND_S,
    Process,
    Tnc,
    invoke,
    one_line,
    ridgepost,
    running,
    write_station,
)
from cli.conftest import Site
from harness import Broker, free_port
from ridgepost.bus.payloads import OutboundPayload, PresencePayload
from ridgepost.cli import asking
from ridgepost.station.records import Precedence, State

ANSWER = {"ack": b"ack", "rej": b"rej"}


# Each test has an addressee of its own: a station sends one message at a time to each.


def number_of(frame: str) -> bytes:
    """The number of a message, as its acknowledgement repeats it (APRS 1.2c ch. 14)."""
    number = re.search(r"\{(\w\w)", frame)
    assert number is not None
    return number[1].encode()


@contextmanager
def addressee(site: Site, source: str, text: str, answer: str) -> Iterator[None]:
    """The station `source` answers the message `text`, once."""

    def work() -> None:
        number = number_of(site.tnc.wait_for(text))
        site.tnc.hear(source, b":QZ1HUB-10:" + ANSWER[answer] + number)

    thread = threading.Thread(target=work)
    thread.start()
    yield
    thread.join()


def publish(broker: Broker, topic: str, payload: bytes, *, retain: bool = False) -> None:
    publish_all(broker, [(topic, payload)], retain=retain)


def publish_all(
    broker: Broker, messages: Iterable[tuple[str, bytes]], *, retain: bool = False
) -> None:
    async def publishing() -> None:
        async with aiomqtt.Client("127.0.0.1", broker.port) as client:
            for topic, payload in messages:
                await client.publish(topic, payload, qos=1, retain=retain)

    asyncio.run(publishing())


# --- how it goes ----------------------------------------------------------------------------------


def test_accepted(site: Site) -> None:
    done = ridgepost("send", "QZ1AAA-9", "one rider down", "--settings", str(site.settings))
    assert (done.returncode, done.stderr) == (0, "")
    assert re.fullmatch(r"accepted as [0-9a-f]+\.\d+\.\d+\n", done.stdout)
    assert ":QZ1AAA-9 :one rider down{" in site.tnc.wait_for("one rider down")


def test_acknowledged(site: Site) -> None:
    with addressee(site, "QZ1BBB", "come in please", "ack"):
        done = invoke("send", "QZ1BBB", "come in please", "--wait", *site.options)
    assert (done.returncode, done.stderr) == (0, "")
    first, *changes = done.stdout.splitlines()
    assert first.startswith("accepted as ")
    assert all(re.match(r"\d\d:\d\d:\d\d  \w", change) for change in changes)
    assert [change.split()[1] for change in changes] == ["queued", "sending", "acknowledged"]


def test_rejected(site: Site) -> None:
    with addressee(site, "QZ1CCC", "not for you", "rej"):
        done = invoke("send", "QZ1CCC", "not for you", "--wait", *site.options)
    assert done.returncode == 3
    assert done.stdout.splitlines()[-1].split()[1] == "rejected"


def test_expired(site: Site) -> None:
    done = invoke("send", "QZ1DDD", "anybody", "--wait", "--lifetime", "1", *site.options)
    assert done.returncode == 4
    assert done.stdout.splitlines()[-1].split()[1] == "expired"


def test_cancelled_and_told_what_is_waited_for(site: Site) -> None:
    with running("send", "QZ1EEE", "no hurry", "--wait", *site.options) as process:
        process.wait_for("sending (1)")
        process.wait_for("waiting for QZ1EEE to acknowledge (sending): 2 s")
        key = process.output.split("\n")[0].removeprefix("accepted as ")
        publish(
            site.broker,
            "ridgepost/QZ1HUB-10/ask/cancel",
            json.dumps({"request": "cancel-1", "message": key}).encode(),
        )
        process.wait_for("cancelled")
        assert process.process.wait(BOUND_S) == 5


@pytest.mark.parametrize(
    ("to", "words"),
    [
        ("qz1fff-9", ["water at post 4"]),  # small letters
        ("Qz1Ggg-9", ["water", "at", "post", "4"]),  # no quotes
    ],
)
def test_as_people_type(site: Site, to: str, words: list[str]) -> None:
    with addressee(site, to.upper(), f":{to.upper()} :water at post 4{{", "ack"):
        done = invoke("send", to, *words, "--wait", *site.options)
    assert done.returncode == 0


def test_a_station_named_in_small_letters(site: Site) -> None:
    done = invoke("send", "QZ1HHH", "hi", "--broker", site.url, "--station", "qz1hub-10")
    assert done.returncode == 0


def test_either_option_replaces_its_part_of_the_settings(site: Site) -> None:
    both = ("--settings", str(site.settings))
    for option in (("--broker", site.url), ("--station", "QZ1HUB-10")):
        assert invoke("send", "QZ1III", "hi", *both, *option).returncode == 0
    done = invoke("send", "QZ1III", "hi", *both, "--broker", f"mqtt://127.0.0.1:{free_port()}")
    assert (done.returncode, done.stdout) == (1, "")


def test_precedence_and_lifetime_reach_the_station(site: Site) -> None:
    with running("follow", "--json", *site.options) as follow:
        follow.wait_for("following")
        done = invoke(
            *("send", "QZ1JJJ", "urgent", "--precedence", "Priority"),
            *("--lifetime", "600.5", *site.options),
        )
        assert done.returncode == 0
        follow.wait_for('"precedence":"PRIORITY"')
        lines = follow.wait_for('"state":"sending"').splitlines()
    changes = [json.loads(line)["payload"] for line in lines if "/traffic/out/" in line]
    (queued,) = [c for c in changes if c["text"] == "urgent" and c["state"] == "queued"]
    assert queued["expires_in_s"] == 600.5


LONG = (
    "Bib 214 has a twisted knee at the creek below post 4, can walk with help, two people are "
    "with him"
)


def test_a_long_text_until_all_of_it_is_acknowledged(site: Site) -> None:
    with running("send", "QZ1MMM", LONG, "--wait", *site.options) as process:
        process.wait_for("sending (1)  part 1/2")
        assert re.match(r"accepted as [0-9a-f]+\.\d+\.\d+ in 2 parts\n", process.output)
        for part in ("(1/2) Bib 214", "(2/2) walk"):
            number = number_of(site.tnc.wait_for(part))
            site.tnc.hear("QZ1MMM", b":QZ1HUB-10:ack" + number)
        assert process.process.wait(BOUND_S) == 0
        process.wait_for("acknowledged (1)  part 2/2")


def test_a_long_text_of_which_a_part_is_rejected(site: Site) -> None:
    with running("send", "QZ1NNN", LONG, "--wait", *site.options) as process:
        for part, answer in (("(1/2) Bib 214", b"rej"), ("(2/2) walk", b"ack")):
            wanted = f":{'QZ1NNN':9}:{part}"
            number = number_of(site.tnc.wait_for(wanted))
            site.tnc.hear("QZ1NNN", b":QZ1HUB-10:" + answer + number)
        assert process.process.wait(BOUND_S) == 3


TACTICAL = '[tactical]\nAID3 = "QZ1OOO-3"\n"FIN/LINE" = "QZ1PPP"\n'


def test_tactical_calls_of_the_settings(mosquitto: Broker, tmp_path: Path) -> None:
    with Tnc() as tnc:
        settings = write_station(tmp_path, tnc.url, mosquitto, TACTICAL)
        with running("run", str(settings)) as station:
            tnc.wait_for_host()
            station.wait_for("bus up")
            for typed, callsign in (("aid3", "QZ1OOO-3"), ("fin/line", "QZ1PPP")):
                done = invoke("send", typed, "hi", "--settings", str(settings))
                assert done.returncode == 0, done.stderr
                assert done.stdout.endswith(f", to {callsign}\n")
                assert f":{callsign:9}:hi{{" in tnc.wait_for(f":{callsign:9}:")
    assert (
        invoke("send", "fin/line", "hi", "--broker", "mqtt://h", "--station", "X").returncode == 2
    )


# --- refused --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ([], "missing argument 'TO'"),
        (["QZ1SAG"], "missing argument 'TEXT...'"),
        (["", "hi"], "the callsign is empty"),
        (["QZ1SAG-16", "hi"], "not a number from 0 to 15"),
        (["QZ1SAGSAG", "hi"], "longer than 6 characters"),
        (["QZ1 SAG", "hi"], "holds more than capital letters and digits"),
        (["\x1b[2J", "hi"], "holds more than capital letters and digits"),
        # APRS 1.2c ch. 14: 67 characters at most, of which the parts of a long text have 61.
        (["QZ1SAG", "x" * 550], "550 characters, at most 549 may be sent"),
        (["QZ1SAG", "x" * 100_000], "at most 549 may be sent"),
        (["QZ1SAG", "hi", "--lifetime", "0"], "expected 1 to 86400 seconds"),
        (["QZ1SAG", "hi", "--lifetime", "-5"], "expected 1 to 86400 seconds"),
        (["QZ1SAG", "hi", "--lifetime", "86401"], "expected 1 to 86400 seconds"),
        (["QZ1SAG", "hi", "--lifetime", "nan"], "expected 1 to 86400 seconds"),
        (["QZ1SAG", "hi", "--lifetime", "inf"], "expected 1 to 86400 seconds"),
        (["QZ1SAG", "hi", "--lifetime", "2h"], "expected 1 to 86400 seconds"),
        (["QZ1SAG", "hi", "--lifetime", "9" * 5000], "expected 1 to 86400 seconds"),
        (["QZ1SAG", "hi", "--lifetime", ""], "expected 1 to 86400 seconds"),
        (["QZ1SAG", "hi", "--precedence", "high"], "'high' is not one of 'emergency', 'priority'"),
        (["QZ1SAG", "hi", "--broker", "h", "--station", "x"], "expected mqtt://HOST:PORT"),
        (["QZ1SAG", "hi", "--broker", "mqtt://me:hunter2@h", "--station", "x"], "no user name"),
        (["QZ1SAG", "hi", "--broker", "mqtt://h", "--station", "a/b"], "expected 1 to 32 letters"),
        (["QZ1SAG", "hi", "--broker", "mqtt://h", "--station", "#"], "expected 1 to 32 letters"),
        (["QZ1SAG", "hi", "--broker", "mqtt://h", "--station", ""], "expected 1 to 32 letters"),
    ],
    ids=lambda value: " ".join(value)[:40] if isinstance(value, list) else None,
)
def test_bad_input(arguments: list[str], told: str) -> None:
    result = invoke("send", *arguments)
    assert (result.returncode, result.stdout) == (2, "")
    line = one_line(result.stderr)
    assert told in line
    assert line.isprintable()
    assert "hunter2" not in line
    assert len(line) < 200


@pytest.mark.parametrize(
    ("to", "text", "told"),
    [
        # APRS 1.2c ch. 14: these characters belong to the protocol.
        ("QZ1SAG", "brace {", "refused: text: "),
        ("QZ1SAG", "a\nb", "refused: text: "),
        ("QZ1HUB-10", "to myself", "refused: to: this is the station's own callsign"),
    ],
)
def test_what_the_station_refuses(site: Site, to: str, text: str, told: str) -> None:
    done = invoke("send", to, text, *site.options)
    assert (done.returncode, done.stdout) == (1, "")
    assert one_line(done.stderr).startswith(told)


def test_no_broker() -> None:
    port = free_port()
    done = invoke(
        *("send", "QZ1SAG", "hi", "--broker", f"mqtt://127.0.0.1:{port}", "--station", "X")
    )
    assert (done.returncode, done.stdout) == (1, "")
    line = one_line(done.stderr)
    assert line.startswith(f"no connection to the broker at 127.0.0.1:{port}: connection refused")


def test_no_such_station_and_which_there_are(site: Site) -> None:
    done = invoke("send", "QZ1SAG", "lost", "--broker", site.url, "--station", "QZ1HUT")
    assert (done.returncode, done.stdout) == (1, "")
    waiting, line = done.stderr.splitlines()
    assert waiting == "waiting for the presence of QZ1HUT: 2 s"
    assert line == ("ridgepost: no station QZ1HUT on this broker: the stations there are QZ1HUB-10")


def test_a_station_that_has_stopped_gets_nothing_to_send_later(own_site: Site) -> None:
    """The broker would keep the ask for it, and the message would go out when it comes back."""
    assert own_site.process.end(signal.SIGTERM) == 0
    done = invoke("send", "QZ1SAG", "too late", *own_site.options)
    assert (done.returncode, done.stdout) == (1, "")
    assert one_line(done.stderr).startswith("station QZ1HUB-10 is not running")
    with running("run", str(own_site.settings)) as process:
        process.wait_for("bus up")
        # What the broker kept would be there before this is.
        assert invoke("send", "QZ1SAG", "in time", *own_site.options).returncode == 0
        own_site.tnc.wait_for("in time")
    assert not [frame for frame in own_site.tnc.transmitted if "too late" in frame]


def presence(*, online: bool) -> bytes:
    return msgspec.json.encode(
        PresencePayload(
            online=online, at=None, since="", version="1", callsign="QZ1HUB", transmit=True
        )
    )


def test_a_station_that_does_not_answer(mosquitto: Broker, monkeypatch: pytest.MonkeyPatch) -> None:
    publish(mosquitto, "ridgepost/QZ1HUB/presence", presence(online=True), retain=True)
    monkeypatch.setattr(asking, "ANSWER_TIMEOUT_S", 0.1)
    result = invoke(
        *("send", "QZ1SAG", "hi", "--broker", f"mqtt://127.0.0.1:{mosquitto.port}"),
        *("--station", "QZ1HUB"),
    )
    assert (result.returncode, result.stdout) == (6, "")
    line = one_line(result.stderr)
    assert line.startswith("no answer")
    assert "the station may have taken the message" in line, "honest about what is not known"


# --- while it waits -------------------------------------------------------------------------------


@contextmanager
def waiting_for_ack(site: Site, to: str, text: str) -> Iterator[Process]:
    with running("send", to, text, "--wait", *site.options) as process:
        process.wait_for("sending (1)")
        yield process


def test_the_broker_goes(own_site: Site) -> None:
    with waiting_for_ack(own_site, "QZ1SAG", "lost contact") as process:
        own_site.broker.kill()
        process.wait_for("ridgepost: lost the broker")
        assert process.process.wait(BOUND_S) == 6
    assert "the message stays with the station" in process.output
    assert "Traceback" not in process.output


def test_the_station_goes_and_comes_back(own_site: Site) -> None:
    with waiting_for_ack(own_site, "QZ1SAG", "come back") as process:
        number = number_of(own_site.tnc.wait_for("come back"))
        assert own_site.process.end(signal.SIGTERM) == 0
        process.wait_for("the station has stopped; the message waits until it runs again")
        with running("run", str(own_site.settings)):
            own_site.tnc.hear("QZ1SAG", b":QZ1HUB-10:ack" + number)
            process.wait_for("acknowledged")
        assert process.process.wait(BOUND_S) == 0


def test_ctrl_c(site: Site) -> None:
    with waiting_for_ack(site, "QZ1KKK", "never mind") as process:
        assert process.end(signal.SIGINT) == 130
    assert process.output.splitlines()[-1] == (
        "ridgepost: stopped waiting; the message stays with the station"
    )


def garbage(key: str) -> Iterator[tuple[str, bytes]]:
    """What anybody may publish below the station's name while somebody waits for a message."""
    for payload in (
        *(b"", b"x", b"\xff", b"[" * 50_000, b"{}", b"[]", b"null", b"1" * 100_000),
        json.dumps({"message": key, "state": "acknowledged"}).encode(),
        json.dumps({"message": key, "state": "exploded", "why": "x", "at": "x"}).encode(),
        json.dumps({"online": "no"}).encode(),
    ):
        for topic in ("presence", f"traffic/out/{key}", "traffic/out/x", "traffic/out/x/y"):
            yield f"ridgepost/QZ1HUB-10/{topic}", payload


def test_what_others_publish_is_not_believed(site: Site) -> None:
    with waiting_for_ack(site, "QZ1LLL", "patience") as process:
        key = process.output.split("\n")[0].removeprefix("accepted as ")
        publish_all(site.broker, garbage(key))
        number = number_of(site.tnc.wait_for("patience"))
        site.tnc.hear("QZ1LLL", b":QZ1HUB-10:ack" + number)
        process.wait_for("acknowledged")
        assert process.process.wait(BOUND_S) == 0
    changes = [line for line in process.output.splitlines() if not line.startswith("waiting for")]
    # Not `acknowledged` before it was: the loosest of the payloads said so.
    assert changes[1].split()[1] == "queued"
    assert changes[-1].split()[1] == "acknowledged"
    assert {line.split()[1] for line in changes[2:-1]} == {"sending"}


def test_evil_texts_of_a_station_are_escaped(
    mosquitto: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A station of somebody else on a shared broker, or whoever plays one."""
    evil = "\x1b[2J\u202e\n"
    done: list[subprocess.CompletedProcess[str]] = []

    async def play(respond: Callable[[dict[str, Any]], list[tuple[str, Any]]]) -> None:
        async with aiomqtt.Client("127.0.0.1", mosquitto.port) as client:
            await client.subscribe("ridgepost/X/ask/send", qos=1)
            await client.publish("ridgepost/X/presence", presence(online=True), 1, True)
            user = threading.Thread(
                target=lambda: done.append(
                    ridgepost(
                        *("send", "QZ1SAG", "hi", "--wait", "--station", "X"),
                        *("--broker", f"mqtt://127.0.0.1:{mosquitto.port}"),
                    )
                )
            )
            user.start()
            ask = await anext(client.messages)
            assert isinstance(ask.payload, bytes)
            for topic, payload in respond(json.loads(ask.payload)):
                await client.publish(f"ridgepost/X/{topic}", json.dumps(payload), 1)
            await asyncio.to_thread(user.join)

    def refuse(ask: dict[str, Any]) -> list[tuple[str, Any]]:
        refusal = {"verb": "send", "accepted": False, "field": evil, "why": evil}
        return [(f"answer/{ask['request']}", refusal)]

    def accept(ask: dict[str, Any]) -> list[tuple[str, Any]]:
        change = OutboundPayload(
            id=evil,
            seq=1,
            at=evil * 9,
            clock_trusted=True,
            message=evil,
            to=evil,
            text=evil,
            number=evil,
            precedence=Precedence.ROUTINE,
            state=State.ACKNOWLEDGED,
            why=evil,
            attempts=1,
            expires_in_s=1.0,
            next_try_s=None,
            sent=None,
            tnc=None,
            port=None,
        )
        answer = {"verb": "send", "accepted": True, "message": evil}
        return [
            (f"answer/{ask['request']}", answer),
            ("traffic/out/x", msgspec.to_builtins(change)),
        ]

    for respond, status in ((refuse, 1), (accept, 0)):
        asyncio.run(play(respond))
        shown = done[-1].stdout + done[-1].stderr
        assert done[-1].returncode == status, shown
        assert "<0x1B>[2J<U+202E><0x0A>" in shown
        assert shown.replace("\n", "").isprintable()

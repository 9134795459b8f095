"""`ridgepost follow` on a real station's bus."""

import asyncio
import json
import os
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path

import aiomqtt
import pytest

from cli.commands import (
    BOUND_S,
    Process,
    command_line,
    environment,
    invoke,
    one_line,
    ridgepost,
    running,
)
from cli.conftest import Site
from harness import Broker, free_port, require_tool


@pytest.fixture
def follow(site: Site) -> Iterator[Process]:
    with running("follow", "--settings", str(site.settings)) as process:
        process.wait_for("online\n")
        yield process


def lines(process: Process) -> list[str]:
    return [line for line in process.output.splitlines() if not line.startswith("ridgepost:")]


def test_what_happens_is_shown_and_ctrl_c_ends_it(site: Site, follow: Process) -> None:
    site.tnc.hear("QZ1SAG-9", b":QZ1HUB-10:water at post 4{7", ("QZ1DIG", "WIDE2-1"))
    follow.wait_for("number 7 acknowledged")
    assert follow.end(signal.SIGINT) == 0
    assert follow.output.splitlines()[0] == (
        f"ridgepost: following QZ1HUB-10 on 127.0.0.1:{site.broker.port}, Ctrl-C ends it"
    )
    shown = [line[10:] for line in lines(follow)]
    for line in (
        "station   QZ1HUB-10  online",
        "tnc       vhf        up",
        "heard     QZ1SAG-9   to QZ1HUB-10 #7: water at post 4",
        'message   QZ1SAG-9   "water at post 4"',
        "ack       QZ1SAG-9   number 7 acknowledged",
    ):
        assert line in shown


def test_text_from_the_air_is_escaped(site: Site, follow: Process) -> None:
    evil = b"\x1b[2J\x1b]0;x\x07\xc2\x9b\xe2\x80\xae"
    site.tnc.hear("QZ1BAD", b">" + evil)
    site.tnc.hear("QZ1BAD", b"!6130.00N/14912.00W>" + evil)
    site.tnc.hear("QZ1BAD", b":QZ1HUB-10:" + evil)
    site.tnc.hear("QZ1BAD", b":BLN1     :" + evil)
    site.tnc.hear("QZ1BAD", b"\x1b[2J")
    site.tnc.hear("QZ1BAD", b">the end")
    follow.wait_for("the end")
    assert "<0x1B>[2J<0x1B>]0;x<0x07><0x9B><U+202E>" in follow.output
    assert follow.output.replace("\n", "").isprintable()


def test_json_is_one_printable_object_a_line(site: Site) -> None:
    with running("follow", "--json", *site.options) as process:
        process.wait_for('"topic":"ridgepost/QZ1HUB-10/presence"')
        site.tnc.hear("QZ1BAD", ">Grüße \x7f\x9b\u202e".encode())
        process.wait_for("\\u009b")
        site.tnc.hear("QZ1BAD", b">and after it")
        process.wait_for("and after it")
        assert process.end(signal.SIGINT) == 0
    found = [json.loads(line) for line in lines(process)]
    (heard,) = [entry for entry in found if "Grüße" in json.dumps(entry, ensure_ascii=False)]
    assert heard["topic"] == "ridgepost/QZ1HUB-10/heard/status"
    assert heard["payload"]["report"]["text"] == "Grüße \x7f\x9b\u202e"
    assert process.output.replace("\n", "").isascii()
    assert process.output.replace("\n", "").isprintable()


def test_what_others_publish_is_passed_over(site: Site, follow: Process) -> None:
    async def publish() -> None:
        async with aiomqtt.Client("127.0.0.1", site.broker.port) as client:
            for topic in ("heard/position", "traffic/in/x", "presence", "x", "link/vhf", "a/b/c/d"):
                for payload in (
                    *(b"", b"x", b"\xff", b"[" * 50_000, b"{}", b"[]", b"null", b"1" * 200_000),
                    *(b'{"at": 5}', b'{"source": "\\u001b[2J"}'),
                ):
                    await client.publish(f"ridgepost/QZ1HUB-10/{topic}", payload, qos=1)

    site.tnc.hear("QZ1SAG", b">before")
    before = len(follow.wait_for("before").splitlines())
    asyncio.run(publish())
    site.tnc.hear("QZ1SAG", b">still here")
    assert len(follow.wait_for("still here").splitlines()) == before + 1
    assert "Traceback" not in follow.output


def test_a_broker_that_goes_away_is_tried_again(own_site: Site) -> None:
    with running("follow", *own_site.options) as process:
        process.wait_for("online")
        own_site.broker.stop()
        process.wait_for("ridgepost: no connection to the broker at 127.0.0.1:")
        process.wait_for("again in ")
        own_site.broker.start()
        process.wait_for("ridgepost: following QZ1HUB-10", times=2)
        own_site.tnc.hear("QZ1SAG", b">after all")
        process.wait_for("after all")
        assert process.end(signal.SIGINT) == 0
    assert "Traceback" not in process.output


def test_a_station_that_stops_is_shown(own_site: Site) -> None:
    with running("follow", *own_site.options) as process:
        process.wait_for("online")
        own_site.process.process.kill()
        # The broker publishes the last will: MQTT 3.1.1, 3.1.2.5.
        process.wait_for("station   QZ1HUB-10  offline")


def test_no_such_station_and_which_there_are(site: Site) -> None:
    with running("follow", "--broker", site.url, "--station", "QZ1HUT") as process:
        process.wait_for(
            "ridgepost: no station QZ1HUT on this broker yet: the stations there are QZ1HUB-10\n"
        )
        assert process.end(signal.SIGINT) == 0


def test_a_reader_that_goes_away_ends_it(site: Site) -> None:
    """As in `ridgepost follow | head -1`."""
    reader, writer = os.pipe()
    process = subprocess.Popen(
        command_line("follow", *site.options),
        stdout=writer,
        stderr=subprocess.PIPE,
        env=environment(),
    )
    os.close(writer)
    try:
        assert os.read(reader, 1)
        os.close(reader)
        site.tnc.hear("QZ1SAG", b">nobody reads this")
        _, errors = process.communicate(timeout=BOUND_S)
    finally:
        process.kill()
        process.communicate()
    assert process.returncode == 141  # 128 and SIGPIPE: as a shell tells it
    assert [line for line in errors.decode().splitlines() if "following" not in line] == []


# --- bad input ------------------------------------------------------------------------------------


def test_no_broker() -> None:
    done = invoke("follow", "--broker", f"mqtt://127.0.0.1:{free_port()}", "--station", "X")
    assert (done.returncode, done.stdout) == (1, "")
    assert "connection refused" in one_line(done.stderr)


def test_a_broker_that_does_not_answer_is_waited_for_with_a_word() -> None:
    import socket

    with socket.create_server(("127.0.0.1", 0)) as silent:
        url = f"mqtt://127.0.0.1:{silent.getsockname()[1]}"
        with running("follow", "--broker", url, "--station", "X") as process:
            process.wait_for("waiting for the broker at 127.0.0.1:")
            assert process.end(signal.SIGINT) == 0


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--broker", "h", "--station", "x"], "expected mqtt://HOST:PORT"),
        (["--broker", "mqtt://u:hunter2@h", "--station", "x"], "no user name or password"),
        (["--broker", "mqtt://h", "--station", "a+b"], "expected 1 to 32 letters"),
        (["--broker", "mqtt://h", "--station", "\x1b[2J"], "expected 1 to 32 letters"),
    ],
)
def test_bad_input(arguments: list[str], told: str) -> None:
    result = invoke("follow", *arguments)
    assert (result.returncode, result.stdout) == (2, "")
    line = one_line(result.stderr)
    assert told in line
    assert line.isprintable()
    assert "hunter2" not in line


def test_a_refused_login_is_not_tried_for_ever(tmp_path: Path) -> None:
    broker = Broker(require_tool("mosquitto"), tmp_path, "allow_anonymous false\n")
    broker.start()
    try:
        done = ridgepost(
            *("follow", "--broker", f"mqtt://127.0.0.1:{broker.port}", "--station", "X")
        )
    finally:
        broker.kill()
    assert done.returncode == 1
    assert "it refuses this login" in one_line(done.stderr)

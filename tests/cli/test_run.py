"""`ridgepost run`: how it starts, what it says, and how it ends."""

import asyncio
import contextlib
import json
import os
import signal
import subprocess
from pathlib import Path
from typing import cast

import aiomqtt
import pytest
import structlog

from cli.commands import (
    BOUND_S,
    Tnc,
    command_line,
    environment,
    one_line,
    ridgepost,
    running,
    unprivileged,
    write_station,
)
from cli.conftest import Site
from harness import Broker, free_port, require_tool
from ridgepost.cli import run
from ridgepost.service import Service


def log(output: str) -> list[dict[str, object]]:
    return [json.loads(line) for line in output.splitlines()]


@pytest.mark.parametrize("ending", [signal.SIGTERM, signal.SIGINT])
def test_it_runs_until_it_is_told_to_stop(
    mosquitto: Broker, tmp_path: Path, ending: signal.Signals
) -> None:
    with Tnc() as tnc:
        path = write_station(tmp_path, tnc.url, mosquitto)
        with running("run", str(path)) as process:
            process.wait_for("bus up")
            process.wait_for("TNC up")
            assert process.end(ending) == 0
    entries = log(process.output)
    assert entries[0]["event"] == "starting"
    assert entries[0]["settings"] == str(path)
    assert entries[-1]["event"] == "stopped"
    (stopping,) = [entry for entry in entries if entry["event"] == "stopping"]
    assert stopping["reason"] == ending.name
    assert [entry for entry in entries if entry["level"] == "error"] == []


def test_who_transmits_is_cautioned_and_who_listens_is_not(
    mosquitto: Broker, tmp_path: Path
) -> None:
    with Tnc() as tnc:
        path = write_station(tmp_path, tnc.url, mosquitto)
        listener = tmp_path / "listener.toml"
        text = path.read_text(encoding="utf-8")
        listener.write_text(text.replace("transmit = true", "transmit = false"), encoding="utf-8")
        for settings, cautioned in ((path, True), (listener, False)):
            with running("run", str(settings)) as process:
                process.wait_for("bus up")
                assert process.end(signal.SIGTERM) == 0
            assert ("licensed control operator" in process.output) == cautioned
            assert ("encryption" in process.output) == cautioned


def test_a_second_station_on_the_same_folder_is_told_why_not(site: Site) -> None:
    done = ridgepost("run", str(site.settings))
    assert done.returncode == 1
    assert "in use by another ridgepost" in one_line(done.stderr)
    assert site.process.process.poll() is None


def test_a_folder_that_may_not_be_written(mosquitto: Broker, tmp_path: Path) -> None:
    (tmp_path / "log").mkdir(mode=0o500)
    path = write_station(tmp_path, "tcp://127.0.0.1:1", mosquitto)
    done = ridgepost("run", str(path), before=unprivileged())
    assert done.returncode == 1
    line = one_line(done.stderr)
    assert "permission denied" in line.lower()
    assert "logbook.folder" in line


def test_a_full_disk_at_the_start(mosquitto: Broker, tmp_path: Path) -> None:
    """The size of files is limited instead: to SQLite that is the same failure, disk I/O."""
    path = write_station(tmp_path, "tcp://127.0.0.1:1", mosquitto)
    done = ridgepost("run", str(path), before=[str(require_tool("prlimit")), "--fsize=2048"])
    assert done.returncode == 1
    assert "logbook" in one_line(done.stderr)


def test_no_tnc_is_said(mosquitto: Broker, tmp_path: Path) -> None:
    path = tmp_path / "r.toml"
    path.write_text(
        f'[bus]\nbroker = "mqtt://127.0.0.1:{mosquitto.port}"\n[logbook]\nfolder = "log"\n',
        encoding="utf-8",
    )
    with running("run", str(path)) as process:
        process.wait_for("bus up")
        assert process.end(signal.SIGTERM) == 0
    assert "no TNC in the settings" in process.output


def test_broker_and_tnc_may_be_away(tmp_path: Path) -> None:
    port = free_port()
    bus = f'[bus]\nbroker = "mqtt://127.0.0.1:{port}"\n'
    path = write_station(tmp_path, f"tcp://127.0.0.1:{free_port()}", None, bus)
    with running("run", str(path)) as process:
        process.wait_for("TNC down")
        process.wait_for("bus down")
        assert process.end(signal.SIGTERM) == 0


def test_a_broker_that_dies_is_no_error_of_the_program(own_site: Site) -> None:
    own_site.broker.kill()
    own_site.process.wait_for("bus down")
    own_site.broker.start()
    own_site.process.wait_for("bus up", times=2)
    assert own_site.process.end(signal.SIGTERM) == 0
    assert "report it" not in own_site.process.output
    assert "Traceback" not in own_site.process.output


def test_no_secret_reaches_the_log(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("hunter2", encoding="utf-8")
    bus = (
        f'[bus]\nbroker = "mqtt://127.0.0.1:{free_port()}"\nuser = "station"\n'
        'password_file = "secret"\n'
    )
    path = write_station(tmp_path, f"tcp://127.0.0.1:{free_port()}", None, bus)
    with running("run", str(path)) as process:
        process.wait_for("bus down")
        assert process.end(signal.SIGTERM) == 0
    assert "hunter2" not in process.output


def test_a_reader_of_the_log_that_goes_away_does_not_end_the_station(
    mosquitto: Broker, tmp_path: Path
) -> None:
    """As in `ridgepost run | head -1`: unattended means that nobody has to look on."""
    reader, writer = os.pipe()
    with Tnc() as tnc:
        path = write_station(tmp_path, tnc.url, mosquitto)
        process = subprocess.Popen(
            command_line("run", str(path)),
            stdout=writer,
            stderr=subprocess.PIPE,
            env=environment(),
        )
        os.close(writer)
        try:
            assert os.read(reader, 1)
            os.close(reader)
            tnc.wait_for_host()
            tnc.hear("QZ1SAG-9", b":QZ1HUB-10:are you there{1")
            assert ":QZ1SAG-9 :ack1" in tnc.wait_for("ack1")
            process.send_signal(signal.SIGTERM)
            _, errors = process.communicate(timeout=BOUND_S)
        finally:
            process.kill()
            process.communicate()
    assert (process.returncode, errors) == (0, b"")


def test_text_from_the_air_is_escaped_in_the_log(own_site: Site) -> None:
    own_site.tnc.hear("QZ1SAG-9", b":QZ1HUB-10:\x1b[2J\x07\xc2\x9b{1")
    own_site.process.wait_for("message received")
    assert own_site.process.end(signal.SIGTERM) == 0
    assert own_site.process.output.replace("\n", "").isprintable()


def test_the_embedded_broker_is_started(tmp_path: Path) -> None:
    pytest.importorskip("amqtt")
    with Tnc() as tnc:
        path = write_station(tmp_path, tnc.url, None)
        with running("run", str(path)) as process:
            try:
                process.wait_for("embedded broker started")
            except AssertionError:
                # Its port is the usual one of MQTT, which something else may have here.
                assert "the embedded broker cannot listen on 127.0.0.1:1883" in process.output
                assert process.process.wait(BOUND_S) == 1
                return
            process.wait_for("bus up")
            assert process.end(signal.SIGTERM) == 0


def test_no_room_for_the_embedded_broker(tmp_path: Path) -> None:
    import socket

    path = write_station(tmp_path, "tcp://127.0.0.1:1", None)
    with socket.socket() as taken:
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            taken.bind(("127.0.0.1", 1883))
            taken.listen()
        except OSError:
            pass  # somebody else has it, which is as good
        done = ridgepost("run", str(path))
    assert done.returncode == 1
    assert "bus.broker" in one_line(done.stderr)


class _Opening:
    """A service whose logbook takes long to open."""

    def __init__(self) -> None:
        self.ready = asyncio.Event()


async def test_a_start_that_takes_long_is_talked_about(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(run, "PATIENCE_S", 0.01)
    opening = _Opening()
    with structlog.testing.capture_logs() as entries:
        saying = asyncio.create_task(run._say_what_takes_so_long(cast("Service", opening)))
        async with asyncio.timeout(BOUND_S):
            while len(entries) < 4:  # noqa: ASYNC110  nobody tells when something is logged
                await asyncio.sleep(0)
            opening.ready.set()
            await saying
    # Ever more seldom, so that a start of an hour is some twenty lines.
    assert [entry["waited_s"] for entry in entries[:4]] == [0.01, 0.02, 0.04, 0.08]
    assert {entry["event"] for entry in entries} == {"still opening the logbook"}


@pytest.mark.parametrize(
    ("message", "error", "told"),
    [
        # What aiomqtt 2.5.1 leaves behind when its broker is killed, as seen with mosquitto.
        ("Future exception was never retrieved", aiomqtt.MqttError("gone"), False),
        ("Exception in callback _SelectorEventLoop.add_writer(9)", ValueError("-1"), False),
        # Faults of the program, which must not be passed over.
        ("listener of link vhf failed", ValueError("a fault"), True),
        ("Task exception was never retrieved", KeyError("a fault"), True),
        ("something without an exception", None, True),
    ],
)
def test_faults_are_told_and_what_a_dying_broker_leaves_is_not(
    message: str, error: Exception | None, told: bool
) -> None:
    context = {"message": message, "exception": error}
    with (
        structlog.testing.capture_logs() as entries,
        contextlib.closing(asyncio.new_event_loop()) as loop,
    ):
        run._on_loop_error(loop, context)
    assert [entry["what"] for entry in entries] == ([message] if told else [])

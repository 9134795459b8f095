"""`ridgepost check` as a person runs it, and as a program does."""

import json
import os
import re
import signal
import subprocess
from pathlib import Path

import pytest

from cli.commands import (
    BOUND_S,
    Tnc,
    command_line,
    environment,
    invoke,
    pseudo_terminal,
    ridgepost,
    running,
    unprivileged,
    write_station,
)
from cli.conftest import Site
from harness import Broker, free_port

GRADES = ("good", "doubtful", "bad")


@pytest.fixture
def nobody(tmp_path: Path) -> Path:
    """A station whose TNC and broker are both down."""
    broker = f'[bus]\nbroker = "mqtt://127.0.0.1:{free_port()}"\n'
    return write_station(tmp_path, f"tcp://127.0.0.1:{free_port()}", None, broker)


def test_a_station_that_could_start(mosquitto: Broker, tmp_path: Path) -> None:
    with Tnc() as tnc:
        path = write_station(tmp_path, tnc.url, mosquitto)
        before = sorted(tmp_path.iterdir())
        done = ridgepost("check", str(path))
        assert (done.returncode, done.stderr) == (0, "")
        assert tnc.octets == b"", "nothing is transmitted, and nothing set"
    assert sorted(tmp_path.iterdir()) == before, "nothing is made or changed"
    *_, empty, summary = done.stdout.splitlines()
    assert empty == ""
    assert re.fullmatch(r"\d+ good, \d+ doubtful", summary)


def test_the_ten_line_station_without_tnc_or_broker(tmp_path: Path) -> None:
    """As somebody tries it who has neither yet; on this machine both ports may be in use."""
    done = ridgepost("check", "config/ten-lines.toml", folder=Path(__file__).parents[2])
    assert done.returncode in (0, 1)
    assert done.stderr == ""
    assert done.stdout.startswith("good      settings   config/ten-lines.toml can be used\n")


def test_what_is_bad_is_told_with_its_mend_and_status_1(nobody: Path) -> None:
    done = invoke("check", str(nobody))
    assert (done.returncode, done.stderr) == (1, "")
    lines = done.stdout.splitlines()
    (broker,) = [n for n, line in enumerate(lines) if re.match("bad +broker", line)]
    (tnc,) = [n for n, line in enumerate(lines) if re.match("bad +tnc", line)]
    for number in (broker, tnc):
        assert "connection refused" in lines[number]
        assert lines[number + 1].startswith(" " * 18 + "-> is the ")
    assert lines[-1].endswith(", 2 bad")


def test_every_finding_is_a_row_of_80_columns(nobody: Path) -> None:
    rows = invoke("check", str(nobody)).stdout.splitlines()[:-2]
    for row in rows:
        assert len(row) <= 80 or " " not in row[21:], row
        assert re.match(rf"({'|'.join(GRADES)}) +[a-z]+ +\S| {{18}}-> \S| {{21}}\S", row)
        assert row[:10].strip() in (*GRADES, "")
        assert row[20] == " "


@pytest.mark.parametrize(("columns", "widest"), [("20", 60), ("72", 72), ("500", 100)])
def test_rows_fit_the_terminal(nobody: Path, columns: str, widest: int) -> None:
    rows = ridgepost("check", str(nobody), COLUMNS=columns).stdout.splitlines()
    lengths = [len(row) for row in rows if " " in row[21:]]
    assert widest - 15 < max(lengths) <= widest


def test_json_is_one_object_a_line_with_the_same_status(nobody: Path) -> None:
    done = invoke("check", "--json", str(nobody))
    assert (done.returncode, done.stderr) == (1, "")
    findings = [json.loads(line) for line in done.stdout.splitlines()]
    for finding in findings:
        assert set(finding) == {"grade", "about", "says", "mend"}
        assert finding["grade"] in GRADES
        assert finding["says"]
        assert bool(finding["mend"]) == (finding["grade"] != "good")
    assert [f["about"] for f in findings if f["grade"] == "bad"] == ["broker", "tnc"]
    # The same findings as for a person.
    shown = " ".join(invoke("check", str(nobody)).stdout.split())
    assert all(" ".join(f["says"].split()) in shown for f in findings if f["about"] != "clock")


def test_json_of_bad_settings(tmp_path: Path) -> None:
    path = tmp_path / "r.toml"
    path.write_text('[station]\ncallsign = "A-B"\ntransmit = 1\n', encoding="utf-8")
    done = invoke("check", "--json", str(path))
    assert done.returncode == os.EX_CONFIG
    findings = [json.loads(line) for line in done.stdout.splitlines()]
    assert [(f["grade"], f["about"]) for f in findings] == [("bad", "settings")] * 2
    assert findings[1]["says"] == (
        f"{path}: station.transmit: expected true or false, got a whole number"
    )


def test_a_file_name_with_control_characters_is_shown_escaped(tmp_path: Path) -> None:
    path = tmp_path / "\x1b[2J\n.toml"
    path.touch()
    for more in ([], ["--json"]):
        done = invoke("check", *more, str(path))
        assert "\x1b" not in done.stdout
        assert "settings" in done.stdout.splitlines()[0]


def test_a_folder_that_may_not_be_written_is_bad(mosquitto: Broker, tmp_path: Path) -> None:
    log = tmp_path / "log"
    log.mkdir(mode=0o500)
    with Tnc() as tnc:
        path = write_station(tmp_path, tnc.url, mosquitto)
        done = ridgepost("check", "--json", str(path), before=unprivileged())
    assert done.returncode == 1
    (finding,) = [f for f in map(json.loads, done.stdout.splitlines()) if f["about"] == "logbook"]
    assert (finding["grade"], finding["says"]) == ("bad", f"{log} cannot be written")


def test_a_log_that_somebody_else_owns_is_bad(mosquitto: Broker, tmp_path: Path) -> None:
    """What is left after the station was once run as root."""
    log = tmp_path / "log"
    log.mkdir()
    (log / "logbook.sqlite").touch(mode=0o000)
    path = write_station(tmp_path, "tcp://127.0.0.1:1", mosquitto)
    done = ridgepost("check", "--json", str(path), before=unprivileged())
    (finding,) = [f for f in map(json.loads, done.stdout.splitlines()) if f["about"] == "logbook"]
    assert finding["grade"] == "bad"
    assert f"chown USER {log}/logbook.sqlite" in finding["mend"]


def test_a_serial_port_without_permission_names_the_group(
    mosquitto: Broker, tmp_path: Path
) -> None:
    """The usual mistake on a new machine: the user is not in the group dialout (Debian)."""
    ours, theirs = pseudo_terminal()
    device = os.ttyname(theirs)
    Path(device).chmod(0o000)
    try:
        path = write_station(tmp_path, f"serial://{device}", mosquitto)
        done = ridgepost("check", "--json", str(path), before=unprivileged())
    finally:
        os.close(ours)
        os.close(theirs)
    assert done.returncode == 1
    (finding,) = [f for f in map(json.loads, done.stdout.splitlines()) if f["about"] == "tnc"]
    assert "permission denied" in finding["says"]
    assert re.search(r"belongs to the group \w+: sudo usermod -aG \w+ USER", finding["mend"])


def test_a_running_station_is_not_disturbed(site: Site) -> None:
    octets = site.tnc.octets
    done = invoke("check", str(site.settings))
    assert (done.returncode, done.stderr) == (0, "")
    told = " ".join(done.stdout.split())
    assert "is in use by a running station" in told
    assert f"vhf at {site.tnc.url} is open, says the running station" in told
    assert site.tnc.octets == octets
    assert site.process.process.poll() is None


def test_a_terminal_gets_the_same_rows(nobody: Path) -> None:
    plain = ridgepost("check", str(nobody)).stdout
    ours, theirs = pseudo_terminal()
    child = subprocess.Popen(
        command_line("check", str(nobody)), stdout=theirs, stderr=theirs, env=environment()
    )
    os.close(theirs)
    shown = b""
    while True:
        try:
            octets = os.read(ours, 4096)
        except OSError:  # EIO: the other end is closed, pty(7)
            break
        shown += octets
    os.close(ours)
    assert child.wait(BOUND_S) == 1
    without_clock = [
        [line for line in text.replace("\r\n", "\n").splitlines() if "clock" not in line]
        for text in (shown.decode(), plain)
    ]
    assert without_clock[0] == without_clock[1]


def test_a_reader_that_goes_away(nobody: Path) -> None:
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run(
        command_line("check", str(nobody)),
        stdout=writer,
        stderr=subprocess.PIPE,
        timeout=BOUND_S,
        check=False,
        env=environment(),
    )
    os.close(writer)
    assert (done.returncode, done.stderr) == (141, b"")  # 128 and SIGPIPE: as a shell tells it


def test_what_takes_long_is_announced_and_can_be_broken_off(tmp_path: Path) -> None:
    """A TNC that does not answer takes ten seconds; from the third on somebody should know why."""
    import socket

    with socket.socket() as full:
        full.bind(("127.0.0.1", 0))
        full.listen(0)  # one connection fills it, and then SYNs are dropped: listen(2)
        with socket.create_connection(full.getsockname()):
            url = f"tcp://127.0.0.1:{full.getsockname()[1]}"
            broker = f'[bus]\nbroker = "mqtt://127.0.0.1:{free_port()}"\n'
            path = write_station(tmp_path, url, None, broker)
            with running("check", str(path)) as process:
                process.wait_for(f"waiting for the TNC vhf at {url}: 2 s\n")
                assert process.end(signal.SIGINT) == 130  # 128 and SIGINT
    assert process.output.splitlines()[-1] == "ridgepost: stopped"
    assert "Traceback" not in process.output

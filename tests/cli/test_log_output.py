"""The service's log: nobody who reads it, or does not, may harm the station."""

import json
import os
import pty
import re
import subprocess
import sys
import threading
from collections.abc import Iterator
from typing import TextIO

import pytest

from cli.commands import BOUND_S, environment
from ridgepost.cli.log_output import MAX_PIECES, PatientOutput

PIPE_OCTETS = 65536
"""What a pipe of Linux holds (pipe(7)); more than that waits for the reader."""


@pytest.fixture
def pipe() -> Iterator[tuple[int, TextIO]]:
    """The reader's end, and ours as a stream."""
    reader, writer = os.pipe()
    with os.fdopen(writer, "w", encoding="utf-8") as stream:
        yield reader, stream
    os.close(reader)


def note(count: int) -> str:
    return f"lost {count}"


def read(reader: int, octets: int) -> bytes:
    found = b""
    while len(found) < octets and (more := os.read(reader, octets - len(found))):
        found += more
    return found


def test_lines_come_out_whole_and_in_order(pipe: tuple[int, TextIO]) -> None:
    reader, stream = pipe
    output = PatientOutput(stream, note)
    lines = [f"line {number} ü\n" for number in range(100)]
    for line in lines:
        output.write(line)
        output.flush()
    output.finish(BOUND_S)
    whole = "".join(lines).encode()
    assert read(reader, len(whole)) == whole


def test_a_reader_that_has_stopped_stops_nobody(pipe: tuple[int, TextIO]) -> None:
    """A terminal after Ctrl-S, a pager: what finds no room is counted, and said later."""
    reader, stream = pipe
    output = PatientOutput(stream, note)
    line = "x" * 1023 + "\n"
    written = 3 * MAX_PIECES
    for _ in range(written):  # returns although nobody reads
        output.write(line)
    found = b""

    def read_all() -> None:
        nonlocal found
        while octets := os.read(reader, PIPE_OCTETS):
            found += octets

    reading = threading.Thread(target=read_all)
    reading.start()
    output.finish(BOUND_S)
    stream.close()
    reading.join(BOUND_S)
    lost = [int(count) for count in re.findall(rb"lost (\d+)\n", found)]
    assert sum(lost) > 0
    assert found.count(line.encode()) + sum(lost) == written


def test_a_reader_that_has_stopped_does_not_hold_up_the_end(pipe: tuple[int, TextIO]) -> None:
    _, stream = pipe
    output = PatientOutput(stream, note)
    output.write("x" * 2 * PIPE_OCTETS)
    output.finish(0.01)
    assert [thread for thread in threading.enumerate() if thread.name == "ridgepost-log"]
    # The fixture closes the reader's end, which ends the thread.


def test_a_reader_that_has_gone_ends_nothing() -> None:
    reader, writer = os.pipe()
    with os.fdopen(writer, "w", encoding="utf-8") as stream:
        os.close(reader)
        output = PatientOutput(stream, note)
        for _ in range(100):
            output.write("nobody reads this\n")
        output.finish(BOUND_S)


def test_no_standard_output_at_all() -> None:
    output = PatientOutput(None, note)
    output.write("nobody reads this\n")
    output.finish(BOUND_S)


def test_what_the_alphabet_lacks_is_spelt() -> None:
    reader, writer = os.pipe()
    with os.fdopen(writer, "w", encoding="latin-1") as stream:
        output = PatientOutput(stream, note)
        output.write("ü 水\n")
        output.finish(BOUND_S)
    assert os.read(reader, 100) == b"\xfc \\u6c34\n"
    os.close(reader)


def test_a_stream_that_does_not_block_is_waited_for(pipe: tuple[int, TextIO]) -> None:
    """As after another program on the same terminal: O_NONBLOCK belongs to both, see fcntl(2)."""
    reader, stream = pipe
    os.set_blocking(stream.fileno(), False)
    output = PatientOutput(stream, note)
    whole = "x" * 3 * PIPE_OCTETS
    output.write(whole)
    assert read(reader, len(whole)) == whole.encode()
    output.finish(BOUND_S)


LOSSES = """
from ridgepost.cli import log_output
from ridgepost.cli.log_output import logging_to_stdout
import structlog
log_output.MAX_PIECES = 0
with logging_to_stdout():
    structlog.get_logger().info("no room")
    log_output.MAX_PIECES = 1
    structlog.get_logger().info("room")
"""


def test_losses_are_told_in_the_form_of_the_rest() -> None:
    done = subprocess.run(
        [sys.executable, "-c", LOSSES],
        capture_output=True,
        text=True,
        check=True,
        env=environment(),
    )
    room, lost = map(json.loads, done.stdout.splitlines())
    assert room["event"] == "room"
    assert (lost["lines"], lost["level"]) == (1, "warning")


LOG = """
import structlog
from ridgepost.cli.log_output import logging_to_stdout
log = structlog.get_logger()
with logging_to_stdout():
    log.info("heard", text="\\x1b[2J\\nline", more=["\\x1b[2J"], number=3)
    log.debug("not shown")
    try:
        password = "hunter2"
        raise ValueError("from the air: \\x1b[2J\\u202e")
    except ValueError:
        log.exception("failed")
"""


def test_json_lines_for_other_programs() -> None:
    done = subprocess.run(
        [sys.executable, "-c", LOG], capture_output=True, text=True, check=True, env=environment()
    )
    first, second = map(json.loads, done.stdout.splitlines())
    assert first["event"] == "heard"
    assert first["level"] == "info"
    assert first["text"] == "<0x1B>[2J<0x0A>line"
    assert first["number"] == 3
    assert "ValueError: from the air: <0x1B>[2J<U+202E>" in second["exception"]
    assert all(0x20 <= ord(character) <= 0x7E for character in done.stdout.replace("\n", ""))
    assert "hunter2" not in done.stdout


@pytest.mark.parametrize(
    ("variables", "coloured"), [({}, True), ({"NO_COLOR": "1"}, False), ({"TERM": "dumb"}, False)]
)
def test_a_terminal_gets_readable_lines(variables: dict[str, str], coloured: bool) -> None:
    # https://no-color.org; TERM=dumb is a terminal without control sequences (terminfo(5)).
    ours, theirs = pty.openpty()
    child = subprocess.Popen(
        [sys.executable, "-W", "error", "-c", LOG],
        stdout=theirs,
        env=environment(**{"TERM": "xterm", **variables}),
    )
    os.close(theirs)
    shown = b""
    while True:
        try:
            octets = os.read(ours, 4096)
        except OSError:  # EIO: the other end is closed, pty(7)
            break
        if not octets:
            break
        shown += octets
    os.close(ours)
    assert child.wait(BOUND_S) == 0
    assert b"heard" in shown
    assert b"<0x1B>[2J<0x0A>line" in shown
    assert b"\x1b[2J" not in shown
    assert (b"\x1b[" in shown) == coloured
    assert b"ValueError: from the air" in shown

"""`ridgepost decode`: frames in, a line out for each.

Check values: vectors/position.toml, mice.toml, weather.toml, telemetry.toml, message.toml and
status.toml, which name the source of each; vectors/kiss.toml and ax25.toml for the frames.
"""

import json
import math
import os
import subprocess
from pathlib import Path
from typing import Any

import pytest

from aprs.expectations import DEGREE_TOLERANCE
from checkvalues import cases, input_octets, octets
from cli.commands import (
    BOUND_S,
    command_line,
    environment,
    one_line,
    pseudo_terminal,
    ridgepost,
)
from ridgepost.radio import ax25, kiss

Case = dict[str, Any]

HEAD = "QZ1SAG-9>APZ001"
PLACE = "!4903.50N/07201.75W>"


def decoded(*options: str, given: bytes, status: int = 0) -> list[str]:
    """The lines that the command prints for what it is given."""
    done = subprocess.run(
        command_line("decode", *options),
        input=given,
        capture_output=True,
        timeout=BOUND_S,
        check=False,
        env=environment(),
    )
    assert done.stderr == b""
    assert done.returncode == status
    return done.stdout.decode("ascii").splitlines()


def objects(*options: str, given: bytes) -> list[dict[str, Any]]:
    return [json.loads(line) for line in decoded(*options, given=given)]


# --- check values, a file in one process ----------------------------------------------------------

FILES = ("position", "mice", "weather", "telemetry", "message", "status")

# Keys of check values that ask something about a report and are no value in it. tests/aprs asks.
QUESTIONS = {
    *("altitude_present", "answer", "course_known", "directs", "for_station_WU2Z", "has_beam"),
    *("has_timestamp", "heard_counts", "is_grid", "is_message", "is_position", "is_weather"),
    *("must_not_crash", "telemetry_1_0_1_channel_1", "telemetry_1_0_1_channel_3", "telemetry_1_2"),
    *("text_length_chars", "text_length_octets", "text_octets_hex", "valid_message_id"),
}
# "A hint, the wording is free."
WORDS = {"reason"}

# A check value that refuses what its note allows to read: a departure.
TOLERATED = "lower-case hemisphere letter"


def _cases() -> dict[str, list[Case]]:
    found = {name: [parameter.values[0] for parameter in cases(name, "decode")] for name in FILES}
    found["telemetry"] += [
        parameter.values[0]
        for parameter in cases(
            "telemetry", "decode_base91", where=lambda case: case["input"].startswith("!")
        )
    ]
    return found


CASES = _cases()


def frame_octets(case: Case) -> bytes:
    head = ax25.Frame(
        case.get("source_address", "QZ1SRC"),
        case.get("destination") or case.get("destination_address") or "APZ001",
    )
    # Behind the head, since some are longer than what may be sent.
    return ax25.encode(head) + input_octets(case)


def tolerance(case: Case, table: dict[str, Any], key: str) -> float:
    if key.endswith("_deg"):
        # vectors/README.md: with added digits a tolerance of their own.
        return 0.000_000_1 if "datum" in table and "datum" in case["expect"] else DEGREE_TOLERANCE
    if key == "altitude_ft" and table["kind"] != "mice":
        return 1.0  # vectors/README.md: compressed altitude
    # vectors/README.md: speed and range 0.05; feet of Mic-E have tenths.
    return 0.05 if key.endswith(("_knots", "_mph", "_miles", "_ft")) else DEGREE_TOLERANCE


def without_added(table: dict[str, Any], key: str) -> Any:
    """A coordinate as it was before !DAO!, which is how Mic-E and one object are told."""
    added_min = table.get(key.replace("_deg", "_added_min"), 0.0)
    return table[key] - math.copysign(added_min / 60, table[key])


def expected(case: Case, table: dict[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """What the check value wants of the keys that are values, and what the table has."""
    wanted: dict[str, Any] = {}
    told: dict[str, Any] = {}
    for key, value in case["expect"].items():
        if key in QUESTIONS | WORDS:
            continue
        kind = case["expect"].get("kind")
        if key == "kind" and kind in {"base91_telemetry", "invalid_or_test"}:
            continue  # no kind of a report, and a name of an older table
        if table["kind"] == "unreadable" and key == "kind":
            continue  # what it would have been
        if table["kind"] == "nmea" and key == "valid":
            continue  # asks whether it has a position
        if key == "valid" and "sequence" not in table and case.get("op") == "decode_base91":
            continue  # asks for the telemetry in it
        if key == "ack_expected" and key not in table:
            assert value is False
            continue  # not even a message
        if key == "heard_station" and table["kind"] == "message":
            continue  # in an answer it is part of the text
        wanted[key] = value
        told[key] = table.get(key, "not there")
        if key in {"latitude_deg", "longitude_deg"} and case in WITHOUT_DAO:
            told[key] = without_added(table, key)
        if isinstance(value, float):
            wanted[key] = pytest.approx(value, abs=tolerance(case, table, key))
    return wanted, told


# Their notes: "latitude_deg/longitude_deg are without the added digits".
WITHOUT_DAO = CASES["mice"] + [
    case for case in CASES["position"] if case.get("input", "").startswith(";")
]


@pytest.mark.parametrize("name", FILES)
def test_check_values(name: str) -> None:
    lines = "".join(frame_octets(case).hex() + "\n" for case in CASES[name])
    tables = objects("--from", "hex", given=lines.encode())
    values = 0
    for case, table in zip(CASES[name], tables, strict=True):
        assert table["ok"] is True
        assert table["path"] == []
        if case["name"] == TOLERATED:
            assert table["departures"] == ["lower_case_hemisphere"]
            continue
        wanted, told = expected(case, table)
        assert told == wanted, case["name"]
        values += len(wanted)
    assert values > len(tables)


# --- frames in every form -------------------------------------------------------------------------


def _of(name: str, *ops: str) -> list[Case]:
    return [parameter.values[0] for parameter in cases(name, *ops)]


def test_frames_in_all_forms() -> None:
    # vectors/ax25.toml: the same frames as octets and as monitors show them.
    both = _of("ax25", "both")
    in_octets = [octets(case["expect"]["frame_hex"]) for case in both]
    tables = objects("--from", "hex", given="\n".join(map(bytes.hex, in_octets)).encode())
    assert len(tables) == len(both)
    for case, table in zip(both, tables, strict=True):
        expect = case["expect"]
        assert table["ok"] is True
        assert (table["source"], table["destination"]) == (expect["source"], expect["destination"])
        assert [address.removesuffix("*") for address in table["path"]] == expect["digipeaters"]
        # The asterisk follows the last one used (APRS 1.2c ch. 17).
        marked = [n for n, address in enumerate(table["path"], 1) if address.endswith("*")]
        assert marked == ([expect["used_count"]] if expect["used_count"] else [])
    monitor = "".join(case["input"] + "\r\n" for case in both)
    assert objects("--from", "monitor", given=monitor.encode()) == tables
    stream = b"".join(kiss.frame(2, kiss.DATA, frame) for frame in in_octets)
    assert objects("--from", "kiss", given=stream) == tables


def test_kiss_check_values() -> None:
    # vectors/kiss.toml: of what comes out, only frames with data are looked at, whatever is in it.
    for case in _of("kiss", "decode")[::8]:
        lines = decoded("--from", "kiss", given=input_octets(case))
        assert len(lines) == len(case["expect"]["data_frames"])


@pytest.mark.parametrize(("form", "op"), [("hex", "refuse_frame"), ("monitor", "refuse_monitor")])
def test_what_is_no_frame(form: str, op: str) -> None:
    refused = _of("ax25", op)
    lines = [
        input_octets(case).hex() if form == "hex" else case["input"].replace("\n", "<0x0A>")
        for case in refused
    ]
    kept = [line for line in lines if line.strip()]
    tables = objects("--from", form, given="".join(line + "\n" for line in kept).encode())
    assert len(tables) == len(kept) > 0
    for table in tables:
        assert set(table) == {"ok", "error"}
        assert table["ok"] is False
        assert table["error"].isprintable()


def test_what_is_no_aprs() -> None:
    # vectors/ax25.toml: well formed, but connected-mode frames or another layer 3.
    others = [case for case in _of("ax25", "parse_frame") if case["expect"].get("aprs") is False]
    lines = "".join(input_octets(case).hex() + "\n" for case in others)
    tables = objects("--from", "hex", given=lines.encode())
    assert [table["kind"] for table in tables] == ["not_aprs"] * len(others)
    assert [table["frame_type"] for table in tables] == [
        case["expect"].get("frame_type", "UI") for case in others
    ]


@pytest.mark.parametrize("line", [b"zz", b"a", b"82a0 0g", b"\xff\xfe", b"\x1b[2J", "é".encode()])
def test_what_is_not_hexadecimal(line: bytes) -> None:
    good = ax25.encode(ax25.Frame("QZ1SRC", "APZ001", info=b">hi")).hex(" ").upper().encode()
    bad, table = objects("--from", "hex", given=line + b"\n" + good)
    assert bad["ok"] is False
    assert "bad_hex" in bad["error"]
    assert bad["error"].isprintable()
    assert table["text"] == "hi"


def test_blank_lines_are_no_frames() -> None:
    assert decoded(given=b"") == []
    given = f"\n\n{HEAD}:>hi\n \r\n".encode()
    assert len(decoded(given=given)) == 1


def test_a_line_without_end_is_one_error() -> None:
    given = f"{HEAD}:>".encode() + b"A" * 300_000 + f"\n{HEAD}:>hi\n".encode()
    long, table = objects(given=given)
    assert "line_too_long" in long["error"]
    assert table["text"] == "hi"


def test_octets_that_are_no_utf_8_stand_for_themselves() -> None:
    # Latin-1, as many stations send it (common practice), and the same octet escaped.
    raw, escaped = objects(
        given=f"{HEAD}:>caf".encode() + b"\xe9\n" + f"{HEAD}:>caf<0xE9>".encode()
    )
    assert raw == escaped
    assert (raw["text"], raw["text_encoding"]) == ("café", "latin-1")


# --- what is printed ------------------------------------------------------------------------------


def test_unreadable_is_ok() -> None:
    (table,) = objects(given=f"{HEAD}:!6130.00N/1491".encode())
    assert table["ok"] is True
    assert table["valid"] is False
    # vectors/position.toml, and the end of the field.
    assert (table["kind"], table["reason"], table["offset"]) == ("unreadable", "too_short", 14)
    assert table["departures"] == []


def test_strict() -> None:
    given = f"{HEAD}:!4903.50n/07201.75W>\n{HEAD}:{PLACE}\n".encode()
    lax, fine = objects(given=given)
    assert (lax["kind"], lax["conforming"]) == ("position", False)
    strict, same = objects("--strict", given=given)
    assert (strict["kind"], strict["reason"], strict["offset"]) == ("unreadable", "departure", 0)
    assert strict["departures"] == lax["departures"] == ["lower_case_hemisphere"]
    assert same == fine


def test_names_of_a_value_never_hide_another() -> None:
    # A message is of its own source, and so is the one inside; both have departures and a kind.
    inner = "QZ1SRC>APZ001,TCPIP,QZ1GAT*::QZ1HUB   :hi{12"
    (table,) = objects(given=f"{HEAD}:}}{inner}".encode())
    assert (table["kind"], table["source"]) == ("third_party", "QZ1SAG-9")
    assert table["inner"]["kind"] == "message"
    assert (table["reply_to"], table["message_addressee"]) == ("QZ1SRC", "QZ1HUB")
    assert (table["message_text"], table["message_id"]) == ("hi", "12")


def test_telemetry_in_a_comment_by_both_names() -> None:
    # Base-91 telemetry (2012), sec. 3.4: two digits of 33 to 123 each, high one first.
    (table,) = objects(given=f"{HEAD}:{PLACE}hi|!!!#|".encode())
    assert (table["sequence"], table["values"]) == (0, [2])
    assert (table["telemetry_sequence"], table["telemetry_values"]) == (0, [2])


def test_data_of_a_sender_as_text_and_octets() -> None:
    (table,) = objects(given=f"{HEAD}:{{Q1a".encode() + b"\xff\x00")
    assert (table["data"], table["content_hex"]) == ("a\xff\x00", "61ff00")


LINES = [
    # APRS 1.2c ch. 8, course and speed (ch. 7); a knot is 1.852 km/h.
    (
        f"{PLACE}088/036Water",
        "QZ1SAG-9   position          at 49.0583 -72.0292 67 km/h 88 deg Water",
    ),
    (
        ";LEADER   *092345z4903.50N/07201.75W>",
        "QZ1SAG-9   object            LEADER at 49.0583 -72.0292",
    ),
    (")AID #2_4903.50N/07201.75WA", "QZ1SAG-9   item              AID #2 is gone"),
    # Ch. 12: 77 F is 25 C, 10 mph 4.5 m/s.
    (
        "_10090556c220s010g...t077b10130",
        "QZ1SAG-9   weather           25.0 C, wind 4.5 m/s, from 220 deg, 1013.0 hPa",
    ),
    (">Net at 10", "QZ1SAG-9   status            Net at 10"),
    (":QZ1HUB   :need water{12", "QZ1SAG-9   message           to QZ1HUB #12: need water"),
    (":QZ1HUB   :ack12", "QZ1SAG-9   ack               ack 12 to QZ1HUB"),
    (
        "!6130.00N/1491",
        "QZ1SAG-9   unreadable        unreadable (too_short): QZ1SAG-9>APZ001:!6130.00N/1491",
    ),
    ("T#1,2", "QZ1SAG-9   telemetry         QZ1SAG-9>APZ001:T#1,2"),
    # Nothing that a terminal would obey.
    (
        f"{PLACE}<0x1B>[2J<0x07>",
        "QZ1SAG-9   position          at 49.0583 -72.0292 <0x1B>[2J<0x07>",
    ),
]


def test_a_line_for_people() -> None:
    given = "".join(f"{HEAD}:{info}\n" for info, _ in LINES) + "no frame\n"
    *lines, bad = decoded("--format", "text", given=given.encode())
    assert lines == [line for _, line in LINES]
    assert bad.startswith("-          no frame          ")
    (line,) = decoded("--format", "text", "--from", "hex", given=OTHER.hex().encode())
    assert line == "QZ1SAG-9   not_aprs          SABM frame"


OTHER = ax25.encode(ax25.Frame("QZ1SAG-9", "QZ1HUB", control=0x2F, pid=None))


# --- streams --------------------------------------------------------------------------------------


def test_a_file(tmp_path: Path) -> None:
    path = tmp_path / "frames.txt"
    path.write_text(f"{HEAD}:>hi\n", encoding="utf-8")
    done = ridgepost("decode", str(path))
    assert (done.returncode, done.stderr) == (0, "")
    assert json.loads(done.stdout)["text"] == "hi"


@pytest.mark.parametrize("name", ["none.txt", "."])
def test_a_file_that_cannot_be_read(name: str, tmp_path: Path) -> None:
    done = ridgepost("decode", str(tmp_path / name))
    assert (done.returncode, done.stdout) == (2, "")
    assert str(tmp_path / name) in one_line(done.stderr)


def test_a_terminal_is_no_input() -> None:
    ours, theirs = pseudo_terminal()
    try:
        done = subprocess.run(
            command_line("decode"),
            stdin=theirs,
            capture_output=True,
            text=True,
            timeout=BOUND_S,
            check=False,
            env=environment(),
        )
    finally:
        os.close(ours)
        os.close(theirs)
    assert (done.returncode, done.stdout) == (2, "")
    assert one_line(done.stderr).startswith("no input: ")


@pytest.mark.parametrize("form", ["monitor", "hex", "kiss"])
def test_each_frame_is_told_at_once(form: str) -> None:
    frame = ax25.encode(ax25.Frame("QZ1SAG-9", "APZ001", info=b">hi"))
    sent = {
        "monitor": f"{HEAD}:>hi\n".encode(),
        "hex": frame.hex().encode() + b"\n",
        "kiss": kiss.frame(0, kiss.DATA, frame),
    }[form]
    with subprocess.Popen(
        command_line("decode", "--from", form),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env=environment(PYTHONUNBUFFERED=""),
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        for _ in range(3):
            process.stdin.write(sent)
            process.stdin.flush()
            # Input stays open: the answer comes all the same.
            assert json.loads(process.stdout.readline())["text"] == "hi"
        process.stdin.close()
        assert process.stdout.read() == b""
        assert process.wait(BOUND_S) == 0


def test_a_reader_that_goes_ends_it_quietly() -> None:
    with subprocess.Popen(
        command_line("decode"),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment(PYTHONUNBUFFERED=""),
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdin.write(f"{HEAD}:>hi\n".encode())
        process.stdin.flush()
        assert process.stdout.readline()
        process.stdout.close()
        process.stdin.write(f"{HEAD}:>hi\n".encode())
        process.stdin.close()
        assert process.stderr.read() == b""
        # 128 and SIGPIPE: common practice.
        assert process.wait(BOUND_S) == 141

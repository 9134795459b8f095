"""The settings file: what loads, what is refused, and in which words.

TOML is as in the TOML 1.0 specification, KISS as in the KISS paper (Chepponis and Karn, 1987; from
memory), ports of MQTT as IANA lists them. What a clear line says is common practice: the key's
path, and what was expected.
"""

import functools
import itertools
import os
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

import msgspec
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from cli.commands import unprivileged
from ridgepost.radio import kiss
from ridgepost.settings import (
    ENVIRONMENT,
    MAX_OCTETS,
    MAX_PROBLEMS,
    BrokerAddress,
    BusTable,
    PositionTable,
    Settings,
    SettingsError,
    StationTable,
    TncTable,
    find_settings,
    kiss_parameters,
    load_settings,
    parse_broker,
    parse_settings,
    typed_callsign,
)
from ridgepost.tables import Table, keys_of, table_in

CONFIG = Path(__file__).parent.parent / "config"

# The station that the project promises to run as it stands.
TEN_LINES = """\
[station]
callsign = "QZ1HUB-10"
transmit = true
position = { latitude_deg = 61.5, longitude_deg = -149.2 }
[[tnc]]
name = "vhf"
link = "tcp://127.0.0.1:8001"        # or "serial:///dev/ttyUSB0?baud=9600"
[bus]
broker = "mqtt://127.0.0.1:1883"     # mqtts:// for TLS; left out: the embedded broker
[logbook]
folder = "/var/lib/ridgepost"
"""

TNC = '[[tnc]]\nname = "vhf"\nlink = "tcp://127.0.0.1:8001"\n'
STATION = '[station]\ncallsign = "QZ1HUB-10"\n'
BUS = '[bus]\nbroker = "mqtt://127.0.0.1"\n'


def problems(text: str) -> list[str]:
    with pytest.raises(SettingsError) as refused:
        parse_settings(text)
    for problem in refused.value.problems:
        assert problem.isprintable(), "one line each, fit for a terminal"
    return refused.value.problems


def refused(path: Path) -> list[str]:
    with pytest.raises(SettingsError) as error:
        load_settings(path)
    return error.value.problems


# --- what loads -----------------------------------------------------------------------------------


def test_the_ten_line_station_loads_as_it_stands() -> None:
    assert parse_settings(TEN_LINES) == Settings(
        station=StationTable(
            callsign="QZ1HUB-10",
            transmit=True,
            position=PositionTable(latitude_deg=61.5, longitude_deg=-149.2),
        ),
        tnc=(TncTable(name="vhf", link="tcp://127.0.0.1:8001"),),
        bus=BusTable(broker="mqtt://127.0.0.1:1883"),
    )
    assert (CONFIG / "ten-lines.toml").read_text(encoding="utf-8") == TEN_LINES


def test_an_empty_file_is_a_station_that_listens_to_nothing() -> None:
    assert parse_settings("") == Settings()
    assert Settings().setup().transmit is False


@pytest.mark.parametrize("path", sorted(CONFIG.glob("*.toml")), ids=lambda path: path.stem)
def test_examples_load(path: Path) -> None:
    settings = load_settings(path)
    # Only the one that shows a whole transmitting station does transmit.
    assert settings.station.transmit == (path.stem == "ten-lines")
    assert settings.tnc


def test_examples_are_those_that_the_documents_name() -> None:
    assert {path.name for path in CONFIG.glob("*.toml")} == {
        "gateway.toml",
        "ten-lines.toml",
        "listen-only.toml",
    }


def test_settings_reach_the_station_in_its_units() -> None:
    settings = parse_settings(
        '[station]\ncallsign = "QZ1HUB-0"\ntransmit = true\npath = ["qz1dig", "WIDE2-1"]\n'
        'groups = ["net"]\n'
        '[[tnc]]\nname = "a"\nlink = "tcp://h:1"\nports = [3, 0]\nbit_rate = 9600\n'
        "txdelay_ms = 200\ntx_tail_ms = 50\nreceive_only = true\n"
        "persistence = 1\nslot_time_ms = 90\nfull_duplex = true\n"
    )
    setup = settings.setup()
    assert (setup.callsign, setup.transmit) == ("QZ1HUB", True)
    assert (setup.position, setup.symbol, setup.comment, setup.status) == (None, "/-", "", "")
    assert (setup.path, setup.groups) == (("QZ1DIG", "WIDE2-1"), ("NET",))
    assert [(port.tnc, port.port) for port in setup.ports] == [("a", 3), ("a", 0)]
    for port in setup.ports:
        assert (port.txdelay_s, port.tx_tail_s, port.bit_rate) == (0.2, 0.05, 9600)
        assert port.receive_only
    # KISS paper: TXDELAY, P, SlotTime and TXtail are commands 1 to 4, times in tens of
    # milliseconds; P stands for (P + 1) / 256; FullDuplex is command 5.
    assert kiss_parameters(settings.tnc[0]).commands(0) == b"".join(
        kiss.frame(0, command, bytes([octet]))
        for command, octet in ((1, 20), (2, 255), (3, 9), (4, 5), (5, 1))
    )


def test_what_queries_are_answered_with_reaches_the_station() -> None:
    """Symbols: APRS 1.2c, Appendix 2; a comment of 43 characters: ch. 8; a status of 62: ch. 16."""
    setup = parse_settings(
        "[station]\nposition = { latitude_deg = 61.5, longitude_deg = -149.2 }\n"
        f'symbol = "/c"\ncomment = "{"c" * 43}"\nstatus = "{"s" * 62}"\n'
    ).setup()
    assert setup.position is not None
    assert (setup.position.latitude_deg, setup.position.longitude_deg) == (61.5, -149.2)
    assert (setup.symbol, setup.comment, setup.status) == ("/c", "c" * 43, "s" * 62)


def test_tactical_calls_reach_the_station_in_capitals() -> None:
    setup = parse_settings(
        '[station]\ntactical = ["netctl", "FINISH"]\n'
        '[tactical]\naid3 = "qz1med-3"\n"REST/4" = "QZ1RST"\n'
    ).setup()
    assert setup.tactical == ("NETCTL", "FINISH")
    assert setup.tactical_calls == {"AID3": "QZ1MED-3", "REST/4": "QZ1RST"}


@pytest.mark.parametrize(
    ("text", "told"),
    [
        # Addressees have nine characters, printable and without blanks; ALL, QST and CQ are for
        # many, and so is BLNx: APRS 1.2c ch. 14.
        ("[tactical]\nAID3 = 3", "tactical.AID3: expected text in quotes, got a whole number"),
        ('[tactical]\nAID3 = "QZ1-MED"', "tactical.AID3: expected a callsign such as"),
        ('[tactical]\n"AID 3" = "QZ1MED"', "tactical.'AID 3': expected 1 to 9 printable"),
        ('[tactical]\nAIDSTATION = "QZ1MED"', "tactical.AIDSTATION: expected 1 to 9 printable"),
        ('[tactical]\nQST = "QZ1MED"', "tactical.QST: expected a name for one station"),
        ('[tactical]\nBLN1 = "QZ1MED"', "tactical.BLN1: expected a name for one station"),
        ('[tactical]\nAID3 = "QZ1MED"\naid3 = "QZ1SAG"', "tactical.aid3: is there twice"),
        ("[[tactical]]\nx = 1", "tactical: expected a table, got a list"),
        ("tactical = 3", "tactical: expected a table, got a whole number"),
        ('[station]\ntactical = ["CQ"]', "station.tactical[0]: expected a name for one station"),
        (
            '[station]\ntactical = ["AID3"]\n[tactical]\nAID3 = "QZ1MED"',
            "tactical.AID3: is in station.tactical too",
        ),
        ('[station]\nsymbol = "x"', "station.symbol: cannot be sent: "),
        ('[station]\nsymbol = ""', "station.symbol: cannot be sent: "),
        ('[station]\nsymbol = "/--"', "station.symbol: cannot be sent: "),
        (f'[station]\ncomment = "{"c" * 44}"', "station.comment: cannot be sent: 44 characters"),
        (f'[station]\nstatus = "{"s" * 63}"', "station.status: cannot be sent: 63 characters"),
        ('[station]\nstatus = "a\\nb"', "station.status: cannot be sent: a control character"),
    ],
)
def test_what_cannot_go_on_the_air_is_refused(text: str, told: str) -> None:
    found = problems(text)
    assert len(found) == 1
    assert found[0].startswith(told)


# --- the reference --------------------------------------------------------------------------------


def tables(kind: type[Table] = Settings, place: str = "") -> Iterator[tuple[str, type[Table]]]:
    """Every table of the model and its header in TOML."""
    for key, hint in keys_of(kind).items():
        inner = table_in(hint)
        if inner is not None:
            yield f"{place}{key}", inner
            yield from tables(inner, f"{place}{key}.")


def described(text: str) -> dict[str, dict[str, str]]:
    """Of each key under each header in a commented settings file, what its comment says."""
    found: dict[str, dict[str, str]] = {}
    header, comment = "", ""
    for line in text.splitlines():
        if match := re.fullmatch(r"\[+([\w.]+)\]+", line):
            header, comment = match[1], ""
            found[header] = {}
        elif line.startswith("#"):
            comment += line.removeprefix("#").strip() + "\n"
        elif match := re.match(r"(\w+) = ", line):
            found[header][match[1]] = comment
            comment = ""
        else:
            comment = ""
    return found


def test_reference_has_every_key_and_no_other() -> None:
    reference = described((CONFIG / "gateway.toml").read_text(encoding="utf-8"))
    model = {
        header: {key for key, hint in keys_of(kind).items() if table_in(hint) is None}
        for header, kind in tables()
    }
    # In these the keys are names that the writer chooses.
    model |= {key: set() for key, hint in keys_of(Settings).items() if get_origin(hint) is dict}
    assert {header: set(keys) for header, keys in reference.items()} == model


@pytest.mark.parametrize(
    ("header", "key"),
    [
        (header, field.name)
        for header, kind in tables()
        for field in msgspec.structs.fields(kind)
        if table_in(field.type) is None
    ],
)
def test_reference_tells_meaning_and_default(header: str, key: str) -> None:
    comment = described((CONFIG / "gateway.toml").read_text(encoding="utf-8"))[header][key]
    field = next(f for f in msgspec.structs.fields(dict(tables())[header]) if f.name == key)
    *meaning, default = comment.splitlines()
    assert " ".join(meaning).count(" ") >= 4
    if field.required:
        assert default == "No default"
    else:
        written = tomllib.loads(f"x = {default.removeprefix('Default: ')}")["x"]
        have = list(field.default) if isinstance(field.default, tuple) else field.default
        assert (written, type(written)) == (have, type(have))


def test_reference_is_safe_to_copy() -> None:
    """Whoever copies it without reading it neither transmits nor speaks to a stranger."""
    settings = load_settings(CONFIG / "gateway.toml")
    assert (settings.station.callsign, settings.station.transmit) == ("", False)
    assert settings.bus.broker.startswith("mqtt://127.0.0.1")
    changed = [
        f"{header}.{field.name}"
        for header, table in (
            ("station", settings.station),
            ("tnc", settings.tnc[0]),
            ("bus", settings.bus),
            ("logbook", settings.logbook),
        )
        for field in msgspec.structs.fields(table)
        if not field.required and getattr(table, field.name) != field.default
    ]
    assert changed == ["station.position", "bus.broker"]


@pytest.mark.parametrize("key", ["_deg", "_ms"])
def test_reference_names_the_unit(key: str) -> None:
    unit = {"_deg": "degrees", "_ms": "milliseconds"}[key]
    reference = described((CONFIG / "gateway.toml").read_text(encoding="utf-8"))
    named = [c for keys in reference.values() for name, c in keys.items() if name.endswith(key)]
    assert named
    assert all(unit in comment for comment in named)


# --- types ----------------------------------------------------------------------------------------

SAMPLES = {
    bool: "true",
    int: "7",
    float: "0.5",
    str: '"x"',
    date: "2026-06-13",
    time: "07:32:00",
    datetime: "2026-06-13T07:32:00Z",
    list: "[]",
    dict: "{}",
}


def leaves() -> Iterator[tuple[str, str, Any]]:
    """Every key: a file in which @ stands for its value, its path, and its type."""
    for header, kind in tables():
        for key, hint in keys_of(kind).items():
            bare = get_args(hint)[0] if hasattr(hint, "__metadata__") else hint
            others = {
                "tnc": {"name": '"vhf"', "link": '"tcp://h:1"'},
                "member": {"callsign": '"QZ1SAG-2"'},
                "station.position": {"latitude_deg": "1.0", "longitude_deg": "1.0"},
            }.get(header, {})
            rest = "".join(f"{k} = {v}\n" for k, v in others.items() if k != key)
            several = header in ("tnc", "member")
            brackets = f"[[{header}]]" if several else f"[{header}]"
            path = f"{header}[0].{key}" if several else f"{header}.{key}"
            yield f"{brackets}\n{rest}{key} = @\n", path, bare


def accepts(hint: Any, sample: type) -> bool:
    if table_in(hint) is not None:
        return sample is dict
    if get_origin(hint) is tuple:
        return sample is list
    if get_origin(hint) is Literal:
        return sample is str
    return sample is hint or (hint is float and sample is int)  # 1 for 1.0: common practice


WRONG = [
    (text.replace("@", value), path, sample)
    for text, path, hint in leaves()
    for sample, value in SAMPLES.items()
    if not accepts(hint, sample)
]


@pytest.mark.parametrize(("text", "path", "sample"), WRONG, ids=lambda value: str(value)[:40])
def test_every_key_refuses_every_other_type(text: str, path: str, sample: type) -> None:
    found = problems(text)
    assert len(found) == 1
    assert found[0].startswith(f"{path}: expected ")


def test_the_wrong_types_were_tried_at_every_key() -> None:
    keys = {path for _, path, _ in leaves()}
    assert {path for _, path, _ in WRONG} == keys
    assert len(keys) == sum(len(keys_of(kind)) for _, kind in tables())


@pytest.mark.parametrize("value", ["nan", "+nan", "inf", "-inf", "1e999", "-1e999"])
@pytest.mark.parametrize(
    ("text", "path"), [(text, path) for text, path, hint in leaves() if hint is float]
)
def test_numbers_that_are_none_are_refused(text: str, path: str, value: str) -> None:
    assert problems(text.replace("@", value))[0].startswith(f"{path}: expected a number, got")


@pytest.mark.parametrize("value", [str(10**100), "9223372036854775808", "0x" + "f" * 4000])
@pytest.mark.parametrize(
    ("text", "path"), [(text, path) for text, path, hint in leaves() if hint in (int, float)]
)
def test_numbers_of_more_than_64_bits_are_refused(text: str, path: str, value: str) -> None:
    # TOML 1.0, Integer: 64 bits; beyond that an error must be thrown.
    assert problems(text.replace("@", value)) == [f"{path}: expected a number of at most 64 bits"]


@pytest.mark.parametrize(
    ("text", "path"),
    [(text.replace("@", "[true]"), p) for text, p, hint in leaves() if get_origin(hint) is tuple],
)
def test_items_of_lists_have_types_too(text: str, path: str) -> None:
    assert problems(text)[0].startswith(f"{path}[0]: expected ")


# --- values ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "start"),
    [
        ('[station]\ncallsign = "QZ1HUB-16"', "station.callsign: expected a callsign such as"),
        ('[station]\ncallsign = "QZ1-HUB"', "station.callsign: expected a callsign"),
        ('[station]\ncallsign = "QZ1HUBBUB"', "station.callsign: expected a callsign"),
        ('[station]\ncallsign = " "', "station.callsign: expected a callsign"),
        ('[station]\ncallsign = "Ⅷ"', "station.callsign: expected a callsign"),
        ('[station]\npath = ["WIDE1-1", ""]', "station.path[1]: expected a callsign"),
        # AX.25 with eight digipeaters: APRS 1.2c ch. 3.
        (f"[station]\npath = {['WIDE1-1'] * 9}", "station.path: expected at most 8 digipeaters"),
        ('[station]\ngroups = ["TENLETTERS"]', "station.groups[0]: expected 1 to 9"),
        ('[station]\ngroups = ["A B"]', "station.groups[0]: expected 1 to 9"),
        ("[station.position]\nlatitude_deg = 91", "station.position.latitude_deg: expected -90"),
        ("[station.position]\nlatitude_deg = 9", "station.position.longitude_deg: missing"),
        ("[[tnc]]", "tnc[0].name: missing; expected text in quotes"),
        ('[[tnc]]\nname = "a/b"', "tnc[0].name: expected 1 to 32 letters"),
        (f'[[tnc]]\nname = "{"n" * 33}"', "tnc[0].name: expected 1 to 32 letters"),
        ('[[tnc]]\nname = "a"\nlink = "vhf"', "tnc[0].link: 'vhf': no scheme; write tcp://"),
        (f"{TNC}ports = []", "tnc[0].ports: expected at least one port"),
        (f"{TNC}ports = [1, 1]", "tnc[0].ports: expected at least one port, and each once"),
        # KISS paper: 16 ports, octets of 10 ms, P from 0 to 255.
        (f"{TNC}ports = [0, 16]", "tnc[0].ports[1]: expected 0 to 15, got 16"),
        (f"{TNC}ports = [-1]", "tnc[0].ports[0]: expected 0 to 15, got -1"),
        (f"{TNC}txdelay_ms = 2560", "tnc[0].txdelay_ms: must be 0 to 2550 in steps of 10"),
        (f"{TNC}txdelay_ms = 305", "tnc[0].txdelay_ms: must be 0 to 2550 in steps of 10"),
        (f"{TNC}slot_time_ms = -10", "tnc[0].slot_time_ms: must be 0 to 2550"),
        (f"{TNC}tx_tail_ms = 1", "tnc[0].tx_tail_ms: must be 0 to 2550"),
        (f"{TNC}persistence = 0", "tnc[0].persistence: must be a probability above 0"),
        (f"{TNC}persistence = 63", "tnc[0].persistence: must be a probability above 0"),
        (f"{TNC}bit_rate = 0", "tnc[0].bit_rate: expected 50 to 1000000 bit/s, got 0"),
        (TNC + TNC.replace("8001", "8002"), "tnc[1].name: 'vhf' is used twice"),
        (TNC + TNC.replace("vhf", "uhf"), "tnc[1].link: is the same as tnc[0].link"),
        ('[bus]\nbroker = "127.0.0.1"', "bus.broker: expected mqtt://HOST:PORT"),
        ('[bus]\nprotocol = "4"', 'bus.protocol: expected "5" or "3.1.1"'),
        ('[bus]\nname = "a/b"', "bus.name: expected 1 to 32 letters"),
        ('[bus]\nuser = "u"', "bus.user: needs bus.broker"),
        ('[bus]\nca_file = "ca.pem"', "bus.ca_file: needs bus.broker"),
        (f'{BUS}password_file = "p"', "bus.password_file: needs bus.user"),
        (f'{BUS}ca_file = "ca.pem"', "bus.ca_file: is for TLS; bus.broker must then begin with"),
        (f'{BUS}user = "a\\u0000b"', "bus.user: expected at most 256 printable characters"),
        ('[logbook]\nfolder = ""', "logbook.folder: expected the path of a folder"),
        ('[logbook]\nfolder = "a\\u0000b"', "logbook.folder: expected a path without control"),
        ('[logbook]\nfolder = "~/log"', "logbook.folder: expected the whole path"),
        ('[tnc]\nname = "vhf"', "tnc: expected double brackets, since there may be several: [["),
        ("[[station]]", "station: expected one table, with single brackets: [station]"),
        ("station = 1", "station: expected a table, got a whole number"),
        ("tnc = [1]", "tnc[0]: expected a table, got a whole number"),
    ],
    ids=lambda value: None if "\n" in value else value[:40],
)
def test_bad_values_name_their_key_and_what_was_expected(text: str, start: str) -> None:
    found = problems(text)
    assert [problem for problem in found if problem.startswith(start)], found


@pytest.mark.parametrize("baud", ["9600", "1200"])
def test_one_device_serves_one_tnc_whatever_its_speed(baud: str) -> None:
    text = (
        '[[tnc]]\nname = "a"\nlink = "serial:///dev/ttyUSB0?baud=9600"\n'
        f'[[tnc]]\nname = "b"\nlink = "serial:///dev/ttyUSB0?baud={baud}"\n'
    )
    assert problems(text) == ["tnc[1].link: is the same as tnc[0].link"]
    assert len(parse_settings(text.replace("USB0", "USB1", 1)).tnc) == 2


def test_all_mistakes_are_named_at_once_a_line_each() -> None:
    found = problems(
        'callsign = "QZ1HUB"\n'
        '[station]\ncallsign = "QZ1HUB-16"\ntransmit = "yes"\npath = ["WIDE1-1", 3, "WIDE-2-1"]\n'
        "position = { latitude_deg = nan, longitude_deg = 200 }\n"
        '[[tnc]]\nlink = "vhf"\nspeed = 9600\n[[tnc]]\nname = "b"\nlink = "tcp://h:1"\n'
        "txdelay_ms = 5\nslot_time_ms = 5\npersistence = 2.0\n"
        "[bus]\nprotocol = 5\n[sation]\n"
    )
    assert [problem.split(":")[0] for problem in found] == [
        "callsign",
        "sation",
        "station.callsign",
        "station.transmit",
        "station.position.latitude_deg",
        "station.position.longitude_deg",
        "station.path[1]",
        "station.path[2]",
        "tnc[0].speed",
        "tnc[0].name",
        "tnc[0].link",
        "tnc[1].txdelay_ms",
        "tnc[1].persistence",
        "tnc[1].slot_time_ms",
        "bus.protocol",
    ]


def test_a_mistake_is_not_blamed_on_another_key_as_well() -> None:
    wrong_callsign = problems('[station]\ncallsign = "QZ1HUB-99"\ntransmit = true')
    assert [problem.split(":")[0] for problem in wrong_callsign] == ["station.callsign"]
    wrong_broker = problems('[bus]\nbroker = "x"\nuser = "u"\nca_file = "f"')
    assert [problem.split(":")[0] for problem in wrong_broker] == ["bus.broker"]


def test_what_is_no_settings_file_does_not_fill_the_screen() -> None:
    found = problems("".join(f"key{number} = 1\n" for number in range(500)))
    assert len(found) == MAX_PROBLEMS + 1
    assert found[-1] == f"and {500 - MAX_PROBLEMS} more mistakes"


# --- unknown keys ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[staton]", "staton: unknown key; did you mean 'station'?"),
        ('[station]\ncall_sign = "Q"', "station.call_sign: unknown key; did you mean 'callsign'?"),
        (
            "[station]\nposition = { latitude_deg = 1, longitude_deg = 1, alt = 3 }",
            "station.position.alt: unknown key; known here: latitude_deg, longitude_deg",
        ),
        # TOML: a key after a header belongs to that table, whatever an indentation suggests.
        (f"{TNC}transmit = true", "tnc[0].transmit: unknown key here; it belongs below [station]"),
        ("bit_rate = 1", "bit_rate: unknown key here; it belongs below [[tnc]]"),
        ('"\\u001b[2J" = 1', "'\\x1b[2J': unknown key; known here: station, tnc, bus, logbook"),
        ('[bus]\n"a\\nb" = 1', "bus.'a\\nb': unknown key; known here: broker, protocol,"),
    ],
)
def test_unknown_keys_are_refused_with_a_hint(text: str, told: str) -> None:
    found = problems(text)
    assert len(found) == 1
    assert found[0].startswith(told)


def test_an_unknown_key_as_long_as_a_line_is_shortened() -> None:
    (problem,) = problems(f"{'k' * 4000} = 1")
    assert len(problem) < 160


# --- who may transmit -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "callsign",
    [
        "",
        "N0CALL",  # stands for 'none' (common practice)
        "n0call-7",
        # ITU Radio Regulations art. 19: an amateur callsign has letters and a digit.
        "TEST",
        "MYCALL-1",
        "12345",
    ],
)
def test_nobody_transmits_without_a_callsign_of_their_own(callsign: str) -> None:
    text = f'[station]\ncallsign = "{callsign}"\n'
    assert problems(f"{text}transmit = true") == [
        'station.transmit: true needs your own station.callsign, such as "QZ1HUB-10"'
    ]
    assert parse_settings(text).setup().transmit is False


def test_a_callsign_alone_does_not_transmit() -> None:
    assert parse_settings(STATION).setup().transmit is False


@pytest.mark.parametrize(
    ("typed", "canonical"),
    [
        ("qz1hub-10", "QZ1HUB-10"),
        ("Qz1Hub", "QZ1HUB"),
        ("qz1hub-0", "QZ1HUB"),  # AX.25 2.2: SSID 0 is the same as none
    ],
)
def test_callsigns_may_be_typed_in_small_letters(typed: str, canonical: str) -> None:
    assert typed_callsign(typed) == canonical
    assert parse_settings(f'[station]\ncallsign = "{typed}"').station.callsign == canonical


@pytest.mark.parametrize("typed", ["ßz1hub", "qz1ſub", "ﬁ1hub", "qz1hıb"])
def test_letters_that_only_look_like_capitals_stay_wrong(typed: str) -> None:
    # Unicode: each of these has capitals within A to Z.
    assert re.fullmatch("[A-Z0-9]+", typed.upper())
    assert problems(f'[station]\ncallsign = "{typed}"')


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("", "LISTENER"),
        ('[station]\ncallsign = "qz1hub-10"', "QZ1HUB-10"),
        ('[station]\ncallsign = "QZ1HUB"\n[bus]\nname = "north-hill"', "NORTH-HILL"),
    ],
)
def test_name_on_the_bus(text: str, name: str) -> None:
    assert parse_settings(text).bus_name == name


# --- brokers --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("url", "address", "written"),
    [
        # IANA: mqtt 1883, secure-mqtt 8883.
        ("mqtt://h", BrokerAddress("h", 1883, False), "mqtt://h:1883"),
        ("mqtts://h", BrokerAddress("h", 8883, True), "mqtts://h:8883"),
        ("MQTT://Hub.Local:99/", BrokerAddress("hub.local", 99, False), "mqtt://hub.local:99"),
        ("mqtt://[::1]", BrokerAddress("::1", 1883, False), "mqtt://[::1]:1883"),
        ("mqtts://[fe80::1]:1", BrokerAddress("fe80::1", 1, True), "mqtts://[fe80::1]:1"),
    ],
)
def test_broker_addresses(url: str, address: BrokerAddress, written: str) -> None:
    assert parse_broker(url) == address
    assert str(address) == written
    assert parse_broker(written) == address


@pytest.mark.parametrize(
    "url",
    [
        "",
        "h:1883",
        "http://h",
        "mqtt:h",
        "mqtt:///",
        "mqtt://",
        "mqtt://h:",
        "mqtt://h:0",
        "mqtt://h:65536",
        "mqtt://h:x",
        "mqtt://h:1:2",
        "mqtt://h/topic",
        "mqtt://h?x=1",
        "mqtt://h#x",
        "mqtt://a..b",
        "mqtt://h i",
        "mqtt://[::1",
        "mqtt://\udcff",
        f"mqtt://{'a' * 64}",  # RFC 1035 2.3.4: 63 octets in a label
    ],
)
def test_what_is_no_broker_address_is_refused(url: str) -> None:
    with pytest.raises(ValueError, match="expected mqtt://HOST:PORT or mqtts://HOST:PORT"):
        parse_broker(url)


# --- secrets --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        '[bus]\npassword = "hunter2"',
        '[bus]\nbroker = "mqtt://me:hunter2@h"',
        '[bus]\nbroker = "me:hunter2@h:1883"',
        '[bus]\nbroker = "mqtt://me:hunter2"',
        '[bus]\nbroker = "mqtt://me:hun/hunter2@h"',
        '[bus]\nbroker = "mqtt://h?password=hunter2"',
        '[bus]\nbroker = "mqtt://me:[hunter2@h"',
        '[bus]\nbroker = ["hunter2"]',
        '[bus]\npassword_file = { password = "hunter2" }',
        '[[tnc]]\nname = "a"\nlink = "tcp://me:hunter2@h:1"',
        '[[tnc]]\nname = "a"\nlink = "tcp://me:hun/hunter2@h:1"',
        '[bus]\npassword = "hunter2',  # broken TOML
    ],
)
def test_secrets_are_not_repeated(text: str) -> None:
    assert "hunter2" not in " ".join(problems(text))


# --- files ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"callsign = QZ1HUB-10", "line 1, column 12: not TOML: invalid value; text needs quotes"),
        (b'a = "', "end of document: not TOML"),
        (b"[station]\n[station]", "line 2, column 9: not TOML: cannot declare"),
        (b"\x7fELF\x02\x01\x01\x00\x00", "line 1, column 1: not TOML"),
        (b"\n\x89PNG\r\n\x1a\n", "line 2: not UTF-8 text; save the file as UTF-8"),
        ('a = "ü"'.encode("latin-1"), "line 1: not UTF-8 text"),
        ("[station]".encode("utf-16"), "line 1: not UTF-8 text"),
        (b"a = " + b"[" * 3000, "not TOML: lists or tables nested too deep"),
        (b"a = " + b"[\n" * 30_000, "not TOML: lists or tables nested too deep"),
        (b"a = " + b"{a=" * 1000, "not TOML: lists or tables nested too deep"),
        (b"# " + b"x" * 5000, "line 1 is longer than 4096 characters"),
        (b"\n" * (MAX_OCTETS + 1), f"larger than {MAX_OCTETS} octets, so this is no settings file"),
    ],
    ids=lambda value: str(value)[:30],
)
def test_what_is_no_settings_file_says_so_with_its_name(
    tmp_path: Path, content: bytes, told: str
) -> None:
    path = tmp_path / "ridgepost.toml"
    path.write_bytes(content)
    (problem,) = refused(path)
    assert problem.startswith(f"{path}: {told}")
    assert problem.isprintable()


def test_keys_with_thousands_of_parts_do_not_take_minutes() -> None:
    # tomllib's time grows with the square of the parts of a key.
    assert problems("\n".join(f"a{n}.{'b.' * 2000}c = 1" for n in range(8)))[0].startswith(
        "a0: unk"
    )


def test_devices_and_folders_are_no_settings_files(tmp_path: Path) -> None:
    assert refused(tmp_path) == [f"{tmp_path}: cannot be read: is a directory"]
    (problem,) = refused(Path("/dev/zero"))
    assert "larger than" in problem
    missing = tmp_path / "none.toml"
    assert refused(missing) == [f"{missing}: cannot be read: no such file or directory"]
    below = tmp_path / "a file"
    below.touch()
    assert refused(below / "x")[0].endswith("cannot be read: not a directory")


def test_an_unreadable_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "ridgepost.toml"
    path.touch(mode=0o000)
    load = f"from ridgepost.settings import *; load_settings(Path({str(path)!r}))"
    done = subprocess.run(
        [*unprivileged(), sys.executable, "-c", load], capture_output=True, text=True, check=False
    )
    assert done.stderr.splitlines()[-1].endswith(f"{path}: cannot be read: permission denied")


def test_what_editors_add_is_no_mistake(tmp_path: Path) -> None:
    """A byte order mark in front, and the line ends of Windows."""
    path = tmp_path / "ridgepost.toml"
    path.write_bytes(TEN_LINES.replace("\n", "\r\n").encode("utf-8-sig"))
    assert load_settings(path).station == parse_settings(TEN_LINES).station


def test_paths_count_from_the_folder_of_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "station").mkdir()
    (tmp_path / "station" / "r.toml").write_text(
        '[bus]\nbroker = "mqtts://h"\nuser = "u"\npassword_file = "secret"\nca_file = "/ca.pem"\n'
        '[logbook]\nfolder = "log/2026"\n',
        encoding="utf-8",
    )
    monkeypatch.chdir(tmp_path)
    for named in (Path("station/r.toml"), tmp_path / "station" / "r.toml"):
        settings = load_settings(named)
        assert settings.logbook.folder == str(tmp_path / "station" / "log" / "2026")
        assert settings.bus.password_file == str(tmp_path / "station" / "secret")
        assert settings.bus.ca_file == "/ca.pem"


def test_where_settings_are_looked_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv(ENVIRONMENT, raising=False)
    system = tmp_path / "etc" / "ridgepost.toml"
    here = Path("ridgepost.toml")
    monkeypatch.setattr("ridgepost.settings.SEARCHED", (here, system))
    with pytest.raises(SettingsError, match=r"no settings file here: expected ridgepost\.toml or "):
        find_settings(None)
    system.parent.mkdir()
    system.touch()
    assert find_settings(None) == system
    here.touch()
    assert find_settings(None) == here
    monkeypatch.setenv(ENVIRONMENT, "/elsewhere.toml")
    assert find_settings(None) == Path("/elsewhere.toml")
    assert find_settings(Path("named.toml")) == Path("named.toml")
    monkeypatch.setenv(ENVIRONMENT, "")
    assert find_settings(None) == here


def test_a_settings_file_that_may_not_be_looked_at_is_not_passed_over(tmp_path: Path) -> None:
    """Otherwise the station would run on other settings, or say that there are none."""
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o000)
    find = (
        "from pathlib import Path; from ridgepost import settings;"
        f"settings.SEARCHED = (Path({str(closed)!r}, 'ridgepost.toml'),);"
        "print(settings.find_settings(None))"
    )
    environment = {key: value for key, value in os.environ.items() if key != ENVIRONMENT}
    done = subprocess.run(
        [*unprivileged(), sys.executable, "-c", find],
        capture_output=True,
        text=True,
        check=False,
        env=environment,
    )
    assert done.stdout == f"{closed}/ridgepost.toml\n"


# --- anything at all ------------------------------------------------------------------------------

KEYS = sorted(set(keys_of(Settings)).union(*(keys_of(kind) for _, kind in tables())))
SCALARS = (
    st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=20)
    | st.sampled_from(["QZ1HUB-10", "tcp://h:1", "serial:///dev/x", "mqtt://h", "WIDE1-1", "5"])
    | st.dates()
    # TOML has no word for the second of two equal times on the night the clocks go back.
    | st.times().map(lambda value: value.replace(fold=0))
    | st.datetimes(timezones=st.none() | st.just(UTC)).map(lambda value: value.replace(fold=0))
)
TREES = st.dictionaries(
    st.sampled_from(KEYS) | st.text(max_size=8),
    st.recursive(
        SCALARS,
        lambda inner: (
            st.lists(inner, max_size=4)
            | st.dictionaries(st.sampled_from(KEYS) | st.text(max_size=8), inner, max_size=6)
        ),
        max_leaves=20,
    ),
    max_size=6,
)


def toml(value: Any) -> str:
    """A value as TOML 1.0 writes it inline."""
    match value:
        case bool():
            return str(value).lower()
        case str():
            return '"' + "".join(_toml_character(character) for character in value) + '"'
        case list():
            return "[" + ", ".join(map(toml, value)) + "]"
        case dict():
            return "{" + ", ".join(f"{toml(k)} = {toml(v)}" for k, v in value.items()) + "}"
        case date() | time():
            return value.isoformat()
        case _:
            return str(value)


def _toml_character(character: str) -> str:
    # Basic strings: quotation mark, backslash and control characters must be escaped.
    code = ord(character)
    return f"\\U{code:08X}" if code < 0x20 or code == 0x7F or character in '"\\' else character


def dump(tree: dict[str, Any]) -> str:
    return "".join(f"{toml(key)} = {toml(value)}\n" for key, value in tree.items())


def only_settings_errors(text: str) -> None:
    """Whatever else is raised fails the test."""
    told: list[str] = []
    try:
        settings = parse_settings(text)
    except SettingsError as error:
        told = error.problems
    if told:
        assert all(problem.isprintable() for problem in told)
    else:
        # What was let through serves the station without another surprise.
        settings.setup()
        assert settings.bus_name
        for tnc in settings.tnc:
            kiss_parameters(tnc)


@given(TREES)
def test_any_tree_loads_or_is_refused(tree: dict[str, Any]) -> None:
    text = dump(tree)
    assert str(tomllib.loads(text)) == str(tree), "the writer of this test is wrong"
    only_settings_errors(text)


def written(header: str, tree: dict[str, Any]) -> str:
    return f"[[{header}]]\n{dump(tree)}" if header == "tnc" else f"[{header}]\n{dump(tree)}"


PARTS = st.one_of(
    [
        st.dictionaries(st.sampled_from(sorted(keys_of(kind))), SCALARS | st.lists(SCALARS)).map(
            functools.partial(written, header)
        )
        for header, kind in tables()
    ]
)


@given(st.lists(PARTS, max_size=4))
def test_any_values_at_the_right_keys_load_or_are_refused(parts: list[str]) -> None:
    only_settings_errors("".join(parts))


@given(st.text(max_size=200) | st.text("[]{}=.,'\"\\#\n abc019-+:TZ", max_size=60))
@example("=")
@example("a = 0x")
@example("\ufeff")
def test_any_text_loads_or_is_refused(text: str) -> None:
    only_settings_errors(text)


@given(st.binary(max_size=200))
def test_any_file_loads_or_is_refused(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    path = tmp_path_factory.getbasetemp() / "any.toml"
    path.write_bytes(content)
    told: list[str] = []
    try:
        load_settings(path)
    except SettingsError as error:
        told = error.problems
    assert all(problem.startswith(f"{path}: ") for problem in told)


def test_cut_and_spoilt_copies_of_the_reference_load_or_are_refused() -> None:
    """A card that filled up, an editor that died: the file ends anywhere or holds a stray octet."""
    text = (CONFIG / "gateway.toml").read_text(encoding="utf-8")
    for end in range(0, len(text), 97):
        only_settings_errors(text[:end])
    for at, stray in itertools.product(range(0, len(text), 211), '"[=\x00'):
        only_settings_errors(text[:at] + stray + text[at:])

"""Our octets as a foreign dissector reads them: tshark, from a capture of link type 202.

Link type 202 (LINKTYPE_AX25_KISS of the pcap registry) is a KISS type octet and a frame, without
FENDs and escapes.
"""

import random
import re
import struct
import subprocess
import xml.etree.ElementTree as ET
from pathlib import Path

from harness import require_tool
from ridgepost.radio import kiss
from ridgepost.radio.ax25 import Frame, encode
from ridgepost.radio.kiss import Deframer, Parameters

LINK_TYPE_KISS = 202

CONTROLS_WITHOUT_PID = (0x2F, 0x7F, 0x53, 0x0F, 0x73, 0x87, 0xBF, 0xE3, 0x01, 0x45, 0xB9, 0x0D)

# tshark names two frames of AX.25 after the HDLC frames that have the same control field, by its
# reading of the C bits: SARM for a DM that is marked as a command, RD for a DISC as a response.
OTHER_NAMES = {"SARM": "DM", "RD": "DISC"}


def capture(records: list[bytes]) -> bytes:
    """A pcap file (classic format, microseconds) with these records."""
    header = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, LINK_TYPE_KISS)
    return header + b"".join(
        struct.pack("<IIII", second, 0, len(record), len(record)) + record
        for second, record in enumerate(records)
    )


def dissected(records: list[bytes], path: Path) -> list[dict[str, ET.Element]]:
    """tshark's fields of each record, by name."""
    path.write_bytes(capture(records))
    tshark = require_tool("tshark")
    run = subprocess.run(
        [tshark, "-n", "-r", str(path), "-T", "pdml"],
        capture_output=True,
        check=True,
        timeout=60,
    )
    packets = ET.fromstring(run.stdout).findall("packet")
    assert len(packets) == len(records)
    return [{field.get("name", ""): field for field in packet.iter("field")} for packet in packets]


def shown_callsign(field: ET.Element) -> str:
    """The callsign that tshark prints: "Source: QZ1SAG-7"."""
    return field.get("showname", "").partition(": ")[2]


def shown_octets(field: ET.Element) -> bytes:
    return bytes.fromhex(field.get("value", ""))


def some_frames() -> list[Frame]:
    """Frames of every number of digipeaters and every kind, otherwise at random but repeatably."""
    rng = random.Random(20241106)

    def callsign() -> str:
        base = "Q" + "".join(rng.choices("ABCXYZ0189", k=rng.randint(0, 5)))
        ssid = rng.randint(0, 15)
        return f"{base}-{ssid}" if ssid else base

    frames = []
    for digipeaters in range(9):
        for control in (0x03, 0x03, 0x13, 0x00, 0x3E, 0xFE, rng.choice(CONTROLS_WITHOUT_PID)):
            carries_pid = control not in CONTROLS_WITHOUT_PID
            frames.append(
                Frame(
                    source=callsign(),
                    destination=callsign(),
                    path=tuple(callsign() for _ in range(digipeaters)),
                    repeated=tuple(rng.random() < 0.5 for _ in range(digipeaters)),
                    info=rng.randbytes(rng.choice([1, 20, 256])) if carries_pid else b"",
                    control=control,
                    pid=0xF0 if carries_pid else None,
                    destination_c=rng.random() < 0.5,
                    source_c=rng.random() < 0.5,
                )
            )
    frames += [
        Frame("QZ1SAG-7", "APZ001", control=control, pid=None) for control in CONTROLS_WITHOUT_PID
    ]
    # Other layers above: only the AX.25 part is compared then.
    frames += [Frame("QZ1SAG-7", "APZ001", info=b"", pid=pid) for pid in (0x01, 0xC3, 0xCC, 0xCF)]
    return frames


def test_frames(tmp_path: Path) -> None:
    frames = some_frames()
    records = [bytes([0x00]) + encode(frame) for frame in frames]
    for frame, fields in zip(frames, dissected(records, tmp_path / "frames.pcap"), strict=True):
        assert shown_callsign(fields["ax25.dst"]) == frame.destination
        assert shown_callsign(fields["ax25.src"]) == frame.source
        via = [fields[f"ax25.via{n}"] for n in range(1, 9) if f"ax25.via{n}" in fields]
        assert tuple(map(shown_callsign, via)) == frame.path
        # AX.25 2.2 ch. 3: the high bit of an address's last octet is H, or C.
        assert tuple(shown_octets(field)[6] >= 0x80 for field in via) == frame.repeated
        assert (shown_octets(fields["ax25.dst"])[6] >= 0x80) is frame.destination_c
        assert (shown_octets(fields["ax25.src"])[6] >= 0x80) is frame.source_c
        assert int(fields["ax25.ctl"].get("show", ""), 16) == frame.control
        check_kind(frame, fields)
        # tshark looks for a PID in UI frames only where the P/F bit is clear; AX.25 2.2 ch. 3 has
        # it in all of them.
        if frame.control != 0x13:
            pid = int(fields["ax25.pid"].get("show", ""), 16) if "ax25.pid" in fields else None
            assert pid == frame.pid
            information = shown_octets(fields["data.data"]) if "data.data" in fields else b""
            assert information == frame.info


def check_kind(frame: Frame, fields: dict[str, ET.Element]) -> None:
    """The kind of frame, its P/F bit and its numbers, as tshark reads the control field."""
    control = fields["ax25.ctl"].get("showname", "")
    named = re.search(r"func=(\w+)", control)
    kind = named[1] if named else control.removeprefix("Control field: ")[0]
    assert OTHER_NAMES.get(kind, kind) == frame.kind
    assert (re.search(r"field: [ISU] [PF]", control) is not None) is frame.poll_final
    received = re.search(r"N\(R\)=(\d)", control)
    assert (int(received[1]) if received else None) == frame.receive_sequence
    sent = re.search(r"N\(S\)=(\d)", control)
    assert (int(sent[1]) if sent else None) == frame.send_sequence
    # Where exactly one C bit is set the frame is a command or a response; tshark takes the older
    # frames, in which both are equal, for commands, and we for neither.
    if frame.destination_c != frame.source_c and frame.control & 3 == 3:
        assert ("ax25.ctl.u_cmd" in fields) is frame.command


def test_parameter_commands(tmp_path: Path) -> None:
    parameters = Parameters(
        txdelay_ms=500, persistence=0.5, slot_time_ms=100, tx_tail_ms=30, full_duplex=True
    )
    commands = Deframer().feed(parameters.commands(0) + kiss.RETURN_FRAME)
    records = [bytes([item.port << 4 | item.command]) + item.payload for item in commands]
    shown = {
        name: int(field.get("show", ""))
        for fields in dissected(records, tmp_path / "commands.pcap")
        for name, field in fields.items()
        if name.startswith("ax25_kiss.") and name not in ("ax25_kiss.cmd", "ax25_kiss.port")
    }
    # tshark prints the octets: tens of milliseconds, and P of (P + 1) / 256.
    assert shown == {
        "ax25_kiss.txdelay": 50,
        "ax25_kiss.persistence": 127,
        "ax25_kiss.slottime": 10,
        "ax25_kiss.txtail": 3,
        "ax25_kiss.fullduplex": 1,
    }

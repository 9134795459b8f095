"""Places: what positions, objects and items have in common, read and written.

Sources: APRS 1.2c ch. 5 to 9; a foreign reader, tshark, for what is written out.
"""

import subprocess
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness import require_tool
from radio.test_tshark import capture
from ridgepost.aprs import (
    DirectionFinding,
    EncodeError,
    Place,
    Position,
    PowerHeightGain,
    Precision,
    Timestamp,
    Unreadable,
    decode,
    encode_place,
)
from ridgepost.aprs.packet import Broken
from ridgepost.aprs.place import read_place, write_place
from ridgepost.radio.ax25 import Frame, encode


def test_offsets_are_those_of_the_information_field() -> None:
    head = b";LEADER   *092345z"
    placed = read_place(head + b"4903.50N/07201.75W>088/036Hi", len(head))
    assert placed.comment_at == len(head) + 19 + 7
    assert placed.place.comment == "Hi"
    with pytest.raises(Broken) as broken:
        read_place(head + b"4903.50N/07261.75W>", len(head))
    assert (broken.value.reason, broken.value.offset) == ("minutes_range", len(head) + 12)
    with pytest.raises(Broken) as broken:
        read_place(head, len(head))
    assert (broken.value.reason, broken.value.offset) == ("too_short", len(head))


# Ch. 8: 43 characters after the symbol code, those of an extension among them. Ch. 5: !DAO! may
# go beyond what is viewable.
@pytest.mark.parametrize(
    ("before", "room"), [("", 43), ("088/036", 36), ("PHG5132", 36), ("PHG51324/", 34)]
)
def test_length_of_the_comment(before: str, room: int) -> None:
    for text, conforming in [
        ("A" * room, True),
        ("A" * (room + 1), False),
        ("A" * room + "!W23!", True),
        ("A" * (room + 1) + "!W23!", False),
    ]:
        report = decode(f"!4903.50N/07201.75W#{before}{text}".encode())
        assert isinstance(report, Position)
        assert report.departures == (() if conforming else ("comment_too_long",))
        assert report.place.comment == text


def test_all_that_a_comment_can_hold() -> None:
    # Ch. 6 and 18, the base-91 telemetry proposal of 2012, and ch. 5.
    report = decode(b"!4903.50N/07201.75W>088/036146.520MHz Hi/A=001234|ss11|!W23!")
    assert isinstance(report, Position)
    place = report.place
    assert place.frequency is not None
    assert place.telemetry is not None
    assert place.precision == Precision(
        datum="WGS84", latitude_added_min=0.002, longitude_added_min=0.003
    )
    assert (place.frequency.frequency_mhz, place.altitude_ft) == (146.52, 1234)
    # From the digits: s is 115 - 33 = 82, 1 is 49 - 33 = 16.
    assert place.telemetry.telemetry_sequence == 82 * 91 + 82
    assert place.telemetry.telemetry_values == (16 * 91 + 16,)
    assert place.comment == "146.520MHz Hi/A=001234|ss11|!W23!"


def test_text_that_is_not_utf_8() -> None:
    report = decode(b"!4903.50N/07201.75W-Gr\xfc\xdfe /A=000100")  # ISO 8859-1
    assert isinstance(report, Position)
    assert (report.place.comment, report.place.text_encoding) == ("Grüße /A=000100", "latin-1")
    assert report.place.altitude_ft == 100


# --- encoding ------------------------------------------------------------------------------------


def _place(**fields: Any) -> Place:
    usual = {"latitude_deg": 49.0583333, "longitude_deg": -72.0291667, "symbol_table": "/"}
    return Place(**(usual | {"symbol_code": "-"} | fields))


# Examples of ch. 5 the other way round: 49 03.50352 N, 72 01.75715 W is !wAb!.
@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "written"),
    [
        (49 + 3.50352 / 60, -72 - 1.75715 / 60, b"4903.50N/07201.75W-Up!wAb!"),
        (-(49 + 3.50352 / 60), 72 + 1.75715 / 60, b"4903.50S/07201.75E-Up!wAb!"),
        # No rounding up: what is left out of the digits is added by the reader.
        (49 + 3.5099 / 60, -72 - 1.7599 / 60, b"4903.50N/07201.75W-Up!w{{!"),
        (-0.005 / 60, 0.005 / 60, b"0000.00S/00000.00E-Up!wNN!"),
        (90.0, -180.0, b"9000.00N/18000.00W-Up!w!!!"),
    ],
)
def test_precise(latitude_deg: float, longitude_deg: float, written: bytes) -> None:
    place = _place(latitude_deg=latitude_deg, longitude_deg=longitude_deg, comment="Up")
    assert write_place(place, precise=True) == written


def test_digits_in_the_comment_are_not_written_out_as_well() -> None:
    report = decode(b"!4903.50N/07201.75W-!W99!")
    assert isinstance(report, Position)
    # To the nearest hundredth it would be 03.51 and 01.76.
    assert write_place(report.place) == b"4903.50N/07201.75W-!W99!"


@pytest.mark.parametrize(
    ("fields", "written"),
    [
        ({"altitude_ft": 1234.4, "comment": "Hi"}, b"/A=001234Hi"),
        ({"altitude_ft": 1234.0, "comment": "Hi /A=001234"}, b"Hi /A=001234"),
        ({"altitude_ft": 999_999.0}, b"/A=999999"),
        ({"altitude_ft": -99_999.0}, b"/A=-99999"),
        ({"altitude_ft": 0.0}, b"/A=000000"),
        ({"altitude_ft": 99.0, "course_deg": 88.0, "speed_knots": 36.0}, b"088/036/A=000099"),
    ],
)
def test_altitude(fields: dict[str, Any], written: bytes) -> None:
    assert write_place(_place(**fields))[19:] == written


@pytest.mark.parametrize(
    ("fields", "precise", "reason"),
    [
        ({"altitude_ft": 1000.0, "comment": "Hi /A=001234"}, False, "altitude"),
        ({"altitude_ft": 1e6}, False, "altitude"),
        # Ch. 6, Altitude in Comment Text: six digits, or a minus and five.
        ({"altitude_ft": -100_000.0}, False, "altitude"),
        ({"altitude_ft": float("nan")}, False, "altitude"),
        ({"ambiguity_digits": 5}, False, "ambiguity"),
        ({"ambiguity_digits": -1}, False, "ambiguity"),
        ({"ambiguity_digits": 2}, True, "precision"),
        ({"comment": "!W23!"}, True, "precision"),
        ({"compressed": True}, True, "precision"),
        ({"altitude_ft": 1234.0, "comment": "A" * 35}, False, "comment_too_long"),
        ({"course_deg": 88.0, "comment": "A" * 37}, False, "comment_too_long"),
        ({"latitude_deg": 91.0}, True, "latitude_range"),
    ],
)
def test_not_sent(fields: dict[str, Any], precise: bool, reason: str) -> None:
    with pytest.raises(EncodeError) as refusal:
        write_place(_place(**fields), precise)
    assert refusal.value.reason == reason


_DEGREES = {"latitude_deg": st.floats(-90, 90), "longitude_deg": st.floats(-180, 180)}


@given(place=st.builds(_place, **_DEGREES))
def test_precision_to_a_foot(place: Place) -> None:
    read = read_place(write_place(place, precise=True), 0).place
    # Half a step of 1.10 ten-thousandths of a minute; the last one stands for twice as much.
    for name in _DEGREES:
        assert getattr(read, name) == pytest.approx(getattr(place, name), abs=0.000_11 / 60)
    assert read_place(write_place(read), 0).place == read


@given(
    place=st.builds(
        _place,
        **_DEGREES,
        compressed=st.booleans(),
        course_deg=st.integers(1, 89).map(lambda step: step * 4.0),
        speed_knots=st.integers(0, 999).map(float),
        altitude_ft=st.none() | st.integers(-99_999, 999_999).map(float),
        symbol_code=st.sampled_from("-->[jk"),
        comment=st.sampled_from(["", "Hello", "Grüße", "!W  !", "|ss11|"]),
    )
)
def test_round_trip(place: Place) -> None:
    info = encode_place(place)
    report = decode(info)
    assert isinstance(report, Position)
    assert report.conforming
    told = report.place
    assert (told.course_deg, told.altitude_ft) == (place.course_deg, place.altitude_ft)
    # Ch. 9: "Speed is accurate ... within 3% at 600 mph", or to half of its last step below.
    assert place.speed_knots is not None
    near_knots = max(0.5, place.speed_knots * 0.04) if place.compressed else 0.0
    assert told.speed_knots == pytest.approx(place.speed_knots, abs=near_knots)
    assert told.comment.endswith(place.comment)
    near_deg = 1 / 190463 + 1e-9 if place.compressed else 0.5 / 6000 + 1e-9
    assert told.latitude_deg == pytest.approx(place.latitude_deg, abs=near_deg)
    assert told.longitude_deg == pytest.approx(place.longitude_deg, abs=near_deg)
    # What was read is at a whole digit: it comes back as it was.
    assert encode_place(told) == info


@given(st.binary(max_size=80), st.integers(0, 90))
def test_anything_is_read_or_broken(octets: bytes, start: int) -> None:
    offset = 0
    try:
        offset = read_place(octets, start).comment_at
    except Broken as broken:
        offset = broken.offset
    assert 0 <= offset <= max(len(octets), start)


def test_cut_off_anywhere() -> None:
    for info in (
        b"@092345z4903.50N/07201.75W\\088/036/270/729/A=001234|ss11|!wAb!",
        b"@092345z/5L!!<*e7>7P[/A=001234",
    ):
        kinds = [decode(info[:length]).kind for length in range(1, len(info) + 1)]
        first = kinds.index("position")
        assert set(kinds[:first]) == {"unreadable"}
        assert set(kinds[first:]) == {"position"}
        assert isinstance(decode(info[: first - 1]), Unreadable)


# --- a foreign reader ----------------------------------------------------------------------------

_EXTENDED = (
    (
        {"course_deg": 88.0, "speed_knots": 36.0, "comment": "Hi"},
        {"aprs.msg.cse": "088", "aprs.msg.spd": "036", "aprs.comment": "Hi"},
    ),
    (
        {
            "extension": PowerHeightGain(
                power_w=25, antenna_height_ft=20, antenna_gain_dbi=3, directivity_deg=90
            )
        },
        {
            "aprs.msg.phg.p": "5",
            "aprs.msg.phg.h": "1",
            "aprs.msg.phg.g": "3",
            "aprs.msg.phg.d": "2",
        },
    ),
    (
        {
            "extension": DirectionFinding(
                signal_strength_s=2,
                antenna_height_ft=80,
                antenna_gain_db=6,
                directivity_omni=True,
            )
        },
        {
            "aprs.msg.dfs.s": "2",
            "aprs.msg.dfs.h": "3",
            "aprs.msg.dfs.g": "6",
            "aprs.msg.dfs.d": "0",
        },
    ),
    ({"comment": "Hello there"}, {"aprs.comment": "Hello there"}),
)
_TIMES = (
    (None, {}),
    (
        Timestamp(day=9, hour=23, minute=45, time_zone="zulu"),
        {"aprs.dhm": "092345z", "aprs.tz": "zulu"},
    ),
    (
        Timestamp(hour=23, minute=45, second=17, time_zone="zulu"),
        {"aprs.hms": "234517h"},
    ),
)


# Compressed positions are not read by the tshark of 2023, and those with a bearing are misread.
def test_tshark_reads_what_we_write(tmp_path: Path) -> None:
    infos: list[bytes] = []
    expected: list[dict[str, str]] = []
    for fields, in_fields in _EXTENDED:
        for time, in_time in _TIMES:
            infos.append(encode_place(_place(**fields), time=time))
            expected.append(
                {
                    "aprs.dti": "@" if time else "=",
                    "aprs.position.lat": "4903.50N",
                    "aprs.position.long": "07201.75W",
                    "aprs.sym_id": "/",
                    "aprs.sym_code": "-",
                    **in_fields,
                    **in_time,
                }
            )
    records = [
        b"\x00" + encode(Frame(source="QZ1SAG-7", destination="APZ001", info=info))
        for info in infos
    ]
    path = tmp_path / "places.pcap"
    path.write_bytes(capture(records))
    run = subprocess.run(
        [
            require_tool("tshark"),
            *("-n", "-r", str(path), "-T", "pdml", "-o", "ax25_nol3.showaprs:TRUE"),
        ],
        capture_output=True,
        check=True,
        timeout=60,
    )
    shown = [
        {field.get("name", ""): field.get("show", "") for field in packet.iter("field")}
        for packet in ET.fromstring(run.stdout).findall("packet")
    ]
    assert [
        {name: fields.get(name) for name in expect}
        for fields, expect in zip(shown, expected, strict=True)
    ] == expected


# APRS 1.2c ch. 6, Altitude in Comment Text: /A=aaaaaa, six characters of which a sign is one.
@pytest.mark.parametrize(
    ("altitude_ft", "written"), [(-99_999.0, b"/A=-99999"), (999_999.0, b"/A=999999")]
)
def test_altitudes_use_all_six_characters(altitude_ft: float, written: bytes) -> None:
    place = Place(
        latitude_deg=49.0,
        longitude_deg=-72.0,
        symbol_table="/",
        symbol_code="-",
        altitude_ft=altitude_ft,
    )
    assert written in write_place(place)


@given(
    st.integers(0, 9099),
    st.integers(0, 18099),
    st.integers(0, 99),
    st.sampled_from("NS"),
    st.sampled_from("EW"),
    st.sampled_from(["", "088/036", "PHG5132", "088/036/A=001234!W23!", "Rest stop", "|ss112233|"]),
)
def test_usual_coordinates_are_read_like_unusual_ones(
    north: int, east: int, hundredths: int, letter: str, side: str, rest: str
) -> None:
    """A small letter of the hemisphere departs from the standard and means the same, and what
    departs is read octet by octet."""
    text = f"{north:04}.{hundredths:02}{{}}/{east:05}.{hundredths:02}{side}>{rest}"
    usual = decode(f"!{text.format(letter)}".encode())
    unusual = decode(f"!{text.format(letter.lower())}".encode())
    if isinstance(unusual, Unreadable):
        assert isinstance(usual, Unreadable)
        assert (usual.reason, usual.offset) == (unusual.reason, unusual.offset)
    else:
        assert isinstance(usual, Position)
        assert isinstance(unusual, Position)
        assert usual.place == unusual.place
        assert usual.departures == ()
        assert unusual.departures == ("lower_case_hemisphere",)

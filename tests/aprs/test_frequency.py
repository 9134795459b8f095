"""Frequencies in comments and names. Worked examples and formats: APRS 1.2c ch. 18."""

from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from ridgepost.aprs.frequency import (
    read_frequency,
    read_frequency_name,
    read_object_frequency,
)
from ridgepost.aprs.parts import Frequency

# By definition.
_KM_PER_MILE = 1.609344


def _said(frequency: Frequency | None) -> dict[str, Any]:
    """What differs from a frequency that says nothing."""
    assert frequency is not None
    nothing = Frequency()
    return {
        name: getattr(frequency, name)
        for name in frequency.__struct_fields__
        if getattr(frequency, name) != getattr(nothing, name)
    }


# "Examples" of ch. 18 as printed, and what is said beside each. Where it errs on a tone (T107 is
# called 107.2 and 107.3, T067 67.8), the tone is the one in use: 107.2 and 67.0 Hz.
_EXAMPLES = [
    ("146.52 MHz Enroute Alabama", {"frequency_mhz": 146.52}),
    ("147.105MHz AARC Radio Club", {"frequency_mhz": 147.105}),
    (
        "146.82 MHz T107 AARC Repeater",
        {"frequency_mhz": 146.82, "tone_hz": 107.2, "narrow": False},
    ),
    (
        "146.835MHz C107 R25m AARC",
        {
            "frequency_mhz": 146.835,
            "tone_hz": 107.2,
            "tone_squelch": True,
            "narrow": False,
            "voice_range_miles": 25,
        },
    ),
    (
        "146.805MHz D256 R25k Repeater",
        {
            "frequency_mhz": 146.805,
            "digital_code": "256",
            "narrow": False,
            "voice_range_miles": pytest.approx(25 / _KM_PER_MILE),
        },
    ),
    (
        "146.40 MHz T067 +100 Repeater",
        {"frequency_mhz": 146.4, "tone_hz": 67.0, "narrow": False, "offset_mhz": 1.0},
    ),
    (
        "442.440MHz T107 -500 Repeater",
        {"frequency_mhz": 442.44, "tone_hz": 107.2, "narrow": False, "offset_mhz": -5.0},
    ),
    ("145.50 MHz t077 Simplex", {"frequency_mhz": 145.5, "tone_hz": 77.0, "narrow": True}),
]


@pytest.mark.parametrize(("comment", "expect"), _EXAMPLES)
def test_examples(comment: str, expect: dict[str, Any]) -> None:
    assert _said(read_frequency(comment)) == expect


# "2nd 10-BYTES Optional Added fields" of ch. 18, with numbers in the places of its letters.
_FIELDS = [
    ("C088 -060", {"tone_hz": 88.5, "tone_squelch": True, "narrow": False, "offset_mhz": -0.6}),
    (
        "1750 R10k",
        {
            "tone_hz": 1750,
            "tone_burst": True,
            "narrow": False,
            "voice_range_miles": pytest.approx(10 / _KM_PER_MILE),
        },
    ),
    (
        "l750 R10k",
        {
            "tone_hz": 1750,
            "tone_burst": True,
            "narrow": True,
            "voice_range_miles": pytest.approx(10 / _KM_PER_MILE),
        },
    ),
    ("Toff -000", {"no_tone": True, "narrow": False, "offset_mhz": 0.0}),
    ("T123 +060", {"tone_hz": 123.0, "narrow": False, "offset_mhz": 0.6}),
    ("T123 +990", {"tone_hz": 123.0, "narrow": False, "offset_mhz": 9.9}),
    ("E20m W30m", {"voice_range_east_miles": 20, "voice_range_west_miles": 30}),
    ("N20m S30m", {"voice_range_north_miles": 20, "voice_range_south_miles": 30}),
    ("c067 R05m", {"tone_hz": 67.0, "tone_squelch": True, "narrow": True, "voice_range_miles": 5}),
    ("d023 R05m", {"digital_code": "023", "narrow": True, "voice_range_miles": 5}),
    ("446.025rx hi", {"receive_mhz": 446.025}),
    # A packet gateway: "The baud rate is inserted in place of the TONE".
    ("1200 +060 hi", {"data_rate_baud": 1200, "offset_mhz": 0.6}),
    (
        "T107 +060 R25m hi",
        {"tone_hz": 107.2, "narrow": False, "offset_mhz": 0.6, "voice_range_miles": 25},
    ),
]


@pytest.mark.parametrize(("fields", "expect"), _FIELDS)
def test_fields(fields: str, expect: dict[str, Any]) -> None:
    assert _said(read_frequency(f"147.105MHz {fields}")) == {"frequency_mhz": 147.105, **expect}


# Tones "always drop the tenths": T079 is 79.7 Hz, T088, C067 and T156 are valid (ch. 18); their
# tenths are those of the 50 tones of TIA-603 (from memory).
@pytest.mark.parametrize(
    ("field", "tone_hz"),
    [("T079", 79.7), ("T088", 88.5), ("T156", 156.7), ("T100", 100.0), ("T254", 254.1)],
)
def test_tones(field: str, tone_hz: float) -> None:
    assert _said(read_frequency(f"146.94 MHz {field}"))["tone_hz"] == tone_hz


# "MICROWAVES" of ch. 18: two methods, and the whole table of the second.
@pytest.mark.parametrize(
    ("written", "mhz"),
    [
        ("1.296GHz", 1296),
        ("  1.296GHz", 1296),
        ("A96.000MHz", 1296),
        ("B20.000MHz", 2320),
        ("C01.000MHz", 2401),
        ("D01.000MHz", 3401),
        ("E51.000MHz", 5651),
        ("F60.000MHz", 5760),
        ("G30.000MHz", 5830),
        ("H01.000MHz", 10101),
        ("I01.000MHz", 10201),
        ("J68.000MHz", 10368),
        ("K01.000MHz", 10401),
        ("L01.000MHz", 10501),
        ("M48.000MHz", 24048),
        ("N01.000MHz", 24101),
        ("O01.000MHz", 24201),
        ("A96.125MHz", 1296.125),
    ],
)
def test_microwaves(written: str, mhz: float) -> None:
    assert _said(read_frequency(f"{written} CW")) == {"frequency_mhz": mhz}


# "Case should be case insensitive on receipt"; a delimiter of " " or "/" may come first (OTHER
# COMBINATIONS). A blank before the unit of 146.520 is how people write.
@pytest.mark.parametrize(
    "comment",
    [
        "146.520mhz",
        "146.520MHZ hi",
        "/146.520MHz",
        " 146.520MHz hi",
        "146.520 MHz",
        "146.52MHz",
        "/A=001234146.520MHz",
        "/A=001234/146.520MHz",
        "146.520MHz!w5:!",
    ],
)
def test_as_people_and_programs_write_it(comment: str) -> None:
    assert _said(read_frequency(comment)) == {"frequency_mhz": 146.52}


# D-STAR STATION FORMATS of ch. 18; the repeater has eight characters.
@pytest.mark.parametrize(
    ("comment", "expect"),
    [
        ("145.670MHz D-STAR hi", {"frequency_mhz": 145.67, "digital_voice": True}),
        (
            "145.670MHz D-STAR>QZ1ABC A hi",
            {"frequency_mhz": 145.67, "digital_voice": True, "access_repeater": "QZ1ABC A"},
        ),
        (
            "145.670MHz -060 D-STAR>QZ1ABC A hi",
            {
                "frequency_mhz": 145.67,
                "offset_mhz": -0.6,
                "digital_voice": True,
                "access_repeater": "QZ1ABC A",
            },
        ),
        ("D-STAR>QZ1ABC A hi", {"digital_voice": True, "access_repeater": "QZ1ABC A"}),
    ],
)
def test_digital_voice(comment: str, expect: dict[str, Any]) -> None:
    assert _said(read_frequency(comment)) == expect


@pytest.mark.parametrize(
    "comment",
    [
        "",
        "Net on 146.520MHz",  # not in the first ten characters
        "146.520",  # "MHz" is required
        "146.520MHzx",
        "000.000MHz",  # from memory: what some radios send without a frequency
        "T107 R25m hi",  # only under a name that is a frequency
        "D-STAR hi",
        "A9B.000MHz",
        "\u212a01.000MHz",  # the sign of kelvin, which is K without case
        "１４６.520MHz",  # digits that are no ASCII
    ],
)
def test_what_is_no_frequency(comment: str) -> None:
    assert read_frequency(comment) is None


# Words that look like fields from afar; and each field counts once.
@pytest.mark.parametrize(
    "rest", ["T1077 hi", "R25miles", "+60", "D999", "T107hi", "Turn 107", "  text T107", "Rxxm"]
)
def test_text_is_no_field(rest: str) -> None:
    assert _said(read_frequency(f"146.520MHz {rest}")) == {"frequency_mhz": 146.52}


def test_second_field_of_a_kind_is_text() -> None:
    said = _said(read_frequency("146.520MHz T107 T123 +060"))
    assert said == {"frequency_mhz": 146.52, "tone_hz": 107.2, "narrow": False}


# OBJECT NAMES of ch. 18: the four forms, a name as in the examples, and names of other objects.
@pytest.mark.parametrize(
    ("name", "mhz"),
    [
        ("147.105-z", 147.105),
        ("147.105yz", 147.105),
        ("146.94-yz", 146.94),
        ("146.94xyz", 146.94),
        ("147.105md", 147.105),
        ("146.94", 146.94),
        ("EL-123456", None),
        ("IRLP-1234", None),
        ("WL-QZ9XYZ", None),
        ("146", None),
        ("146.9xyz", None),
        ("1146.94xy", None),
        ("146.94.1", None),
        ("000.00xyz", None),
    ],
)
def test_names(name: str, mhz: float | None) -> None:
    frequency = read_frequency_name(name)
    assert (frequency and frequency.frequency_mhz) == mhz


# "Example object comments" and the rule for two frequencies of ch. 18.
@pytest.mark.parametrize(
    ("name", "comment", "expect"),
    [
        (
            "147.105md",
            "T107 +060 R25m text.",
            {
                "frequency_mhz": 147.105,
                "tone_hz": 107.2,
                "narrow": False,
                "offset_mhz": 0.6,
                "voice_range_miles": 25,
            },
        ),
        (
            "146.94-yz",
            "T079 -000 hi",
            {"frequency_mhz": 146.94, "tone_hz": 79.7, "narrow": False, "offset_mhz": 0.0},
        ),
        ("146.94xyz", "Net Tu9PM", {"frequency_mhz": 146.94}),
        # The comment's is the split receive frequency ...
        ("146.94xyz", "446.100MHz hi", {"frequency_mhz": 146.94, "receive_mhz": 446.1}),
        # ... unless it is listed twice for radios that read comments only.
        (
            "146.94xyz",
            "146.94 MHz T107",
            {"frequency_mhz": 146.94, "tone_hz": 107.2, "narrow": False},
        ),
        (
            "EL-123456",
            "438.700MHz T088 busy QZ1ABC",
            {"frequency_mhz": 438.7, "tone_hz": 88.5, "narrow": False},
        ),
    ],
)
def test_objects(name: str, comment: str, expect: dict[str, Any]) -> None:
    assert _said(read_object_frequency(name, comment)) == expect


def test_object_without_frequency() -> None:
    assert read_object_frequency("Leader", "T107 R25m") is None


@given(st.text(max_size=30), st.text("0123456789.MHzTCDRkm+-offrx AGw/=", max_size=40))
@example("\u212a01.000MHz", "")
def test_any_text_is_read(text: str, likely: str) -> None:
    for comment in (text, likely, "146.520MHz " + likely):
        read_frequency(comment)
        read_frequency_name(comment)
    frequency = read_object_frequency("146.52", likely)
    assert frequency is not None
    assert frequency.frequency_mhz == 146.52

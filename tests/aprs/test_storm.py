"""Tropical storms in objects and positions.

Check values: vectors/weather.toml (APRS 1.2c ch. 12, Storm Data).
"""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aprs.expectations import told, wanted
from checkvalues import cases, input_octets
from ridgepost.aprs import decode
from ridgepost.aprs.storm import read_storm

Case = dict[str, Any]

_STORM_FIELDS = (
    "sustained_wind_knots",
    "gust_knots",
    "central_pressure_hpa",
    "radius_hurricane_nm",
    "radius_tropical_storm_nm",
    "radius_whole_gale_nm",
)


def _is_storm(case: Case) -> bool:
    return "storm_type" in case["expect"]


@pytest.mark.parametrize("case", cases("weather", "decode", where=_is_storm))
def test_decode(case: Case) -> None:
    report = decode(input_octets(case))
    assert told(report, case["expect"]) == wanted(case["expect"])
    absent = {key: None for key in _STORM_FIELDS if key not in case["expect"]}
    assert told(report, absent) == absent


# The widths of the fields are those of the table of APRS 1.2c ch. 12.
@given(
    code=st.sampled_from(["TS", "HC", "TD"]),
    values=st.tuples(*(st.integers(0, 10**width - 1) | st.none() for width in (3, 3, 4, 3, 3, 3))),
    gale=st.booleans(),
    comment=st.binary(max_size=20),
    blank=st.sampled_from([".", " "]),
)
def test_fields(
    *, code: str, values: tuple[int | None, ...], gale: bool, comment: bytes, blank: str
) -> None:
    heads, widths = "/^/>&%", (3, 3, 4, 3, 3, 3)
    written = [
        head + (blank * width if value is None else f"{value:0{width}d}")
        for head, width, value in zip(heads, widths, values, strict=True)
    ]
    field = f"/{code}{''.join(written if gale else written[:-1])}".encode()
    # Without the last radius a comment that starts with % could be taken for it.
    found = read_storm(field + (comment if gale else b""))
    assert found is not None
    storm, length = found
    assert length == len(field)
    assert storm.storm_type_code == code
    expected = values if gale else (*values[:-1], None)
    assert tuple(getattr(storm, name) for name in _STORM_FIELDS) == expected


# Not of the form of the table: nothing is made up.
@pytest.mark.parametrize(
    "field",
    [
        b"",
        b"/HC/150^200/0980>090",
        b"/HC/150^200/980>090&030%040",  # three digits of pressure: the change of edition 1.0.1
        b"/XX/150^200/0980>090&030%040",
        b"HC/150^200/0980>090&030%040",
        b"/HC/15 ^200/0980>090&030%040",
        b" /HC/150^200/0980>090&030%040",
    ],
)
def test_no_storm(field: bytes) -> None:
    assert read_storm(field) is None


def test_comment_after_a_storm() -> None:
    found = read_storm(b"/TS/050^060/0995>000&030%12 miles off")
    assert found is not None
    storm, length = found
    assert (storm.radius_whole_gale_nm, length) == (None, len(b"/TS/050^060/0995>000&030"))

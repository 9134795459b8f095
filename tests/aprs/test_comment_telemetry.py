"""Base-91 telemetry in comments.

Check values: vectors/telemetry.toml (base-91 comment telemetry, 2012).
"""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aprs.expectations import told, wanted
from checkvalues import cases, input_octets
from ridgepost.aprs import EncodeError, Position, decode
from ridgepost.aprs.comment_telemetry import (
    encode_comment_telemetry,
    next_telemetry_sequence,
    read_comment_telemetry,
)
from ridgepost.aprs.parts import CommentTelemetry

Case = dict[str, Any]

_NAMES = {
    "sequence": "telemetry_sequence",
    "digital": "telemetry_digital",
    "digital_value": "telemetry_digital_value",
    "comment_before": "comment_before",
}


def _is_whole_packet(case: Case) -> bool:
    return bool(case["input"].startswith("!"))


def _told(telemetry: CommentTelemetry | None, key: str) -> Any:
    if key == "kind":
        return telemetry and "base91_telemetry"
    if key == "valid":
        return telemetry is not None
    if key == "values":
        return telemetry and list(telemetry.telemetry_values)
    return getattr(telemetry, _NAMES[key], None)


@pytest.mark.parametrize("case", cases("telemetry", "decode_base91"))
def test_read(case: Case) -> None:
    telemetry = read_comment_telemetry(input_octets(case))
    # Wherever the comment starts, the telemetry in it is the same.
    in_comment = {"kind", "valid", "sequence", "values", "digital", "digital_value"}
    if not _is_whole_packet(case):
        in_comment.add("comment_before")
    expect = {key: value for key, value in case["expect"].items() if key in in_comment}
    # "valid = false": the wording of the reason is free, and the text stays ordinary comment.
    assert {key: _told(telemetry, key) for key in expect} == expect
    if "dao" in case["expect"]:
        octets = input_octets(case)
        assert octets.split(b"|")[2] == case["expect"]["dao"].encode()
    if telemetry and "digital" not in case["expect"]:
        assert telemetry.telemetry_digital is None


@pytest.mark.parametrize("case", cases("telemetry", "decode_base91", where=_is_whole_packet))
def test_decode(case: Case) -> None:
    report = decode(input_octets(case))
    assert isinstance(report, Position)
    place = report.place
    asked = {key: (lambda _, key=key: _told(place.telemetry, key)) for key in (*_NAMES, "values")}
    expect = case["expect"]
    told_of = told(report, expect, {**asked, "kind": lambda _: _told(place.telemetry, "kind")})
    # vectors/README.md: speeds within 0.05.
    speed = {key: pytest.approx(expect[key], abs=0.05) for key in expect if key == "speed_knots"}
    assert told_of == {**wanted(expect), **speed}


@pytest.mark.parametrize("case", cases("telemetry", "next_sequence"))
def test_next_sequence(case: Case) -> None:
    assert next_telemetry_sequence(int(case["input"])) == case["expect"]["next_sequence"]


# Sec. 3.2 and 3.3: telemetry comes after the text, and a text may have | in it as well.
@pytest.mark.parametrize(
    ("comment", "before", "values"),
    [
        (b"on|off|ss11|", b"on|off", (1472,)),
        (b"|!!!!|ss11|", b"|!!!!", (1472,)),
        (b"|ss11|!wr8!|3", b"", (1472,)),  # a type code with |, sec. 3.11.1
        (b"|ss11||3", b"", (1472,)),
        (b"caf\xe9|ss11|", b"caf\xe9", (1472,)),
    ],
)
def test_where_it_stands(comment: bytes, before: bytes, values: tuple[int, ...]) -> None:
    telemetry = read_comment_telemetry(comment)
    assert telemetry is not None
    assert telemetry.comment_before == before.decode("latin-1")
    assert telemetry.telemetry_values == values


_NUMBERS = st.integers(0, 8280)


@given(
    sequence=_NUMBERS,
    values=st.lists(_NUMBERS, min_size=1, max_size=5),
    digital=st.text("01", min_size=8, max_size=8),
    before=st.text(max_size=20),
    after=st.sampled_from(["", "!W23!", "!wr8!|3", "|3"]),
)
def test_round_trip(
    *, sequence: int, values: list[int], digital: str, before: str, after: str
) -> None:
    bits = digital if len(values) == 5 else None
    octets = encode_comment_telemetry(sequence, values, bits)
    # Sec. 3.4: two octets each, and the two delimiters.
    assert len(octets) == 2 + 2 * (1 + len(values) + (bits is not None))
    telemetry = read_comment_telemetry(before.encode() + octets + after.encode())
    assert telemetry == CommentTelemetry(
        telemetry_sequence=sequence,
        telemetry_values=tuple(values),
        telemetry_digital_value=None if bits is None else int(bits[::-1], 2),
        telemetry_digital=bits,
        comment_before=before,
    )


@given(st.binary(max_size=60) | st.lists(st.sampled_from([b"|", b"ss", b"1", b"}"])).map(b"".join))
def test_what_is_read_can_be_written(comment: bytes) -> None:
    telemetry = read_comment_telemetry(comment)
    if telemetry is None:
        return
    reserved = (telemetry.telemetry_digital_value or 0) > 255
    octets = encode_comment_telemetry(
        telemetry.telemetry_sequence, telemetry.telemetry_values, telemetry.telemetry_digital
    )
    assert reserved or octets in comment


# Sec. 3.4, 3.7, 3.8 and 3.9.
@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        ((0, []), "channel_count"),
        ((0, [0] * 6), "channel_count"),
        ((0, [0], "00000000"), "channel_count"),
        ((8281, [0]), "value_range"),
        ((-1, [0]), "value_range"),
        ((0, [8281]), "value_range"),
        ((0, [-1]), "value_range"),
        ((0, [0] * 5, "0000000"), "bits"),
        ((0, [0] * 5, "00000002"), "bits"),
    ],
)
def test_not_sent(arguments: tuple[Any, ...], reason: str) -> None:
    with pytest.raises(EncodeError) as refusal:
        encode_comment_telemetry(*arguments)
    assert refusal.value.reason == reason


# Sec. 3.10: the examples, written.
@pytest.mark.parametrize(
    ("sequence", "values", "digital", "octets"),
    [
        (7544, [1472], None, b"|ss11|"),
        (7544, [1472, 1564, 1656], None, b"|ss112233|"),
        (7544, [1472, 1564, 1656, 1748, 1840], "10000000", b'|ss1122334455!"|'),
        (0, [0], None, b"|!!!!|"),
    ],
)
def test_encode(sequence: int, values: list[int], digital: str | None, octets: bytes) -> None:
    assert encode_comment_telemetry(sequence, values, digital) == octets

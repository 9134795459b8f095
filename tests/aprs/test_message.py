"""Messages, bulletins, radiogram lines, queries and capabilities.

Check values: vectors/message.toml, which names the chapter of APRS 1.2c for each.
"""

import re
import urllib.parse
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from aprs.expectations import told, wanted
from checkvalues import cases, input_octets
from ridgepost.aprs import (
    MAX_TEXT,
    Ack,
    Addressed,
    Announcement,
    Bulletin,
    EncodeError,
    GroupBulletin,
    Message,
    NtsLine,
    Rej,
    TelemetryDefinition,
    Unreadable,
    WeatherServiceBulletin,
    bulletin_key,
    decode,
    duplicate_key,
    encode_ack,
    encode_bulletin,
    encode_message,
    encode_rej,
    is_group_addressee,
    valid_message_id,
)

Case = dict[str, Any]


def _options(text: str) -> dict[str, str]:
    """The key=value pairs of an encode case; a value runs to the next key, quotes are taken off."""
    text, percent_coded, _ = text.partition(" (percent-coded)")
    pairs = re.findall(r"(\w+)=(.*?)(?= \w+=|$)", text)
    values = {key: value.strip('"') for key, value in pairs}
    if percent_coded:
        values = {key: urllib.parse.unquote(value) for key, value in values.items()}
    return values


def _encode(options: dict[str, str]) -> bytes:
    if "ack" in options:
        return encode_ack(options["addressee"], options["ack"])
    return encode_message(
        options["addressee"],
        options["text"],
        options.get("number"),
        reply_capable="old_form" not in options,
        reply_ack=options.get("pending_ack"),
    )


@pytest.mark.parametrize("case", cases("message", "decode"))
def test_decode(case: Case) -> None:
    report = decode(input_octets(case))
    assert told(report, case["expect"]) == wanted(case["expect"])
    assert report.info == input_octets(case)


@pytest.mark.parametrize("case", cases("message", "encode"))
def test_encode(case: Case) -> None:
    assert _encode(_options(case["input"])) == case["expect"]["info"].encode()


@pytest.mark.parametrize("case", cases("message", "refuse_encode"))
def test_refuse_to_encode(case: Case) -> None:
    with pytest.raises(EncodeError) as refusal:
        _encode(_options(case["input"]))
    assert refusal.value.reason == case["expect"]["reason"]


@pytest.mark.parametrize("case", cases("message", "duplicate"))
def test_duplicate(case: Case) -> None:
    one, other = decode(input_octets(case)), decode(case["expect"]["duplicate_of"].encode())
    assert isinstance(one, Addressed)
    assert isinstance(other, Addressed)
    assert one.reply_ack != other.reply_ack
    same = duplicate_key("QZ1SRC", one) == duplicate_key("QZ1SRC", other)
    assert same is case["expect"]["duplicate"]


# APRS 1.2c ch. 14, New Message Number Format, step 3: the number and the text tell messages apart,
# and a number belongs to its sender.
@pytest.mark.parametrize(
    ("source", "info"),
    [
        ("QZ1SRC", b":QZ2DST   :Hello{13}"),
        ("QZ1SRC", b":QZ2DST   :Hullo{12}"),
        ("QZ1SRC", b":QZ3DST   :Hello{12}"),
        ("QZ1SRC", b":QZ2DST   :Hello"),
        ("QZ9SRC", b":QZ2DST   :Hello{12}"),
    ],
)
def test_not_a_duplicate(source: str, info: bytes) -> None:
    one, other = decode(b":QZ2DST   :Hello{12}"), decode(info)
    assert isinstance(one, Addressed)
    assert isinstance(other, Addressed)
    assert duplicate_key("QZ1SRC", one) != duplicate_key(source, other)


@pytest.mark.parametrize("case", cases("message", "bulletin_replace"))
def test_bulletin_replacement(case: Case) -> None:
    new, old = decode(input_octets(case)), decode(case["expect"]["replaces"].encode())
    assert isinstance(new, Bulletin)
    assert isinstance(old, Bulletin)
    replaced = bulletin_key("QZ1SRC", new) == bulletin_key("QZ1SRC", old)
    assert replaced is case["expect"]["replaced"]


# APRS 1.2c ch. 14, Replacement: the same identifier from the same station.
@pytest.mark.parametrize(
    ("source", "info"),
    [
        ("QZ9SRC", b":BLN3     :Snow over"),
        ("QZ1SRC", b":BLN4     :Snow over"),
        ("QZ1SRC", b":BLN3WX   :Snow over"),
    ],
)
def test_another_line_of_the_board(source: str, info: bytes) -> None:
    old, new = decode(b":BLN3     :Snow expected in Tampa RSN"), decode(info)
    assert isinstance(old, Bulletin)
    assert isinstance(new, Bulletin | GroupBulletin)
    assert bulletin_key("QZ1SRC", old) != bulletin_key(source, new)


# APRS 1.2c ch. 14: Message Groups, General Bulletins, Announcements, Group Bulletins and National
# Weather Service Bulletins; and stations that only look like one of these.
@pytest.mark.parametrize(
    ("addressee", "is_group"),
    [
        ("ALL", True),
        ("QST", True),
        ("CQ", True),
        ("BLN0", True),
        ("BLN9", True),
        ("BLNA", True),
        ("BLNZ", True),
        ("BLN4WX", True),
        ("BLN0ABCDE", True),
        ("NWS-WARN", True),
        ("NWS-ADVIS", True),
        ("QZ1HUB", False),
        ("QZ1HUB-10", False),
        ("ALLY", False),
        ("CQ2", False),
        ("BLN", False),
        ("BLNq", False),
        ("NWS", False),
        ("NWS-", False),
        ("all", False),
        ("", False),
    ],
)
def test_group_addressee(addressee: str, is_group: bool) -> None:
    assert is_group_addressee(addressee) is is_group


# APRS 1.2c ch. 14, Message Groups: never acknowledged, whatever the sender asks for.
@pytest.mark.parametrize("addressee", ["ALL", "QST", "CQ", "BLN1", "BLNA", "BLN1WX", "NWS-WARN"])
def test_no_acknowledgement_from_a_group(addressee: str) -> None:
    report = decode(f":{addressee:9}:Hello{{12}}07".encode())
    assert isinstance(report, Addressed)
    assert (report.text, report.message_id, report.reply_ack) == ("Hello", "12", "07")
    assert not report.ack_expected


# APRS 1.2c ch. 14: one to five alphanumeric characters, no spaces.
@pytest.mark.parametrize(
    ("text", "valid"),
    [
        ("1", True),
        ("003", True),
        ("A1b2C", True),
        ("", False),
        ("123456", False),
        ("1 2", False),
        ("1}", False),
        ("a-b", False),
        ("é", False),
        ("１", False),
    ],
)
def test_valid_message_id(text: str, valid: bool) -> None:
    assert valid_message_id(text) is valid


# Departures from APRS 1.2c ch. 5 and ch. 14 that are read; the names are ours.
@pytest.mark.parametrize(
    ("info", "departures"),
    [
        (b":QZ2DST   :Hello{12}", ()),
        (b":QZ2DST   :Hello{12}\r", ("trailing_line_end",)),
        (b":QZ2DST   :Hello\r\n", ("trailing_line_end",)),
        (b":QZ2DST   :a{b{12}", ("brace_in_text",)),
        (b":QZ2DST   :Hello{12  ", ("trailing_blanks",)),
        (b":QZ2DST   :ack12  ", ("trailing_blanks",)),
        (b":QZ2DST   :Hello{", ("message_id_invalid",)),
        (b":QZ2DST   :a\x07b", ("control_characters",)),
        (b":qz 2     :Hello", ("addressee_characters",)),
        (b":QZ2DST   :" + b"A" * 68, ("text_too_long",)),
        (b":BLN1     :" + b"A" * 68, ("text_too_long",)),
        (b":NWS-WARN :" + b"A" * 168, ()),  # these have no limit
        (b":NWS-WARN :322010z,FLOOD", ("timestamp_unusable",)),
        (b":BLNAWX   :Hello", ("bulletin_id_not_a_digit",)),
        (b":QZ2DST   :?APRSP{12", ("message_id_on_query",)),
        (rb":QZ2DST   :NR\QZ1SRC\OCT 9 1830Z", ("nts_field_count",)),
        (rb":QZ2DST   :N1\ONE\TWO", ("nts_field_count",)),
        # Ch. 14, NTS Radiograms: four lines of an address.
        (rb":QZ2DST   :NA\ONE\TWO\THREE\FOUR", ()),
        (rb":QZ2DST   :NA\ONE\TWO\THREE\FOUR\FIVE", ("nts_field_count",)),
    ],
)
def test_departures(info: bytes, departures: tuple[str, ...]) -> None:
    report = decode(info)
    assert report.departures == departures
    assert not isinstance(report, Unreadable)


def test_characters_are_counted_not_octets() -> None:
    # APRS 1.2c ch. 14: 67 characters, printable ASCII or UTF-8.
    assert decode(encode_message("QZ2DST", "ü" * MAX_TEXT)).conforming


# APRS 1.2c ch. 14, NTS Radiograms: "lines in excess of 67 characters will be truncated".
def test_truncated_radiogram_line_names_what_is_left() -> None:
    report = decode(rb":QZ2DST   :N#\15\R\HXG\QZ1SRC\8")
    assert isinstance(report, NtsLine)
    assert (report.number, report.originator, report.check) == ("15", "QZ1SRC", "8")
    assert (report.place, report.time, report.date) == (None, None, None)


def test_radiogram_line_with_too_many_fields_names_none() -> None:
    report = decode(rb":QZ2DST   :NR\A\B\C\D\E")
    assert isinstance(report, NtsLine)
    assert report.nts_fields == ("A", "B", "C", "D", "E")
    assert report.received_from is None


# APRS 1.2c ch. 13: the four definitions.
@pytest.mark.parametrize("definition", ["PARM", "UNIT", "EQNS", "BITS"])
def test_telemetry_definition(definition: str) -> None:
    report = decode(f":QZ1SRC   :{definition}.1,2,3".encode())
    assert isinstance(report, TelemetryDefinition)
    assert (report.definition, report.text) == (definition, f"{definition}.1,2,3")


# APRS 1.2c ch. 14: the acknowledgement repeats the whole field, and the match is made on its first
# part (New Message Number Format, steps 4 and 7).
@pytest.mark.parametrize(
    ("field", "number", "reply_ack"), [("MM}AA", "MM", "AA"), ("MM}", "MM", None), ("7", "7", None)]
)
def test_answers_carry_the_field_they_answer(
    field: str, number: str, reply_ack: str | None
) -> None:
    for encode, kind in ((encode_ack, Ack), (encode_rej, Rej)):
        report = decode(encode("QZ1SRC-7", field))
        assert isinstance(report, kind)
        assert report.addressee == "QZ1SRC-7"
        assert report.acknowledged_id_field == field
        assert (report.acknowledged_id, report.reply_ack) == (number, reply_ack)


# What must not go on the air: APRS 1.2c ch. 14 (forms) and ch. 3 (256 octets in a frame).
@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        (("QZ2DST", "Hi", "123"), "number_too_long"),
        (("QZ2DST", "Hi", ""), "no_number"),
        (("QZ2DST", "Hi", "1é"), "illegal_character"),
        (("QZ2DST", "Hi", "12", True, "123"), "number_too_long"),
        (("QZ2DST", "Hi", "12", True, "}"), "illegal_character"),
        (("QZ2DST", "Hi", None, True, "07"), "reply_ack_not_possible"),
        (("QZ2DST", "Hi", "12", False, "07"), "reply_ack_not_possible"),
        (("QZ 2", "Hi"), "illegal_character"),
        (("QZ2DÉ", "Hi"), "illegal_character"),
        (("QZ2DST", "Hi\u2028there"), "illegal_character"),
        (("QZ2DST", "Hi\ud800"), "illegal_character"),
        (("QZ2DST", "Hi\x85"), "illegal_character"),
        (("QZ2DST", "😀" * MAX_TEXT), "text_too_long"),
        # Sent without a number this would acknowledge one of the addressee's messages.
        (("QZ2DST", "ack12"), "reads_as_acknowledgement"),
        (("QZ2DST", "rej1 "), "reads_as_acknowledgement"),
    ],
)
def test_message_not_sent(arguments: tuple[Any, ...], reason: str) -> None:
    with pytest.raises(EncodeError) as refusal:
        encode_message(*arguments)
    assert refusal.value.reason == reason


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        (("", "Hi"), "bulletin_id"),
        (("a", "Hi"), "bulletin_id"),
        (("10", "Hi"), "bulletin_id"),
        (("²", "Hi"), "bulletin_id"),
        (("A", "Hi", "WX"), "bulletin_id"),
        (("1", "Hi", "WEATHER"), "group_too_long"),
        (("1", "Hi", "W X"), "illegal_character"),
        (("1", "a{b"), "illegal_character"),
        (("1", "A" * 68), "text_too_long"),
    ],
)
def test_bulletin_not_sent(arguments: tuple[Any, ...], reason: str) -> None:
    with pytest.raises(EncodeError) as refusal:
        encode_bulletin(*arguments)
    assert refusal.value.reason == reason


@pytest.mark.parametrize(
    ("field", "reason"),
    [
        ("", "no_number"),
        ("123456", "number_too_long"),
        ("1234}5", "number_too_long"),
        ("1 2", "illegal_character"),
        ("}AA", "illegal_character"),
        ("é}", "illegal_character"),
    ],
)
def test_answer_not_sent(field: str, reason: str) -> None:
    for encode in (encode_ack, encode_rej):
        with pytest.raises(EncodeError) as refusal:
            encode("QZ1SRC", field)
        assert refusal.value.reason == reason


# --- what is sent is what is read (APRS 1.2c ch. 14) ---------------------------------------------

_ALPHANUMERIC = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789"
callsigns = st.from_regex(r"QZ[0-9][A-Z]{1,3}(-([1-9]|1[0-5]))?", fullmatch=True)
short_numbers = st.text(_ALPHANUMERIC, min_size=1, max_size=2)
texts = st.text(
    st.characters(exclude_categories=["Cc", "Cs", "Zl", "Zp"], exclude_characters="{"),
    max_size=MAX_TEXT,
).filter(lambda text: len(text.encode()) <= 200)


@given(
    addressee=callsigns,
    text=texts,
    message_id=st.none() | short_numbers,
    reply_capable=st.booleans(),
    reply_ack=st.none() | short_numbers,
    data=st.data(),
)
def test_message_round_trip(
    *,
    addressee: str,
    text: str,
    message_id: str | None,
    reply_capable: bool,
    reply_ack: str | None,
    data: st.DataObject,
) -> None:
    # These first letters mean something else than text: see the check values.
    assume(not text.startswith(("?", "PARM.", "UNIT.", "EQNS.", "BITS.", "N")))
    if message_id is None:
        assume(not text.startswith(("ack", "rej")))
    if message_id is None or not reply_capable:
        reply_ack = None
    if message_id is not None and not reply_capable:
        message_id = data.draw(st.text(_ALPHANUMERIC, min_size=1, max_size=5))
    report = decode(encode_message(addressee, text, message_id, reply_capable, reply_ack))
    assert isinstance(report, Message)
    assert report.conforming
    assert (report.addressee, report.text, report.text_octets) == (addressee, text, text.encode())
    assert (report.message_id, report.reply_ack) == (message_id, reply_ack)
    assert report.reply_capable is (None if message_id is None else reply_capable)
    assert report.ack_expected is (message_id is not None)


@given(
    callsigns, st.from_regex(r"[A-Za-z0-9]{1,5}|[A-Za-z0-9]{2}\}([A-Za-z0-9]{2})?", fullmatch=True)
)
def test_acknowledgement_round_trip(addressee: str, id_field: str) -> None:
    # The field comes from a message, so that the two directions fit each other.
    message = decode(f":QZ2DST   :Hello{{{id_field}".encode())
    assert isinstance(message, Message)
    assert message.message_id_field == id_field
    for encode, kind in ((encode_ack, Ack), (encode_rej, Rej)):
        report = decode(encode(addressee, message.message_id_field))
        assert isinstance(report, kind)
        assert report.conforming
        assert (report.addressee, report.acknowledged_id_field) == (addressee, id_field)
        assert report.acknowledged_id == message.message_id


@given(
    st.sampled_from("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"),
    texts,
    st.none() | st.from_regex(r"[A-Z0-9]{1,5}", fullmatch=True),
)
def test_bulletin_round_trip(bulletin_id: str, text: str, group: str | None) -> None:
    if not bulletin_id.isdigit():
        group = None
    report = decode(encode_bulletin(bulletin_id, text, group))
    assert isinstance(report, Bulletin | Announcement | GroupBulletin)
    assert report.conforming
    assert report.text == text
    assert is_group_addressee(report.addressee)
    if isinstance(report, GroupBulletin):
        assert (report.bulletin_id, report.group) == (bulletin_id, group)
    elif isinstance(report, Announcement):
        assert report.announcement_id == bulletin_id
    else:
        assert (report.bulletin_id, group) == (bulletin_id, None)


def test_end_of_validity_of_a_weather_warning() -> None:
    # vectors/message.toml: weather-service bulletin (the meaning of the time is from memory).
    report = decode(b":NWS-WATCH:312359z,FLOOD,AR_ASHLEY")
    assert isinstance(report, WeatherServiceBulletin)
    expires = report.expires_day, report.expires_hour, report.expires_minute
    assert expires == (31, 23, 59)


# APRS 1.2c ch. 14, NTS Radiograms: the layout of these lines, each with as many fields as it has.
@pytest.mark.parametrize("text", [rb"N1\ONE", rb"NR\QZ1SRC\OCT 9 1830Z\QZ3DST\OCT 9 1900Z"])
def test_a_whole_radiogram_line_departs_from_nothing(text: bytes) -> None:
    report = decode(b":QZ2DST   :" + text, "QZ1SRC", "APZ000")
    assert isinstance(report, NtsLine)
    assert report.departures == ()

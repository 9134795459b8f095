"""Asks: one request id is one ask with one answer, and a refusal says which field and why."""

import msgspec
import pytest

from ridgepost.station.asks import Ask, Cancel, Send
from ridgepost.station.records import Answered, OutboundChanged, Precedence, State
from ridgepost.station.tuning import Tuning
from station.rig import POST, SAG, SETUP, STEADY, UHF, US, Rig, other

SEND = Send(request="r1", to=SAG, text="Take one rider at the bridge")
replace = msgspec.structs.replace


def test_accepted() -> None:
    rig = Rig()
    answer = rig.ask(SEND)
    (change,) = [c for c in rig.of(OutboundChanged) if c.state is State.QUEUED]
    assert answer == Answered(
        request="r1",
        verb="send",
        digest=answer.digest,
        accepted=True,
        message=change.message,
        state="queued",
    )
    assert (change.to, change.text, change.expires_in_s) == (SAG, SEND.text, 7200.0)
    assert rig.station.open_messages == 1


def test_what_is_promised_is_in_the_log_before_the_promise() -> None:
    """So that whoever has the answer has the message, whatever happens next."""
    rig = Rig(up=False)
    rig.ask(SEND)
    kinds = [type(entry.record) for entry in rig.entries[-2:]]
    assert kinds == [OutboundChanged, Answered]


def test_the_same_request_is_one_ask() -> None:
    rig = Rig()
    first = rig.ask(SEND)
    rig.advance(3600)
    again = rig.ask(replace(SEND, reply_topic="desk/2", correlation=b"\x07"))
    assert again == replace(first, reply_topic="desk/2", correlation=b"\x07")
    assert len({change.message for change in rig.of(OutboundChanged)}) == 1
    counts = rig.station.totals()
    assert (counts.asks_accepted, counts.asks_repeated, counts.asks_refused) == (1, 1, 0)


def test_also_when_it_was_refused() -> None:
    rig = Rig()
    first = rig.ask(replace(SEND, to="nobody"))
    assert rig.ask(replace(SEND, to="nobody")) == first
    assert not first.accepted


@pytest.mark.parametrize(
    "different",
    [
        replace(SEND, to=POST),
        replace(SEND, text="Take two"),
        replace(SEND, precedence=Precedence.EMERGENCY),
        replace(SEND, lifetime_s=7200.0),
        Cancel(request="r1", message="a1b2c3.1.3"),
    ],
)
def test_another_ask_under_the_same_id_is_refused(different: Ask) -> None:
    rig = Rig()
    first = rig.ask(SEND)
    before = len(rig.of(OutboundChanged))
    refused = rig.ask(different)
    assert (refused.accepted, refused.field) == (False, "request")
    assert "different ask" in refused.why
    assert len(rig.of(OutboundChanged)) == before
    assert rig.ask(SEND) == first
    assert rig.station.totals().asks_refused == 1


def test_an_id_may_be_used_again_another_day() -> None:
    rig = Rig()
    first = rig.ask(SEND)
    rig.advance(86400)
    second = rig.ask(replace(SEND, text="Good morning"))
    assert second.accepted
    assert second.message != first.message
    assert rig.ask(replace(SEND, text="Good morning")).message == second.message


@pytest.mark.parametrize(
    ("change", "field", "why"),
    [
        ({"to": ""}, "to", "empty"),
        ({"to": "qz1sag"}, "to", "capital letters"),
        ({"to": "QZ1SAG-16"}, "to", "0 to 15"),
        ({"to": "QZ1SAGX"}, "to", "longer than 6"),
        ({"to": "*"}, "to", "capital letters"),
        ({"to": US}, "to", "own callsign"),
        ({"to": "ALL"}, "to", "group"),
        ({"to": "BLN1"}, "to", "group"),
        ({"to": "RACE"}, "to", "group"),
        ({"text": "x" * 550}, "text", "9 messages of 67"),
        ({"text": "{"}, "text", "must not contain {"),
        ({"text": "two\nlines"}, "text", "line break"),
        ({"text": "x" * 68 + "{"}, "text", "must not contain {"),
        ({"lifetime_s": 0.0}, "lifetime_s", "1 to 86400"),
        ({"lifetime_s": 86401.0}, "lifetime_s", "1 to 86400"),
        ({"lifetime_s": float("nan")}, "lifetime_s", "1 to 86400"),
        ({"lifetime_s": float("inf")}, "lifetime_s", "1 to 86400"),
    ],
)
def test_refused(change: dict[str, object], field: str, why: str) -> None:
    """67 characters, no brace: APRS 1.2c ch. 14, Message Format."""
    rig = Rig(replace(SETUP, groups=("RACE",)))
    answer = rig.ask(replace(SEND, **change))
    assert (answer.accepted, answer.field, answer.message) == (False, field, "")
    assert why in answer.why
    assert rig.station.open_messages == 0
    assert not rig.sent


def test_the_longest_text_fits_with_a_reply_ack() -> None:
    """67 characters of one octet; and as many of several as the frame has room for: 256 octets less
    ':addressee:' and '{MM}AA'."""
    rig = Rig()
    rig.hear_message(SAG, "hello", "99}")
    for request, text in [("a", "x" * 67), ("b", "\N{BICYCLE}" * 59 + "abc")]:
        answer = rig.ask(replace(SEND, request=request, text=text))
        assert answer.accepted, answer.why
        rig.advance(10)
        assert rig.sent[-1].info.endswith("}99")
        assert rig.ask(Cancel(request=f"{request} no", message=answer.message)).accepted


def test_ssid_zero_is_no_ssid() -> None:
    """AX.25 2.2 ch. 3: both are the same address."""
    rig = Rig()
    rig.ask(replace(SEND, to="QZ1SAG-0"))
    assert rig.of(OutboundChanged)[0].to == "QZ1SAG"


def test_refused_when_transmit_is_off() -> None:
    rig = Rig(replace(SETUP, transmit=False))
    answer = rig.ask(SEND)
    assert not answer.accepted
    assert "transmit" in answer.why


def test_refused_when_no_port_may_transmit() -> None:
    rig = Rig(replace(SETUP, ports=(replace(UHF, receive_only=True),)))
    assert not rig.ask(SEND).accepted


def test_refused_when_the_queue_is_full() -> None:
    rig = Rig(tuning=replace(STEADY, open_messages=3))
    messages = [rig.send(other(number)) for number in range(3)]
    answer = rig.ask(SEND)
    assert not answer.accepted
    assert "full" in answer.why
    rig.cancel(messages[0])
    assert rig.ask(replace(SEND, request="r2")).accepted


def test_a_long_text_takes_none_of_the_room_kept_for_the_urgent() -> None:
    """`kept_for_urgent`: of 20 places two are kept from ROUTINE traffic, in parts or not."""
    rig = Rig(tuning=replace(STEADY, open_messages=20), up=False)
    for number in range(17):
        rig.send(other(number))
    long = "one word after another and so on " * 3
    answer = rig.ask(replace(SEND, text=long))
    assert not answer.accepted
    assert "ROUTINE" in answer.why
    assert rig.ask(replace(SEND, request="r2")).accepted
    assert not rig.ask(replace(SEND, request="r3")).accepted
    urgent = replace(SEND, request="r4", precedence=Precedence.EMERGENCY)
    assert rig.ask(urgent).accepted


def test_a_day_is_the_longest_lifetime() -> None:
    """So that no message outlives the memory of its number."""
    assert Tuning().max_lifetime_s <= 86400.0
    assert Tuning().ask_memory_s >= Tuning().max_lifetime_s

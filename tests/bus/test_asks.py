"""Asks off the bus: whatever comes, the answer is an ask or a reason.

JSON is RFC 8259; topics, wildcards and strings are MQTT 5, 1.5.4 and 4.7 (from memory).
"""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ridgepost.bus.asks import MAX_CORRELATION, MAX_OCTETS, AskProblem, read_ask, reply_problem
from ridgepost.bus.topics import Topics
from ridgepost.station.asks import Bulletin, Cancel, Send, Withdraw
from ridgepost.station.records import Precedence

SEND = {"request": "r-1", "to": "QZ1SAG-9", "text": "Water at post 2"}
TOPICS = Topics("QZ1HUB-10")


def read(verb: str, content: Any) -> Any:
    return read_ask(verb, json.dumps(content).encode(), "reply/here", b"\x01")


def test_send() -> None:
    assert read("send", SEND | {"precedence": "PRIORITY", "lifetime_s": 600}) == Send(
        request="r-1",
        to="QZ1SAG-9",
        text="Water at post 2",
        precedence=Precedence.PRIORITY,
        lifetime_s=600.0,
        reply_topic="reply/here",
        correlation=b"\x01",
    )


def test_cancel() -> None:
    assert read("cancel", {"request": "r-2", "message": "a1b2c3.1.7"}) == Cancel(
        request="r-2", message="a1b2c3.1.7", reply_topic="reply/here", correlation=b"\x01"
    )


def test_bulletin_and_withdraw() -> None:
    content = {"request": "r-3", "line": "4WX", "text": "Fog", "lifetime_s": 60}
    assert read("bulletin", content) == Bulletin(
        request="r-3",
        line="4WX",
        text="Fog",
        lifetime_s=60.0,
        reply_topic="reply/here",
        correlation=b"\x01",
    )
    assert read("withdraw", {"request": "r-4", "line": "4WX"}) == Withdraw(
        request="r-4", line="4WX", reply_topic="reply/here", correlation=b"\x01"
    )
    for verb, wrong in [
        ("bulletin", {"line": 4}),
        ("bulletin", {"line": "1" * 17}),
        ("bulletin", {"text": "x" * 550}),
        ("withdraw", {"line": None}),
    ]:
        problem = read(verb, content | wrong)
        assert isinstance(problem, AskProblem)
        assert problem.request == "r-3"


@pytest.mark.parametrize(
    ("content", "field", "why"),
    [
        ([], "", "array"),
        (None, "", "null"),
        ({}, "", "request"),
        (SEND | {"to": 7}, "to", "int"),
        (SEND | {"text": None}, "text", "null"),
        (SEND | {"text": ["a"]}, "text", "array"),
        (SEND | {"lifetime_s": "600"}, "lifetime_s", "str"),
        (SEND | {"lifetime_s": True}, "lifetime_s", "bool"),
        (SEND | {"lifetime_s": 10**400}, "lifetime_s", "out of range"),
        (SEND | {"precedence": "priority"}, "precedence", "priority"),
        (SEND | {"repeat": 5}, "", "repeat"),
        ({"request": "r-1", "text": "x"}, "", "to"),
        (SEND | {"to": "Q" * 17}, "to", "16"),
        (SEND | {"text": "x" * 550}, "text", "549"),
        (SEND | {"request": ""}, "request", "1 to 64"),
        (SEND | {"request": "r/1"}, "request", "1 to 64"),
        (SEND | {"request": "r" * 65}, "request", "1 to 64"),
        (SEND | {"request": "r\u0660"}, "request", "1 to 64"),  # a digit, but not an ASCII one
    ],
)
def test_what_is_wrong_is_named(content: object, field: str, why: str) -> None:
    problem = read("send", content)
    assert isinstance(problem, AskProblem)
    assert (problem.verb, problem.field) == ("send", field)
    assert why in problem.why


@pytest.mark.parametrize(
    "payload", [b"", b"send", b"{", b"\xff\xfe\x00", bytes(100), b'{"request"']
)
@pytest.mark.parametrize("verb", ["send", "cancel"])
def test_no_json(verb: str, payload: bytes) -> None:
    problem = read_ask(verb, payload)
    assert isinstance(problem, AskProblem)
    assert problem.why.startswith("not a JSON object")


@pytest.mark.parametrize(
    "payload",
    [
        b'{"request":"r-1","to":"\xc3","text":"x"}',  # cut UTF-8
        b'{"request":"r-1","to":"Q","text":"\\ud800"}',  # half a surrogate pair
        b'{"request":"r-1","to":"Q","text":"x","lifetime_s":NaN}',  # RFC 8259 6 knows no NaN
        b"[" * MAX_OCTETS,
        b'{"request":' + b"[" * (MAX_OCTETS - 20),
        b'{"a":' * 700,
        b'{"request":"r-1","to":' + b"[" * (MAX_OCTETS - 40),
    ],
    ids=lambda payload: repr(payload[:40]),
)
@pytest.mark.parametrize("verb", ["send", "cancel", "other"])
def test_broken_inside(verb: str, payload: bytes) -> None:
    """Nested deeper than any reader follows, or no text: refused, whatever the reason given."""
    problem = read_ask(verb, payload)
    assert isinstance(problem, AskProblem)
    assert problem.why


def test_too_long_is_not_read() -> None:
    padding = " " * (MAX_OCTETS - len(json.dumps(SEND)))
    assert isinstance(read_ask("send", json.dumps(SEND).encode() + padding.encode()), Send)
    problem = read_ask("send", json.dumps(SEND).encode() + padding.encode() + b" ")
    assert problem == AskProblem("send", "", "", "longer than 4096 octets")


def test_request_is_kept_where_it_can_be_read() -> None:
    """Whoever asks finds the refusal by its request id."""
    assert read("send", SEND | {"to": 7}).request == "r-1"
    assert read("sned", SEND).request == "r-1"
    assert read("send", SEND | {"request": 5}).request == ""


@pytest.mark.parametrize("verb", ["", "sned", "SEND", "send ", "x" * 60000, "\x1b[2J", "\u202e"])
def test_unknown_verb_comes_back_short_and_printable(verb: str) -> None:
    """A topic level may hold 64 KiB of anything; the answer must not."""
    problem = read(verb, SEND)
    assert isinstance(problem, AskProblem)
    assert problem.why.startswith("no such ask; known are send, cancel, ")
    assert len(problem.verb) < 60
    assert problem.verb.isprintable()


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=20,
)


@given(st.sampled_from(["send", "cancel", "x"]), st.binary(max_size=5000))
def test_never_raises_on_octets(verb: str, payload: bytes) -> None:
    assert isinstance(read_ask(verb, payload), Send | Cancel | AskProblem)


@given(
    st.sampled_from(["send", "cancel"]),
    st.fixed_dictionaries(
        {}, optional=dict.fromkeys((*SEND, "message", "lifetime_s", "precedence", "?"), JSON)
    ),
)
def test_never_raises_on_json(verb: str, content: dict[str, Any]) -> None:
    ask = read_ask(verb, json.dumps(content).encode())
    assert isinstance(ask, Send | Cancel | AskProblem)
    if isinstance(ask, AskProblem):
        assert ask.why


# --- where the answer may go --------------------------------------------------------------------


@pytest.mark.parametrize(
    "topic",
    [
        "",
        "desk/7/replies",
        "a b/c",
        "ridgepostoffice/answers",  # not ours: the first level differs
        "ridgepost/QZ1HUB-10/answer/desk-7",
        "über/straße",
    ],
)
def test_reply_topic_taken(topic: str) -> None:
    assert reply_problem(topic, b"", TOPICS) == ("", "")


@pytest.mark.parametrize(
    "topic",
    [
        # MQTT 5, 4.7.1: wildcards are for subscriptions; 3.3.2.3.5 forbids them here.
        "a/+",
        "a/#",
        "a+b",
        "#",
        # 4.7.2: these are the broker's.
        "$SYS/broker/uptime",
        "$share/group/a",
        # 1.5.4: no null, and a broker may end the connection over the others (mosquitto does).
        "a\0b",
        "a\x01",
        "a\x7f",
        "a\x85",
        "a\ufeff",
        "a\ufdd0",
        "a\U0010ffff",
        # Topics that a broker may find too long or too deep.
        "a" * 257,
        "/".join("a" * 9),
        "ridgepost/QZ1HUB-10/answer/" + "/" * 6,
        "ridgepost/QZ1HUB-10/answer/#",
    ],
)
def test_reply_topic_that_cannot_be_published_to(topic: str) -> None:
    assert reply_problem(topic, b"", TOPICS) == (
        "response topic",
        "not a topic that can be published to",
    )


@pytest.mark.parametrize(
    "topic",
    [
        "ridgepost",
        "ridgepost/",
        "ridgepost/QZ1HUB-10",
        "ridgepost/QZ1HUB-10/presence",
        "ridgepost/QZ1HUB-10/ask/send",  # an answer that is an ask again
        "ridgepost/QZ1HUB-10/answer",
        "ridgepost/QZ1HUB-10/answers/x",
        "ridgepost/QZ1HUB-1/traffic/in/x",  # another station
        "ridgepost/QZ1HUB-10/traffic/in/x",
    ],
)
def test_nobody_speaks_as_a_station(topic: str) -> None:
    field, why = reply_problem(topic, b"", TOPICS)
    assert field == "response topic"
    assert "must not be below ridgepost/" in why


def test_correlation_data_is_bounded() -> None:
    """It goes into the log with the answer, and MQTT 5, 3.3.2.3.6 allows 64 KiB."""
    assert reply_problem("a", bytes(MAX_CORRELATION), TOPICS) == ("", "")
    assert reply_problem("a", bytes(MAX_CORRELATION + 1), TOPICS)[0] == "correlation data"


@given(st.text())
def test_any_reply_topic_taken_can_be_published_to(topic: str) -> None:
    """What paho itself checks, and what MQTT 5, 4.7.3 asks for."""
    if reply_problem(topic, b"", TOPICS) == ("", ""):
        assert not set(topic) & set("+#\0")
        assert len(topic.encode("utf-8")) <= 65535

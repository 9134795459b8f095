"""What a person sees of the bus. The payloads are made by the station's own code from records, as
they are in the field; what a line must tell is common practice on a net."""

from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ridgepost.bus.payloads import PresencePayload, publication
from ridgepost.bus.topics import Topics
from ridgepost.cli.lines import line
from ridgepost.radio import ax25
from ridgepost.station.moment import Moment
from ridgepost.station.records import (
    AckSent,
    Answered,
    AnyRecord,
    BulletinHeard,
    BulletinOut,
    CopiesHeard,
    Entry,
    Heard,
    Joined,
    LineState,
    LinkChanged,
    Noticed,
    OutboundChanged,
    QueryAnswered,
    Received,
    State,
    WatchChanged,
    Watched,
)

TOPICS = Topics("QZ1HUB-10")
AT = Moment(0.0, 1_781_337_600.0)  # 2026-06-13T08:00:00Z


def published(record: AnyRecord) -> tuple[str, Any]:
    message = publication(Entry(7, 1, AT, record), "abc", TOPICS)
    assert message is not None
    return message.topic.removeprefix(f"{TOPICS.base}/"), msgspec.json.decode(message.payload)


def shown(record: AnyRecord) -> str | None:
    return line(*published(record))


def heard(info: bytes, path: tuple[str, ...] = (), repeated: tuple[bool, ...] = ()) -> Heard:
    frame = ax25.Frame("QZ1SAG-9", "APZTST", path=path, repeated=repeated, info=info)
    return Heard(tnc="vhf", port=0, frame=ax25.encode(frame))


def test_mic_e_says_its_words_without_what_is_not_for_people() -> None:
    """APRS 1.2c ch. 10: destination S32U6T (no longitude offset) and the field of the chapter's
    examples; in front of the text stand a type octet and an altitude. 20 knots are 37 km/h."""
    info = b'`(_fn"Oj/]"4T}Going home'
    frame = ax25.encode(ax25.Frame("QZ1SAG-9", "S32U6T", info=info))
    assert shown(Heard(tnc="vhf", port=0, frame=frame)) == (
        "08:00:00  heard     QZ1SAG-9   Returning at 33.4273 -12.1290 37 km/h 251 deg Going home"
    )


@pytest.mark.parametrize(
    ("record", "text"),
    [
        # APRS 1.2c: positions of ch. 8, course and speed in degrees and knots (ch. 7); a knot is
        # 1.852 km/h.
        (
            heard(b"!6130.00N/14912.00W>088/036Water at post 4"),
            "heard     QZ1SAG-9   at 61.5000 -149.2000 67 km/h 88 deg Water at post 4",
        ),
        (heard(b">Net at 10"), "heard     QZ1SAG-9   status: Net at 10"),
        (
            heard(b":QZ1HUB   :need water{12"),
            "heard     QZ1SAG-9   to QZ1HUB #12: need water",
        ),
        (heard(b":QZ1HUB   :ack12"), "heard     QZ1SAG-9   ack 12 to QZ1HUB"),
        (heard(b":QZ1HUB   :rej12"), "heard     QZ1SAG-9   rej 12 to QZ1HUB"),
        (
            heard(b"!6130.00N/1491"),
            "heard     QZ1SAG-9   unreadable (too_short): QZ1SAG-9>APZTST:!6130.00N/1491",
        ),
        (heard(b"T#1,2"), "heard     QZ1SAG-9   telemetry: QZ1SAG-9>APZTST:T#1,2"),
        (
            heard(b">hi", ("QZ1DIG", "WIDE2-1"), (True, False)),
            "heard     QZ1SAG-9   status: hi (via QZ1DIG)",
        ),
        (heard(b">hi", ("WIDE2-1",), (False,)), "heard     QZ1SAG-9   status: hi"),
        (
            Received(source="QZ1SAG-9", to="QZ1HUB-10", text="come in", heard=1),
            'message   QZ1SAG-9   "come in"',
        ),
        (
            Received(source="QZ1SAG-9", to="ALL", group=True, text="come in", heard=1),
            'message   QZ1SAG-9   to ALL: "come in"',
        ),
        (
            OutboundChanged(
                message="m", to="QZ1SAG", text="hi", number="AA", state=State.QUEUED,
                why="accepted", expires_in_s=60,
            ),
            'to        QZ1SAG     queued, accepted: "hi"',
        ),
        (
            OutboundChanged(
                message="m", to="QZ1SAG", text="hi", number="AA", state=State.SENDING,
                why="no acknowledgement yet", attempts=3, expires_in_s=60,
            ),
            'to        QZ1SAG     sending (3), no acknowledgement yet',
        ),
        (
            AckSent(to="QZ1SAG", number="12", frame=heard(b">x").frame, tnc="vhf", port=0),
            "ack       QZ1SAG     number 12 acknowledged",
        ),
        (
            BulletinHeard(source="QZ1NET", line="BLN1", text="Net at 10", heard=1),
            "bulletin  QZ1NET     BLN1: Net at 10",
        ),
        (
            Joined(source="QZ1SAG", to="QZ1HUB", text="all of it", parts=["a", "b"]),
            'message   QZ1SAG     in 2 parts: "all of it"',
        ),
        (
            BulletinOut(
                bulletin="m", line="BLN1", text="Fog", state=LineState.SENDING, why="again",
                attempts=2, expires_in_s=60,
            ),
            "bulletin  BLN1       sending (2), again",
        ),
        (
            BulletinOut(
                bulletin="m", line="BLN4WX", text="Fog", state=LineState.WITHDRAWN,
                why="on request", expires_in_s=60,
            ),
            'bulletin  BLN4WX     withdrawn, on request: "Fog"',
        ),
        (
            QueryAnswered(
                asker="QZ1SAG", query="APRSD", why="w", frame=heard(b">x").frame, tnc="vhf", port=0
            ),
            "query     QZ1SAG     APRSD answered",
        ),
        (LinkChanged(tnc="vhf", up=True), "tnc       vhf        up"),
        (LinkChanged(tnc="vhf", up=False, reason="gone"), "tnc       vhf        down: gone"),
        (Noticed(kind="emergency", text="help"), "notice    emergency  help"),
        (
            WatchChanged(
                callsign="QZ1SAG-2", tactical="SAG2", state=Watched.OVERDUE,
                why="not heard for 9 min",
            ),
            "roster    SAG2       overdue: not heard for 9 min",
        ),
        (
            WatchChanged(callsign="QZ1SAG-2", state=Watched.HEARD, why="heard direct"),
            "roster    QZ1SAG-2   heard: heard direct",
        ),
        (
            Answered(
                request="r", verb="send", digest="", accepted=False, field="to", why="no callsign"
            ),
            "refused   send       to: no callsign",
        ),
    ],
    ids=lambda value: type(value).__name__ if not isinstance(value, str) else None,
)  # fmt: skip
def test_lines(record: AnyRecord, text: str) -> None:
    assert shown(record) == f"08:00:00  {text}"


@pytest.mark.parametrize(
    "record",
    [
        CopiesHeard(of=1, copies=2, paths=[]),
        WatchChanged(callsign="QZ1SAG-2", state=Watched.EXPECTED, why="on the roster"),
        Answered(request="r", verb="send", digest="", accepted=True, message="m"),
    ],
)
def test_what_a_person_does_not_need(record: AnyRecord) -> None:
    assert shown(record) is None


@pytest.mark.parametrize(
    ("online", "at", "text"),
    [
        (True, "2026-06-13T08:00:00.000Z", "08:00:00  station   QZ1HUB-10  online"),
        (False, None, "          station   QZ1HUB-10  offline"),  # the broker does not say when
    ],
)
def test_presence(online: bool, at: str | None, text: str) -> None:
    payload = PresencePayload(
        online=online, at=at, since="", version="1", callsign="QZ1HUB-10", transmit=True
    )
    assert line("presence", msgspec.to_builtins(payload)) == text


def test_an_answer_about_an_ask_that_the_station_never_saw() -> None:
    """It comes from the bus and is in no log, so it has neither place nor time."""
    refusal = {"request": None, "verb": "send", "accepted": False, "field": None, "why": "what?"}
    assert line("answer/unreadable", refusal) == "          refused   send       what?"


# --- hostile content ------------------------------------------------------------------------------

EVIL = "\x1b]0;x\x07\u202e\n\x9b"


def evil_copies(payload: Any) -> list[Any]:
    """The payload with each of its texts, at any depth, replaced by what a terminal acts on."""
    if isinstance(payload, str):
        return [EVIL * 20]
    if isinstance(payload, dict):
        return [
            {**payload, key: copy} for key, value in payload.items() for copy in evil_copies(value)
        ]
    if isinstance(payload, list):
        return [
            [*payload[:place], copy, *payload[place + 1 :]]
            for place, value in enumerate(payload)
            for copy in evil_copies(value)
        ]
    return []


@pytest.mark.parametrize(
    "record",
    [
        heard(b"!6130.00N/14912.00W>hi", ("QZ1DIG",), (True,)),
        heard(b">hi"),
        heard(b":QZ1HUB   :hi{12"),
        heard(b":QZ1HUB   :ack12"),
        heard(b"!"),
        Received(source="QZ1SAG", to="ALL", group=True, text="hi", heard=1),
        OutboundChanged(
            message="m", to="Q", text="hi", number="A", state=State.QUEUED, why="w", expires_in_s=1
        ),
        AckSent(to="QZ1SAG", number="12", frame=heard(b">x").frame, tnc="vhf", port=0),
        BulletinHeard(source="QZ1NET", line="BLN1", text="hi", heard=1),
        Joined(source="QZ1SAG", to="QZ1HUB", text="hi", parts=["a", "b"]),
        BulletinOut(
            bulletin="m", line="BLN1", text="hi", state=LineState.EXPIRED, why="w", expires_in_s=0
        ),
        QueryAnswered(
            asker="QZ1SAG", query="APRSD", why="w", frame=heard(b">x").frame, tnc="vhf", port=0
        ),
        LinkChanged(tnc="vhf", up=False, reason="gone"),
        Noticed(kind="emergency", text="help"),
        Answered(request="r", verb="send", digest="", accepted=False, field="to", why="no"),
    ],
)
def test_no_field_of_a_payload_reaches_the_terminal_as_it_is(record: AnyRecord) -> None:
    topic, payload = published(record)
    copies = evil_copies(payload)
    assert len(copies) >= 4
    texts = [line(topic, copy) for copy in copies]
    assert all(text is None or text.isprintable() for text in texts)
    assert any(text is not None and "<0x1B>" in text for text in texts)


def test_times_are_escaped_too() -> None:
    topic, payload = published(LinkChanged(tnc="vhf", up=True))
    text = line(topic, {**payload, "at": "xxxxxxxxxxx\x1b[2J\x1b[2J"})
    assert text is not None
    assert text.isprintable()


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                ["source", "kind", "report", "path", "latitude_deg", "text", "at", "monitor"]
            )
            | st.text(max_size=4),
            inner,
        )
    ),
    max_leaves=12,
)


@given(
    st.sampled_from(
        [
            *("heard/position", "traffic/in/x", "traffic/out/x", "traffic/ack", "bulletin/a/b"),
            *("link/x", "notice/x", "presence", "answer/x", "copies", "", "/", "x/y/z", "heard"),
        ]
    ),
    JSON,
)
def test_what_is_not_by_a_station_is_no_line(topic: str, payload: Any) -> None:
    text = line(topic, payload)
    assert text is None or text.isprintable()


@given(st.sampled_from([b"!6130.00N/14912.00W>hi", b">hi", b":QZ1HUB   :hi{12", b"!"]), st.data())
def test_a_report_as_no_decoder_makes_it_is_shown_as_text(info: bytes, data: st.DataObject) -> None:
    topic, payload = published(heard(info))
    report = payload["report"]
    key = data.draw(st.sampled_from(sorted(report)))
    value = data.draw(JSON)
    text = line(topic, {**payload, "report": {**report, key: value}})
    assert text is not None
    assert text.isprintable()
    without = {other: report[other] for other in report if other != key}
    assert line(topic, {**payload, "report": without}) is not None

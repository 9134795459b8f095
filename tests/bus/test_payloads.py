"""What is published: topics of MQTT, times of RFC 3339, JSON of RFC 8259."""

import json
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ridgepost.bus.payloads import Publication, publication, time_text
from ridgepost.bus.topics import Topics
from ridgepost.logbook.book import Logbook
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
    Started,
    State,
    Stopped,
)

TOPICS = Topics("QZ1HUB-10")
BASE = "ridgepost/QZ1HUB-10/"
AT = Moment(1000.0, 1_800_000_000.0625)
FRAME = ax25.encode(ax25.from_monitor("QZ1SAG-9>APZ001,QZ1RDG*,WIDE2-1:>Post 1 open"))


def published(record: AnyRecord, at: Moment = AT) -> Publication | None:
    return publication(Entry(17, 3, at, record), "a1b2c3", TOPICS)


def payload_of(message: Publication | None) -> dict[str, Any]:
    """The payload as another program reads it; RFC 8259 6 has no NaN and no infinity."""
    assert message is not None

    def refuse(text: str) -> None:
        raise AssertionError(f"not JSON: {text}")

    content: dict[str, Any] = json.loads(message.payload, parse_constant=refuse)
    return content


@pytest.mark.parametrize(
    ("wall_s", "text"),
    [
        # date -u -d @SECONDS, GNU coreutils
        (0.0, "1970-01-01T00:00:00.000Z"),
        (1_800_000_000.0, "2027-01-15T08:00:00.000Z"),
        (1_800_000_000.5, "2027-01-15T08:00:00.500Z"),
        (951_782_400.0, "2000-02-29T00:00:00.000Z"),
        (4_102_444_799.0, "2099-12-31T23:59:59.000Z"),
    ],
)
def test_time(wall_s: float, text: str) -> None:
    assert time_text(Moment(0.0, wall_s)) == text


async def test_the_same_from_memory_and_from_the_disk(tmp_path: Path) -> None:
    """An event that comes again after a restart is the same to the last octet, although clocks
    tell more than milliseconds and the log does not."""
    entry = Entry(1, 1, Moment(1000.0006, 1_800_000_000.1236), LinkChanged(tnc="vhf", up=True))
    logbook = await Logbook.open(tmp_path)
    await logbook.append([entry])
    (fresh,) = await logbook.read(0, 1)
    await logbook.close()
    logbook = await Logbook.open(tmp_path)
    (restored,) = await logbook.read(0, 1)
    await logbook.close()
    payloads = [publication(each, "a1b2c3", TOPICS) for each in (entry, fresh, restored)]
    assert payloads[0] == payloads[1] == payloads[2]
    assert payload_of(payloads[0])["at"] == "2027-01-15T08:00:00.124Z"


@given(st.floats(0.0, 4e9))
def test_any_time_is_rfc_3339(wall_s: float) -> None:
    """RFC 3339 5.6, date-time with the offset Z."""
    assert re.fullmatch(
        r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", time_text(Moment(0.0, wall_s)), re.ASCII
    )


OUT = OutboundChanged(
    message="a1b2c3.3.9",
    to="QZ1SAG-9",
    text="Water at post 2",
    number="07",
    state=State.QUEUED,
    why="accepted",
    expires_in_s=7200.0,
)


@pytest.mark.parametrize(
    ("record", "topic", "retained", "content"),
    [
        (
            Heard(tnc="vhf", port=1, frame=FRAME),
            "heard/status",
            False,
            {
                "source": "QZ1SAG-9",
                "destination": "APZ001",
                "path": ["QZ1RDG*", "WIDE2-1"],
                "tnc": "vhf",
                "port": 1,
                "kind": "status",
                "monitor": "QZ1SAG-9>APZ001,QZ1RDG*,WIDE2-1:>Post 1 open",
            },
        ),
        (
            CopiesHeard(of=12, copies=3, paths=["", "QZ1RDG*"]),
            "copies",
            False,
            {"of": "a1b2c3.3.12", "copies": 3, "paths": ["", "QZ1RDG*"]},
        ),
        (
            OUT,
            "traffic/out/a1b2c3.3.9",
            True,
            {"message": "a1b2c3.3.9", "state": "queued", "sent": None, "tnc": None, "port": None},
        ),
        (
            Received(source="QZ1SAG-9", to="QZ1HUB-10", text="Hi", number="07}", heard=16),
            "traffic/in/a1b2c3.3.17",
            True,
            {"message": "a1b2c3.3.17", "source": "QZ1SAG-9", "text": "Hi", "group": False},
        ),
        (
            AckSent(to="QZ1SAG-9", number="07", frame=FRAME, tnc="vhf", port=0),
            "traffic/ack",
            False,
            {"to": "QZ1SAG-9", "number": "07"},
        ),
        (
            Joined(source="QZ1SAG-9", to="QZ1HUB-10", text="long", parts=["a.1.2", "a.1.4"]),
            "traffic/joined/a1b2c3.3.17",
            False,
            {"source": "QZ1SAG-9", "text": "long", "parts": ["a.1.2", "a.1.4"]},
        ),
        (
            BulletinOut(
                bulletin="a1b2c3.3.9",
                line="BLN4WX",
                text="Fog",
                state=LineState.SENDING,
                why="again",
                attempts=2,
                expires_in_s=900.0,
                wait_s=120.0,
                frame=FRAME,
                tnc="vhf",
            ),
            "traffic/bulletin/BLN4WX",
            True,
            {
                "bulletin": "a1b2c3.3.9",
                "line": "BLN4WX",
                "state": "sending",
                "attempts": 2,
                "next_try_s": 120.0,
                "sent": "QZ1SAG-9>APZ001,QZ1RDG*,WIDE2-1:>Post 1 open",
                "tnc": "vhf",
                "port": 0,
            },
        ),
        (
            QueryAnswered(
                asker="QZ1SAG-9", query="APRSD", why="asked", frame=FRAME, tnc="vhf", port=1
            ),
            "traffic/query",
            False,
            {"asker": "QZ1SAG-9", "query": "APRSD", "why": "asked", "tnc": "vhf", "port": 1},
        ),
        (
            BulletinHeard(source="QZ1SAG-9", line="BLN1", text="Fog", heard=16),
            "bulletin/QZ1SAG-9/BLN1",
            True,
            {"source": "QZ1SAG-9", "line": "BLN1", "text": "Fog"},
        ),
        (
            LinkChanged(tnc="vhf", up=False, reason="gone"),
            "link/vhf",
            True,
            {"tnc": "vhf", "up": False, "reason": "gone"},
        ),
        (Noticed(kind="log", text="x"), "notice/log", False, {"kind": "log", "text": "x"}),
        (
            Answered(request="r-1", verb="send", digest="d", accepted=True, message="m", state="s"),
            "answer/r-1",
            False,
            {"request": "r-1", "accepted": True, "message": "m", "field": None, "why": None},
        ),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, tuple | Noticed) else None,
)
def test_topic_and_content(
    record: AnyRecord, topic: str, retained: bool, content: dict[str, Any]
) -> None:
    """State that a newcomer needs is retained (MQTT 5, 3.3.1.3), what happened is not."""
    message = published(record)
    payload = payload_of(message)
    assert message is not None
    assert message.topic == BASE + topic
    assert message.retain is retained
    assert content.items() <= payload.items()
    assert (payload["schema"], payload["id"], payload["seq"]) == (1, "a1b2c3.3.17", 17)
    assert payload["at"] == "2027-01-15T08:00:00.062Z"
    assert payload["clock_trusted"] is True


def test_an_answer_names_all_messages_and_both_names_of_a_station() -> None:
    plain = Answered(request="r-1", verb="send", digest="d", accepted=True, message="m")
    told = payload_of(published(plain))
    assert (told["messages"], told["to"], told["tactical"]) == (None, None, None)
    tactical = Answered(
        request="r-1",
        verb="send",
        digest="d",
        accepted=True,
        message="m",
        messages=["m", "n"],
        to="QZ1MED-3",
        tactical="AID3",
    )
    told = payload_of(published(tactical))
    assert (told["messages"], told["to"], told["tactical"]) == (["m", "n"], "QZ1MED-3", "AID3")


def test_only_the_log_needs_starts_and_stops() -> None:
    assert published(Started(version="1", callsign="", transmit=False)) is None
    assert published(Stopped(reason="SIGTERM")) is None


def test_clock_that_is_not_trusted_is_said() -> None:
    message = published(Noticed(kind="log", text=""), Moment(5.0, 60.0, False))
    assert payload_of(message)["clock_trusted"] is False


def test_answer_goes_where_it_was_wanted() -> None:
    """MQTT 5, 4.10: response topic and correlation data of the request."""
    answer = Answered(
        request="r-1",
        verb="send",
        digest="d",
        accepted=False,
        field="to",
        why="no callsign",
        reply_topic="desk/7",
        correlation=b"\x00\xff",
    )
    message = published(answer)
    assert message is not None
    assert (message.topic, message.correlation) == ("desk/7", b"\x00\xff")


@given(st.binary(max_size=300), st.sampled_from(["APZ001", "T2SP0W", "SYUSSP", "BEACON"]))
def test_any_frame_can_be_published(info: bytes, destination: str) -> None:
    """Whatever is in it: a topic without wildcards (MQTT 5, 4.7.1), JSON, and printable text for a
    terminal."""
    frame = ax25.Frame("QZ1SAG-9", destination, info=info[: ax25.MAX_INFO_OCTETS])
    message = published(Heard(tnc="vhf", port=0, frame=ax25.encode(frame)))
    payload = payload_of(message)
    assert message is not None
    assert re.fullmatch(re.escape(BASE) + r"heard/[a-z_]+", message.topic)
    assert payload["monitor"].isprintable()
    assert len(message.payload) < 16_384


@given(st.text(max_size=12), st.text(max_size=12))
def test_any_name_from_the_air_can_be_in_a_topic(source: str, line: str) -> None:
    message = published(BulletinHeard(source=source, line=line, text="", heard=1))
    assert message is not None
    assert re.fullmatch(re.escape(BASE) + r"bulletin/[\w.~%-]+/[\w.~%-]+", message.topic, re.ASCII)
    assert payload_of(message)["source"] == source

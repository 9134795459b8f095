"""Tactical calls: names for posts at an event (common practice), ours and those of others.

The addressee of a message is any nine characters (APRS 1.2c ch. 14); the source of a frame is a
callsign (AX.25 2.2 ch. 3, and the licence).
"""

import msgspec
import pytest

from ridgepost.station.asks import Send
from ridgepost.station.records import AckSent, Answered, OutboundChanged, Received, State
from ridgepost.station.setup import Setup
from station.rig import MED, POST, SAG, SETUP, US, Rig

replace = msgspec.structs.replace
NET = replace(
    SETUP, tactical=("NETCTL", "START/FIN"), tactical_calls={"AID3": MED, "REST/4": POST, "ME": US}
)


def ask(rig: Rig, to: str) -> Answered:
    return rig.ask(Send(request=f"to {to}", to=to, text="Radio check"))


@pytest.mark.parametrize(
    ("addressee", "ours"),
    [(US, True), ("NETCTL", True), ("START/FIN", True), ("netctl", False), (SAG, False)],
)
def test_is_ours(addressee: str, ours: bool) -> None:
    assert NET.is_ours(addressee) is ours


def test_a_station_without_a_callsign_is_nobody() -> None:
    assert not Setup().is_ours("")


@pytest.mark.parametrize("name", ["NETCTL", "START/FIN"])
def test_a_message_to_our_tactical_call_is_ours(name: str) -> None:
    """Shown as it was addressed, acknowledged by its number, and by our callsign."""
    rig = Rig(NET)
    rig.hear_message(SAG, "Two riders at post 4", "12", to=name)
    (received,) = rig.of(Received)
    assert (received.to, received.group, received.text) == (name, False, "Two riders at post 4")
    (ack,) = rig.of(AckSent)
    assert (ack.to, ack.number) == (SAG, "12")
    assert rig.sent[0].frame.source == US
    assert len(rig.acks(SAG, "12")) == 1


def test_an_acknowledgement_to_our_tactical_call_counts() -> None:
    """Whoever answers the name it was called by."""
    rig = Rig(NET)
    message = rig.send(SAG)
    rig.hear_message(SAG, f"ack{rig.number(message)}", to="NETCTL")
    assert rig.state(message) is State.ACKNOWLEDGED


def test_a_query_to_our_tactical_call_is_answered() -> None:
    rig = Rig(NET)
    rig.hear_message(SAG, "?APRST", to="NETCTL")
    assert len(rig.sent) == 1


def test_others_are_sent_to_by_their_tactical_call() -> None:
    rig = Rig(NET)
    for name, callsign in [("AID3", MED), ("REST/4", POST)]:
        answer = ask(rig, name)
        assert (answer.accepted, answer.to, answer.tactical) == (True, callsign, name)
        change = rig.changes(answer.message)[-1]
        assert (change.to, change.tactical) == (callsign, name)
        rig.advance(3)
        assert rig.sent[-1].info.startswith(f":{callsign:9}:Radio check")


def test_a_callsign_is_a_callsign() -> None:
    rig = Rig(NET)
    answer = ask(rig, SAG)
    assert (answer.accepted, answer.to, answer.tactical) == (True, "", "")
    assert rig.of(OutboundChanged)[0].tactical == ""


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("NETCTL", "tactical call of the station itself"),
        ("ME", "own callsign"),
        ("aid3", "capital letters"),
        ("REST/5", "capital letters"),
    ],
)
def test_refused(name: str, why: str) -> None:
    answer = ask(Rig(NET), name)
    assert (answer.accepted, answer.field) == (False, "to")
    assert why in answer.why

"""Frames in, frames out: the exchange cases of tests/vectors/message.toml, through a station.

Their sources stand in the file: APRS Protocol Reference 1.2c ch. 14, 15 and 17.
"""

import msgspec
import pytest

from checkvalues import Case, cases
from ridgepost.radio import ax25
from ridgepost.station.records import BulletinHeard, OutboundChanged, Received, State
from station.rig import SETUP, Rig, only

UNCONCERNED = "ZZ"
"""Number of a message of ours that no case speaks of."""


def our_message(to: str, number: str) -> OutboundChanged:
    """A message of ours on the air to `to`, as a log would tell of it."""
    return OutboundChanged(
        message=f"ours.{number}",
        to=to,
        text="Where are you?",
        number=number,
        state=State.SENDING,
        why="first transmission",
        attempts=1,
        expires_in_s=3600.0,
        wait_s=600.0,
        tries_left=5,
        frame=b"as sent before",
    )


@pytest.mark.parametrize("case", cases("message", "exchange"))
def test_exchange(case: Case) -> None:
    expect = case["expect"]
    heard = ax25.from_monitor(case["input"])
    acknowledged = expect.get("acknowledges_our", [])
    rejected = expect.get("rejects_our", [])
    numbers = [*acknowledged, *rejected, UNCONCERNED]
    rig = Rig(
        msgspec.structs.replace(SETUP, callsign=case["station"]),
        records=[our_message(heard.source, number) for number in numbers],
    )
    if "heard_before_seconds" in case:
        rig.hear(ax25.encode(heard))
        rig.advance(case["heard_before_seconds"])
        rig.sent.clear()

    records = rig.hear(ax25.encode(heard))
    replies = [sent.info for sent in rig.sent]

    if "replies" in expect:
        assert replies == expect["replies"]
    if "must_not_send" in expect:
        assert expect["must_not_send"] not in replies
    shown = [*only(Received, records), *only(BulletinHeard, records)]
    assert len(shown) == expect["show"]
    changed = {number: rig.changes(f"ours.{number}") for number in numbers}
    settled = {
        number: changes[-1].state
        for number, changes in changed.items()
        if changes and changes[-1].state.settled
    }
    assert settled == dict.fromkeys(acknowledged, State.ACKNOWLEDGED) | dict.fromkeys(
        rejected, State.REJECTED
    )
    if "next_reply_ack" in expect:
        rig.cancel(f"ours.{UNCONCERNED}")
        rig.send(heard.source)
        rig.advance(5)  # what the acknowledgement has left to others of the channel's time
        assert rig.sent[-1].info.endswith(f"}}{expect['next_reply_ack']}")

"""Our own bulletins and announcements, from the ask to the frame.

APRS 1.2c ch. 14: general bulletins BLNn 'a few times an hour for a few hours', announcements BLNx
'much less frequently, perhaps for several days', group bulletins BLNnGROUP; 67 characters; a line
with the same identifier replaces the one before. Ch. 2, Packet Timing: new information more often
than old, waits doubled until a longest one.
"""

import itertools

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ridgepost import aprs
from ridgepost.station.asks import Bulletin, Withdraw
from ridgepost.station.records import Answered, BulletinOut, LineState
from station.rig import SAG, SETUP, STEADY, UHF, US, VHF, Rig, gaps

replace = msgspec.structs.replace
HOUR_S = 3600.0
DAY_S = 86400.0
TWO_PORTS = replace(SETUP, ports=(VHF, UHF))
requests = itertools.count()


def post(rig: Rig, line: str, text: str, lifetime_s: float | None = None) -> Answered:
    return rig.ask(
        Bulletin(request=f"post-{next(requests)}", line=line, text=text, lifetime_s=lifetime_s)
    )


def withdraw(rig: Rig, line: str) -> Answered:
    return rig.ask(Withdraw(request=f"withdraw-{next(requests)}", line=line))


def times(rig: Rig, text: str, port: tuple[str, int] = ("vhf", 0)) -> list[float]:
    """When a text was on the air on a port."""
    return [s.at_s for s in rig.sent if s.info.endswith(f":{text}") and s.port == port]


def latest(rig: Rig) -> BulletinOut:
    return rig.of(BulletinOut)[-1]


# --- from the ask to the frame --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "info"),
    [
        # The examples of APRS 1.2c ch. 14 with their identifiers.
        ("3", ":BLN3     :Snow expected"),
        ("BLN3", ":BLN3     :Snow expected"),
        ("Q", ":BLNQ     :Snow expected"),
        ("4WX", ":BLN4WX   :Snow expected"),
        ("4EVENT", ":BLN4EVENT:Snow expected"),
    ],
)
def test_on_the_air(line: str, info: str) -> None:
    rig = Rig()
    answer = post(rig, line, "Snow expected")
    assert (answer.accepted, answer.state) == (True, "queued")
    (sent,) = rig.sent
    assert sent.info == info
    assert (sent.frame.source, sent.frame.path) == (US, ("WIDE1-1",))
    report = aprs.decode(sent.frame.info, US, sent.frame.destination)
    assert isinstance(report, aprs.Bulletin | aprs.Announcement | aprs.GroupBulletin)
    assert (report.text, report.ack_expected, report.departures) == ("Snow expected", False, ())


def test_accepted_before_it_is_promised_and_sent() -> None:
    rig = Rig()
    answer = post(rig, "1", "Fog")
    kinds = [entry.record for entry in rig.entries[-3:]]
    assert [type(record) for record in kinds] == [BulletinOut, Answered, BulletinOut]
    assert kinds[0] == BulletinOut(
        bulletin=answer.message,
        line="BLN1",
        text="Fog",
        state=LineState.QUEUED,
        why="accepted",
        expires_in_s=4 * HOUR_S,
    )
    assert (latest(rig).state, latest(rig).attempts, latest(rig).wait_s) == ("sending", 1, 60.0)


def test_new_text_often_old_text_seldom() -> None:
    """Doubled waits until the longest (ch. 2), and never within the 30 s in which a digipeater
    repeats no copy (ch. 14, Multiple Acknowledgements)."""
    rig = Rig()
    post(rig, "1", "Fog")
    rig.advance(4 * HOUR_S + 1)
    waits = gaps(times(rig, "Fog"))
    assert waits[:6] == [60.0, 120.0, 240.0, 480.0, 960.0, 1200.0]
    assert set(waits[5:]) == {1200.0}
    assert min(waits) > 30.0


def test_a_bulletin_a_few_times_an_hour_for_a_few_hours() -> None:
    rig = Rig()
    start_s = rig.mono_s
    post(rig, "1", "Fog")
    rig.advance(2 * DAY_S)
    sent = times(rig, "Fog")
    by_hour = [
        sum(hour * HOUR_S <= at_s - start_s < (hour + 1) * HOUR_S for at_s in sent)
        for hour in range(4)
    ]
    assert by_hour == [7, 3, 3, 3], "more often only while it is new"
    assert sent[-1] - start_s < 5 * HOUR_S
    assert (latest(rig).state, latest(rig).frame) == (LineState.EXPIRED, None)
    assert latest(rig).why == f"lifetime over, after {len(sent)} transmissions"
    assert rig.station.next_wakeup_s() is None


def test_an_announcement_seldom_and_for_days() -> None:
    rig = Rig()
    start_s = rig.mono_s
    post(rig, "A", "Briefing on Saturday at 0700")
    rig.advance(7 * DAY_S)
    sent = times(rig, "Briefing on Saturday at 0700")
    second_day = [at_s for at_s in sent if DAY_S <= at_s - start_s < 2 * DAY_S]
    assert len(second_day) == 24
    assert sent[-1] - start_s > 2 * DAY_S
    assert latest(rig).state is LineState.EXPIRED


def test_a_lifetime_of_its_own() -> None:
    rig = Rig()
    post(rig, "1", "Fog", lifetime_s=100.0)
    rig.advance(99)
    assert latest(rig).state is LineState.SENDING
    rig.advance(2)
    assert latest(rig).state is LineState.EXPIRED
    assert len(times(rig, "Fog")) == 2


# --- replaced, withdrawn --------------------------------------------------------------------------


def test_a_new_text_takes_the_place_of_the_old_and_begins_anew() -> None:
    rig = Rig()
    first = post(rig, "1", "Fog")
    rig.advance(HOUR_S)
    before = len(times(rig, "Fog"))
    second = post(rig, "1", "Sun")
    assert second.message != first.message
    replaced = [r for r in rig.of(BulletinOut) if r.bulletin == first.message][-1]
    assert (replaced.state, replaced.why) == (LineState.REPLACED, "another text was posted")
    rig.advance(HOUR_S)
    assert len(times(rig, "Fog")) == before
    assert gaps(times(rig, "Sun"))[:3] == [60.0, 120.0, 240.0]


def test_other_lines_stay() -> None:
    rig = Rig()
    for line in ("1", "2", "A", "1WX"):
        post(rig, line, f"line {line}")
    post(rig, "1", "new")
    rig.advance(100)
    for line in ("2", "A", "1WX"):
        assert len(times(rig, f"line {line}")) == 2
    assert len(times(rig, "line 1")) <= 1


def test_withdrawn() -> None:
    rig = Rig()
    posted = post(rig, "1", "Fog")
    answer = withdraw(rig, "BLN1")
    assert (answer.accepted, answer.message, answer.state) == (True, posted.message, "withdrawn")
    rig.advance(DAY_S)
    assert len(times(rig, "Fog")) == 1
    assert rig.station.next_wakeup_s() is None
    refused = withdraw(rig, "1")
    assert (refused.accepted, refused.field) == (False, "line")
    assert refused.why == "nothing of ours is on BLN1"


@pytest.mark.parametrize(
    ("line", "text", "lifetime_s", "field", "why"),
    [
        ("", "x", None, "line", "one digit, or one capital letter"),
        ("BLN", "x", None, "line", "one digit, or one capital letter"),
        ("a", "x", None, "line", "one digit, or one capital letter"),
        ("QWX", "x", None, "line", "a group bulletin is numbered with a digit"),
        ("1TOOBIG", "x", None, "line", "at most 5 characters"),
        ("1W X", "x", None, "line", "printable ASCII"),
        ("1", "x" * 68, None, "text", "at most 67"),
        ("1", "two\nlines", None, "text", "line break"),
        ("1", "{", None, "text", "must not contain {"),
        ("1", "x", 0.5, "lifetime_s", "1 to 604800"),
        ("1", "x", 604801.0, "lifetime_s", "1 to 604800"),
        ("1", "x", float("nan"), "lifetime_s", "1 to 604800"),
    ],
)
def test_refused(line: str, text: str, lifetime_s: float | None, field: str, why: str) -> None:
    rig = Rig()
    answer = post(rig, line, text, lifetime_s)
    assert (answer.accepted, answer.field, answer.message) == (False, field, "")
    assert why in answer.why
    assert not rig.of(BulletinOut)
    assert not rig.sent


def test_refused_when_transmit_is_off() -> None:
    rig = Rig(replace(SETUP, transmit=False))
    answer = post(rig, "1", "Fog")
    assert (answer.accepted, "transmit" in answer.why) == (False, True)
    listener = Rig(replace(SETUP, ports=(replace(VHF, receive_only=True),)))
    assert not post(listener, "1", "Fog").accepted


def test_a_board_has_room_for_so_many_lines() -> None:
    rig = Rig(tuning=replace(STEADY, open_bulletins=2))
    assert post(rig, "1", "a").accepted
    assert post(rig, "2", "b").accepted
    refused = post(rig, "3", "c")
    assert (refused.accepted, refused.field) == (False, "line")
    assert post(rig, "2", "d").accepted, "in place of another"
    assert withdraw(rig, "1").accepted
    assert post(rig, "3", "c").accepted


# --- the channel ----------------------------------------------------------------------------------


def test_messages_go_first_and_each_leaves_room() -> None:
    """DESIGN, rule 6. Both are due at once; a frame of 0.7 s leaves as long to others."""
    rig = Rig(up=False)
    post(rig, "1", "Fog")
    rig.send(SAG, "Come in")
    rig.link(True)
    rig.advance(20)
    infos = [sent.info for sent in rig.sent[:2]]
    assert infos[0].startswith(f":{SAG:9}:Come in")
    assert infos[1].endswith(":Fog")
    assert rig.sent[1].at_s - rig.sent[0].at_s > 1.0


def test_nothing_is_lost_while_the_tnc_is_away() -> None:
    rig = Rig()
    post(rig, "1", "Fog")
    rig.link(False)
    rig.advance(HOUR_S)
    assert len(times(rig, "Fog")) == 1
    rig.link(True)
    assert len(times(rig, "Fog")) == 2
    assert latest(rig).attempts == 2
    rig.advance(119)
    assert len(times(rig, "Fog")) == 2
    rig.advance(2)
    assert len(times(rig, "Fog")) == 3


def test_it_goes_out_everywhere() -> None:
    """A bulletin is for everybody (ch. 14): on each port, and that is once."""
    rig = Rig(TWO_PORTS)
    post(rig, "1", "Fog")
    rig.advance(61)
    assert times(rig, "Fog", ("vhf", 0)) == times(rig, "Fog", ("uhf", 0)) == [1000.0, 1060.0]
    assert [record.attempts for record in rig.of(BulletinOut)] == [0, 1, 1, 2, 2]
    assert latest(rig).wait_s == 120.0


def test_a_busy_port_holds_up_no_other() -> None:
    rig = Rig(TWO_PORTS)
    rig.hear_beacon(SAG)  # on vhf: so many messages go there
    for _ in range(20):
        rig.send(SAG)
    post(rig, "1", "Fog")
    rig.advance(30)
    (on_uhf,), (on_vhf,) = times(rig, "Fog", ("uhf", 0)), times(rig, "Fog", ("vhf", 0))
    assert on_uhf < on_vhf
    rig.advance(60)
    assert times(rig, "Fog", ("uhf", 0))[1] == on_uhf + 60.0


def test_a_tnc_that_goes_while_its_port_is_busy() -> None:
    rig = Rig()
    rig.send(SAG)
    post(rig, "1", "Fog")  # waits for the message's share of the channel
    assert not times(rig, "Fog")
    rig.link(False)
    rig.advance(10)
    rig.link(True)
    rig.advance(10)
    assert len(times(rig, "Fog")) == 1


def test_the_only_port_goes_when_another_has_come() -> None:
    rig = Rig(TWO_PORTS)
    rig.link(False, "vhf")
    rig.send(SAG)  # takes its share of uhf
    post(rig, "1", "Fog")
    rig.link(True, "vhf")
    rig.link(False, "uhf")
    rig.advance(10)
    assert len(times(rig, "Fog", ("vhf", 0))) == 1


# --- restarts -------------------------------------------------------------------------------------


def test_the_schedule_goes_on_after_a_restart() -> None:
    rig = Rig()
    post(rig, "1", "Fog")
    post(rig, "2", "Ice")
    withdraw(rig, "2")
    rig.advance(70)  # sent at 0 and 60 s, the next is due at 180 s
    rig.restart()
    rig.link(True)
    rig.advance(109)
    assert len(times(rig, "Fog")) == 2
    rig.advance(2)
    assert len(times(rig, "Fog")) == 3
    assert len(times(rig, "Ice")) <= 1
    rig.advance(4 * HOUR_S)
    assert latest(rig).state is LineState.EXPIRED
    assert latest(rig).expires_in_s == 0.0


def test_what_was_replaced_stays_so() -> None:
    rig = Rig()
    post(rig, "1", "Fog")
    post(rig, "1", "Sun")
    rig.restart()
    rig.link(True)
    rig.advance(HOUR_S)
    assert len(times(rig, "Fog")) <= 1
    assert len(times(rig, "Sun")) >= 4


def test_an_announcement_outlives_what_the_log_is_read_back_for() -> None:
    """A log is read for a day back; of what is older the lines still up are kept."""
    rig = Rig()
    post(rig, "A", "Briefing", lifetime_s=6 * DAY_S)
    post(rig, "B", "gone", lifetime_s=HOUR_S)
    rig.advance(HOUR_S + 1)
    rig.link(False)
    rig.pass_time(3 * DAY_S)
    rig.restart()
    rig.link(True)
    before = len(times(rig, "Briefing"))
    rig.advance(4000)
    assert len(times(rig, "Briefing")) == before + 1
    assert not [s for s in rig.sent if "gone" in s.info and s.at_s > 1000.0 + 2 * HOUR_S]


# --- whatever happens -----------------------------------------------------------------------------

happenings = st.lists(
    st.one_of(
        st.tuples(st.just("post"), st.sampled_from(["1", "2", "A", "1WX"])),
        st.tuples(st.just("withdraw"), st.sampled_from(["1", "2", "A", "1WX"])),
        st.tuples(st.just("link"), st.sampled_from(["vhf", "uhf"])),
        st.tuples(st.just("time"), st.sampled_from([0.3, 5.0, 61.0, 700.0, 4000.0])),
        st.tuples(st.just("send"), st.just("")),
        st.tuples(st.just("restart"), st.just("")),
    ),
    max_size=40,
)


@given(happenings)
@settings(max_examples=60, deadline=None)
def test_only_what_is_up_is_sent_and_never_too_often(steps: list[tuple[str, object]]) -> None:
    rig = Rig(TWO_PORTS)
    for step, value in steps:
        match step, value:
            case "post", str(line):
                assert post(rig, line, f"text {next(requests)}", 7200.0).accepted
            case "withdraw", str(line):
                withdraw(rig, line)
            case "link", str(tnc):
                rig.link(tnc not in rig.up, tnc)
            case "time", float(seconds):
                rig.advance(seconds)
            case "send", _:
                rig.send(SAG, lifetime_s=3600.0)
            case _:
                rig.restart()
    rig.advance(3 * HOUR_S)
    assert rig.station.next_wakeup_s() is None, "everything ends"
    over: set[str] = set()
    last: dict[tuple[str, str], float] = {}
    up: dict[str, str] = {}
    for entry in rig.entries:
        if not isinstance(entry.record, BulletinOut):
            continue
        change = entry.record
        assert change.bulletin not in over
        if change.state is LineState.QUEUED:
            assert change.line not in up, "one text on each line"
            up[change.line] = change.bulletin
        assert up[change.line] == change.bulletin
        if change.state.settled:
            over.add(change.bulletin)
            del up[change.line]
        if change.frame is not None:
            place = (change.bulletin, change.tnc)
            assert entry.at.mono_s - last.get(place, -HOUR_S) > 30.0
            last[place] = entry.at.mono_s
    assert not up

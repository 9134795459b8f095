"""The roster: who is expected, heard, late, overdue and heard again, and what is said of it."""

from typing import Any

import msgspec
import pytest

from ridgepost.station.asks import CheckIn, CheckOut
from ridgepost.station.records import (
    Answered,
    Cleared,
    MemberChanged,
    Noticed,
    WatchChanged,
    Watched,
)
from ridgepost.station.setup import Member, OwnPosition
from station.rig import MED, RIDGE, SAG, SETUP, Rig

EVERY_S = 60.0
# APRS 1.2c ch. 6 and 7: latitude, longitude, symbol of a car, course 090, 27 knots.
HERE = "!6130.00N/14912.00W>090/027"
ROSTER = (
    Member(callsign=SAG, tactical="SAG2", role="relay driver", interval_s=EVERY_S),
    Member(callsign=MED, tactical="AID1"),
)
WITH_ROSTER = msgspec.structs.replace(
    SETUP,
    roster=ROSTER,
    tactical_calls={"SAG2": SAG, "AID1": MED},
    position=OwnPosition(61.4, -149.2),
)


def states(rig: Rig, callsign: str = SAG) -> list[Watched]:
    return [
        entry.record.state
        for entry in rig.entries
        if isinstance(entry.record, WatchChanged) and entry.record.callsign == callsign
    ]


def latest(rig: Rig, callsign: str = SAG) -> WatchChanged:
    return [
        entry.record
        for entry in rig.entries
        if isinstance(entry.record, WatchChanged) and entry.record.callsign == callsign
    ][-1]


def notices(rig: Rig) -> list[Noticed]:
    return [
        entry.record
        for entry in rig.entries
        if isinstance(entry.record, Noticed) and entry.record.kind == "overdue"
    ]


def report(rig: Rig, times: int, every_s: float = EVERY_S, info: str = HERE) -> None:
    """SAG reports; the copies differ, as those of a moving station do."""
    for number in range(times):
        rig.advance(every_s)
        rig.hear_info(SAG, f"{info}{number % 7}{rig.mono_s:.0f}", f"{RIDGE}*")


def start_anew(rig: Rig, away_s: float) -> None:
    rig.pass_time(away_s)
    rig.restart()
    rig.link(True)


def test_everybody_is_expected_at_first_and_nobody_is_called() -> None:
    rig = Rig(WITH_ROSTER)
    assert states(rig) == states(rig, MED) == [Watched.EXPECTED]
    rig.advance(24 * 3600.0)
    assert states(rig) == [Watched.EXPECTED]
    assert notices(rig) == []


def test_a_dead_tracker_is_called_within_two_intervals() -> None:
    """On a good channel: two reports missed, and the time that a report may come late."""
    rig = Rig(WITH_ROSTER)
    report(rig, 60)
    assert states(rig) == [Watched.EXPECTED, Watched.HEARD]
    rig.advance(EVERY_S * 0.9)
    assert notices(rig) == []
    rig.advance(EVERY_S * 1.6)
    assert states(rig)[-1] is Watched.OVERDUE
    (notice,) = notices(rig)
    assert notice.text.startswith("SAG2 (QZ1SAG-2), relay driver, not heard for ")
    # 0.1 degrees of latitude are 11.1 km (a sixtieth of a degree is a nautical mile).
    assert "last at 61.5000 -149.2000, 11.1 km N of here, 50 km/h E, " in notice.text
    assert notice.text.endswith(f"heard via {RIDGE}")
    changed = latest(rig)
    assert changed.notice == notice.notice
    assert (changed.latitude_deg, changed.course_deg) == (61.5, 90.0)
    rig.advance(3600.0)
    assert len(notices(rig)) == 1


def test_late_comes_before_overdue_where_reports_are_lost() -> None:
    rig = Rig(WITH_ROSTER)
    for _ in range(40):
        report(rig, 1, 2 * EVERY_S)  # every other one is lost
    rig.advance(40 * EVERY_S)
    assert states(rig)[2:] == [Watched.LATE, Watched.OVERDUE]


def test_heard_again_clears_it() -> None:
    rig = Rig(WITH_ROSTER)
    report(rig, 60)
    rig.advance(600.0)
    (notice,) = notices(rig)
    report(rig, 1)
    assert states(rig)[-1] is Watched.HEARD
    assert latest(rig).why == f"heard again after 11 min, via {RIDGE}"
    assert latest(rig).notice == ""
    cleared = [entry.record for entry in rig.entries if isinstance(entry.record, Cleared)]
    assert [record.notice for record in cleared] == [notice.notice]
    rig.advance(600.0)
    assert len(notices(rig)) == 2


def test_a_message_is_a_sign_of_life() -> None:
    rig = Rig(WITH_ROSTER)
    report(rig, 60)
    for number in range(20):
        rig.advance(EVERY_S)
        rig.hear_message(SAG, f"still here {number}")
    assert states(rig)[-1] is Watched.HEARD


def test_behind_a_gateway_it_is_the_author_who_lives() -> None:
    """Third-party format, APRS 1.2c ch. 17."""
    rig = Rig(WITH_ROSTER)
    rig.hear_info("QZ3GAT", f"}}{SAG}>APZ001,TCPIP,QZ3GATE*:{HERE}")
    assert states(rig)[-1] is Watched.HEARD


def test_without_a_tnc_nobody_is_silent() -> None:
    rig = Rig(WITH_ROSTER)
    report(rig, 60)
    rig.link(False)
    rig.advance(3600.0)
    assert states(rig)[-1] is Watched.HEARD
    rig.link(True)
    rig.advance(EVERY_S)
    assert notices(rig) == []
    rig.advance(3 * EVERY_S)
    assert len(notices(rig)) == 1


@pytest.mark.parametrize("away_s", [5.0, 1800.0])
def test_a_restart_knows_it_all_again(away_s: float) -> None:
    rig = Rig(WITH_ROSTER)
    report(rig, 60)
    start_anew(rig, away_s)
    assert states(rig)[-1] is Watched.HEARD
    rig.advance(EVERY_S)
    assert notices(rig) == []
    rig.advance(2 * EVERY_S)
    assert len(notices(rig)) == 1  # the loss that was measured is still known
    start_anew(rig, away_s)
    rig.advance(600.0)
    assert len(notices(rig)) == 1
    report(rig, 1)
    assert states(rig)[-1] is Watched.HEARD
    assert latest(rig).notice == ""


def test_a_restart_after_a_night_judges_who_was_heard_the_day_before() -> None:
    """The frames themselves are too old to be read again."""
    rig = Rig(WITH_ROSTER)
    report(rig, 60)
    start_anew(rig, 12 * 3600.0)
    assert states(rig)[-1] is Watched.HEARD
    rig.advance(EVERY_S)
    assert notices(rig) == []
    rig.advance(3600.0)
    assert states(rig)[-1] is Watched.OVERDUE


def test_who_is_not_on_the_roster_any_more_goes_off() -> None:
    rig = Rig(WITH_ROSTER)
    report(rig, 60)
    rig.advance(600.0)
    assert len(notices(rig)) == 1
    rig.setup = msgspec.structs.replace(WITH_ROSTER, roster=ROSTER[1:])
    rig.restart()
    assert states(rig)[-1] is Watched.OFF
    assert states(rig, MED) == [Watched.EXPECTED]
    assert any(
        isinstance(entry.record, Cleared) and entry.record.notice == notices(rig)[0].notice
        for entry in rig.entries
    )


# --- asks -----------------------------------------------------------------------------------------


def check_in(rig: Rig, callsign: str = "QZ1NEW-7", **fields: Any) -> Answered:
    return rig.ask(CheckIn(**{"request": f"r{len(rig.entries)}", "callsign": callsign, **fields}))


def test_checked_in_and_addressed_by_its_tactical_call() -> None:
    rig = Rig(WITH_ROSTER)
    answer = check_in(rig, tactical="SWEEP", role="sweep", interval_s=120.0, client="desk")
    assert answer.accepted
    assert states(rig, "QZ1NEW-7") == [Watched.EXPECTED]
    message = rig.send("SWEEP", "Where are you?")
    assert rig.changes(message)[0].to == "QZ1NEW-7"
    rig.restart()
    assert rig.ask(CheckOut(request="out", callsign="SWEEP")).accepted
    assert states(rig, "QZ1NEW-7")[-1] is Watched.OFF
    rig.restart()
    assert not rig.ask(CheckOut(request="out2", callsign="SWEEP")).accepted


def test_once_however_often_it_is_asked() -> None:
    rig = Rig(WITH_ROSTER)
    ask = CheckIn(request="r1", callsign="QZ1NEW-7")
    assert rig.ask(ask).accepted
    assert rig.ask(ask).accepted
    assert sum(isinstance(entry.record, MemberChanged) for entry in rig.entries) == 1


@pytest.mark.parametrize(
    ("fields", "field"),
    [
        ({"callsign": "not a call"}, "callsign"),
        ({"tactical": "SAG2"}, "tactical"),  # somebody else's
        ({"tactical": "TEN LETTER"}, "tactical"),
        ({"tactical": "BLN1"}, "tactical"),  # a bulletin's addressee, APRS 1.2c ch. 14
        ({"role": "bell\x07"}, "role"),
        ({"role": "r" * 25}, "role"),
    ],
)
def test_refused(fields: dict[str, str], field: str) -> None:
    rig = Rig(WITH_ROSTER)
    answer = check_in(rig, **fields)
    assert not answer.accepted
    assert answer.field == field


def test_checked_out_it_is_nobody_s_business() -> None:
    rig = Rig(WITH_ROSTER)
    report(rig, 60)
    assert rig.ask(CheckOut(request="out", callsign="SAG2")).accepted
    rig.advance(3600.0)
    report(rig, 1)
    assert states(rig)[-1] is Watched.OFF
    assert notices(rig) == []


def test_a_full_roster_takes_nobody_more() -> None:
    tuning = msgspec.structs.replace(Rig().tuning, roster_members=2)
    rig = Rig(WITH_ROSTER, tuning)
    assert not check_in(rig).accepted
    assert check_in(rig, SAG, role="sweep").accepted


@pytest.mark.parametrize("interval_s", [None, 3600.0])
def test_another_interval_holds_at_once(interval_s: float | None) -> None:
    """The silence that the old one allowed is over then, and means nothing any more."""
    rig = Rig(WITH_ROSTER)
    report(rig, 3)
    assert check_in(rig, SAG, tactical="SAG2", interval_s=interval_s).accepted
    rig.advance(1800.0)
    assert states(rig)[-1] is Watched.HEARD


def test_an_interval_given_later_holds_for_who_was_heard_already() -> None:
    rig = Rig(WITH_ROSTER)
    rig.hear_info(MED, HERE)
    rig.advance(600.0)
    assert states(rig, MED)[-1] is Watched.HEARD
    assert check_in(rig, MED, tactical="AID1", interval_s=EVERY_S).accepted
    rig.advance(3600.0)
    assert states(rig, MED)[-1] is Watched.OVERDUE


def test_another_role_does_not_unlearn_the_interval() -> None:
    rig = Rig(msgspec.structs.replace(WITH_ROSTER, roster=(Member(callsign=SAG),)))
    report(rig, 60)
    assert check_in(rig, SAG, role="sweep").accepted
    rig.advance(600.0)
    assert states(rig)[-1] is Watched.OVERDUE

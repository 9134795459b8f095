"""Emergencies on the air, and our own traffic of that precedence, raise a notice that stays."""

import pytest

from ridgepost import aprs
from ridgepost.station.asks import Clear
from ridgepost.station.effects import Transmit
from ridgepost.station.records import Noticed, Precedence
from ridgepost.station.tuning import Tuning
from ridgepost.station.unseen import NOTICES_KEPT
from station.rig import MED, RIDGE, SAG, SETUP, US, Rig, frame_of

TUNING = Tuning()
PLACE = aprs.Place(latitude_deg=61.5, longitude_deg=-149.2, symbol_table="/", symbol_code=">")


def emergencies(rig: Rig) -> list[Noticed]:
    return [
        entry.record
        for entry in rig.entries
        if isinstance(entry.record, Noticed) and entry.record.kind == "emergency"
    ]


def hear_mice(rig: Rig, code: str = "EMERGENCY", text: str = "") -> None:
    """Mic-E: the Emergency position comment is all three bits 0 (APRS 1.2c ch. 10)."""
    destination, info = aprs.encode_mice(PLACE, position_comment=code)
    rig.hear_info_to(SAG, destination, info + text.encode(), f"{RIDGE}*")


def test_mice_emergency() -> None:
    rig = Rig(SETUP)
    hear_mice(rig, "M3")
    assert emergencies(rig) == []
    hear_mice(rig, text="roll over")
    (notice,) = emergencies(rig)
    assert notice.about == SAG
    assert notice.text == (
        f'{SAG}: reports an emergency by Mic-E, "roll over", at 61.5000 -149.2000, '
        f"heard via {RIDGE}"
    )


@pytest.mark.parametrize(
    "info",
    [
        "!6130.00N\\14912.00W!",  # the symbol of the alternate table, APRS 1.2c ch. 21
        "!6130.00N/14912.00W>EMERGENCY need a medic",
        ">EMERGENCY at post 4",
        f":{MED:9}:EMERGENCY at post 4{{1",
    ],
)
def test_symbol_and_word(info: str) -> None:
    rig = Rig(SETUP)
    rig.hear_info(SAG, info)
    assert len(emergencies(rig)) == 1


@pytest.mark.parametrize(
    "info", [">No emergency here", ">EMERGENCYX", "!6130.00N/14912.00W!", f":{US:9}:ack1"]
)
def test_no_emergency(info: str) -> None:
    rig = Rig(SETUP)
    rig.hear_info(SAG, info)
    assert emergencies(rig) == []


def test_one_notice_until_it_is_cleared_and_another_only_later() -> None:
    rig = Rig(SETUP)
    for number in range(5):
        rig.hear_info(SAG, f">EMERGENCY {number}")
        rig.advance(60)
    (first,) = emergencies(rig)
    rig.advance(TUNING.alarm_gap_s)
    rig.hear_info(SAG, ">EMERGENCY goes on")
    assert emergencies(rig) == [first]
    assert rig.ask(Clear(request="c", notice=first.notice)).accepted
    rig.hear_info(SAG, ">EMERGENCY still")
    assert emergencies(rig) == [first]
    rig.advance(TUNING.alarm_gap_s + 1)
    rig.hear_info(SAG, ">EMERGENCY again")
    assert len(emergencies(rig)) == 2


def test_it_stays_over_a_restart() -> None:
    rig = Rig(SETUP)
    rig.hear_info(SAG, ">EMERGENCY")
    rig.restart()
    rig.advance(TUNING.alarm_gap_s + 60)
    rig.hear_info(SAG, ">EMERGENCY more")
    assert len(emergencies(rig)) == 1
    assert rig.ask(Clear(request="c", notice=emergencies(rig)[0].notice)).accepted


def test_a_notice_that_is_pushed_out_hides_nothing() -> None:
    """It cannot be cleared any more, and must not stand for an emergency that nobody can see."""
    rig = Rig(SETUP)
    rig.hear_info(SAG, ">EMERGENCY")
    (first,) = emergencies(rig)
    not_taken = Transmit("vhf", 0, frame_of(US, ">here"))
    for _ in range(NOTICES_KEPT):
        rig.take(rig.station.not_sent(not_taken, rig.now))
    rig.advance(TUNING.alarm_gap_s + 60)
    rig.hear_info(SAG, ">EMERGENCY still")
    assert [notice.about for notice in emergencies(rig)].count(SAG) == 2
    assert not rig.ask(Clear(request="c", notice=first.notice)).accepted


def test_our_own_traffic_of_that_precedence() -> None:
    rig = Rig(SETUP)
    rig.send(MED, "Ambulance to post 4", Precedence.PRIORITY)
    assert emergencies(rig) == []
    rig.send(MED, "Ambulance to post 4 now", Precedence.EMERGENCY)
    (notice,) = emergencies(rig)
    assert notice.text == f'EMERGENCY traffic for {MED}, "Ambulance to post 4 now"'


def test_what_a_gateway_brings_was_not_heard_direct() -> None:
    """Third-party format, APRS 1.2c ch. 17."""
    rig = Rig(SETUP)
    rig.hear_info("QZ3GAT", f"}}{SAG}>APZ001,TCPIP,QZ3GAT*:>EMERGENCY")
    (notice,) = emergencies(rig)
    assert notice.about == SAG
    assert notice.text.endswith("heard via QZ3GAT")


def test_our_own_words_that_a_gateway_brings_back_raise_nothing() -> None:
    rig = Rig(SETUP)
    rig.hear_info("QZ3GAT", f"}}{US}>APZ001,TCPIP,QZ3GAT*::{MED:9}:EMERGENCY at post 4{{1")
    assert emergencies(rig) == []


def test_our_own_traffic_hides_no_emergency_of_the_addressee() -> None:
    rig = Rig(SETUP)
    rig.send(SAG, "Ambulance to post 4 now", Precedence.EMERGENCY)
    hear_mice(rig)
    assert [notice.about for notice in emergencies(rig)] == [US, SAG]


def test_many_callsigns_cost_no_memory() -> None:
    rig = Rig(SETUP)
    for number in range(600):
        rig.hear_info(f"QZ{number:04}", ">EMERGENCY")
    assert len(rig.station._alarms._raised) <= 256

"""Passive acknowledgement: our own frame heard back from a digipeater, or not.

The facts used: a digipeater repeats a frame at once and then repeats no copy of it for about 30 s
(APRS Digipeater Algorithm sec. 3.2.1 and 4.2; APRS 1.2c ch. 2), and its repeat carries its callsign
with the H bit set (AX.25 2.2 sec. 3.12.5, from memory).
"""

import pytest

from ridgepost.station.channel import PortSetup
from ridgepost.station.echoes import Echoes
from ridgepost.station.records import AckSent, State
from ridgepost.station.tuning import Tuning
from station.rig import RIDGE, SAG, STEADY, US, Rig, frame_of, gaps, message_info, other

WINDOW_S = 30.0
PORT = ("vhf", 0)


def repeat(rig: Rig, delay_s: float = 2.0) -> None:
    """The digipeater repeats what we sent last."""
    info = rig.sent[-1].info
    rig.advance(delay_s)
    rig.hear_info(US, info, f"{RIDGE}*")


def rig_with_a_digipeater() -> Rig:
    """A rig whose digipeater has repeated a frame of ours, and SAG is heard through it."""
    rig = Rig()
    rig.hear_beacon(SAG, f"{RIDGE}*")
    first = rig.send(SAG, "first")
    repeat(rig)
    rig.hear_ack(SAG, rig.number(first), f"{RIDGE}*")
    rig.advance(60)
    assert rig.state(first) is State.ACKNOWLEDGED
    return rig


def whys(rig: Rig, message: str) -> list[str]:
    return [change.why for change in rig.changes(message)]


# --- outgoing -----------------------------------------------------------------------------------


def test_no_repeat_is_followed_by_a_copy_soon() -> None:
    """Nobody has the frame, so nobody will suppress the copy: no need to wait for the window."""
    rig = rig_with_a_digipeater()
    message = rig.send(SAG, "second")
    rig.advance(12)
    waits = gaps(rig.sends(message))
    assert waits
    # Past the frame and its repeat (0.6 s each at the least), well inside the window.
    assert 1.2 < waits[0] < 8.0
    assert whys(rig, message)[2] == "no repeat heard"


def test_a_repeat_is_followed_by_no_copy_within_the_window() -> None:
    rig = rig_with_a_digipeater()
    message = rig.send(SAG, "second")
    repeat(rig)
    heard_s = rig.mono_s
    rig.advance(WINDOW_S - 0.1)
    assert len(rig.sends(message)) == 1
    rig.advance(STEADY.after_window_s + 0.2)
    assert len(rig.sends(message)) == 2
    assert rig.sends(message)[1] >= heard_s + WINDOW_S
    assert whys(rig, message)[2] == f"repeated by {RIDGE} after 2.0 s"
    assert whys(rig, message)[3] == f"repeated by {RIDGE}, but no acknowledgement"


def test_only_a_used_digipeater_makes_it_a_repeat() -> None:
    """Some TNCs hand back what they sent: its path has no H bit set."""
    rig = rig_with_a_digipeater()
    message = rig.send(SAG, "second")
    info = rig.sent[-1].info
    rig.advance(2)
    rig.hear_info(US, info, f"{RIDGE}")
    rig.advance(8)
    assert len(rig.sends(message)) > 1


def test_a_further_repeat_changes_nothing() -> None:
    rig = rig_with_a_digipeater()
    message = rig.send(SAG, "second")
    repeat(rig)
    first = len(rig.changes(message))
    rig.hear_info(US, rig.sent[-1].info, f"{RIDGE},QZ2RDG*")
    assert len(rig.changes(message)) == first


def test_without_a_digipeater_in_reach_there_is_no_storm() -> None:
    """No digipeater was ever heard: the standard's decay (APRS 1.2c ch. 2) and no more."""
    rig = Rig()
    message = rig.send(SAG)
    rig.advance(300)
    assert gaps(rig.sends(message)) == pytest.approx([8, 16, 32, 64, 128])


def test_a_digipeater_that_does_not_repeat_us_draws_no_storm() -> None:
    """It is heard, and our frames never come back: after a few it is not counted on."""
    rig = Rig()
    for number in range(6):
        rig.send(other(number))
    sent_in: list[int] = []
    for minute in range(20):
        before = len(rig.sent)
        for _ in range(6):
            rig.hear_beacon("QZ5FAR", f"{RIDGE}*")
            rig.advance(10)
        sent_in.append(len(rig.sent) - before)
        assert minute < 3 or sent_in[-1] <= 12
    assert sum(sent_in) <= 6 * (STEADY.attempts + 1)


def test_when_a_copy_was_likely_repeated_unheard_the_window_is_waited_out() -> None:
    """After several misses the odds turn: not all transmissions fall into one window."""
    rig = rig_with_a_digipeater()
    message = rig.send(SAG, "second")
    for _ in range(3000):
        rig.hear_beacon("QZ5FAR", f"{RIDGE}*")
        rig.advance(0.2)
    times = rig.sends(message)
    assert len(times) == STEADY.attempts
    assert max(sum(start <= at_s < start + WINDOW_S for at_s in times) for start in times) <= 5


def test_the_window_that_is_waited_out_is_that_of_the_first_copy() -> None:
    """If one of them was repeated unheard it was most likely the first, and a digipeater counts
    from the copy that it repeated (APRS Digipeater Algorithm sec. 4.2)."""
    rig = rig_with_a_digipeater()
    message = rig.send(SAG, "second")
    for _ in range(300):
        rig.hear_beacon("QZ5FAR", f"{RIDGE}*")
        rig.advance(0.2)
    times = rig.sends(message)
    waits = gaps(times)
    # The first long wait is the one for the window; it is no shorter than what is left of it, and
    # no longer than that, a frame with its repeat (2 s) and the waits for the channel.
    place = next(place for place, wait_s in enumerate(waits) if wait_s > 12.0)
    assert place >= 1
    assert WINDOW_S < times[place + 1] - times[0] < WINDOW_S + 10.0


def test_after_the_window_the_odds_begin_anew() -> None:
    """A copy past it is repeated whatever became of those before it."""
    rig = rig_with_a_digipeater()
    message = rig.send(SAG, "second")
    for _ in range(600):
        rig.hear_beacon("QZ5FAR", f"{RIDGE}*")
        rig.advance(0.2)
    times = rig.sends(message)
    past = [at_s for at_s in times if at_s > times[0] + WINDOW_S]
    assert len(past) >= 2
    assert past[1] - past[0] < WINDOW_S


# --- the odds -----------------------------------------------------------------------------------


def test_odds_follow_bayes_rule() -> None:
    """Worked by hand: a share `lost` of copies does not reach the digipeater; of the others a share
    `deaf` comes back unheard, and all copies after such a one are suppressed. Nobody has it after k
    misses with lost**k / (lost**k + deaf * (1 - lost) * (1 + lost + ... + lost**(k - 1)))."""
    echoes = Echoes((PortSetup(tnc="vhf", port=0),), Tuning())
    deaf, missed = 0.08, 0.3  # the first guesses
    lost = (missed - deaf) / (1 - deaf)
    for k in range(1, 6):
        unheard = deaf * (1 - lost) * sum(lost**i for i in range(k))
        expected = lost**k / (lost**k + unheard)
        assert echoes.nobody_has_it(PORT, k) == pytest.approx(expected)


def test_patience_follows_what_was_measured() -> None:
    """Mean and deviation as RFC 6298 smooths them: steady repeats make patience short."""
    echoes = Echoes((PortSetup(tnc="vhf", port=0),), Tuning())
    frame = frame_of(US, message_info(SAG, "x"), "WIDE1-1")
    patience_s = first_s = echoes.sent(PORT, frame, b"0", 0.0)
    for number in range(1, 40):
        at_s = 100.0 * number
        patience_s = echoes.sent(PORT, frame, b"%d" % number, at_s)
        assert echoes.heard(PORT, b"%d" % number, RIDGE, at_s + 1.6) is not None
    assert patience_s < first_s
    assert 1.6 < patience_s < 3.0


# --- acknowledgements ---------------------------------------------------------------------------


def test_an_ack_that_nobody_repeats_is_sent_again_at_once() -> None:
    rig = rig_with_a_digipeater()
    rig.hear_message(SAG, "hello", "7}", path=f"{RIDGE}*")
    rig.advance(10)
    waits = gaps(rig.acks(SAG, "7}"))
    assert 1.0 < waits[0] < 8.0
    assert [ack.why for ack in rig.of(AckSent)][-2:] == ["no repeat heard"] * 2
    rig.advance(300)
    assert len(rig.acks(SAG, "7}")) <= len(STEADY.guard_growth) + 1


def test_an_ack_that_was_repeated_is_not() -> None:
    rig = rig_with_a_digipeater()
    rig.hear_message(SAG, "hello", "7}", path=f"{RIDGE}*")
    repeat(rig)
    rig.advance(300)
    assert len(rig.acks(SAG, "7}")) == 1


def test_a_copy_within_the_window_of_a_repeated_ack_waits_it_out() -> None:
    """APRS 1.2c ch. 14, Multiple Acknowledgements: at least 30 s apart."""
    rig = rig_with_a_digipeater()
    rig.hear_message(SAG, "hello", "7}", path=f"{RIDGE}*")
    repeat(rig)
    repeated_s = rig.mono_s
    rig.advance(12)
    rig.hear_message(SAG, "hello", "7}", path=f"{RIDGE}*")
    rig.advance(60)
    assert rig.acks(SAG, "7}")[1] == pytest.approx(repeated_s + WINDOW_S)


def test_no_guard_where_no_repeat_can_come() -> None:
    """Heard direct and answered direct: an empty path, which no digipeater repeats."""
    rig = rig_with_a_digipeater()
    rig.hear_message("QZ7NER", "hello", "7")
    rig.advance(300)
    assert len(rig.acks("QZ7NER", "7")) == 1
    assert rig.sent[-1].frame.path == ()


# --- the way ------------------------------------------------------------------------------------


def test_a_neighbour_is_answered_without_digipeaters_and_then_with() -> None:
    """No path longer than needed (common practice): a hop in vain costs 2.2 times the airtime."""
    rig = Rig()
    rig.hear_beacon(SAG)
    message = rig.send(SAG)
    rig.advance(200)
    paths = [sent.frame.path for sent in rig.sent if message_info(SAG, "") in sent.info]
    tries = STEADY.tries_per_path
    assert paths[: tries + 1] == [()] * tries + [rig.setup.path]
    assert len(rig.sends(message)) == len(paths)


def test_through_one_digipeater_by_its_name() -> None:
    rig = Rig()
    rig.hear_beacon(SAG, f"{RIDGE}*,WIDE2-1")
    rig.send(SAG)
    assert rig.sent[-1].frame.path == (RIDGE,)


@pytest.mark.parametrize("path", ["QZ1DGA,QZ2DGB*", "WIDE1*", "RELAY*"])
def test_through_several_or_unnamed_ones_by_the_usual_path(path: str) -> None:
    """An alias left in the path names nobody (APRS 1.2c ch. 4)."""
    rig = Rig()
    rig.hear_beacon(SAG, path)
    rig.send(SAG)
    assert rig.sent[-1].frame.path == rig.setup.path


def test_an_old_way_is_forgotten() -> None:
    rig = Rig()
    rig.hear_beacon(SAG)
    rig.pass_time(STEADY.way_memory_s + 1)
    rig.send(SAG)
    assert rig.sent[-1].frame.path == rig.setup.path


# --- others -------------------------------------------------------------------------------------


def test_retries_stand_back_for_others_with_messages() -> None:
    """With n stations busy each must leave room for n (Roberts 1975); beacons and bulletins, which
    go out whether we wait or not, do not count."""

    def mean_wait_s(others: int) -> float:
        waits: list[float] = []
        for seed in range(12):
            rig = Rig(seed=seed)
            for number in range(others):
                rig.hear_message(other(number), "hello", "1", to="QZ9OUT")
            for number in range(20):
                rig.hear_beacon(f"QZ8B{number:02}")
                rig.hear_message(f"QZ8C{number:02}", "news for all", to="BLN1")
            message = rig.send(SAG)
            rig.advance(200)
            waits.append(gaps(rig.sends(message))[0])
        return sum(waits) / len(waits)

    alone_s, few_s = mean_wait_s(0), mean_wait_s(6)
    assert alone_s == pytest.approx(8.0)
    assert few_s > alone_s + 2 * STEADY.contender_gap_s


def test_an_addressee_that_comes_back_during_a_long_wait_is_tried_at_once() -> None:
    rig = Rig()
    message = rig.send(SAG)
    rig.advance(300)  # in a wait of 256 s
    before = len(rig.sends(message))
    rig.hear_beacon(SAG)
    rig.advance(0.1)
    assert len(rig.sends(message)) == before + 1


def test_a_second_message_may_fill_the_window() -> None:
    """`messages_in_flight`: not before the first was repeated, and the rest in their turn."""
    tuning = Tuning(retry_jitter=0.0, messages_in_flight=2)
    rig = Rig(tuning=tuning)
    rig.hear_beacon("QZ5FAR", f"{RIDGE}*")
    first, second, third = (rig.send(SAG, text) for text in ("one", "two", "three"))
    rig.advance(1)
    assert [len(rig.sends(message)) for message in (first, second, third)] == [1, 0, 0]
    repeat(rig, 1.0)
    rig.advance(tuning.beside_after_s - 0.1)
    assert [len(rig.sends(message)) for message in (first, second, third)] == [1, 0, 0]
    rig.advance(0.2)
    assert [len(rig.sends(message)) for message in (first, second, third)] == [1, 1, 0]
    rig.hear_ack(SAG, rig.number(first), f"{RIDGE}*")
    repeat(rig, 0.5)
    rig.advance(8)
    assert len(rig.sends(third)) >= 1


def test_a_second_message_may_fill_a_window_that_is_only_guessed() -> None:
    """No repeat was heard, but likely there was one: its window is waited out all the same."""
    tuning = Tuning(retry_jitter=0.0, messages_in_flight=2)
    rig = Rig(tuning=tuning)
    rig.hear_beacon("QZ5FAR", f"{RIDGE}*")
    first, second = (rig.send(SAG, text) for text in ("one", "two"))
    for _ in range(200):
        rig.hear_beacon("QZ5FAR", f"{RIDGE}*")
        rig.advance(0.2)
    alone = [at_s for at_s in rig.sends(first) if at_s < rig.sends(second)[0]]
    assert len(alone) >= 2
    assert tuning.beside_after_s < rig.sends(second)[0] - alone[-1] < WINDOW_S


def test_a_query_for_waiting_messages_brings_them() -> None:
    """?APRSM, APRS 1.2c ch. 15: outstanding messages."""
    rig = Rig()
    message = rig.send(SAG)
    rig.advance(1700)
    assert rig.state(message) is State.WAITING
    rig.hear_message(SAG, "?APRSM")
    rig.advance(1)
    assert rig.changes(message)[-1].state is State.SENDING

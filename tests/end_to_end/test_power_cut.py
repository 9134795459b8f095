"""SIGKILL at the worst moments: what was promised is kept, and nothing is done twice.

APRS 1.2 ch. 2 (Packet Timing) has a message repeated at lengthening intervals. A station that sends
it again because it was started again takes airtime from others.
"""

import resource
import time

from end_to_end.world import HUB, SAG, Site, number_of

FIRST_WAIT_S = 8.0
"""What the station's tuning has as the shortest time between two transmissions of a message."""


def test_accepted_and_killed_before_it_could_be_sent(site: Site) -> None:
    """The answer on the bus is a promise: the message is sent after the next start."""
    tnc = site.tnc(plugged=False)
    site.configure(tnc)
    station = site.start_up()
    answer = site.send("r-1", "Water at post 2")
    assert answer["accepted"]
    station.kill()

    tnc.plug()
    station = site.start_up()
    _, frame = site.until(lambda: tnc.sent[:1], "the message on the air")[0]
    first_s = time.monotonic()
    assert frame.info.startswith(b":QZ1SAG-9 :Water at post 2{")

    # Killed again, now after the transmission: it is not for a start to send the message once more.
    site.until(
        lambda: site.bus.find(f"traffic/out/{answer['message']}", state="sending"), "the news of it"
    )
    station.kill()
    tnc.unplug()
    tnc.plug()
    site.start_up()
    for mark in ("one", "two"):
        site.hears(tnc, mark)
    assert len(tnc.sent) == 1

    # The next slot of the schedule holds over both starts, with the same number.
    site.until(lambda: tnc.sent[1:], "the next transmission", 2 * FIRST_WAIT_S)
    assert time.monotonic() - first_s >= FIRST_WAIT_S - 0.1
    assert tnc.sent[1][1].info == frame.info

    # And an ack to it, after two kills, settles it.
    tnc.heard(f"{SAG}>APZ001::{HUB}:ack{number_of(frame)}")
    site.until(
        lambda: site.bus.find(f"traffic/out/{answer['message']}", state="acknowledged"),
        "the acknowledgement",
    )


def test_message_in_is_not_shown_again(site: Site) -> None:
    """Shown and acknowledged, then the power fails; the sender, who missed the ack, tries again."""
    tnc = site.tnc()
    site.configure(tnc)
    station = site.start_up()
    message = f"{SAG}>APZ001:" + f":{HUB}:Runner 12 stops here" + "{07"
    tnc.heard(message)
    site.until(lambda: site.bus.find("traffic/in/"), "the message")
    station.kill()
    tnc.unplug()
    tnc.plug()
    site.start_up()
    tnc.heard(message)
    site.hears(tnc, "afterwards")
    shown = {event.payload["id"] for event in site.bus.all("traffic/in/")}
    assert len(shown) == 1


def test_every_event_arrives_in_spite_of_kills(site: Site) -> None:
    """At least once: copies carry the same id, and no number of the log is missing."""
    tnc = site.tnc()
    site.configure(tnc)
    for run in range(3):
        station = site.start_up()
        for number in range(30):
            tnc.heard(f"QZ1PST-1>APZ001:>run {run} report {number}")
        site.hears(tnc, f"end of run {run}")
        station.kill()
        tnc.unplug()
        tnc.plug()
    station = site.start_up()
    assert station.stop() == 0
    last = station.said("stopped")
    assert last is not None
    wanted = set(range(1, last["last_entry"] + 1))
    seen: dict[int, str] = {}
    for event in site.bus.all(""):
        if "seq" in event.payload:
            assert seen.setdefault(event.payload["seq"], event.payload["id"]) == event.payload["id"]
    starts = {1}  # a start is logged and told by presence, not as an event
    missing = sorted(wanted - seen.keys() - starts)
    assert len(missing) == 4, f"three more starts and the stop: {missing}"


def test_nothing_happens_while_the_log_cannot_be_written(site: Site) -> None:
    """A full disk, played by the kernel's limit on the size of files (setrlimit(2)): nothing is
    promised, sent or acknowledged that could not be kept, and it all happens once it can be."""
    tnc = site.tnc()
    site.configure(tnc)
    site.errors_expected = True
    station = site.start_up()
    site.hears(tnc, "before")

    limits = resource.prlimit(station.pid, resource.RLIMIT_FSIZE)
    resource.prlimit(station.pid, resource.RLIMIT_FSIZE, (0, limits[1]))
    tnc.heard(f"{SAG}>APZ001:" + f":{HUB}:Runner 12 stops here" + "{07")
    site.until(lambda: station.errors, "the station to say so")
    assert "cannot write the log" in station.errors[0]["event"]
    site.ask("send", {"request": "r-1", "to": SAG, "text": "Water at post 2"})
    tries = len(station.errors)
    site.until(lambda: len(station.errors) > tries, "another try")
    assert tnc.sent == []
    assert site.bus.find("answer/r-1") is None
    assert site.bus.find("traffic/in/") is None

    resource.prlimit(station.pid, resource.RLIMIT_FSIZE, limits)
    site.until(lambda: len(tnc.sent) >= 2, "the ack and the message")
    assert tnc.infos()[0] == ":QZ1SAG-9 :ack07"
    assert tnc.infos()[1].startswith(":QZ1SAG-9 :Water at post 2{")
    site.until(lambda: site.bus.find("answer/r-1", accepted=True), "the answer")
    assert len(site.bus.all("traffic/in/")) == 1
    assert station.stop() == 0


def test_stop_while_the_log_cannot_be_written(site: Site) -> None:
    """It does not wait for the disk, and what it could not keep it has not promised."""
    tnc = site.tnc()
    site.configure(tnc)
    site.errors_expected = True
    station = site.start_up()
    limits = resource.prlimit(station.pid, resource.RLIMIT_FSIZE)
    resource.prlimit(station.pid, resource.RLIMIT_FSIZE, (0, limits[1]))
    tnc.heard(f"{SAG}>APZ001:" + f":{HUB}:Runner 12 stops here" + "{07")
    site.until(lambda: station.errors, "the station to say so")
    assert station.stop() == 0
    assert tnc.sent == []
    tnc.unplug()
    tnc.plug()
    site.start_up()
    tnc.heard(f"{SAG}>APZ001:" + f":{HUB}:Runner 12 stops here" + "{07")
    site.until(lambda: tnc.infos() == [":QZ1SAG-9 :ack07"], "the ack to the sender's next try")

"""The TNC away and back, and rubbish on its line."""

import random
import signal

from end_to_end.world import HUB, SAG, Site, number_of
from ridgepost.radio import ax25, kiss


def test_unplugged_and_plugged_in_again(site: Site) -> None:
    """A TNC that was off has forgotten its parameters (KISS paper, from memory: they are set by the
    host), so it is told again; and traffic goes on."""
    tnc = site.tnc()
    site.configure(tnc)
    site.start_up()
    site.until(lambda: site.bus.find("link/vhf", up=True), "the link on the bus")
    first = [(frame.port, frame.command, frame.payload) for frame in tnc.commands]

    tnc.unplug()
    down = site.until(lambda: site.bus.find("link/vhf", up=False), "the link down on the bus")
    assert down.payload["reason"] != ""
    # Whoever comes later sees it too (MQTT 5, 3.3.1.3).
    later = site.listen(f"ridgepost/{HUB}/link/#")
    kept = site.until(lambda: later.find("link/vhf"), "the retained state")
    assert (kept.retained, kept.payload["up"]) == (True, False)
    # A message is accepted meanwhile, and waits.
    answer = site.send("r-1", "Water at post 2")
    assert answer["accepted"]

    tnc.plug()
    site.until(tnc.greeted, "the parameters again")
    assert [(frame.port, frame.command, frame.payload) for frame in tnc.commands] == first
    site.until(lambda: site.bus.all("link/vhf", up=True)[1:], "the link up on the bus")
    _, frame = site.until(lambda: tnc.sent[:1], "the message on the air")[0]
    tnc.heard(f"{SAG}>APZ001::{HUB}:ack{number_of(frame)}")
    site.until(
        lambda: site.bus.find(f"traffic/out/{answer['message']}", state="acknowledged"),
        "the acknowledgement",
    )


def test_rubbish_on_the_line(site: Site) -> None:
    """Noise, frames cut short or far too long, broken escapes, AX.25 that is none: a KISS receiver
    drops them and takes the next good frame (KISS paper, from memory)."""
    tnc = site.tnc()
    site.configure(tnc)
    station = site.start_up()
    rng = random.Random(1)
    good = ax25.encode(ax25.from_monitor("QZ1PST-1>APZ001:>good"))
    rubbish = [
        rng.randbytes(3000),
        kiss.FEND + bytes(100_000) + kiss.FEND,  # no TNC sends such a frame
        kiss.FEND + b"\x00\xdb" + kiss.FEND,  # an escape cut short
        kiss.FEND + b"\x00\xdb\x41\xdb\xdb" + kiss.FEND,
        *(kiss.frame(0, kiss.DATA, good[:length]) for length in range(len(good))),
        *(kiss.frame(0, command, b"\x01") for command in range(1, 16)),
        kiss.frame(0, kiss.DATA, good[:14] + rng.randbytes(40)),
        # Connected mode, other protocols, an empty and an overlong information field.
        kiss.frame(0, kiss.DATA, good[:14] + b"\x3f"),
        kiss.frame(0, kiss.DATA, good[:14] + b"\x03\xcfNET/ROM"),
        kiss.frame(0, kiss.DATA, good[:14] + b"\x03\xf0"),
        kiss.frame(0, kiss.DATA, good[:14] + b"\x03\xf0" + b":" * 900),
        kiss.frame(15, kiss.DATA, good),  # a port that is in no settings
        *(kiss.frame(0, kiss.DATA, good[:16] + rng.randbytes(60)) for _ in range(200)),
    ]
    for octets in rubbish:
        for start in range(0, len(octets), 1000):
            tnc.raw(octets[start : start + 1000])
            site.world.catch_up()
    site.hears(tnc, "still here")
    assert station.running
    tnc.heard(f"{SAG}>APZ001:" + f":{HUB}:Hello" + "{1")
    site.until(lambda: tnc.infos()[-1:] == [":QZ1SAG-9 :ack1"], "an ack")
    assert station.stop() == 0
    counted = station.said("counted")
    assert counted is not None
    framing = counted["link_counts"]["vhf"]["framing"]
    assert framing["oversize_frames"] >= 1
    assert framing["bad_escapes"] >= 2
    assert framing["cut_frames"] >= 1
    # Of a frame of 21 octets with 16 before its information, what is shorter is none.
    assert counted["station_counts"]["malformed"] >= 14
    assert counted["station_counts"]["other_protocols"] >= 2
    assert counted["service_counts"]["faults"] == 0


def test_control_characters_stay_in_payloads(site: Site) -> None:
    """Text from the air gets neither into topics nor, unescaped, into the station's own log."""
    tnc = site.tnc()
    site.configure(tnc)
    station = site.start_up()
    frame = ax25.Frame(SAG, "APZ001", info=b":QZ1HUB-10:\x1b[2J\x07 +/# \xff" + b"{a")
    tnc.raw(kiss.frame(0, kiss.DATA, ax25.encode(frame)))
    shown = site.until(lambda: site.bus.find("traffic/in/"), "the message")
    assert "\x1b[2J\x07 +/# " in shown.payload["text"]
    bulletin = ax25.Frame(SAG, "APZ001", info=b":BLN1+/#\x1b :text")
    tnc.raw(kiss.frame(0, kiss.DATA, ax25.encode(bulletin)))
    site.hears(tnc, "afterwards")
    for event in site.bus.events:
        assert event.topic.isprintable()
        assert not set("+#") & set(event.topic)
    assert not any("\x1b" in line for line in station.lines)
    station.signal(signal.SIGINT)  # a person's Ctrl-C is a stop in order as well
    assert station.ended(5.0) == 0

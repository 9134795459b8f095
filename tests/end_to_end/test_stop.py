"""The end of a run, in order and without.

A service manager sends SIGTERM and expects exit status 0; the station promises to be gone within
5 s whatever hangs. That others learn of it is MQTT's retained message and last will (MQTT 5,
3.1.2.5 and 3.3.1.3).
"""

import os
import signal
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from end_to_end.world import HUB, SAG, Site, Tnc


def retained_presence(site: Site) -> dict[str, object]:
    """What somebody is told who comes later."""
    later = site.listen(f"ridgepost/{HUB}/presence")
    event = site.until(lambda: later.find("presence"), "the retained presence")
    assert event.retained
    return dict(event.payload)


def test_stop_in_order(site: Site) -> None:
    tnc = site.tnc()
    site.configure(tnc)
    station = site.start_up()
    assert retained_presence(site)["online"] is True
    assert station.stop() == 0
    presence = retained_presence(site)
    assert presence["online"] is False
    assert isinstance(presence["at"], str)
    assert presence["callsign"] == HUB


def test_last_will(site: Site) -> None:
    """After a power cut the broker speaks; it does not know when it lost the station."""
    tnc = site.tnc()
    site.configure(tnc)
    site.start_up().kill()
    site.until(lambda: site.bus.find("presence", online=False), "the last will")
    presence = retained_presence(site)
    assert presence["online"] is False
    assert presence["at"] is None


def test_stop_before_anything_is_there(site: Site) -> None:
    """No broker, no TNC: it has nothing to wait for."""
    tnc = site.tnc(plugged=False)
    site.configure(tnc)
    site.broker.stop()
    station = site.start()
    site.until(lambda: station.said("bus down"), "the broker to be missed")
    site.until(lambda: station.said("TNC down"), "the TNC to be missed")
    assert station.stop() == 0


def test_what_came_in_goes_out_before_the_end(site: Site) -> None:
    """Heard just before the stop: decided, acknowledged, published."""
    tnc = site.tnc()
    site.configure(tnc)
    station = site.start_up()
    with site.paused(station.pid):
        for number in range(20):
            tnc.heard(f"{SAG}>APZ001:" + f":{HUB}:Number {number}" + f"{{{number}")
        station.signal(signal.SIGTERM)
    assert station.ended(5.0) == 0
    site.until(lambda: site.bus.find("presence", online=False), "the farewell")
    texts = [event.payload["text"] for event in site.bus.all("traffic/in/")]
    # Whether the octets or the signal are seen first is the kernel's choice; all or none then.
    assert texts in ([], [f"Number {number}" for number in range(20)])
    assert len(site.bus.all("traffic/ack")) == len(texts)
    # The farewell is the last word.
    assert site.bus.all("")[-1].payload["online"] is False


@contextmanager
def unreachable() -> Iterator[int]:
    """A port on which connecting takes for ever, as to a host that is switched off: its queue is
    full, and Linux then drops what would open a connection (listen(2), tcp(7))."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        port = listener.getsockname()[1]
        fillers = []
        try:
            for _ in range(4):
                filler = socket.socket()
                filler.setblocking(False)
                filler.connect_ex(("127.0.0.1", port))
                fillers.append(filler)
            yield port
        finally:
            for filler in fillers:
                filler.close()


def hang(tnc: Tnc, site: Site) -> None:
    """Let the TNC take nothing more, with octets on their way to it."""
    site.world.forget(tnc)
    for number in range(200):
        tnc.heard(f"{SAG}>APZ001:" + f":{HUB}:Number {number}" + f"{{{number}")
    site.until(lambda: site.bus.find("traffic/in/", text="Number 199"), "the messages")


def test_stop_with_a_broker_that_cannot_be_reached(site: Site) -> None:
    tnc = site.tnc()
    with unreachable() as port:
        site.configure(tnc, broker=f"mqtt://127.0.0.1:{port}")
        station = site.start()
        site.until(tnc.greeted, "the parameters")
        site.until(lambda: syn_sent(station.pid), "an attempt to connect")
        assert station.stop() == 0


def test_stop_with_a_broker_that_says_nothing(site: Site) -> None:
    """It takes the connection, and then is silent."""
    tnc = site.tnc()
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen(8)
        site.configure(tnc, broker=f"mqtt://127.0.0.1:{listener.getsockname()[1]}")
        station = site.start()
        site.until(tnc.greeted, "the parameters")
        accepted, _ = listener.accept()
        with accepted:
            assert station.stop() == 0


def test_stop_with_everything_hanging(site: Site) -> None:
    """A TNC that takes nothing and a broker that answers nothing, at the same time."""
    tnc = site.tnc()
    site.configure(tnc)
    station = site.start_up()
    hang(tnc, site)
    with site.paused(site.broker_pid):
        for number in range(200, 260):
            tnc.heard(f"{SAG}>APZ001:" + f":{HUB}:Number {number}" + f"{{{number}")
        site.until(
            lambda: sum(line["event"] == "message received" for line in station.log) >= 260,
            "decisions while the broker hangs",
        )
        assert station.stop() == 0
    # The broker wakes up and finds the connection cut: the last will says what the station could
    # not say.
    site.until(lambda: site.bus.find("presence", online=False), "the last will")


def test_stop_under_a_flood(site: Site) -> None:
    """More is heard than anybody can publish in the time that is left."""
    tnc = site.tnc()
    site.configure(tnc, station="transmit = false")
    station = site.start_up()
    os.set_blocking(tnc.fileno(), False)
    station.signal(signal.SIGTERM)
    number = 0
    while station.running and number < 20_000:
        try:
            tnc.heard(f"QZ1PST-1>APZ001:>flood {number}")
        except BlockingIOError:
            site.world.catch_up()
        number += 1
    assert station.ended(5.0) == 0


def syn_sent(pid: int) -> bool:
    """The process has a TCP connection in state SYN_SENT (proc_pid_net(5): state 02)."""
    process = Path(f"/proc/{pid}")
    rows = [line.split() for line in (process / "net/tcp").read_text("ascii").splitlines()]
    waiting = {f"socket:[{row[9]}]" for row in rows if row[3] == "02"}
    for descriptor in (process / "fd").iterdir():
        with suppress(FileNotFoundError):
            if str(descriptor.readlink()) in waiting:
                return True
    return False

"""A broker that has lost what it was to keep, or some of it, is given it again; mosquitto does the
losing. Retained messages are MQTT 5, 3.3.1.3; session present 3.2.2.1.1 (from memory)."""

import asyncio
import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from bus.scripted import ScriptedBroker
from bus.test_connection import BASE, NOW, SEND, Bench, events, notices, running, watching
from harness import Broker, require_tool
from ridgepost.bus.client import IN_FLIGHT
from ridgepost.bus.connection import READER
from ridgepost.bus.kept import EMPTIED_KNOWN
from ridgepost.bus.throttle import ON_AIR
from ridgepost.logbook.book import Logbook
from ridgepost.radio import ax25
from ridgepost.station.moment import Moment
from ridgepost.station.records import (
    AnyRecord,
    BulletinHeard,
    Heard,
    LinkChanged,
    Noticed,
    OutboundChanged,
    Received,
    State,
)

BOUND_S = 10.0

both_versions = pytest.mark.parametrize("mqtt5", [True, False])


def beacon(call: str) -> Heard:
    frame = ax25.from_monitor(f"{call}>APZ001:!4903.50N/07201.75W>")
    return Heard(tnc="vhf", port=0, frame=ax25.encode(frame))


def something(number: int) -> list[AnyRecord]:
    """A record of each kind that something retained follows from."""
    return [
        LinkChanged(tnc=f"tnc{number}", up=True),
        beacon(f"QZ{number}SAG"),
        BulletinHeard(source="QZ1NET", line=f"BLN{number}", text="Fog", heard=1),
        Received(message=f"a.1.{number}", source="QZ1SAG", to="QZ1HUB-10", text="Hi", heard=1),
        OutboundChanged(
            message=f"a.1.{number}5",
            to="QZ1SAG",
            text="x",
            number="01",
            state=State.WAITING,
            why="",
            expires_in_s=1.0,
        ),
        Noticed(notice=f"a.1.{number}6", kind="test", text="x"),
    ]


async def kept(port: int) -> dict[str, Any]:
    """What the broker keeps, but for what says how things are just now."""
    found: dict[str, Any] = {}
    async with aiomqtt.Client("127.0.0.1", port) as client:
        await client.subscribe("#", qos=0)
        await client.publish("fence", b"", qos=1)
        async with asyncio.timeout(BOUND_S):
            while str((message := await anext(client.messages)).topic) != "fence":
                if message.retain:
                    found[str(message.topic)] = _content(bytes(message.payload))
    return {topic: payload for topic, payload in found.items() if topic not in NOW_ONLY}


def _content(octets: bytes) -> Any:
    try:
        return json.loads(octets)
    except (ValueError, RecursionError):
        return octets


NOW_ONLY = (f"{BASE}/presence", f"{BASE}/published")


async def quick(_seconds: float) -> None:
    await asyncio.sleep(0)


async def back(bench: Bench, connects: int) -> None:
    await bench.until(lambda: bench.bus.counts.connects > connects)
    await bench.until(lambda: bench.bus.connected)


async def nothing_owed(bench: Bench) -> None:
    """One more entry has gone through: what was to be said again came before it."""
    await bench.log(LinkChanged(tnc="last", up=True))
    await bench.published()


@both_versions
async def test_broker_comes_back_empty(tmp_path: Path, mosquitto: Broker, mqtt5: bool) -> None:
    async with running(tmp_path, mosquitto.port, sleep=quick, mqtt5=mqtt5) as bench:
        await bench.log(*something(1), *something(2))
        await bench.published()
        before = await kept(mosquitto.port)
        assert {topic.split("/")[2] for topic in before} == {
            *("link", "place", "bulletin", "traffic", "unread", "notices"),
        }
        connects = bench.bus.counts.connects
        await asyncio.to_thread(mosquitto.kill)
        await asyncio.to_thread(mosquitto.start)
        await back(bench, connects)
        await nothing_owed(bench)
        after = await kept(mosquitto.port)
        del after[f"{BASE}/link/last"]
        assert after == before


@pytest.fixture
def keeping(tmp_path: Path) -> Iterator[Broker]:
    """A broker that keeps sessions and retained messages on disk when it is stopped."""
    store = f"persistence true\npersistence_location {tmp_path}/\n"
    broker = Broker(require_tool("mosquitto"), tmp_path / "broker", store)
    broker.start()
    yield broker
    broker.kill()


@both_versions
async def test_broker_comes_back_with_an_old_store(
    tmp_path: Path, keeping: Broker, mqtt5: bool
) -> None:
    """As after a power cut: mosquitto saves its store now and then. It knows our session, and has
    what it had when it saved; what came after that is missing."""
    store = tmp_path / "mosquitto.db"
    async with running(tmp_path, keeping.port, sleep=quick, mqtt5=mqtt5) as bench:
        await bench.log(*something(1))
        await bench.published()
        await bench.until(lambda: bench.bus._marked == 6)
        connects = bench.bus.counts.connects
        await asyncio.to_thread(keeping.stop)
        shutil.copy(store, tmp_path / "old")
        await asyncio.to_thread(keeping.start)
        await back(bench, connects)
        await bench.log(*something(2))
        await bench.published()
        before = await kept(keeping.port)
        connects = bench.bus.counts.connects
        await asyncio.to_thread(keeping.kill)
        shutil.copy(tmp_path / "old", store)
        await asyncio.to_thread(keeping.start)
        await back(bench, connects)
        await nothing_owed(bench)
        after = await kept(keeping.port)
        del after[f"{BASE}/link/last"]
        assert after == before


@both_versions
@pytest.mark.parametrize("count", [1, EMPTIED_KNOWN + 1])
async def test_old_store_brings_back_what_was_taken_away(
    tmp_path: Path, keeping: Broker, mqtt5: bool, count: int
) -> None:
    """Objects that were killed since (APRS 1.2c ch. 11) go again, few or many."""
    objects = [f"QZ1NET>APZ001:;OBJ{n:<6d}%s092345z6131.00N/14913.00Wj" for n in range(count)]

    def heard(state: str) -> list[AnyRecord]:
        frames = [ax25.encode(ax25.from_monitor(line % state)) for line in objects]
        return [Heard(tnc="vhf", port=0, frame=frame) for frame in frames]

    store = tmp_path / "mosquitto.db"
    async with running(tmp_path, keeping.port, sleep=quick, mqtt5=mqtt5) as bench:
        await bench.log(*heard("*"))
        await bench.published()
        await bench.until(lambda: bench.bus._marked == count)
        connects = bench.bus.counts.connects
        await asyncio.to_thread(keeping.stop)
        shutil.copy(store, tmp_path / "old")
        await asyncio.to_thread(keeping.start)
        await back(bench, connects)
        await bench.log(*heard("_"))
        await bench.published()
        before = await kept(keeping.port)
        assert not [topic for topic in before if "/place/object/" in topic]
        connects = bench.bus.counts.connects
        await asyncio.to_thread(keeping.kill)
        shutil.copy(tmp_path / "old", store)
        await asyncio.to_thread(keeping.start)
        assert len(await kept(keeping.port)) >= count
        await back(bench, connects)
        await nothing_owed(bench)
        async with asyncio.timeout(BOUND_S):
            while (after := await kept(keeping.port)).keys() - {
                f"{BASE}/link/last"
            } != before.keys():
                pass
        del after[f"{BASE}/link/last"]
        assert after == before


@both_versions
async def test_broker_that_has_lost_nothing_is_told_nothing(
    tmp_path: Path, keeping: Broker, mqtt5: bool
) -> None:
    async with running(tmp_path, keeping.port, sleep=quick, mqtt5=mqtt5) as bench:
        await bench.log(*something(1))
        await bench.published()
        await bench.until(lambda: bench.bus._marked == 6)
        connects, counts = bench.bus.counts.connects, bench.bus.counts
        said = (counts.published, counts.states)
        await asyncio.to_thread(keeping.stop)
        await asyncio.to_thread(keeping.start)
        await back(bench, connects)
        await nothing_owed(bench)
        # Presence for each connection, and the last link.
        assert counts.published == said[0] + (counts.connects - connects) + 1
        assert counts.states == said[1]


async def test_next_run_knows_what_the_broker_keeps(tmp_path: Path, mosquitto: Broker) -> None:
    """Also when the broker is lost in between: it is all in the log."""
    async with running(tmp_path, mosquitto.port) as bench:
        await bench.log(*something(1), *something(2))
        await bench.published()
        before = await kept(mosquitto.port)
    mosquitto.kill()
    mosquitto.start()
    async with running(tmp_path, mosquitto.port) as bench:
        await nothing_owed(bench)
        after = await kept(mosquitto.port)
        del after[f"{BASE}/link/last"]
        assert after == before


async def test_what_an_old_log_left_is_taken_away(tmp_path: Path, mosquitto: Broker) -> None:
    """And nothing else."""
    async with running(tmp_path / "one", mosquitto.port) as bench:
        await bench.log(*something(1))
        await bench.published()
    async with aiomqtt.Client("127.0.0.1", mosquitto.port) as client:
        await client.publish("ridgepost/QZ1FAR/place/x", b"1", qos=1, retain=True)
        await client.publish("elsewhere", b"1", qos=1, retain=True)
    async with running(tmp_path / "two", mosquitto.port) as bench:
        await bench.log(LinkChanged(tnc="vhf", up=True))
        await bench.published()
        async with asyncio.timeout(BOUND_S):
            while f"{BASE}/place/QZ1SAG" in (found := await kept(mosquitto.port)):
                pass
    assert set(found) == {
        f"{BASE}/link/vhf",
        f"{BASE}/unread",
        f"{BASE}/notices",
        "ridgepost/QZ1FAR/place/x",
        "elsewhere",
    }
    assert found[f"{BASE}/unread"]["count"] == 0


async def test_nothing_goes_that_only_has_to_be_read_again(
    tmp_path: Path, mosquitto: Broker
) -> None:
    """A station that was killed has to publish the last seconds of its log again. What the broker
    keeps of these does not vanish in between."""
    lines = [BulletinHeard(source=f"QZ{n}NET", line="BLN1", text="", heard=1) for n in range(50)]
    async with running(tmp_path, mosquitto.port) as bench:
        await bench.log(*notices(1000), *lines)
        await bench.published()
    logbook = await Logbook.open(tmp_path / "log")
    await logbook.move_reader(READER, 0)
    await logbook.close()
    async with (
        watching(mosquitto.port, f"{BASE}/bulletin/#") as client,
        running(tmp_path, mosquitto.port) as bench,
    ):
        await bench.published()
        await nothing_owed(bench)
        await client.publish(f"{BASE}/bulletin/x/fence", b"fence", qos=1)
        seen = []
        async with asyncio.timeout(BOUND_S):
            async for message in client.messages:
                if str(message.topic).endswith("/fence"):
                    break
                seen.append(bytes(message.payload))
    assert len(seen) == 2 * len(lines)
    assert b"" not in seen


# --- one client among others --------------------------------------------------------------------


async def test_one_client_does_not_fill_the_channel(
    tmp_path: Path, mosquitto: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Refused with the time to wait, and others are not: the topic says whose ask it is."""
    async with (
        watching(mosquitto.port, f"{BASE}/answer/#") as client,
        running(tmp_path, mosquitto.port) as bench,
    ):

        async def ask(who: str, number: int) -> None:
            content = json.dumps(SEND | {"request": f"{who}-{number}"})
            await client.publish(f"{BASE}/ask/send/{who}", content, qos=1)

        for number in range(ON_AIR.at_once + 2):
            await ask("dashboard", number)
        refusals = [payload for _, payload in await events(client, 2)]
        assert [refusal["request"] for refusal in refusals] == [
            f"dashboard-{ON_AIR.at_once}",
            f"dashboard-{ON_AIR.at_once + 1}",
        ]
        assert refusals[0]["retry_in_s"] == ON_AIR.every_s
        assert "dashboard" in refusals[0]["why"]
        await ask("anna", 1)
        await bench.until(lambda: len(bench.asks) == ON_AIR.at_once + 1)
        assert bench.asks[-1].client == "anna"

        later = Moment(NOW.mono_s + ON_AIR.every_s, NOW.wall_s)
        monkeypatch.setattr(bench.bus, "_now", lambda: later)
        await ask("dashboard", 99)
        await bench.until(lambda: len(bench.asks) == ON_AIR.at_once + 2)


async def test_slow_broker(tmp_path: Path) -> None:
    """However long the log, and however slow the broker: what is in flight is bounded, and so is
    what is held in memory besides (MQTT 5, 4.9)."""
    async with ScriptedBroker() as broker, running(tmp_path, broker.port) as bench:
        broker.holding = True
        await bench.log(*notices(5000))
        await broker.until_held(20)
        for _ in range(100):
            broker.release()
            await broker.until_held(20)
            # In flight, on the way there, the next one, and the state of open notices.
            assert len(bench.bus._outbox) <= 2 * IN_FLIGHT + 2
        broker.holding = False
        broker.release(20)
        await bench.published()
        assert broker.most_in_flight == 20
        sent = [topic for topic in broker.topics if topic == f"{BASE}/notice/test"]
        assert len(sent) == 5000


# --- what home automation was told --------------------------------------------------------------

HOME, HOUSE = "home/assistant", "house"
NODE = "ridgepost-QZ1HUB-10"


async def told_below(port: int, *prefixes: str) -> set[str]:
    """Topics that the broker keeps there, and ours that says where these are."""
    topics = {topic for topic in await kept(port) if topic.startswith(tuple(prefixes))}
    return {topic.replace(f"/{NODE}/", "/-/") for topic in topics}


def things(prefix: str, *trackers: str) -> set[str]:
    """`<prefix>/<component>/<node>/<object>/config` (MQTT discovery of home automation, from
    memory), for the station itself and these trackers."""
    own = {"binary_sensor/-/presence", "sensor/-/unread", "sensor/-/notice"}
    places = {f"device_tracker/-/place-{name}" for name in trackers}
    return {f"{prefix}/{thing}/config" for thing in own | places}


@both_versions
@pytest.mark.parametrize("prefix", ["", HOUSE])
async def test_discovery_is_taken_back(
    tmp_path: Path, mosquitto: Broker, mqtt5: bool, prefix: str
) -> None:
    """Turned off, or told elsewhere; what others tell there stays."""
    port = mosquitto.port
    async with running(tmp_path, port, mqtt5=mqtt5, discovery_prefix=HOME) as bench:
        await bench.log(beacon("QZ1SAG"), beacon("QZ2SAG-9"))
        await bench.published()
        await nothing_owed(bench)
    assert await told_below(port, HOME) == things(HOME, "QZ1SAG", "QZ2SAG-9")
    assert (await kept(port))[f"{BASE}/announced"]["prefixes"] == [HOME]
    async with aiomqtt.Client("127.0.0.1", port) as client:
        for other in (f"{HOME}/sensor/other/x/config", f"{HOME}/sensor/{NODE}-x/y/config"):
            await client.publish(other, b"1", qos=1, retain=True)
    async with running(tmp_path, port, mqtt5=mqtt5, discovery_prefix=prefix) as bench:
        await bench.log(beacon("QZ3SAG"))
        await bench.until(lambda: bench.bus._tidied)
        await nothing_owed(bench)
        found = await kept(port)
    others = {f"{HOME}/sensor/other/x/config", f"{HOME}/sensor/{NODE}-x/y/config"}
    now = things(HOUSE, "QZ1SAG", "QZ2SAG-9", "QZ3SAG") if prefix else set()
    assert await told_below(port, HOME, HOUSE) == others | now
    if prefix:
        assert found[f"{BASE}/announced"]["prefixes"] == [HOUSE]
    else:
        assert f"{BASE}/announced" not in found


async def test_discovery_that_was_cut_short_is_taken_back(
    tmp_path: Path, mosquitto: Broker
) -> None:
    """The broker knows where to look before there is anything; and as long as there may be."""
    port = mosquitto.port
    async with watching(port) as client:
        async with running(tmp_path, port, discovery_prefix=HOME) as bench:
            await bench.log(beacon("QZ1SAG"))
            await nothing_owed(bench)
        async with running(tmp_path, port) as bench:
            await bench.until(lambda: bench.bus._tidied)
        topics = []
        async with asyncio.timeout(BOUND_S):
            async for message in client.messages:
                said = json.loads(message.payload or b"null")
                topics.append((str(message.topic), said))
                if topics[-1] == (f"{BASE}/announced", None):
                    break
    marks = [at for at, (topic, said) in enumerate(topics) if topic == f"{BASE}/announced"]
    told = [at for at, (topic, said) in enumerate(topics) if topic.startswith(HOME)]
    taken = [at for at in told if topics[at][1] is None]
    assert len(taken) == 4
    assert marks[0] < told[0] < taken[0]
    assert taken[-1] < marks[-1] == len(topics) - 1


async def test_discovery_survives_a_broker_that_lost_it(tmp_path: Path, mosquitto: Broker) -> None:
    port = mosquitto.port
    async with running(tmp_path, port, sleep=quick, discovery_prefix=HOME) as bench:
        await bench.log(beacon("QZ1SAG"))
        await nothing_owed(bench)
        connects = bench.bus.counts.connects
        await asyncio.to_thread(mosquitto.kill)
        await asyncio.to_thread(mosquitto.start)
        await back(bench, connects)
        await nothing_owed(bench)
        assert (await kept(port))[f"{BASE}/announced"]["prefixes"] == [HOME]
        assert await told_below(port, HOME) == things(HOME, "QZ1SAG")


async def test_what_an_earlier_version_told_home_automation_goes(
    tmp_path: Path, mosquitto: Broker
) -> None:
    """Below the prefix in use: what is told of this station and is not told now."""
    port = mosquitto.port
    async with aiomqtt.Client("127.0.0.1", port) as client:
        for thing in (f"button/{NODE}/old", f"sensor/{NODE}/unread", "sensor/other/x"):
            await client.publish(f"{HOME}/{thing}/config", b"1", qos=1, retain=True)
    async with running(tmp_path, port, discovery_prefix=HOME) as bench:
        await nothing_owed(bench)
        async with asyncio.timeout(BOUND_S):
            wanted = things(HOME) | {f"{HOME}/sensor/other/x/config"}
            while await told_below(port, HOME) != wanted:
                pass


@pytest.mark.parametrize(
    "claim",
    [
        b"[]",
        b"\xff",
        b"[" * 5000,
        b'{"schema":1,"prefixes":"home"}',
        b'{"schema":1,"prefixes":["#","+/x","$SYS","","a/b/c/d/e/f","ridgepost","ridgepost/x"]}',
        json.dumps({"schema": 1, "prefixes": [f"p{number}" for number in range(5000)]}).encode(),
    ],
)
async def test_anybody_may_say_where_we_told_things(
    tmp_path: Path, mosquitto: Broker, claim: bytes
) -> None:
    port = mosquitto.port
    async with aiomqtt.Client("127.0.0.1", port) as client:
        await client.publish(f"{BASE}/announced", claim, qos=1, retain=True)
        for topic in (f"other/sensor/{NODE}/x/config", f"ridgepost/sensor/{NODE}/x/config"):
            await client.publish(topic, b"1", qos=1, retain=True)
    async with running(tmp_path, port) as bench:
        await bench.until(lambda: bench.bus._tidied)
        await nothing_owed(bench)
        assert bench.bus.counts.connects == 1
    found = await kept(port)
    assert f"other/sensor/{NODE}/x/config" in found
    assert f"ridgepost/sensor/{NODE}/x/config" in found


@both_versions
async def test_last_will_in_the_session_is_not_taken_for_our_word(
    tmp_path: Path, keeping: Broker, mqtt5: bool
) -> None:
    """A station that is cut off finds its own last will in its session (MQTT 5, 3.1.2.5), in front
    of what the broker keeps; nothing is lost for that, and nothing is told again."""
    async with running(tmp_path, keeping.port, sleep=quick, mqtt5=mqtt5) as bench:
        await bench.log(*something(1))
        await bench.published()
        await bench.until(lambda: bench.bus._marked == 6)
        connects, counts = bench.bus.counts.connects, bench.bus.counts
        said = (counts.published, counts.states)
        for number in range(3):
            bench.bus._client.hang_up()  # type: ignore[union-attr]
            await back(bench, connects + number)
        await nothing_owed(bench)
        assert counts.published == said[0] + (counts.connects - connects) + 1
        assert counts.states == said[1]

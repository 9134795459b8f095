"""The MQTT client where it differs from the library under it, against MQTT 5 (from memory) and
against mosquitto."""

import asyncio
from pathlib import Path

import aiomqtt
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from bus.scripted import MAXIMUM_PACKET_SIZE, RECEIVE_MAXIMUM, ScriptedBroker
from harness import Broker, require_tool
from ridgepost.bus.client import (
    IN_FLIGHT,
    BadPacketError,
    Client,
    HungUpError,
    LostError,
    RefusedError,
    TooLargeError,
    publish_properties,
)

V5 = aiomqtt.ProtocolVersion.V5
V311 = aiomqtt.ProtocolVersion.V311


def client(port: int, **more: object) -> Client:
    return Client("127.0.0.1", port, **{"protocol": V5, "timeout": 10, **more})


# --- refusals -----------------------------------------------------------------------------------


@pytest.mark.parametrize("reason", [0x80, 0x83, 0x87, 0x90, 0x99])
async def test_refused_for_good(reason: int) -> None:
    """MQTT 5, 3.4.2.1: reason codes of a PUBACK from 0x80 on are refusals."""
    async with ScriptedBroker() as broker:
        broker.reasons["b"] = reason
        async with client(broker.port) as mqtt:
            await mqtt.deliver("a", b"")
            with pytest.raises(RefusedError):
                await mqtt.deliver("b", b"")
            await mqtt.deliver("c", b"")


async def test_refused_for_now() -> None:
    """0x97, Quota exceeded, says that it may be taken later: that is for the connection to fail
    over, so that it is tried again."""
    async with ScriptedBroker() as broker:
        broker.reasons["b"] = 0x97
        async with client(broker.port) as mqtt:
            with pytest.raises(aiomqtt.MqttCodeError, match="Quota exceeded"):
                await mqtt.deliver("b", b"")


async def test_nobody_listens_is_no_refusal() -> None:
    """3.4.2.1: 0x10, No matching subscribers, is a success."""
    async with ScriptedBroker() as broker:
        broker.reasons["b"] = 0x10
        async with client(broker.port) as mqtt:
            await mqtt.deliver("b", b"")


async def test_access_rules_of_a_real_broker(tmp_path: Path) -> None:
    """mosquitto with an access list, mosquitto.conf(5). MQTT 3.1.1 has no word for a refusal
    (3.1.1, 4.3.2): there it goes unnoticed."""
    rules = tmp_path / "rules"
    rules.write_text("topic readwrite open/#\ntopic read closed/#\n", encoding="ascii")
    broker = Broker(require_tool("mosquitto"), tmp_path / "broker", f"acl_file {rules}\n")
    broker.start()
    try:
        async with client(broker.port) as mqtt:
            await mqtt.deliver("open/a", b"")
            with pytest.raises(RefusedError, match="Not authorized"):
                await mqtt.deliver("closed/a", b"")
        async with client(broker.port, protocol=V311) as mqtt:
            await mqtt.deliver("closed/a", b"")
    finally:
        broker.stop()


# --- limits -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("properties", "most"),
    [
        (b"", IN_FLIGHT),
        (bytes([RECEIVE_MAXIMUM, 0, 3]), 3),
        (bytes([RECEIVE_MAXIMUM, 0, 1]), 1),
        (bytes([RECEIVE_MAXIMUM, 0xFF, 0xFF]), IN_FLIGHT),
    ],
)
async def test_in_flight(properties: bytes, most: int) -> None:
    """MQTT 5, 3.2.2.3.3: no more unacknowledged publishes than the broker takes, or it hangs up
    (4.9). They leave in the order of the calls (4.6)."""
    async with ScriptedBroker(properties) as broker:
        broker.holding = True
        async with client(broker.port) as mqtt:
            topics = [f"t{number}" for number in range(50)]
            sending = [asyncio.ensure_future(mqtt.deliver(topic, b"")) for topic in topics]
            while not all(task.done() for task in sending):
                await broker.until_held(min(most, len(topics) - len(broker.topics) + broker.held))
                broker.release()
                await asyncio.wait(sending, return_when=asyncio.FIRST_COMPLETED)
                sending = [task for task in sending if not task.done()]
        assert broker.most_in_flight == most
        assert broker.topics == topics


async def test_largest_packet() -> None:
    """3.2.2.3.6: a broker that is sent more than it takes ends the connection."""
    async with ScriptedBroker(bytes([MAXIMUM_PACKET_SIZE, 0, 0, 0, 100])) as broker:
        async with client(broker.port) as mqtt:
            await mqtt.deliver("a", bytes(80))
            with pytest.raises(TooLargeError):
                await mqtt.deliver("a", bytes(101))
            with pytest.raises(TooLargeError):
                await mqtt.deliver("a", bytes(40), properties=publish_properties(bytes(60)))
            await mqtt.deliver("b", b"")
        assert broker.topics == ["a", "b"]


async def test_largest_packet_of_a_real_broker(tmp_path: Path) -> None:
    """mosquitto.conf(5), max_packet_size: what we let through, it takes."""
    broker = Broker(require_tool("mosquitto"), tmp_path / "broker", "max_packet_size 200\n")
    broker.start()
    try:
        async with client(broker.port) as mqtt:
            sizes = range(150, 201)
            taken = 0
            for size in sizes:
                try:
                    await mqtt.deliver("a", bytes(size))
                    taken = size
                except TooLargeError:
                    break
            assert 180 <= taken < 200
            await mqtt.deliver("still/there", b"")
    finally:
        broker.stop()


# --- leaving, and being left --------------------------------------------------------------------


async def test_broker_that_never_answers_the_connect() -> None:
    """The socket is closed, not left to the garbage collector."""
    async with ScriptedBroker(silent=True) as broker:
        with pytest.raises(aiomqtt.MqttError):
            async with client(broker.port, timeout=0.05):
                pass
        async with asyncio.timeout(10):
            await broker.ended.wait()


@pytest.mark.parametrize("protocol", [V5, V311])
async def test_broker_that_hangs_up_on_the_connect(protocol: aiomqtt.ProtocolVersion) -> None:
    """As the far end of a tunnel does while there is no broker behind it. Nobody waits for an
    answer that cannot come."""

    async def hang_up(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1)
        writer.close()

    async with await asyncio.start_server(hang_up, "127.0.0.1", 0) as server:
        port = server.sockets[0].getsockname()[1]
        async with asyncio.timeout(10):
            with pytest.raises(HungUpError):
                async with client(port, timeout=60, protocol=protocol):
                    pass


async def test_called_off_while_connecting() -> None:
    async with ScriptedBroker(silent=True) as broker:

        async def connect() -> None:
            async with client(broker.port):
                pass

        task = asyncio.create_task(connect())
        async with asyncio.timeout(10):
            while not broker.connections:  # noqa: ASYNC110  there is no event
                await asyncio.sleep(0)
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await task
            await broker.ended.wait()


async def test_broker_that_never_acknowledges() -> None:
    async with ScriptedBroker() as broker:
        broker.holding = True
        async with client(broker.port, timeout=0.05) as mqtt:
            with pytest.raises(aiomqtt.MqttError, match="does not answer"):
                await mqtt.deliver("a", b"")


async def test_cancelled_in_the_moment_of_the_answer() -> None:
    """A cancellation that comes together with the PUBACK is not lost: a task that was told to end
    ends (asyncio.wait_for of Python 3.11, bpo-37658, loses it)."""
    async with ScriptedBroker() as broker:
        broker.holding = True
        async with client(broker.port) as mqtt:
            task = asyncio.ensure_future(mqtt.deliver("a", b""))
            await broker.until_held(1)
            ((_, answered),) = mqtt._answered.values()
            answered.set_result(ReasonCode(PacketTypes.PUBACK))
            task.cancel()
            async with asyncio.timeout(10):
                await asyncio.wait([task])
            assert task.cancelled()


@pytest.mark.parametrize(
    "octets",
    [
        # PUBLISH whose user property holds U+FEFF, which MQTT 5, 1.5.4 allows.
        bytes.fromhex("30 0d 0001 61 09 26 0001 61 0003 efbbbf 78"),
        b"\x30\x02\x00\x09",  # PUBLISH that ends within its topic
        b"\xf7\x00",  # a packet type that there is not
    ],
)
async def test_packet_that_cannot_be_read(octets: bytes) -> None:
    """Told apart from a lost connection, since the broker will send it again."""
    async with ScriptedBroker() as broker:

        async def listen() -> None:
            async with client(broker.port) as mqtt:
                await mqtt.subscribe("#", qos=1)
                broker.say(octets)
                await anext(mqtt.messages)

        with pytest.raises(BadPacketError):
            await listen()


@pytest.mark.parametrize("protocol", [V5, V311])
async def test_broker_that_stops(mosquitto: Broker, protocol: aiomqtt.ProtocolVersion) -> None:
    """Whatever the waiting call makes of it, the error that gets out says what happened."""

    async def listen() -> None:
        async with client(mosquitto.port, protocol=protocol) as mqtt:
            await asyncio.to_thread(mosquitto.stop)
            await anext(mqtt.messages)

    with pytest.raises(LostError) as caught:
        await listen()
    assert not isinstance(caught.value, BadPacketError)
    assert str(caught.value) == "the connection was lost"


async def test_errors_of_the_caller_get_out_as_they_are(mosquitto: Broker) -> None:
    async def fail() -> None:
        async with client(mosquitto.port) as mqtt:
            await asyncio.to_thread(mosquitto.kill)
            with pytest.raises(aiomqtt.MqttError):
                await anext(mqtt.messages)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        await fail()


@pytest.mark.parametrize("protocol", [V5, V311])
@pytest.mark.parametrize("in_order", [True, False])
async def test_last_will(
    mosquitto: Broker, protocol: aiomqtt.ProtocolVersion, in_order: bool
) -> None:
    """MQTT 5, 3.1.2.5: the will is spoken unless the client has said goodbye."""
    will = aiomqtt.Will("will", b"gone", qos=1)
    async with client(mosquitto.port) as watcher:
        await watcher.subscribe("#", qos=1)
        async with client(mosquitto.port, protocol=protocol, will=will) as mqtt:
            await mqtt.deliver("hello", b"")
            if not in_order:
                mqtt.hang_up()
        # Whoever is not heard of by then has not been spoken for.
        async with client(mosquitto.port) as later:
            await later.deliver("end", b"")
        seen: list[str] = []
        async with asyncio.timeout(10):
            async for message in watcher.messages:
                seen.append(str(message.topic))
                if "end" in seen and (in_order or "will" in seen):
                    break
    assert ("will" in seen) is not in_order


async def test_too_many_messages_are_counted() -> None:
    """`max_queued_incoming_messages` bounds memory; what it costs is not silent."""
    async with (
        ScriptedBroker() as broker,
        client(broker.port, max_queued_incoming_messages=3) as mqtt,
    ):
        await mqtt.subscribe("#", qos=1)
        for _ in range(10):
            broker.say(bytes.fromhex("30 04 0001 61 00"))
        await mqtt.deliver("fence", b"")
        assert len(mqtt.messages) == 3
        assert mqtt.discarded == 7

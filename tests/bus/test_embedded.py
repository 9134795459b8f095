"""The embedded broker, seen by clients: our own library's and mosquitto's."""

import asyncio
import importlib.util
import socket
import subprocess

import aiomqtt
import pytest

from harness import free_port, missing, require_tool
from ridgepost.bus.client import Client
from ridgepost.bus.embedded import HOST, MAX_CONNECTIONS, EmbeddedBroker, EmbeddedBrokerError

BOUND_S = 10.0


@pytest.fixture(autouse=True)
def _installed() -> None:
    if importlib.util.find_spec("amqtt") is None:
        missing("the embedded broker (pip install 'ridgepost[broker]')")


async def test_serves_other_programs() -> None:
    """MQTT 3.1.1 with a program that is not ours: retained message, QoS 1."""
    async with EmbeddedBroker(free_port()) as broker:
        where = ["-h", HOST, "-p", str(broker.port), "-V", "311", "-q", "1"]
        pub, sub = require_tool("mosquitto_pub"), require_tool("mosquitto_sub")
        told = await asyncio.create_subprocess_exec(pub, *where, "-t", "a/b", "-m", "here", "-r")
        assert await asyncio.wait_for(told.wait(), BOUND_S) == 0
        seen = await asyncio.create_subprocess_exec(
            sub, *where, "-t", "a/+", "-C", "1", stdout=subprocess.PIPE
        )
        out, _ = await asyncio.wait_for(seen.communicate(), BOUND_S)
        assert out == b"here\n"


async def test_is_for_this_machine_only() -> None:
    async with EmbeddedBroker(free_port()) as broker:
        assert broker._server is not None
        assert {item.getsockname()[0] for item in broker._server.sockets} == {"127.0.0.1"}


async def test_speaks_3_1_1_only() -> None:
    """MQTT 3.1.1, 3.1.2.2: an unknown protocol level is refused."""
    async with EmbeddedBroker(free_port()) as broker:
        with pytest.raises(aiomqtt.MqttError):
            async with Client(HOST, broker.port, protocol=aiomqtt.ProtocolVersion.V5, timeout=5):
                pass
        async with Client(HOST, broker.port) as client:
            await client.deliver("a", b"")


async def test_port_in_use() -> None:
    """The error says what to do; nothing is left running."""
    with socket.socket() as taken:
        taken.bind((HOST, 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(EmbeddedBrokerError, match=f'bus.broker = "mqtt://{HOST}:{port}"'):
            async with EmbeddedBroker(port):
                pass


@pytest.mark.parametrize(
    "said",
    [
        b"",
        b"GET / HTTP/1.1\r\n\r\n",
        b"\x10\xff\xff\xff\x7f" + bytes(100),  # a CONNECT of 256 MiB, begun
        b"\x10\x0c\x00\x04MQTT\x04\x02\x00\x3c\x00\x00",  # a good CONNECT, and then nothing
        b"\x10\x0c\x00\x04MQTT\x04\x02\x00\x3c\x00\x00\x30\xff\xff\xff\x7f",
        b"\x10\x0c\x00\x04MQTT\x04\x02\x00\x3c\x00\x00\xff\x00",
    ],
)
async def test_strange_clients(said: bytes) -> None:
    """They neither disturb the others, nor keep the broker from ending, nor stay connected."""
    async with asyncio.timeout(BOUND_S):
        async with EmbeddedBroker(free_port()) as broker:
            reader, writer = await asyncio.open_connection(HOST, broker.port)
            writer.write(said)
            async with Client(HOST, broker.port) as client:
                await client.subscribe("a", qos=1)
                await client.deliver("a", b"x")
                message = await anext(client.messages)
                assert message.payload == b"x"
        while await reader.read(100):  # until the broker has closed
            pass
        writer.close()


async def test_too_many_connections() -> None:
    """A program that leaks connections is cut off; those that are there stay."""
    async with asyncio.timeout(BOUND_S), EmbeddedBroker(free_port()) as broker:
        async with Client(HOST, broker.port) as client:
            pairs = [
                await asyncio.open_connection(HOST, broker.port) for _ in range(MAX_CONNECTIONS)
            ]
            assert await pairs[-1][0].read(1) == b""
            await client.deliver("a", b"")
        for _, writer in pairs:
            writer.close()

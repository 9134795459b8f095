"""A broker of a few lines that does what a real one does only rarely, octet by octet.

Packets are those of MQTT 5, 2.1 and ch. 3 (from memory): a type in the high half of the first
octet, a length in a variable number of octets, the rest.
"""

import asyncio
from types import TracebackType
from typing import Self

CONNECT, CONNACK, PUBLISH, PUBACK, SUBSCRIBE, SUBACK = 1, 2, 3, 4, 8, 9
UNSUBSCRIBE, UNSUBACK = 10, 11
PINGREQ, PINGRESP, DISCONNECT = 12, 13, 14

RECEIVE_MAXIMUM = 0x21  # 3.2.2.3.3, two octets
MAXIMUM_PACKET_SIZE = 0x27  # 3.2.2.3.6, four octets


def packet(kind: int, body: bytes, flags: int = 0) -> bytes:
    """A packet whose length fits one octet."""
    assert len(body) < 128
    return bytes([kind << 4 | flags, len(body)]) + body


def topics_in(body: bytes, options: int) -> int:
    """How many topics a SUBSCRIBE or UNSUBSCRIBE names, each with so many octets of options
    (3.8.3, 3.10.3)."""
    at, count = 3 + body[2], 0  # after packet identifier and properties
    while at < len(body):
        at += 2 + int.from_bytes(body[at : at + 2], "big") + options
        count += 1
    return count


class ScriptedBroker:
    """Listens on 127.0.0.1:`port`.

    `properties` go into its CONNACK, `reasons` into the PUBACKs by topic (0 for others), and while
    `holding` it keeps PUBACKs back. `silent` takes connections and says nothing.
    """

    def __init__(self, properties: bytes = b"", *, silent: bool = False) -> None:
        self.properties = properties
        self.silent = silent
        self.reasons: dict[str, int] = {}
        self.granted = 1
        self.holding = False
        self.drop_on_publish = False
        self.connections = 0
        self.topics: list[str] = []
        self.most_in_flight = 0
        self.ended = asyncio.Event()
        """The first connection has been closed by the client."""
        self.changed = asyncio.Event()
        self._held: list[tuple[int, int]] = []
        self._writer: asyncio.StreamWriter | None = None
        self._server: asyncio.Server | None = None

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        assert self._server is not None
        self._server.close()
        if self._writer is not None:
            self._writer.transport.abort()
        await self._server.wait_closed()

    @property
    def port(self) -> int:
        assert self._server is not None
        return int(self._server.sockets[0].getsockname()[1])

    def say(self, octets: bytes) -> None:
        assert self._writer is not None
        self._writer.write(octets)

    def drop(self) -> None:
        """Break the connection, as when a cable is pulled."""
        assert self._writer is not None
        self._held.clear()
        self._writer.transport.abort()

    def release(self, count: int = 1) -> None:
        """Send PUBACKs that were held back, oldest first."""
        for mid, reason in self._held[:count]:
            self.say(packet(PUBACK, mid.to_bytes(2, "big") + bytes([reason, 0])))
        del self._held[:count]

    @property
    def held(self) -> int:
        return len(self._held)

    async def until_held(self, count: int) -> None:
        async with asyncio.timeout(10):
            while self.held < count:
                self.changed.clear()
                await self.changed.wait()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writer = writer
        self.connections += 1
        try:
            while True:
                head = (await reader.readexactly(1))[0]
                length = shift = 0
                while True:
                    octet = (await reader.readexactly(1))[0]
                    length |= (octet & 0x7F) << shift
                    shift += 7
                    if octet < 0x80:
                        break
                if not self.silent:
                    self._answer(head, await reader.readexactly(length))
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            self.ended.set()
            writer.close()

    def _answer(self, head: int, body: bytes) -> None:
        kind = head >> 4
        if kind == CONNECT:
            self.say(packet(CONNACK, b"\0\0" + bytes([len(self.properties)]) + self.properties))
        elif kind == SUBSCRIBE:
            self.say(packet(SUBACK, body[:2] + b"\0" + bytes([self.granted] * topics_in(body, 1))))
        elif kind == UNSUBSCRIBE:
            self.say(packet(UNSUBACK, body[:2] + b"\0" + bytes(topics_in(body, 0))))
        elif kind == PINGREQ:
            self.say(packet(PINGRESP, b""))
        elif kind == PUBLISH and head & 0x06:
            end = 2 + int.from_bytes(body[:2], "big")
            topic = body[2:end].decode()
            if self.drop_on_publish:
                self.drop()
                return
            self.topics.append(topic)
            mid = int.from_bytes(body[end : end + 2], "big")
            self._held.append((mid, self.reasons.get(topic, 0)))
            self.most_in_flight = max(self.most_in_flight, self.held)
            if not self.holding:
                self.release()
            self.changed.set()

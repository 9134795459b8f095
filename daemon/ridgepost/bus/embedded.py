"""The embedded broker: MQTT on this machine without installing one (optional package amqtt).

It speaks MQTT 3.1.1 on the loopback interface only, keeps nothing on disk, and lets in every
program of this machine. A club's field site is better served by a broker of its own.
"""

import asyncio
import contextlib
import logging
from types import TracebackType
from typing import Any, Self

import structlog

HOST = "127.0.0.1"
PORT = 1883

MAX_CONNECTIONS = 100

CLOSE_TIMEOUT_S = 1.0
"""What has not ended by itself in this time is cut off."""

_LISTENER = "default"

_log = structlog.get_logger()


class EmbeddedBrokerError(Exception):
    """It cannot be started; the text says what to do."""


class EmbeddedBroker:
    """An asynchronous context manager around the broker on 127.0.0.1:`port`.

    The socket is ours and amqtt serves what comes in: by itself it leaves connections open that
    never said a word, and on its way out waits for them.
    """

    def __init__(self, port: int = PORT) -> None:
        self.port = port
        self._broker: Any = None
        self._server: asyncio.Server | None = None
        self._connections: set[asyncio.Task[None]] = set()

    async def __aenter__(self) -> Self:
        # Imported here: it is optional, and costs memory that a station with a broker saves.
        try:
            from amqtt.broker import Broker  # noqa: PLC0415 - see above
        except ImportError as error:
            raise EmbeddedBrokerError(
                "the embedded broker is not installed; add it from Ridgepost's folder with: pip "
                "install --require-hashes -r deploy/constraints-broker.txt (or set bus.broker)"
            ) from error
        for name in ("amqtt", "transitions"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
        self._broker = Broker(
            {
                "listeners": {_LISTENER: {"type": "external", "bind": f"{HOST}:{self.port}"}},
                "plugins": {
                    "amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}
                },
            }
        )
        await self._broker.start()
        try:
            self._server = await asyncio.start_server(self._serve, HOST, self.port)
        except OSError as error:
            await self._shut_down()
            raise EmbeddedBrokerError(
                f"the embedded broker cannot listen on {HOST}:{self.port} ({error.strerror}); if a "
                f'broker runs there already, set bus.broker = "mqtt://{HOST}:{self.port}"'
            ) from error
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._server is not None:
            self._server.close()
        await self._shut_down()
        for connection in self._connections:
            connection.cancel()
        await asyncio.gather(*self._connections, return_exceptions=True)
        if self._server is not None:
            await self._server.wait_closed()

    async def _shut_down(self) -> None:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(CLOSE_TIMEOUT_S):
                await self._broker.shutdown()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        from amqtt.adapters import StreamReaderAdapter, StreamWriterAdapter  # noqa: PLC0415 - as above

        connection = asyncio.current_task()
        if connection is None or len(self._connections) >= MAX_CONNECTIONS:
            writer.close()
            return
        self._connections.add(connection)
        connection.add_done_callback(self._connections.discard)
        try:
            await self._broker.external_connected(
                StreamReaderAdapter(reader), StreamWriterAdapter(writer), _LISTENER
            )
        except asyncio.CancelledError:
            pass  # only `__aexit__` does that, and streams of Python 3.11 complain if it gets out
        except Exception as error:
            _log.warning("embedded broker: a connection failed", reason=repr(error))
        finally:
            writer.close()

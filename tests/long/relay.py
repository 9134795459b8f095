"""The network between two programs: connections to 127.0.0.1:`port` lead to another port there,
until somebody cuts them.

It runs in a thread of its own, so that octets go on while a test waits for something else.
"""

import asyncio
import contextlib
import threading
from collections.abc import Callable, Coroutine
from typing import Any, TypeVar

T = TypeVar("T")

BOUND_S = 10.0


class _Line:
    """One connection. While `open` is not set, octets stay where they are, in both directions."""

    def __init__(self, *writers: asyncio.StreamWriter) -> None:
        self.writers = writers
        self.open = asyncio.Event()

    def abort(self) -> None:
        self.open.set()
        for writer in self.writers:
            writer.transport.abort()


class Relay:
    """`cut` ends all connections and takes no new ones; `stall` keeps all of them and lets nothing
    through; `strand` does that to those there are, and lets new ones work; `heal` ends all of
    this, and what was held goes on its way, late."""

    def __init__(self, target: int) -> None:
        self.port = 0
        self.refused = 0
        """Connections that were not taken."""

        self._target = target
        self._lines: set[_Line] = set()
        self._cut = False
        self._stalled = False
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="relay", daemon=True)
        self._thread.start()
        self._tasks: set[asyncio.Task[None]] = set()
        self._server = self._run(self._listen())

    @property
    def lines(self) -> int:
        """Connections that there are."""
        return len(self._lines)

    def cut(self) -> None:
        def act() -> None:
            self._cut = True
            for line in self._lines:
                line.abort()

        self._call(act)

    def stall(self) -> None:
        def act() -> None:
            self._stalled = True
            for line in self._lines:
                line.open.clear()

        self._call(act)

    def strand(self) -> None:
        def act() -> None:
            for line in self._lines:
                line.open.clear()

        self._call(act)

    def heal(self) -> None:
        def act() -> None:
            self._cut = self._stalled = False
            for line in self._lines:
                line.open.set()

        self._call(act)

    def close(self) -> None:
        self._run(self._end())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(BOUND_S)
        self._loop.close()

    # -- in the thread ---------------------------------------------------------------------------

    def _run(self, work: Coroutine[Any, Any, T]) -> T:
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(BOUND_S)

    def _call(self, act: Callable[[], None]) -> None:
        async def work() -> None:
            act()

        self._run(work())

    async def _listen(self) -> asyncio.Server:
        server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = server.sockets[0].getsockname()[1]
        return server

    async def _end(self) -> None:
        self._server.close()
        self._cut = True
        for line in self._lines:
            line.abort()
        while self._tasks:
            await asyncio.wait(list(self._tasks))

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        try:
            await self._relay(reader, writer)
        finally:
            writer.transport.abort()
            self._tasks.discard(task)

    async def _relay(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self._cut:
            self.refused += 1
            return
        try:
            there, onward = await asyncio.open_connection("127.0.0.1", self._target)
        except OSError:
            self.refused += 1
            return
        line = _Line(writer, onward)
        if not self._stalled:
            line.open.set()
        self._lines.add(line)
        if self._cut:
            line.abort()
        try:
            await asyncio.gather(
                self._pass_on(line, reader, onward), self._pass_on(line, there, writer)
            )
        finally:
            self._lines.discard(line)
            onward.transport.abort()

    async def _pass_on(
        self, line: _Line, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        """Octets in one direction; their end ends both."""
        with contextlib.suppress(OSError):
            while octets := await reader.read(65536):
                await line.open.wait()
                writer.write(octets)
                await writer.drain()
        await line.open.wait()
        for each in line.writers:
            each.close()

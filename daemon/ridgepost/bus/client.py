"""The MQTT client: aiomqtt, and what it leaves out.

aiomqtt 2.5 forgets what a broker of MQTT 5 says besides yes: its limits, which it enforces by
ending the connection, and why it refused a publish. It leaves a socket behind when connecting
fails half-way or a packet cannot be read, and waits ten seconds for a broker that has stopped, or
that hangs up before it has answered.
"""

import asyncio
import contextlib
import logging
import socket
import threading
from collections.abc import Sequence
from types import TracebackType
from typing import Any, Self, cast

import aiomqtt
import paho.mqtt.client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

IN_FLIGHT = 20
"""Publishes on their way at once; more bring a tenth at most (measured)."""

LEAVE_TIMEOUT_S = 0.5
"""A broker that does not take a goodbye in this time does not get one."""

# Reason codes (MQTT 5, 2.4).
UNSPECIFIED = 0x80
MALFORMED_PACKET = 0x81
PROTOCOL_ERROR = 0x82
QUOTA_EXCEEDED = 0x97
"""Of all refusals of a publish the one that time alone may mend."""

_HEADER_OCTETS = 5
"""MQTT 5, 2.1: the longest fixed header."""


_Answer = asyncio.Future[ReasonCode | None]
"""The reason code of a PUBACK; None if none can come any more."""


class LostError(aiomqtt.MqttError):
    """The connection has ended; the text says why."""


class HungUpError(LostError):
    """It ended before the broker said whether it lets us in."""


class BadPacketError(LostError):
    """It ended over a packet that the library under us cannot read.

    The broker keeps such a packet for a session that has not acknowledged it, and sends it again.
    """


class TooLargeError(aiomqtt.MqttError):
    """The broker takes no packet of this size, and has not been sent it."""


class RefusedError(aiomqtt.MqttError):
    """The broker refuses this publish for good; the text is its reason."""


class Client(aiomqtt.Client):
    """One connection to a broker; the arguments are those of `aiomqtt.Client`."""

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, logger=_quiet_logger(), **options)
        self._opening = threading.Lock()
        self._called_off = False
        self._room = asyncio.Semaphore(IN_FLIGHT)
        self._largest_octets: int | None = None
        self._answered: dict[int, tuple[float, _Answer]] = {}
        """What waits for its PUBACK, in order, and until when on the clock of the loop."""

        self._patience: asyncio.TimerHandle | None = None
        self.session_present = False
        """The broker still had our session: it has not lost its store, or not all of it."""

        self.discarded = 0
        """Messages that came while `max_queued_incoming_messages` waited to be looked at."""

    async def __aenter__(self) -> Self:
        try:
            await super().__aenter__()
        except BaseException:
            with self._opening:
                self._called_off = True
            await self._close()
            raise
        self._disconnected.add_done_callback(self._give_up)
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Say goodbye. Raises `LostError` in place of errors that follow from a lost connection."""
        self.timeout = LEAVE_TIMEOUT_S
        lost = self._lost()
        try:
            with contextlib.suppress(aiomqtt.MqttError):
                await super().__aexit__(kind, error, trace)
        finally:
            await self._close()
            self._lost()
        if lost is not None and _only_mqtt_errors(error):
            # Not `lost` itself, which is the cause of `error`: a chain of causes must have an end.
            raise type(lost)(str(lost)) from None

    def _lost(self) -> LostError | None:
        """Why the connection ended by itself, if it did."""
        if not self._disconnected.done() or self._disconnected.cancelled():
            return None
        # Looked at, asyncio does not complain that nobody did.
        failure = self._disconnected.exception()
        if failure is None or isinstance(failure, LostError):
            return failure
        if isinstance(failure, OSError | aiomqtt.MqttError):
            return LostError(str(failure))
        return BadPacketError(f"a packet from the broker cannot be read: {failure}")

    async def _close(self) -> None:
        """Leave nothing behind: no open connection and no task."""
        await asyncio.sleep(0)  # for what the connecting thread left the event loop to do
        self.hang_up()
        if self._patience is not None:
            self._patience.cancel()
        if self._misc_task is not None:
            self._misc_task.cancel()
            await asyncio.gather(self._misc_task, return_exceptions=True)

    def hang_up(self) -> None:
        """End the connection without a goodbye, so that the broker speaks the last will."""
        line = self._client.socket()
        if isinstance(line, socket.socket):
            with contextlib.suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)

    async def deliver(
        self,
        topic: str,
        payload: bytes,
        *,
        retain: bool = False,
        properties: Properties | None = None,
    ) -> None:
        """Publish at QoS 1 and return when the broker has it.

        Raises `RefusedError` or `TooLargeError` if this broker will never take it, any other
        `MqttError` if the connection is to blame. Calls are served in their order.
        """
        octets = _HEADER_OCTETS + 2 + len(topic.encode()) + 2 + len(payload)
        octets += len(cast("Any", properties).pack()) if properties is not None else 1
        if self._largest_octets is not None and octets > self._largest_octets:
            raise TooLargeError(f"{octets} octets, the broker takes {self._largest_octets}")
        async with self._room:
            info = self._client.publish(topic, payload, 1, retain, properties)
            if info.rc != paho.MQTT_ERR_SUCCESS:
                raise aiomqtt.MqttCodeError(info.rc, "could not publish")
            answered: _Answer = self._loop.create_future()
            self._answered[info.mid] = (self._loop.time() + self.timeout, answered)
            if self._patience is None:
                self._lose_patience()
            try:
                # Not asyncio.wait_for(), which in Python 3.11 may swallow a cancellation.
                reason = await answered
            finally:
                del self._answered[info.mid]
        if reason is None:
            raise LostError("the connection was lost")
        if reason.value == QUOTA_EXCEEDED:
            raise aiomqtt.MqttCodeError(reason, "refused for now")
        if reason.is_failure:
            raise RefusedError(str(reason))

    def _lose_patience(self) -> None:
        """Give up whatever has waited too long for its answer, and look again when the next one
        will have. (One timer for all: setting one for each costs a tenth of the time.)"""
        self._patience = None
        now_s = self._loop.time()
        for give_up_at_s, answered in self._answered.values():
            if give_up_at_s > now_s:
                self._patience = self._loop.call_at(give_up_at_s, self._lose_patience)
                return
            if not answered.done():
                answered.set_exception(aiomqtt.MqttError("the broker does not answer"))

    def glance(self, topics: Sequence[str]) -> None:
        """Have what is retained on these topics sent, and nothing more; nobody waits for it.

        Not `subscribe`, since what aiomqtt waits with in Python 3.11 may swallow a cancellation.
        """
        self._client.subscribe([(topic, 0) for topic in topics])
        self._client.unsubscribe(list(topics))

    def _give_up(self, _: object) -> None:
        """The connection has ended: no answer will come."""
        for _, answered in self._answered.values():
            if not answered.done():
                answered.set_result(None)

    def _on_connect(
        self,
        client: paho.Client,
        userdata: Any,
        flags: paho.ConnectFlags,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        # MQTT 5, 3.2.2.3.3 and 3.2.2.3.6. Left out (or not MQTT 5) they mean no limit.
        at_once = getattr(properties, "ReceiveMaximum", IN_FLIGHT)
        self._room = asyncio.Semaphore(min(IN_FLIGHT, at_once))
        self._largest_octets = getattr(properties, "MaximumPacketSize", None)
        self.session_present = bool(flags.session_present)
        super()._on_connect(client, userdata, flags, reason_code, properties)

    def _on_socket_open(self, client: paho.Client, userdata: Any, sock: Any) -> None:
        # This is said in the thread that connects, which goes on when the wait is called off.
        with self._opening:
            if self._called_off:
                sock.close()
                raise ConnectionAbortedError("nobody waits for this connection")
            super()._on_socket_open(client, userdata, sock)

    def _on_socket_register_write(
        self,
        client: paho.Client,
        userdata: Any,  # noqa: ARG002 - the library's signature
        sock: Any,
    ) -> None:
        def write() -> None:
            try:
                client.loop_write()
            except Exception as error:
                if not self._disconnected.done():
                    self._disconnected.set_exception(error)

        def watch() -> None:
            # aiomqtt does not ask whether the socket has been closed since.
            if sock.fileno() >= 0:
                self._loop.add_writer(sock.fileno(), write)

        self._loop.call_soon_threadsafe(watch)

    def _on_disconnect(
        self,
        client: paho.Client,
        userdata: Any,
        flags: paho.DisconnectFlags,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        if self._called_off:
            return  # nobody waits, and aiomqtt trips over a future that was cancelled
        # It may be said in the thread that connects.
        self._loop.call_soon_threadsafe(self._not_let_in)
        was_up = self._connected.done() and self._connected.exception() is None
        if was_up and not self._disconnected.done() and reason_code.is_failure:
            by_broker = flags.is_disconnect_packet_from_server
            self._disconnected.set_exception(_lost_for(reason_code, by_broker=by_broker))
        else:
            super()._on_disconnect(client, userdata, flags, reason_code, properties)

    def _not_let_in(self) -> None:
        """The connection has ended; if before CONNACK, aiomqtt would wait for that all its time."""
        if not self._connected.done():
            self._connected.set_exception(HungUpError("the broker hung up without an answer"))
            self._connected.exception()  # looked at, should nobody wait for it any more

    def _on_message(self, client: paho.Client, userdata: Any, message: paho.MQTTMessage) -> None:
        self.discarded += self._queue.full()
        super()._on_message(client, userdata, message)

    def _on_publish(
        self,
        client: paho.Client,
        userdata: Any,
        mid: int,
        reason_code: ReasonCode,
        properties: Properties,
    ) -> None:
        if mid not in self._answered:
            super()._on_publish(client, userdata, mid, reason_code, properties)
            return
        _, answered = self._answered[mid]
        if not answered.done():
            answered.set_result(reason_code)


def _only_mqtt_errors(error: BaseException | None) -> bool:
    if isinstance(error, BaseExceptionGroup):
        return all(_only_mqtt_errors(inner) for inner in error.exceptions)
    return isinstance(error, aiomqtt.MqttError)


def _lost_for(reason: ReasonCode, *, by_broker: bool) -> LostError:
    if by_broker:
        return LostError(f"the broker ended the connection: {reason}")
    if reason.value in (MALFORMED_PACKET, PROTOCOL_ERROR):
        return BadPacketError("a packet from the broker cannot be read")
    if reason.value == UNSPECIFIED:
        return LostError("the connection was lost")
    return LostError(str(reason))


def connect_properties(session_expiry_s: int, largest_octets: int) -> Properties:
    """MQTT 5, 3.1.2.11: how long the session outlives the connection, and what we can take."""
    properties = _properties(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = session_expiry_s
    properties.MaximumPacketSize = largest_octets
    return cast("Properties", properties)


def publish_properties(correlation: bytes) -> Properties:
    """MQTT 5, 3.3.2.3.6: what the asker knows its answer by."""
    properties = _properties(PacketTypes.PUBLISH)
    properties.CorrelationData = correlation
    return cast("Properties", properties)


def _properties(packet_type: int) -> Any:
    """The class makes its attributes up as it goes, so no type fits it."""
    return cast("Any", Properties)(packet_type)


def _quiet_logger() -> logging.Logger:
    """The MQTT library's own log repeats what is said by us in better words."""
    logger = logging.getLogger("ridgepost.mqtt")
    logger.setLevel(logging.CRITICAL)
    return logger

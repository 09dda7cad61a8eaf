"""One connection to the broker: MQTT 5 or 3.1.1 by aiomqtt, closed for certain at its end.

The three places where aiomqtt's own interface is too narrow are kept in this module: the socket
comes from our :class:`Dialer` (dead links, lost name service), a refused PUBACK is an error and
not a delivery, and the reason of a failed TLS handshake is taken from the log of paho-mqtt,
which tells it to nobody else.
"""

from __future__ import annotations

import asyncio
import fcntl
import logging
import socket
import struct
import termios
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from typing import Any, Literal

import aiomqtt
from aiomqtt import ProtocolVersion
from paho.mqtt.client import MQTT_CLEAN_START_FIRST_ONLY
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from supervisor.edge.dial import Dialer, WireCount, end_when_dead, wire_count
from supervisor.edge.failures import ENDED, ConnectionFailed, before_mqtt, explained

Protocol = Literal[4, 5]  # the protocol level byte: MQTT 3.1.1 or 5
SESSION_EXPIRY_S = 3600  # acknowledgements sent while the link is down wait so long for us
WILL_DELAY_S = 10  # a link that is back within this was never away, to a watcher
TOGETHER_S = 0.005
# QoS 1 messages unanswered at once, if the broker takes so many: 25 a second over a round trip of
# four seconds. All of them go again when the connection is lost before they are answered.
MOST_UNDER_WAY = 100
SCHEMA_PROPERTY = ("schema", "1")


@dataclass(frozen=True, slots=True)
class Hello:
    """How we introduce ourselves."""

    client_id: str
    user: str
    password: str | None
    will_topic: str
    will_payload: bytes
    keepalive_s: int
    timeout_s: float
    dead_after_s: float
    silence_tells: bool  # no answer in that time means another version of the protocol


class _Listener(logging.Handler):
    """Hears paho say why a socket failed, and wakes who waits for the connection."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.text = ""
        self.heard = asyncio.Event()
        self._loop = asyncio.get_running_loop()

    def emit(self, record: logging.LogRecord) -> None:
        """A line of paho's log."""
        text = record.getMessage()
        if "pending publish calls" not in text:
            self.hear(text)

    def hear(self, text: str) -> None:
        """Something ended; the first reason is the true one."""
        self.text = self.text or text
        with suppress(RuntimeError):  # the loop has gone: nobody waits
            self._loop.call_soon_threadsafe(self.heard.set)


class Session:
    """A connection that stands."""

    def __init__(self, client: aiomqtt.Client, protocol: Protocol) -> None:
        self._client = client
        self.protocol = protocol
        self.resumed = False  # the broker still knew us: subscriptions and retained are there
        self.most_aliases = 0  # how many the broker takes (MQTT 5)
        self.most_under_way = MOST_UNDER_WAY  # less when the broker says so (MQTT 5)
        self._aliases: dict[str, int] = {}
        self._refused: dict[int, str] = {}

    async def publish(
        self,
        topic: str,
        payload: bytes,
        *,
        qos: int = 0,
        retain: bool = False,
        expiry_s: int | None = None,
        timeout_s: float = 30.0,
    ) -> None:
        """Send; with QoS 1 returns when the broker has taken it over."""
        properties = self._properties(qos, expiry_s) if self.protocol == 5 else None
        name = self._short(topic, properties) if qos == 0 else topic
        await self._client.publish(
            name, payload, qos, retain, properties=properties, timeout=timeout_s
        )
        if self._refused:
            _, why = self._refused.popitem()
            raise ConnectionFailed(f"the broker did not take {topic}: {why}", refused=True)

    def _short(self, topic: str, properties: Any) -> str:
        """MQTT 5: an alias in place of a topic sent before (30 bytes a status)."""
        number = self._aliases.get(topic)
        if number is None:
            if len(self._aliases) >= self.most_aliases:
                return topic
            number = self._aliases[topic] = len(self._aliases) + 1
            properties.TopicAlias = number
            return topic
        properties.TopicAlias = number
        return ""

    async def subscribe(self, topics: list[str], *, timeout_s: float = 30.0) -> list[str]:
        """QoS 1, all in one round trip; those that the broker refused."""
        wanted = [(topic, 1) for topic in topics]
        granted: Any = await self._client.subscribe(wanted, timeout=timeout_s)
        codes = (getattr(code, "value", code) for code in granted)
        return [topic for topic, code in zip(topics, codes, strict=True) if code >= 0x80]

    async def incoming(self) -> AsyncIterator[tuple[str, bytes]]:
        """Received messages; ends with aiomqtt.MqttError when the connection does."""
        async for message in self._client.messages:
            payload = message.payload
            if isinstance(payload, bytes | bytearray):
                yield str(message.topic), bytes(payload)

    def unsent_bytes(self) -> int:
        """Bytes that the other side has not acknowledged: what statuses must not pile up on."""
        sock = _socket(self._client)
        if sock is None:
            return 0
        try:
            answer = fcntl.ioctl(sock.fileno(), termios.TIOCOUTQ, b"\0\0\0\0")
        except (OSError, ValueError):
            return 0
        return int(struct.unpack("i", answer)[0])

    def patience(self, dead_after_s: float) -> None:
        """How long sent bytes may stay unanswered from now on."""
        sock = _socket(self._client)
        if sock is not None:
            with suppress(OSError):
                end_when_dead(sock, dead_after_s)

    @asynccontextmanager
    async def together(self) -> AsyncIterator[None]:
        """What tasks that are begun inside send at once goes in as few segments as it fits into.

        A connection that was idle may have only ten segments under way, whatever their size: on a
        link of seconds each further ten would cost a round trip (RFC 6928, RFC 5681 section 4.1).
        """
        sock = _socket(self._client)
        _cork(sock, 1)
        try:
            yield
            await asyncio.sleep(TOGETHER_S)  # the library writes when the loop next comes round
        finally:
            _cork(sock, 0)

    def stranded(self) -> bool:
        """Whether packets to the broker would now leave from another address of ours.

        A modem that changed cells has a new address; the old connection is dead then, though
        the kernel would go on trying for a while. Asking the routing table sends nothing.
        """
        sock = _socket(self._client)
        try:
            with socket.socket(sock.family, socket.SOCK_DGRAM) as probe:
                probe.connect(sock.getpeername())
                return bool(probe.getsockname()[0] != sock.getsockname()[0])
        except (OSError, AttributeError):
            return False  # no route at all: it may come back with the same address

    def wire(self) -> WireCount | None:
        """Bytes of this connection so far."""
        return wire_count(_socket(self._client))

    def note_refused(self, mid: int, why: str) -> None:
        """The broker answered a publish with an error code (MQTT 5 only)."""
        self._refused[mid] = why

    @staticmethod
    def _properties(qos: int, expiry_s: int | None) -> Any:
        properties = _properties(PacketTypes.PUBLISH)
        if qos:  # statuses and tracks are many; the version is in them anyway
            properties.UserProperty = SCHEMA_PROPERTY
        if expiry_s is not None:
            properties.MessageExpiryInterval = expiry_s
        return properties


@asynccontextmanager
async def connected(dialer: Dialer, hello: Hello, protocol: Protocol, tls: Any) -> Any:
    """A :class:`Session`; ConnectionFailed when it cannot be had or is lost inside."""
    listener = _Listener()
    logger = logging.Logger("homeleg.mqtt")
    logger.addHandler(listener)
    client = _client(dialer, hello, protocol, tls, logger)
    session = Session(client, protocol)
    _watch_callbacks(client, session, listener)
    try:
        await _enter(client, listener, hello.timeout_s)
    except BaseException as error:
        _hang_up(client, dialer)
        if isinstance(error, Exception):
            silence_tells = hello.silence_tells and dialer.connected
            failure = explained(error, listener.text, silence_tells=silence_tells)
            raise before_mqtt(failure, tcp_stood=dialer.connected, tls=tls is not None) from None
        raise
    try:
        yield session
    except aiomqtt.MqttError as error:
        raise explained(error, listener.text) from None
    finally:
        await _leave(client, dialer)


def _properties(packet: int) -> Any:
    return Properties(packet)  # type: ignore[no-untyped-call]


def _client(
    dialer: Dialer, hello: Hello, protocol: Protocol, tls: Any, logger: logging.Logger
) -> aiomqtt.Client:
    v5 = protocol == 5
    will = aiomqtt.Will(hello.will_topic, hello.will_payload, qos=1, retain=True)
    connect = None
    if v5:
        delayed = _properties(PacketTypes.WILLMESSAGE)
        delayed.WillDelayInterval = WILL_DELAY_S
        will = aiomqtt.Will(will.topic, will.payload, will.qos, will.retain, delayed)
        connect = _properties(PacketTypes.CONNECT)
        connect.SessionExpiryInterval = SESSION_EXPIRY_S
        connect.ReceiveMaximum = 20
    client = aiomqtt.Client(
        dialer.host,
        dialer.port,
        username=hello.user or None,
        password=hello.password,
        identifier=hello.client_id,
        protocol=ProtocolVersion.V5 if v5 else ProtocolVersion.V311,
        will=will,
        clean_session=None if v5 else False,
        clean_start=False if v5 else MQTT_CLEAN_START_FIRST_ONLY,
        properties=connect,
        keepalive=hello.keepalive_s,
        timeout=hello.timeout_s,
        max_queued_incoming_messages=1000,
        max_inflight_messages=MOST_UNDER_WAY,
        tls_context=tls,
        logger=logger,
    )
    client.pending_calls_threshold = 1000
    paho = client._client
    paho.connect_timeout = hello.timeout_s

    def dial() -> socket.socket:
        began_s = time.monotonic()
        sock = dialer.open(hello.timeout_s, hello.dead_after_s)
        # TCP took a round trip; MQTT's answer must not be given up sooner, or taken for silence.
        client.timeout = max(hello.timeout_s, 3.0 * (time.monotonic() - began_s))
        return sock

    paho._create_socket_connection = dial  # type: ignore[method-assign]
    return client


async def _enter(client: aiomqtt.Client, listener: _Listener, timeout_s: float) -> None:
    """``__aenter__``, but without waiting out its time limit when the socket has failed."""
    entering = asyncio.ensure_future(client.__aenter__())
    failing = asyncio.ensure_future(listener.heard.wait())
    try:
        # The worker thread looks up, connects and shakes hands, each within its own limit.
        limit_s = 3.0 * timeout_s + 5.0
        await asyncio.wait({entering, failing}, timeout=limit_s, return_when="FIRST_COMPLETED")
        if entering.done():
            entering.result()
            client.timeout = 2.0  # from here on it only bounds the farewell
            return
        raise aiomqtt.MqttError(listener.text or "no answer")
    finally:
        for task in (entering, failing):
            task.cancel()
        await asyncio.gather(entering, failing, return_exceptions=True)


async def _leave(client: aiomqtt.Client, dialer: Dialer) -> None:
    with suppress(aiomqtt.MqttError, OSError, asyncio.TimeoutError):
        await client.__aexit__(None, None, None)
    _hang_up(client, dialer)


def _hang_up(client: aiomqtt.Client, dialer: Dialer) -> None:
    """Leave no socket behind, whatever state it is in."""
    sock = _socket(client)
    if sock is not None:
        with suppress(OSError):
            sock.shutdown(socket.SHUT_RDWR)
    dialer.abandon()


def _socket(client: aiomqtt.Client) -> Any:
    return client._client.socket()


def _cork(sock: Any, value: int) -> None:
    if sock is not None and hasattr(socket, "TCP_CORK"):
        with suppress(OSError):
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_CORK, value)


def _watch_callbacks(client: aiomqtt.Client, session: Session, listener: _Listener) -> None:
    """See what aiomqtt passes over.

    That is the code in a PUBACK, "session present" in a CONNACK, and an end before the CONNACK.
    """
    paho: Any = client._client
    published, accepted, left = paho.on_publish, paho.on_connect, paho.on_disconnect

    def on_publish(a: Any, b: Any, mid: int, code: Any, properties: Any) -> None:
        if getattr(code, "value", 0) >= 0x80:
            session.note_refused(mid, str(code))
        published(a, b, mid, code, properties)

    def on_connect(a: Any, b: Any, flags: Any, code: Any, properties: Any = None) -> None:
        session.resumed = bool(getattr(flags, "session_present", False))
        session.most_aliases = getattr(properties, "TopicAliasMaximum", 0)
        taken = getattr(properties, "ReceiveMaximum", MOST_UNDER_WAY)
        # The library keeps to its own limit only and never asks the broker's (MQTT 5.0, 4.9).
        paho._max_inflight_messages = session.most_under_way = min(taken, MOST_UNDER_WAY)
        accepted(a, b, flags, code, properties)

    def on_disconnect(a: Any, b: Any, flags: Any, code: Any, properties: Any = None) -> None:
        named = "taken over" in str(code).lower()
        listener.hear(f"{ENDED}: {code}" if named else ENDED)
        left(a, b, flags, code, properties)

    paho.on_publish, paho.on_connect, paho.on_disconnect = on_publish, on_connect, on_disconnect


async def ended(tasks: list[asyncio.Task[None]]) -> list[BaseException | None]:
    """Cancel all and wait for it; how each ended.

    Asked again until it works: before Python 3.12 ``wait_for``, which the library publishes with,
    swallows a cancellation that comes together with its result.
    """
    pending = set(tasks)
    while pending:
        for task in pending:
            task.cancel()
        _, pending = await asyncio.wait(pending, timeout=0.2)
    return [None if task.cancelled() else task.exception() for task in tasks]

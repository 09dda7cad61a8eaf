"""MAVLink over TCP: as a client that connects again for ever, or as a server."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable

import structlog

from supervisor.edge.clock import Clock
from supervisor.errors import LinkError

OnBytes = Callable[[int, bytes], bool]

BACKOFF_S = (0.2, 0.5, 1.0, 2.0, 5.0)
CONNECT_S = 5.0
UNSENT_BYTES = 64 * 1024  # more than this waiting: the peer does not read; drop

log = structlog.get_logger(__name__)


class _Stream(asyncio.Protocol):
    """One connection: hands bytes on at once, and tells when it is over."""

    def __init__(
        self, on_bytes: OnBytes, clock: Clock, on_made: Callable[[_Stream], None] | None = None
    ) -> None:
        self._on_bytes = on_bytes
        self._clock = clock
        self._on_made = on_made
        self.transport: asyncio.Transport | None = None
        self.over: asyncio.Future[None] = asyncio.get_running_loop().create_future()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self.transport = transport
        if self._on_made is not None:
            self._on_made(self)

    def data_received(self, data: bytes) -> None:
        self._on_bytes(self._clock.now_ns(), data)

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002
        self.transport = None
        if not self.over.done():
            self.over.set_result(None)

    def send(self, data: bytes) -> None:
        transport = self.transport
        if transport is not None and transport.get_write_buffer_size() < UNSENT_BYTES:
            transport.write(data)

    def abort(self) -> None:
        if self.transport is not None:
            self.transport.abort()


class TcpClient:
    """Connects, and connects again with growing pauses when the connection is lost."""

    def __init__(self, host: str, port: int, on_bytes: OnBytes, clock: Clock) -> None:
        self._where = host, port
        self._on_bytes = on_bytes
        self._clock = clock
        self._stream: _Stream | None = None
        self._task: asyncio.Task[None] | None = None

    @property
    def up(self) -> bool:
        """Whether there is a connection."""
        return self._stream is not None

    async def open(self) -> None:
        """Begin to connect; a flight controller that is not there yet is no error."""
        self._task = asyncio.create_task(self._keep_connected(), name="tcp-link")

    def send(self, data: bytes) -> None:
        """To the peer, if connected."""
        if self._stream is not None:
            self._stream.send(data)

    async def close(self) -> None:
        """Disconnect and stay so."""
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task
            self._task = None

    async def _keep_connected(self) -> None:
        host, port = self._where
        failures = 0
        while True:
            try:
                await self._connect_once()
                failures = 0
                log.warning("link_lost", address=f"tcp:{host}:{port}")
            except (OSError, TimeoutError) as error:
                if failures == 0:
                    log.warning("link_unreachable", address=f"tcp:{host}:{port}", reason=str(error))
            await asyncio.sleep(BACKOFF_S[min(failures, len(BACKOFF_S) - 1)])
            failures += 1

    async def _connect_once(self) -> None:
        """Returns when a connection that was made is lost again."""
        host, port = self._where
        loop = asyncio.get_running_loop()
        async with asyncio.timeout(CONNECT_S):
            _, stream = await loop.create_connection(
                lambda: _Stream(self._on_bytes, self._clock), host, port
            )
        log.info("link_open", address=f"tcp:{host}:{port}")
        self._stream = stream
        try:
            await stream.over
        finally:
            self._stream = None
            stream.abort()


class TcpServer:
    """Is connected to. A new connection replaces the old: that one is often half dead."""

    def __init__(self, host: str, port: int, on_bytes: OnBytes, clock: Clock) -> None:
        self._where = host, port
        self._on_bytes = on_bytes
        self._clock = clock
        self._stream: _Stream | None = None
        self._server: asyncio.Server | None = None

    @property
    def up(self) -> bool:
        """Whether somebody is connected."""
        return self._stream is not None and self._stream.transport is not None

    @property
    def port(self) -> int:
        """The port that was bound: for port 0, the one the kernel chose."""
        return int(self._server.sockets[0].getsockname()[1]) if self._server else self._where[1]

    async def open(self) -> None:
        """Bind."""
        host, port = self._where
        loop = asyncio.get_running_loop()
        try:
            self._server = await loop.create_server(
                lambda: _Stream(self._on_bytes, self._clock, self._accept), host, port
            )
        except OSError as error:
            reason = error.strerror or str(error)
            raise LinkError(f"tcp-listen:{host}:{port}", f"cannot listen: {reason}") from None
        log.info("link_open", address=f"tcp-listen:{host}:{port}")

    def send(self, data: bytes) -> None:
        """To whoever is connected."""
        if self._stream is not None:
            self._stream.send(data)

    async def close(self) -> None:
        """Stop listening and disconnect."""
        if self._server is not None:
            self._server.close()
            self._server = None
        if self._stream is not None:
            self._stream.abort()
            self._stream = None

    def _accept(self, stream: _Stream) -> None:
        if self._stream is not None:
            self._stream.abort()
        self._stream = stream
        log.info("link_peer", address="{}:{}".format(*self._where))

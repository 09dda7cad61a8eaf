"""Where the simulated aircraft's frames go and its clients' bytes come from: UDP and TCP.

Addresses::

    udp:HOST:PORT         frames go there, and to whoever else writes to us
    tcp-listen:HOST:PORT  any number of clients connect
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Callable, Sequence
from typing import Protocol

from sim.wire import joined, split_frames

Receive = Callable[[bytes], None]  # called with whole frames of a client

BUFFER_BYTES = 1 << 20
BURST = 8  # datagrams at once before a receiver gets time to read them
BURST_PAUSE_S = 0.001
TCP_PATIENCE_S = 5.0  # a client that reads nothing for so long is let go
MAX_PORT = 65535
ALLOWED = "udp:HOST:PORT, tcp-listen:HOST:PORT"


class PortError(Exception):
    """An address that cannot be understood or opened."""

    def __init__(self, address: str, problem: str) -> None:
        super().__init__(f"{address}: {problem}")
        self.address, self.problem = address, problem


class Port(Protocol):
    """One open way in and out."""

    async def open(self, receive: Receive) -> None:
        """Bind; :class:`PortError` when that cannot work."""

    async def send(self, frames: Sequence[bytes]) -> None:
        """To every client, at a pace they can read."""

    async def close(self) -> None:
        """Let go."""


def make_port(address: str) -> Port:
    """The port for ``address``; :class:`PortError` says what is wrong with it."""
    scheme, _, rest = address.partition(":")
    host, _, digits = rest.rpartition(":")
    if scheme not in ("udp", "tcp-listen") or not host:
        raise PortError(address, f"is no address (allowed: {ALLOWED})")
    if not (digits.isascii() and digits.isdecimal()) or int(digits) > MAX_PORT:
        raise PortError(address, f"port {digits!r} is no number from 0 to {MAX_PORT}")
    host = host.strip("[]")
    return UdpPort(host, int(digits)) if scheme == "udp" else TcpPort(host, int(digits))


class UdpPort(asyncio.DatagramProtocol):
    """Sends to one address; others who write to us get the stream too."""

    def __init__(self, host: str, port: int) -> None:
        self._host, self._port = host, port
        self._transport: asyncio.DatagramTransport | None = None
        self._peers: dict[tuple[str, int], None] = {}  # in order of arrival
        self._receive: Receive = lambda _data: None

    async def open(self, receive: Receive) -> None:
        """Resolve the target and bind any local port."""
        self._receive = receive
        loop = asyncio.get_running_loop()
        where = f"udp:{self._host}:{self._port}"
        try:
            found = await loop.getaddrinfo(self._host, self._port, type=socket.SOCK_DGRAM)
            family, _, _, _, address = found[0]
            any_host = "::" if family == socket.AF_INET6 else "0.0.0.0"
            self._transport, _ = await loop.create_datagram_endpoint(
                lambda: self, local_addr=(any_host, 0), family=family
            )
        except OSError as error:
            raise PortError(where, error.strerror or str(error)) from error
        self._peers[str(address[0]), int(address[1])] = None
        raw: socket.socket = self._transport.get_extra_info("socket")
        for option in (socket.SO_SNDBUF, socket.SO_RCVBUF):
            raw.setsockopt(socket.SOL_SOCKET, option, BUFFER_BYTES)

    def datagram_received(self, data: bytes, address: tuple[str, int]) -> None:
        """Hear a client; remember where it is."""
        self._peers.setdefault((address[0], address[1]))
        self._receive(data)

    def error_received(self, error: Exception) -> None:
        """Nobody listens there (yet): the stream goes on, as on a real link."""

    async def send(self, frames: Sequence[bytes]) -> None:
        """Several frames a datagram, a short rest between bursts."""
        if self._transport is None:
            return
        for number, datagram in enumerate(joined(frames), start=1):
            for peer in list(self._peers):
                self._transport.sendto(datagram, peer)
            if number % BURST == 0:
                await asyncio.sleep(BURST_PAUSE_S)

    async def close(self) -> None:
        """Close the socket."""
        if self._transport is not None:
            self._transport.close()
            self._transport = None
            await asyncio.sleep(0)


class TcpPort:
    """Any number of clients connect; one that does not read is let go."""

    def __init__(self, host: str, port: int) -> None:
        self._host, self._port = host, port
        self._server: asyncio.Server | None = None
        self._writers: set[asyncio.StreamWriter] = set()
        self._receive: Receive = lambda _data: None

    @property
    def bound_port(self) -> int:
        """The port that is really open (for port 0)."""
        assert self._server is not None
        number: int = self._server.sockets[0].getsockname()[1]
        return number

    async def open(self, receive: Receive) -> None:
        """Listen."""
        self._receive = receive
        try:
            self._server = await asyncio.start_server(self._serve, self._host, self._port)
        except OSError as error:
            reason = error.strerror or str(error)
            raise PortError(f"tcp-listen:{self._host}:{self._port}", reason) from error

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.add(writer)
        rest = b""
        try:
            while data := await reader.read(4096):
                frames, rest = split_frames(rest + data)
                self._receive(b"".join(frames))
        except (ConnectionError, asyncio.CancelledError):
            pass
        finally:
            self._forget(writer)

    def _forget(self, writer: asyncio.StreamWriter) -> None:
        self._writers.discard(writer)
        writer.close()

    async def send(self, frames: Sequence[bytes]) -> None:
        """To every client; waits for the slowest, but not for ever."""
        data = b"".join(frames)
        for writer in list(self._writers):
            writer.write(data)
            try:
                async with asyncio.timeout(TCP_PATIENCE_S):
                    await writer.drain()
            except (TimeoutError, ConnectionError):
                writer.transport.abort()
                self._forget(writer)

    async def close(self) -> None:
        """Stop listening and hang up."""
        if self._server is None:
            return
        self._server.close()
        for writer in list(self._writers):
            with contextlib.suppress(ConnectionError):
                await writer.drain()
            self._forget(writer)
        await self._server.wait_closed()

"""MAVLink over UDP. Reads all that waits in one loop turn: telemetry comes in bursts."""

from __future__ import annotations

import asyncio
import socket
import time
from collections.abc import Callable
from typing import Any

import structlog

from supervisor.edge.clock import Clock
from supervisor.errors import LinkError

RECEIVE_BUFFER_BYTES = 4 * 1024 * 1024  # what the kernel grants of it; its default loses bursts
DATAGRAM_BYTES = 65536
TURN_DATAGRAMS, TURN_NS = 200, 20_000_000  # then others get their turn

log = structlog.get_logger(__name__)


class UdpLink:
    """Listens and learns its peer from the first good frame, or sends to a given one."""

    def __init__(
        self,
        host: str,
        port: int,
        on_bytes: Callable[[int, bytes], bool],
        clock: Clock,
        *,
        listen: bool,
    ) -> None:
        self._where = host, port
        self._on_bytes = on_bytes
        self._clock = clock
        self._listen = listen
        self._peer: Any = None
        self._socket: socket.socket | None = None

    @property
    def up(self) -> bool:
        """Whether we know somebody to send to."""
        return self._peer is not None

    @property
    def port(self) -> int:
        """The port that was bound: for port 0, the one the kernel chose."""
        return int(self._socket.getsockname()[1]) if self._socket else self._where[1]

    async def open(self) -> None:
        """Bind (listening) or resolve the peer (sending)."""
        host, port = self._where
        name = f"{'udp' if self._listen else 'udp-out'}:{host}:{port}"
        loop = asyncio.get_running_loop()
        try:
            found = await loop.getaddrinfo(host, port, type=socket.SOCK_DGRAM)
            family, _, _, _, address = found[0]
            opened = socket.socket(family, socket.SOCK_DGRAM)
        except OSError as error:
            raise LinkError(name, f"host cannot be found: {error.strerror}") from None
        opened.setblocking(False)
        opened.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BUFFER_BYTES)
        try:
            if self._listen:
                opened.bind(address)
        except OSError as error:
            opened.close()
            raise LinkError(name, f"cannot listen: {error.strerror}") from None
        if not self._listen:
            self._peer = address
        self._socket = opened
        loop.add_reader(opened, self._readable)
        log.info("link_open", address=name)

    def send(self, data: bytes) -> None:
        """One datagram to the peer."""
        if self._socket is None or self._peer is None:
            return
        try:
            self._socket.sendto(data, self._peer)
        except OSError as error:  # no route, full buffer: as good as lost on the way
            log.debug("link_send_failed", reason=error.strerror)

    async def close(self) -> None:
        """Stop listening."""
        if self._socket is not None:
            asyncio.get_running_loop().remove_reader(self._socket)
            self._socket.close()
            self._socket = None

    def _readable(self) -> None:
        end_ns = time.monotonic_ns() + TURN_NS
        for _ in range(TURN_DATAGRAMS):
            if self._socket is None:
                return
            try:
                data, sender = self._socket.recvfrom(DATAGRAM_BYTES)
            except BlockingIOError:
                return
            except OSError:  # an earlier datagram of ours found nobody (ICMP); go on
                continue
            good = self._on_bytes(self._clock.now_ns(), data)
            if good and self._listen and sender != self._peer:
                self._peer = sender
                log.info("link_peer", peer=f"{sender[0]}:{sender[1]}")
            if time.monotonic_ns() > end_ns:
                return

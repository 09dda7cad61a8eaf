"""The link to the flight controller: UDP, TCP or serial; mended for ever.

Addresses::

    udp:HOST:PORT         listen; we answer to whoever sent the last good frame
    udp-out:HOST:PORT     send first, to there
    tcp:HOST:PORT         connect
    tcp-listen:HOST:PORT  be connected to; a new connection replaces the old one
    serial:DEVICE:BAUD    a serial port, raw, 8N1

An address that cannot be understood, a port that is taken, a device that is not there is a
LinkError when the link is opened. What breaks later is logged and mended.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from supervisor.edge.clock import Clock
from supervisor.edge.serial_link import SerialLink
from supervisor.edge.tcp_link import TcpClient, TcpServer
from supervisor.edge.udp_link import UdpLink
from supervisor.errors import LinkError

# Called in the very callback that received the bytes, with the time of that moment. Returns
# whether there was a good frame among them.
OnBytes = Callable[[int, bytes], bool]

SCHEMES = (
    "udp:HOST:PORT, udp-out:HOST:PORT, tcp:HOST:PORT, tcp-listen:HOST:PORT, serial:DEVICE:BAUD"
)
MAX_PORT = 65535


class Link(Protocol):
    """An open link: bytes arrive through ``on_bytes`` and leave through ``send``."""

    @property
    def up(self) -> bool:
        """Whether ``send`` has somebody to send to."""

    async def open(self) -> None:
        """Bind, connect or open; LinkError when that cannot work as asked."""

    def send(self, data: bytes) -> None:
        """Send if somebody is there, else drop. Never waits, never raises."""

    async def close(self) -> None:
        """Let go of everything."""


def make_link(address: str, on_bytes: OnBytes, clock: Clock) -> Link:
    """The link for an address; LinkError says what is wrong with it."""
    scheme, _, rest = address.partition(":")
    where, _, digits = rest.rpartition(":")
    if scheme not in ("udp", "udp-out", "tcp", "tcp-listen", "serial") or not where:
        raise LinkError(address, "is no link address", allowed=SCHEMES)
    if not (digits.isascii() and digits.isdecimal()):
        what = "baud rate" if scheme == "serial" else "port"
        raise LinkError(address, f"{what} {digits!r} is not a number", allowed=SCHEMES)
    number = int(digits)
    if scheme == "serial":
        return SerialLink(where, number, on_bytes, clock)
    if number > MAX_PORT:
        raise LinkError(address, f"port {number} is too high", allowed=f"0 to {MAX_PORT}")
    where = where.strip("[]")  # an IPv6 address stands in brackets
    if scheme == "tcp":
        return TcpClient(where, number, on_bytes, clock)
    if scheme == "tcp-listen":
        return TcpServer(where, number, on_bytes, clock)
    return UdpLink(where, number, on_bytes, clock, listen=scheme == "udp")

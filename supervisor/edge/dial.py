"""Addresses, sockets and TLS: how the broker is reached, and how a dead link is noticed.

A cellular link dies without a word. Left to itself the kernel retries for a quarter of an hour
with ever longer pauses. Three settings here make the link's return felt within seconds: short
connection attempts, TCP_USER_TIMEOUT (unanswered data ends the connection), and the last good
address of the broker for when the name service is gone.
"""

from __future__ import annotations

import socket
import ssl
import struct
import threading
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import unquote, urlsplit

from supervisor.errors import InputError, LinkError

RESOLVE_S = 3.0  # longest wait for the name service before the last good address is tried
IP_AND_TCP_BYTES = 52  # IPv4 20, TCP 20 and its time stamp option 12; a segment each


@dataclass(frozen=True, slots=True)
class BrokerAddress:
    """Where the broker is: ``mqtt://[user@]host[:1883]`` or ``mqtts://[user@]host[:8883]``."""

    host: str
    port: int
    tls: bool
    user: str = ""

    @classmethod
    def parse(cls, text: str) -> BrokerAddress:
        """Read an address; LinkError says what is wrong. Passwords come by path, never here."""
        allowed = "mqtt://[USER@]HOST[:PORT] or mqtts://[USER@]HOST[:PORT]"
        try:
            parts = urlsplit(text if "://" in text else f"mqtt://{text}")
            port = parts.port
        except ValueError:
            raise LinkError("broker address", "cannot be read", allowed=allowed) from None
        if parts.password is not None:
            raise LinkError("broker address", "holds a password; give a file", allowed=allowed)
        if parts.scheme not in ("mqtt", "mqtts") or not parts.hostname or parts.path.strip("/"):
            raise LinkError("broker address", f"{text!r} is not understood", allowed=allowed)
        tls = parts.scheme == "mqtts"
        default = 8883 if tls else 1883
        return cls(parts.hostname, port or default, tls, unquote(parts.username or ""))

    @property
    def loopback(self) -> bool:
        """Whether bytes to it cost nothing."""
        return self.host in ("localhost", "::1") or self.host.startswith("127.")

    def __str__(self) -> str:
        return f"{'mqtts' if self.tls else 'mqtt'}://{self.host}:{self.port}"


@dataclass(frozen=True, slots=True)
class Credentials:
    """TLS material and password, all by path."""

    ca: Path | None = None
    certificate: Path | None = None
    key: Path | None = None
    password: Path | None = None

    def context(self) -> ssl.SSLContext:
        """TLS 1.2 or later, server certificate and name verified; InputError if unreadable."""
        try:
            context = ssl.create_default_context(cafile=str(self.ca) if self.ca else None)
        except (OSError, ssl.SSLError) as error:
            raise InputError(str(self.ca), f"is no readable CA certificate: {error}") from None
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        if self.certificate is not None:
            try:
                context.load_cert_chain(self.certificate, self.key)
            except (OSError, ssl.SSLError) as error:
                where = f"{self.certificate} with {self.key}"
                raise InputError(where, f"is no usable certificate: {error}") from None
        return context

    def password_text(self) -> str | None:
        """First line of the password file."""
        if self.password is None:
            return None
        try:
            lines = self.password.read_text(encoding="utf-8").splitlines()
        except (OSError, UnicodeDecodeError) as error:
            raise InputError(str(self.password), f"cannot be read: {error}") from None
        return lines[0] if lines else ""


class Dialer:
    """Opens TCP connections to one broker; remembers its last good address."""

    def __init__(self, address: BrokerAddress) -> None:
        self._address = address
        self._known: list[tuple[int, tuple[object, ...]]] = []
        self._opening: socket.socket | None = None
        self.connected = False  # whether the latest attempt got as far as TCP

    @property
    def host(self) -> str:
        """Name of the broker, as its certificate must have it."""
        return self._address.host

    @property
    def port(self) -> int:
        """Its port."""
        return self._address.port

    def abandon(self) -> None:
        """End an attempt that is under way in the worker thread."""
        sock, self._opening = self._opening, None
        if sock is not None:
            with suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)

    def open(self, timeout_s: float, dead_after_s: float) -> socket.socket:
        """A connected socket. Blocks: call it in a worker thread."""
        self.connected = False
        failure = OSError(f"no address for {self._address.host}")
        for family, where in self._resolve():
            sock = self._opening = socket.socket(family, socket.SOCK_STREAM)
            try:
                sock.settimeout(timeout_s)
                sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                end_when_dead(sock, dead_after_s)
                sock.connect(where)
            except OSError as error:
                sock.close()
                failure = error
                continue
            self.connected = True
            return sock
        raise failure

    def _resolve(self) -> list[tuple[int, tuple[object, ...]]]:
        """Addresses of the broker; the last good ones when names cannot be looked up in time."""
        found: list[tuple[int, tuple[object, ...]]] = []

        def look_up() -> None:
            try:
                host, port = self._address.host, self._address.port
                rows = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
            except OSError:
                return
            found.extend((row[0], row[4]) for row in rows)

        # getaddrinfo knows no time limit; a thread that is left behind ends by itself.
        worker = threading.Thread(target=look_up, daemon=True)
        worker.start()
        worker.join(RESOLVE_S)
        if found:
            self._known = found[:4]
        if not self._known:
            raise OSError(f"the name {self._address.host} cannot be looked up")
        return list(self._known)


def end_when_dead(sock: socket.socket, dead_after_s: float) -> None:
    """Have the kernel end the connection when sent bytes stay unanswered so long."""
    if hasattr(socket, "TCP_USER_TIMEOUT"):
        limit_ms = int(dead_after_s * 1000)
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, limit_ms)


@dataclass(frozen=True, slots=True)
class WireCount:
    """Bytes of one connection on the wire: payload both ways, and IP and TCP headers."""

    sent: int = 0
    received: int = 0
    segments: int = 0

    @property
    def total(self) -> int:
        """Everything a data plan counts."""
        return self.sent + self.received + self.segments * IP_AND_TCP_BYTES


def wire_count(sock: socket.socket | None) -> WireCount | None:
    """What the kernel counted (TCP_INFO, linux/tcp.h), retransmissions included; None if unknown.

    TLS and MQTT overhead are in it, because it counts what TCP carried.
    """
    if sock is None or not hasattr(socket, "TCP_INFO"):
        return None
    try:
        info = sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, 208)
    except OSError:
        return None
    if len(info) < 208:  # a kernel before 4.19 does not count sent bytes
        return None
    (received,) = struct.unpack_from("<Q", info, 128)
    segments_out, segments_in = struct.unpack_from("<II", info, 136)
    (sent,) = struct.unpack_from("<Q", info, 200)
    return WireCount(sent, received, segments_out + segments_in)


# What TLS says, against what a tired person can use. Verify codes: OpenSSL x509_vfy.h.
_VERIFY = {
    9: "the broker's certificate is not yet valid (is the date right?)",
    10: "the broker's certificate has expired (is the date right?)",
    18: "the broker's certificate is from an unknown authority",
    19: "the broker's certificate is from an unknown authority",
    20: "the broker's certificate is from an unknown authority",
    23: "the broker's certificate was revoked",
    62: "the broker's certificate is for another name",
    64: "the broker's certificate is for another address",
}
_ALERTS = (
    ("CERTIFICATE_REVOKED", "the broker says that our certificate was revoked"),
    ("CERTIFICATE_EXPIRED", "the broker says that our certificate has expired"),
    ("ALERT_UNKNOWN_CA", "the broker does not know the authority of our certificate"),
    ("CERTIFICATE_REQUIRED", "the broker wants a client certificate; none is set"),
    ("HANDSHAKE_FAILURE", "the broker refused the TLS handshake"),
    ("BAD_CERTIFICATE", "the broker refused our certificate"),
    ("CERTIFICATE_UNKNOWN", "the broker refused our certificate"),
    ("PROTOCOL_VERSION", "the broker speaks no TLS version that is still safe"),
    ("WRONG_VERSION_NUMBER", "the broker's port does not speak TLS"),
)


def refusal(error: BaseException | str) -> str:
    """A TLS failure in plain words; '' when it is none."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return _VERIFY.get(error.verify_code, f"the broker's certificate: {error.verify_message}")
    text = str(error).upper().replace(" ", "_")
    return next((words for mark, words in _ALERTS if mark in text), "")

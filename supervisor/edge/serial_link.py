"""MAVLink over a serial port: raw, 8N1, opened again when the device comes back."""

from __future__ import annotations

import asyncio
import errno
import fcntl
import os
import termios
from collections.abc import Callable

import structlog

from supervisor.edge.clock import Clock
from supervisor.errors import LinkError

BACKOFF_S = (0.2, 0.5, 1.0, 2.0, 5.0)
READ_BYTES = 65536
UNSENT_BYTES = 8 * 1024  # more than this waiting: the line is stuck; drop
BAUDS = {
    int(name[1:]): getattr(termios, name)
    for name in dir(termios)
    if name[0] == "B" and name[1:].isdecimal() and name != "B0"
}

log = structlog.get_logger(__name__)


class SerialLink:
    """One serial device."""

    def __init__(
        self, device: str, baud: int, on_bytes: Callable[[int, bytes], bool], clock: Clock
    ) -> None:
        self._name = f"serial:{device}:{baud}"
        if baud not in BAUDS:
            allowed = ", ".join(str(b) for b in sorted(BAUDS) if b >= 9600)
            raise LinkError(self._name, f"baud rate {baud} is not known here", allowed=allowed)
        self._device = device
        self._baud = baud
        self._on_bytes = on_bytes
        self._clock = clock
        self._fd = -1
        self._unsent = b""
        self._retry: asyncio.TimerHandle | None = None
        self._failures = 0

    @property
    def up(self) -> bool:
        """Whether the device is open."""
        return self._fd >= 0

    async def open(self) -> None:
        """Open the device; LinkError tells why it cannot be."""
        try:
            self._attach()
        except OSError as error:
            hint = ""
            if error.errno == errno.EACCES:
                hint = "; is this user in the group that owns it (often dialout)?"
            raise LinkError(self._name, f"cannot be opened: {error.strerror}{hint}") from None

    def send(self, data: bytes) -> None:
        """Whole or not at all: half a frame would spoil the next one."""
        if self._fd < 0 or len(self._unsent) > UNSENT_BYTES:
            return
        waiting = bool(self._unsent)
        self._unsent += data
        if not waiting:
            self._writable()

    async def close(self) -> None:
        """Let go of the device."""
        if self._retry is not None:
            self._retry.cancel()
            self._retry = None
        self._detach()

    def _attach(self) -> None:
        fd = os.open(self._device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            _make_raw(fd, BAUDS[self._baud])
        except (termios.error, OSError) as error:
            os.close(fd)
            raise OSError(error.args[0], f"no serial port ({error.args[-1]})") from None
        self._fd = fd
        asyncio.get_running_loop().add_reader(fd, self._readable)
        log.info("link_open", address=self._name)

    def _detach(self) -> None:
        if self._fd >= 0:
            loop = asyncio.get_running_loop()
            loop.remove_reader(self._fd)
            loop.remove_writer(self._fd)
            os.close(self._fd)
            self._fd = -1
        self._unsent = b""

    def _readable(self) -> None:
        try:
            data = os.read(self._fd, READ_BYTES)
        except BlockingIOError:
            return
        except OSError as error:
            self._lose(error.strerror)
            return
        if data:
            self._failures = 0
            self._on_bytes(self._clock.now_ns(), data)
        else:
            self._lose("hung up")

    def _writable(self) -> None:
        loop = asyncio.get_running_loop()
        try:
            self._unsent = self._unsent[os.write(self._fd, self._unsent) :]
        except BlockingIOError:
            pass
        except OSError as error:
            self._lose(error.strerror)
            return
        if self._unsent:
            loop.add_writer(self._fd, self._writable)
        else:
            loop.remove_writer(self._fd)

    def _lose(self, reason: str | None) -> None:
        log.warning("link_lost", address=self._name, reason=reason)
        self._detach()
        self._try_later()

    def _try_later(self) -> None:
        pause_s = BACKOFF_S[min(self._failures, len(BACKOFF_S) - 1)]
        self._failures += 1
        self._retry = asyncio.get_running_loop().call_later(pause_s, self._try_again)

    def _try_again(self) -> None:
        self._retry = None
        try:
            self._attach()
        except OSError:
            self._try_later()


def _make_raw(fd: int, speed: int) -> None:
    """8 data bits, no parity, one stop bit, no flow control, nothing translated; ours alone."""
    fcntl.ioctl(fd, termios.TIOCEXCL)
    iflag = oflag = lflag = 0
    cflag = termios.CS8 | termios.CREAD | termios.CLOCAL
    control = termios.tcgetattr(fd)[6]
    control[termios.VMIN], control[termios.VTIME] = 1, 0  # with 0, "nothing yet" reads as "gone"
    termios.tcsetattr(fd, termios.TCSANOW, [iflag, oflag, cflag, lflag, speed, speed, control])
    termios.tcflush(fd, termios.TCIOFLUSH)

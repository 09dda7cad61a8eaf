"""Words to the service manager: ready, alive, stopping (sd_notify(3), sd_watchdog_enabled(3)).

One datagram a word on the socket that the environment names. Without it (a terminal, a test) all
words go nowhere. :class:`Watch` decides when "alive" may be said: only when the core has moved
since the last time, so that a loop that turns but concludes nothing is restarted too.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass

OVERDUE_S = 5.0  # so late may the core's look be on a busy small computer


class Notifier:
    """The service manager's ear; deaf when there is none."""

    def __init__(self, environment: Mapping[str, str] | None = None) -> None:
        given = os.environ if environment is None else environment
        name = given.get("NOTIFY_SOCKET", "")
        # "@" stands for the zero byte of the abstract namespace (sd_notify(3)).
        self._address = "\0" + name[1:] if name.startswith("@") else name
        for_us = given.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        text = given.get("WATCHDOG_USEC", "") if for_us else ""
        self.watchdog_s = int(text) * 1e-6 if text.isdecimal() else 0.0  # 0: nobody watches

    @property
    def heard(self) -> bool:
        """Whether a service manager is listening."""
        return bool(self._address)

    def ready(self, status: str) -> None:
        """Started; from now on the watchdog counts."""
        self._say(f"READY=1\nSTATUS={status}")

    def alive(self, status: str = "") -> None:
        """Feed the watchdog; ``status`` is shown by the service manager."""
        self._say("WATCHDOG=1" + (f"\nSTATUS={status}" if status else ""))

    def stopping(self) -> None:
        """Going down in good order."""
        self._say("STOPPING=1")

    def _say(self, words: str) -> None:
        if not self._address:
            return
        kind = socket.SOCK_DGRAM | socket.SOCK_CLOEXEC
        with suppress(OSError), socket.socket(socket.AF_UNIX, kind) as sock:
            sock.setblocking(False)
            sock.sendto(words.encode(), self._address)


@dataclass(slots=True)
class Watch:
    """Whether the core makes progress.

    It does when it has concluded something since the last question, or when it has asked for no
    call that is overdue: before the first frame, and between two looks.
    """

    _concluded: int = 0
    _seen: int = 0

    def concluded(self) -> None:
        """The core has looked at the world and said so (a status came out)."""
        self._concluded += 1

    def progress(self, now_ns: int, next_ns: int | None) -> bool:
        """``next_ns``: when the core wanted to be called next; None: it waits for a frame."""
        moved = self._concluded > self._seen
        self._seen = self._concluded
        waiting = next_ns is None or now_ns < next_ns + int(OVERDUE_S * 1e9)
        return moved or waiting

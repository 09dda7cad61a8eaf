"""The only place that reads a clock. ``now_ns`` counts from the start; it never goes back.

Two real ones: time of receipt, and - for accelerated simulation - time as the telemetry tells it.
"""

from __future__ import annotations

import asyncio
import time
from typing import Protocol

from supervisor.edge import wire
from supervisor.edge.frames import Frame

NS_PER_MS = 1_000_000
NS_PER_S = 1_000_000_000
# time_boot_ms is the first or only one of these fields, by its place in the unpacked row.
_BOOT_MS = {
    wire.SYSTEM_TIME: 1,
    wire.ATTITUDE: 0,
    wire.GLOBAL_POSITION_INT: 0,
    wire.SCALED_PRESSURE: 0,
}


def loop_s() -> float:
    """Monotonic seconds of the running loop; 0 outside one (a submit before the start)."""
    try:
        return asyncio.get_running_loop().time()
    except RuntimeError:
        return 0.0


class Clock(Protocol):
    """Nanoseconds since the start, never going back."""

    def now_ns(self) -> int:
        """Now."""

    def see(self, frame: Frame) -> None:
        """A frame was received; clocks that follow the telemetry look at it."""


class ReceiptClock:
    """The computer's own monotonic clock: works without a date and takes no part in its jumps."""

    def __init__(self) -> None:
        self._start_ns = time.monotonic_ns()

    def now_ns(self) -> int:
        return time.monotonic_ns() - self._start_ns

    def see(self, frame: Frame) -> None:
        pass


class TelemetryClock:
    """Time follows the newest ``time_boot_ms``, from 0 at the first one.

    When the autopilot restarts its count (a step back of more than ``RESTART_MS``) time goes on
    from where it was. Small steps back are frames out of order, and change nothing.
    """

    RESTART_MS = 10_000

    def __init__(self) -> None:
        self._zero_ms: int | None = None
        self._now_ms = 0

    def now_ns(self) -> int:
        return self._now_ms * NS_PER_MS

    def see(self, frame: Frame) -> None:
        place = _BOOT_MS.get(frame.msgid)
        if place is None:
            return
        boot_ms: int = wire.unpack(frame.msgid, frame.payload)[place]
        if self._zero_ms is None or boot_ms - self._zero_ms < self._now_ms - self.RESTART_MS:
            self._zero_ms = boot_ms - self._now_ms
        self._now_ms = max(self._now_ms, boot_ms - self._zero_ms)


class FakeClock:
    """For tests: time stands still until it is moved."""

    def __init__(self, now_ns: int = 0) -> None:
        self._now_ns = now_ns

    def now_ns(self) -> int:
        return self._now_ns

    def see(self, frame: Frame) -> None:
        pass

    def advance(self, seconds: float) -> None:
        """Move on; never back."""
        if seconds < 0.0:
            raise ValueError(f"a clock does not go back, not even by {-seconds} s")
        self._now_ns += round(seconds * NS_PER_S)

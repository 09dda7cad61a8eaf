"""The order of one sender's frames: repeats, overtaken frames, gaps, restarts.

Radio relays and merged links repeat and reorder. The sequence number is one byte, so "behind"
means up to 128 back. A frame that comes late is still taken if nothing newer *of its kind* came
before it: an old battery report is useful, an old position after a new one is not.
"""

from __future__ import annotations

from enum import Enum

from supervisor.edge.frames import Frame

LAP = 256
RESTART_STREAK = 8  # so many unseen frames in a row from behind: the sender counts anew


class Order(Enum):
    """Where a frame stands."""

    NEW = "new"
    REPEATED = "repeated"
    LATE = "late"
    RESTARTED = "restarted"


class Sequence:
    """Remembers one lap of one sender's frames."""

    def __init__(self) -> None:
        self._lap: list[Frame | None] = [None] * LAP
        self._head = -1
        self._behind = 0
        self.gap = 0  # frames missing just before the last one placed

    def place(self, frame: Frame) -> Order:
        """Judge and remember one frame."""
        step = (frame.seq - self._head) % LAP if self._head >= 0 else 1
        self.gap = 0
        if step != 1 and self._seen(frame):
            return Order.REPEATED
        if 0 < step < LAP // 2:
            self._advance(frame, frame.seq, step)
            return Order.NEW
        self._behind += 1
        if self._behind >= RESTART_STREAK:
            self._lap = [None] * LAP
            self._advance(frame, frame.seq, 1)
            return Order.RESTARTED
        overtaken = self._overtaken(frame)
        self._lap[frame.seq] = frame
        return Order.LATE if overtaken else Order.NEW

    def pass_by(self, seq: int) -> None:
        """A frame we do not use took this number: no gap here."""
        step = (seq - self._head) % LAP
        if 0 < step < LAP // 2:
            self._advance(None, seq, step)

    def _seen(self, frame: Frame) -> bool:
        earlier = self._lap[frame.seq]
        return earlier is not None and earlier.raw == frame.raw

    def _advance(self, frame: Frame | None, seq: int, step: int) -> None:
        for skipped in range(1, step):
            self._lap[(seq - skipped) % LAP] = None
        self._lap[seq] = frame
        self._head = seq
        self._behind = 0
        self.gap = step - 1

    def _overtaken(self, frame: Frame) -> bool:
        ahead = (self._head - frame.seq) % LAP
        newer = (self._lap[(frame.seq + step) % LAP] for step in range(1, ahead + 1))
        return any(other is not None and other.msgid == frame.msgid for other in newer)

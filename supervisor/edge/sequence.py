"""The order of one sender's frames: repeats, overtaken frames, gaps, restarts.

Radio relays and merged links repeat and reorder. The sequence number is one byte, so "behind"
means up to 128 back. A frame that comes late is still taken if nothing newer *of its kind* came
before it: an old battery report is useful, an old position after a new one is not.
"""

from __future__ import annotations

from dataclasses import dataclass

from supervisor.edge.frames import Frame

LAP = 256
# So many unseen frames from behind, in rising order and none from ahead between them: the sender
# counts anew. Steps up to RISE allow for losses.
RESTART_STREAK, RISE = 16, 4


@dataclass(slots=True)
class OrderCounts:
    """What was wrong with the order."""

    repeated: int = 0
    late: int = 0  # dropped: overtaken by a newer one of its kind
    lost: int = 0  # missing numbers; those that come late after all count here too
    restarts: int = 0


class Sequence:
    """Remembers one lap of one sender's frames."""

    def __init__(self, first: int, counts: OrderCounts) -> None:
        self.counts = counts
        self._lap: list[Frame | None] = [None] * LAP
        self._next = first
        self._behind = 0  # how many frames in a row came from behind, rising
        self._behind_seq = first

    def take(self, frame: Frame) -> bool:
        """Whether the frame is new and worth having."""
        seq = frame.seq
        if seq == self._next:  # nearly always
            self._lap[seq] = frame
            self._next = (seq + 1) % LAP
            self._behind = 0
            return True
        return self._take_odd(frame)

    def pass_by(self, seq: int) -> None:
        """A frame we do not use took this number: no gap here."""
        skipped = (seq - self._next) % LAP
        if skipped < LAP // 2:
            self._skip(skipped)
        elif not self._restarted(seq):
            return
        self._lap[seq] = None
        self._next = (seq + 1) % LAP

    def _take_odd(self, frame: Frame) -> bool:
        earlier = self._lap[frame.seq]
        if earlier is not None and earlier.raw == frame.raw:
            self.counts.repeated += 1
            return False
        skipped = (frame.seq - self._next) % LAP
        if skipped < LAP // 2:
            self._skip(skipped)
            self._behind = 0
        elif not self._restarted(frame.seq):
            return self._take_late(frame)
        self._lap[frame.seq] = frame
        self._next = (frame.seq + 1) % LAP
        return True

    def _skip(self, count: int) -> None:
        self.counts.lost += count
        for step in range(count):
            self._lap[(self._next + step) % LAP] = None

    def _restarted(self, seq: int) -> bool:
        rising = 0 < (seq - self._behind_seq) % LAP <= RISE
        self._behind = self._behind + 1 if rising else 1
        self._behind_seq = seq
        if self._behind < RESTART_STREAK:
            return False
        self.counts.restarts += 1
        self._behind = 0
        self._lap = [None] * LAP
        return True

    def _take_late(self, frame: Frame) -> bool:
        self._lap[frame.seq] = frame
        behind = (self._next - 1 - frame.seq) % LAP
        newer = (self._lap[(frame.seq + step) % LAP] for step in range(1, behind + 1))
        if any(other is not None and other.msgid == frame.msgid for other in newer):
            self.counts.late += 1
            return False
        return True

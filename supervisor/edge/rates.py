"""How often to speak, so that a data plan of megabytes a month is kept.

A status goes out every 2 s while something changes, every 10 s in calm, every 30 s when the link
is poor or the budget is nearly spent. Advisories and acknowledgements are never held back; what
they cost is taken from what statuses may use. No clock in here: time is an argument.
"""

from __future__ import annotations

from dataclasses import dataclass

from supervisor.messages import Status

BUCKET_S = 600.0  # the budget of so long may be spent at once
CHANGING_S = 2.0
CALM_S = 10.0
POOR_S = 30.0
STEP_WH = 5.0  # a move of the landing energy (half) that a person would want to see at once
STEP_COVERED = 0.02


@dataclass(slots=True)
class Budget:
    """A leaky bucket: fills at ``bytes_per_hour``, holds at most ``BUCKET_S`` worth."""

    bytes_per_hour: float
    level: float = -1.0
    at_s: float = 0.0

    def __post_init__(self) -> None:
        self.level = self.capacity

    @property
    def capacity(self) -> float:
        """What may be spent at once, e.g. when the link returns."""
        return self.bytes_per_hour * BUCKET_S / 3600.0

    def spend(self, now_s: float, count: float) -> None:
        """Note bytes that went over the wire; they may overdraw it."""
        self._fill(now_s)
        self.level -= count

    def wait_s(self, now_s: float, count: float) -> float:
        """Time until so many bytes may be spent; 0 when now."""
        self._fill(now_s)
        lack = min(count, self.capacity) - self.level
        return max(lack, 0.0) * 3600.0 / self.bytes_per_hour

    def _fill(self, now_s: float) -> None:
        gained = max(now_s - self.at_s, 0.0) * self.bytes_per_hour / 3600.0
        self.level = min(self.level + gained, self.capacity)
        self.at_s = now_s


WHOLE_EVERY_S = 120.0  # a retained status is at most so much older than the latest


@dataclass(frozen=True, slots=True)
class Gist:
    """What of a status makes a person look again."""

    level: str
    phase: str
    sentence: str
    covered: float
    above_reserve_wh: float
    active: tuple[tuple[int, str, str | None], ...]

    @classmethod
    def of(cls, status: Status) -> Gist:
        """Take it from a status."""
        numbers = status.numbers
        median = numbers.above_reserve_wh[1] if numbers else None
        return cls(
            status.level,
            status.phase,
            status.sentence if numbers is None else "",  # with numbers it repeats them
            numbers.covered if numbers else 0.0,
            median or 0.0,
            tuple((a.seq, a.level, a.acked_by) for a in status.active),
        )

    def differs(self, other: Gist) -> bool:
        """Whether the other is news against this one."""
        return (
            (self.level, self.phase, self.sentence, self.active)
            != (other.level, other.phase, other.sentence, other.active)
            or abs(self.covered - other.covered) >= STEP_COVERED
            or abs(self.above_reserve_wh - other.above_reserve_wh) >= STEP_WH
        )


class StatusPacer:
    """Says when the next status is due."""

    def __init__(self, budget: Budget) -> None:
        self._budget = budget
        self._sent: Gist | None = None
        self._sent_s = float("-inf")
        self._whole_s = float("-inf")
        self._cost = 600.0  # bytes of a status on the wire; learned
        self.poor = False  # set from outside: the link is poor

    def due_s(self, now_s: float, status: Status) -> float:
        """Seconds until this status should go; 0: now."""
        since = now_s - self._sent_s
        news = self._sent is None or self._sent.differs(Gist.of(status))
        pause = CHANGING_S if news else CALM_S
        if self.poor:
            pause = max(pause, POOR_S if not news else CALM_S)
        held = min(self._budget.wait_s(now_s, self._cost), POOR_S - since)
        return max(pause - since, held, 0.0)

    def whole_due(self, now_s: float) -> bool:
        """Whether a whole status is due: what others are told as differences from, and retained."""
        return now_s - self._whole_s >= WHOLE_EVERY_S

    def begin(self) -> None:
        """A new connection: the broker, or who reads there, may know nothing."""
        self._sent, self._whole_s = None, float("-inf")

    def sent(self, now_s: float, status: Status, wire_bytes: float, *, whole: bool = False) -> None:
        """It went out and cost so much."""
        self._sent, self._sent_s = Gist.of(status), now_s
        if whole:
            self._whole_s = now_s
        self._cost += 0.2 * (wire_bytes - self._cost)

    def next_within_s(self, now_s: float) -> float:
        """What to promise a watcher: silence beyond this means a fault, not calm."""
        calm = POOR_S if self.poor or self._budget.wait_s(now_s, self._cost) > 0.0 else CALM_S
        return calm + CHANGING_S

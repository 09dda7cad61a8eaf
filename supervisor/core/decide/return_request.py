"""Whether the daemon may ask the autopilot for its own return: a table, and a countdown before it.

Off unless the flight file's policy says otherwise *and* a person armed it for this flight. Then an
unacknowledged turn-back-now that is older than the policy's time starts a countdown that is
announced and that anybody authorised can stop; when it has run out the request is made, once in a
flight. One bar in the table below is enough for nothing to happen, also in mid-countdown.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import Enum

from supervisor.core.conclusions import Phase
from supervisor.core.plan import ReturnRequest

# On the wing and on the way. Not in a descent: at an intermediate stop that is the way to land.
ON_THE_WAY = frozenset({Phase.CLIMB, Phase.CRUISE, Phase.LOITER})


class Step(Enum):
    """What to do now."""

    NOTHING = "nothing"
    ANNOUNCE = "announce"  # the countdown begins
    CANCEL = "cancel"  # a bar came down in mid-countdown
    ASK = "ask"


@dataclass(frozen=True, slots=True)
class Facts:
    """What the table looks at. ``warned_s``: since when turn-back-now holds; NaN when it does not.

    ``acknowledged``: somebody has read that warning, or anything said since. ``trusted``: fresh
    telemetry, a position, a forecast without doubts.
    """

    t_s: float
    armed: bool
    stopped: bool
    warned_s: float
    acknowledged: bool
    phase: Phase
    homeward: bool
    trusted: bool


@dataclass(frozen=True, slots=True)
class Memory:
    """``spent``: asked or stopped, so never again in this flight. NaN: no countdown runs."""

    spent: bool = False
    counting_since_s: float = math.nan

    @property
    def counting(self) -> bool:
        """Whether a countdown runs."""
        return math.isfinite(self.counting_since_s)


Bar = Callable[[ReturnRequest, Facts], bool]
# Each alone is enough for nothing to be asked. In words, for the log and the cancelled countdown.
BARS: tuple[tuple[str, Bar], ...] = (
    ("it is not armed for this flight", lambda _rules, f: not f.armed),
    ("a person stopped it", lambda _rules, f: f.stopped),
    ("there is no turn-back-now", lambda _rules, f: not math.isfinite(f.warned_s)),
    ("a person has acknowledged", lambda _rules, f: f.acknowledged),
    ("the warning is not old enough", lambda rules, f: not f.t_s - f.warned_s >= rules.after_s),
    ("it is not on the wing and on its way", lambda _rules, f: f.phase not in ON_THE_WAY),
    ("it is on its way home", lambda _rules, f: f.homeward),
    ("the forecast is not to be trusted", lambda _rules, f: not f.trusted),
)


def bar(rules: ReturnRequest | None, memory: Memory, facts: Facts) -> str:
    """The first reason why nothing may be asked; "" when there is none."""
    if rules is None:
        return "the flight file does not allow it"
    if memory.spent:
        return "it was asked or stopped before in this flight"
    return next((why for why, holds in BARS if holds(rules, facts)), "")


def step(rules: ReturnRequest | None, memory: Memory, facts: Facts) -> tuple[Memory, Step]:
    """The memory after this look, and what to do."""
    if rules is None or bar(rules, memory, facts):
        after = Memory(spent=memory.spent or facts.stopped)
        return after, Step.CANCEL if memory.counting else Step.NOTHING
    if not memory.counting:
        return replace(memory, counting_since_s=facts.t_s), Step.ANNOUNCE
    if facts.t_s - memory.counting_since_s < rules.countdown_s:
        return memory, Step.NOTHING
    return Memory(spent=True), Step.ASK

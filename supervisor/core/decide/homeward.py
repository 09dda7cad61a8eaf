"""Is the aircraft on its way home? Seen from its motion, since modes are the autopilot's own.

It is homeward when it has closed in on home for a while although the plan's next point lies
another way; it stops being so when it moves away from home again, or has landed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

CLOSING_COS = 0.8  # within 37 degrees of straight home counts as closing in
PLAN_COS = 0.5  # ... unless the plan itself leads within 60 degrees of where it flies
PERSIST_S = 20.0  # longer than a turn at 25 degrees of bank and 21 m/s takes (15 s)
NEAR_HOME_M = 300.0  # too near to tell a direction


@dataclass(frozen=True, slots=True)
class Homeward:
    """``yes`` is the verdict; ``since_s`` when the opposite began to show (NaN: it does not)."""

    yes: bool = False
    since_s: float = math.nan


def _cosine(ax: float, ay: float, bx: float, by: float) -> float:
    norm = math.hypot(ax, ay) * math.hypot(bx, by)
    return (ax * bx + ay * by) / norm if norm > 0.0 else 0.0


def watch(
    state: Homeward,
    t_s: float,
    place: tuple[float, float],
    velocity: tuple[float, float],
    next_point: tuple[float, float] | None,
) -> Homeward:
    """The verdict after one more look.

    ``place`` and ``next_point`` are (north, east) [m] on the local map around home, ``velocity``
    (north, east) [m/s] over ground; ``next_point`` None when the plan has none left.
    """
    if math.hypot(*place) < NEAR_HOME_M:
        return replace(state, since_s=math.nan)
    closing = _cosine(*velocity, -place[0], -place[1])
    planned = False
    if next_point is not None:
        to_point = (next_point[0] - place[0], next_point[1] - place[1])
        planned = _cosine(*velocity, *to_point) > PLAN_COS
    changing = closing < 0.0 if state.yes else closing > CLOSING_COS and not planned
    if not changing:
        return replace(state, since_s=math.nan)
    if math.isnan(state.since_s):
        return replace(state, since_s=t_s)
    if t_s - state.since_s >= PERSIST_S:
        return Homeward(yes=not state.yes)
    return state

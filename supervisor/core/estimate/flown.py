"""How this autopilot really flies, seen in this flight: speeds, rates, the time a landing takes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

from supervisor.core.belief import FlownHabits
from supervisor.core.conclusions import Phase

NAN = math.nan
SETTLE_S = 15.0  # a phase counts once it is steady
MEMORY_S = 300.0
FRESH_STEP_S = 5.0
WINDOW_S = 60.0


class Habits(NamedTuple):
    """Running means; NaN where not seen yet."""

    cruise_cas_mps: float = NAN
    climb_mps: float = NAN
    descent_mps: float = NAN
    landing_hover_s: float = NAN
    hover_from_s: float = NAN

    def belief(self) -> FlownHabits:
        """As the forecast reads it."""
        return FlownHabits(
            self.cruise_cas_mps, self.climb_mps, self.descent_mps, self.landing_hover_s
        )


def _mean(old: float, value: float, dt_s: float) -> float:
    if value != value:
        return old
    return value if old != old else old + min(dt_s / MEMORY_S, 1.0) * (value - old)


def watch(
    habits: Habits, phase: Phase, in_phase_s: float, cas_mps: float, climb_mps: float, dt_s: float
) -> Habits:
    """(belief, motion) -> belief, in steady flight only."""
    if in_phase_s < SETTLE_S:
        return habits
    match phase:
        case Phase.CRUISE | Phase.LOITER:
            return habits._replace(cruise_cas_mps=_mean(habits.cruise_cas_mps, cas_mps, dt_s))
        case Phase.CLIMB:
            return habits._replace(climb_mps=_mean(habits.climb_mps, climb_mps, dt_s))
        case Phase.DESCENT:
            return habits._replace(descent_mps=_mean(habits.descent_mps, -climb_mps, dt_s))
        case _:
            return habits


def changed(habits: Habits, before: Phase, now: Phase, t_s: float) -> Habits:
    """At a change of phase: a hover landing begins, or has ended on the ground."""
    if now is Phase.HOVER_LANDING:
        return habits._replace(hover_from_s=t_s)
    if before is Phase.HOVER_LANDING and now is Phase.GROUND:
        return habits._replace(landing_hover_s=t_s - habits.hover_from_s)
    return habits


@dataclass(frozen=True, slots=True)
class Progress:
    """Way flown and way made good over the last minute; points (t, north, east, way)."""

    points: tuple[tuple[float, float, float, float], ...] = ()

    def ratio(self) -> float:
        """Way made good over way flown [-]; 1 while less than half a minute is known."""
        if len(self.points) < 2 or self.points[-1][0] - self.points[0][0] < 0.5 * WINDOW_S:
            return 1.0
        first, last = self.points[0], self.points[-1]
        way = last[3] - first[3]
        made = math.hypot(last[1] - first[1], last[2] - first[2])
        return made / way if way > 1.0 else 1.0


def progressed(progress: Progress, t_s: float, north_m: float, east_m: float) -> Progress:
    """(belief, position) -> belief; keeps a point every few seconds."""
    points = progress.points
    if points and t_s - points[-1][0] < FRESH_STEP_S:
        return progress
    step = math.hypot(north_m - points[-1][1], east_m - points[-1][2]) if points else 0.0
    way = points[-1][3] + step if points else 0.0
    kept = tuple(p for p in points if p[0] >= t_s - WINDOW_S - FRESH_STEP_S)
    return Progress((*kept, (t_s, north_m, east_m, way)))

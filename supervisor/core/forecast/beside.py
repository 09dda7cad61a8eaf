"""The plan beside the flight: what the budget foresaw for here, leg by leg and homeward.

Along the route the planned ledger is the budget line's, by leg and distance to go. Homeward it is
the home leg that the budget foresaw from where the plan was left, less what of it is flown: the
turn is over, the climb and the descent are left by height, the cruise by the length of the way.
A supervisor that was started on the way home never saw where the plan was left, and says nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from supervisor.core.belief import Belief
from supervisor.core.conclusions import Phase
from supervisor.core.forecast.legs import (
    ROTORBORNE,
    map_of,
    next_waypoint,
    route_on_map,
)
from supervisor.core.forecast.way_geometry import ways_to
from supervisor.core.paper.budget_line import PHASES, Ledger, Planned, budget_line, ledger_of
from supervisor.core.plan import Flight

GROUND, HOME = -1, 1_000_000  # "legs" before the first and after the last of the route
ENOUGH_M = 500.0  # flown since the turn before detours can be told from the turn itself
LONGEST_S = 30.0  # between two looks: longer silences say nothing of the way flown
AT_END_M = 1000.0  # so near the last point the plan is over, not left long ago
LEVEL_M = 5.0  # so near the return height there is no climb left


@dataclass(frozen=True, slots=True)
class Left:
    """Where the plan was left: the belief then, what was planned there, the way home from there."""

    belief: Belief
    planned: Planned
    way_m: float


@dataclass(frozen=True, slots=True)
class Beside:
    """What is remembered: where the plan was left, and the overrun [Wh] at the end of each leg.

    ``flown_m``: way flown over ground since the plan was left, ``to_go_m`` what is left of it.
    ``start_c``: the pack's temperature when it was last seen standing before take-off.
    """

    left: Left | None = None
    overrun_wh: dict[int, float] = field(default_factory=dict)
    flown_m: float = 0.0
    to_go_m: float = 0.0
    seen_s: float = math.nan
    start_c: float = math.nan

    @property
    def detour_s(self) -> float:
        """Time [s] since the plan was left that went into circles and detours."""
        if self.left is None or self.flown_m < ENOUGH_M:
            return 0.0
        since_s = self.seen_s - self.left.belief.t_s
        made_good_m = self.left.way_m - self.to_go_m
        return max(1.0 - made_good_m / self.flown_m, 0.0) * since_s

    def by_leg(self, flight: Flight) -> tuple[tuple[str, float], ...]:
        """(leg, what it took more than planned [Wh]); adds up to the whole overrun."""
        rows, before = [], 0.0
        for leg in sorted(self.overrun_wh):
            rows.append((_leg_name(flight, leg), self.overrun_wh[leg] - before))
            before = self.overrun_wh[leg]
        return tuple(rows)


def _leg_name(flight: Flight, leg: int) -> str:
    if leg == GROUND:
        return "before take-off"
    return "the way home" if leg >= len(flight.route) else f"the leg to {flight.route[leg].name}"


class PlanBeside:
    """Made once a flight; asked at every look."""

    def __init__(self, flight: Flight) -> None:
        self.flight = flight
        self.line = budget_line(flight)
        self.chart = map_of(flight)
        self.route = route_on_map(flight, self.chart)

    def look(
        self, beside: Beside, belief: Belief, energy_wh: float
    ) -> tuple[Beside, Planned | None]:
        """(memory, look) -> memory, and what was planned for here; ``energy_wh``: what there is."""
        planned = None if belief.homeward else self._planned(belief)
        if planned is not None:
            standing = belief.phase is Phase.GROUND and belief.airborne_s <= 0.0
            leg = GROUND if standing else next_waypoint(self.flight, belief)
            start_c = belief.pack.temperature_c if standing else beside.start_c
            way_m = self._way_m(belief)
            left = Left(belief, planned, way_m)
            beside = replace(beside, left=left, flown_m=0.0, to_go_m=way_m, start_c=start_c)
        elif beside.left is not None:
            to_go_m = self._way_m(belief)
            planned, leg = self._on_the_way(beside.left, belief, to_go_m), HOME
            fix, dt_s = belief.position, min(belief.t_s - beside.seen_s, LONGEST_S)
            flown_m = beside.flown_m + math.hypot(fix.vn_mps, fix.ve_mps) * dt_s
            beside = replace(beside, flown_m=flown_m, to_go_m=to_go_m)
        else:
            return beside, None
        overrun = {k: v for k, v in beside.overrun_wh.items() if k <= leg}
        overrun[leg] = planned.energy_wh - energy_wh
        return replace(beside, overrun_wh=overrun, seen_s=belief.t_s), planned

    def _planned(self, belief: Belief) -> Planned | None:
        """On the plan, or at its end, about to fly home."""
        if next_waypoint(self.flight, belief) < len(self.line.legs):
            return self.line.planned(self.flight, belief)
        north, east = self.route[-1]
        if math.hypot(north - belief.north_m, east - belief.east_m) > AT_END_M:
            return None
        return self.line.at(len(self.line.legs) - 1, 0.0, staying=True)

    def _way_m(self, belief: Belief) -> float:
        fix, ahead = belief.position, next_waypoint(self.flight, belief)
        speed = max(math.hypot(fix.vn_mps, fix.ve_mps), 1.0)
        course = (fix.vn_mps / speed, fix.ve_mps / speed)
        here = [((belief.north_m, belief.east_m), ahead, course)]
        home, underway = self.flight.home, belief.homeward
        ways = ways_to(self.flight, self.chart, self.route, here, home, underway=underway)
        return float(ways.total_m[0])

    def _on_the_way(self, left: Left, belief: Belief, way_m: float) -> Planned:
        """The planned home leg less what is flown of it, with ``way_m`` still to go."""
        planned = dict(left.planned.ledger_wh)
        shares = self._shares(left, belief, way_m)
        still = {name: share * planned.get(name, 0.0) for name, share in shares.items()}
        flown = sum(planned.get(name, 0.0) for name in PHASES) - sum(still.values())
        energy_wh = left.planned.energy_wh - flown
        ledger: Ledger = ledger_of(self.flight.policy, still, energy_wh)
        return Planned(left.planned.t_s, energy_wh, ledger)

    def _shares(self, left: Left, belief: Belief, way_m: float) -> dict[str, float]:
        """What is still to come of each phase of the home leg, 0 to 1."""
        craft, plan = self.flight.aircraft, self.flight.return_plan
        height, low = belief.position.height_m, craft.transition_height_m
        began_m = left.belief.position.height_m
        rise = plan.height_m - began_m
        climb = (plan.height_m - height) / rise if abs(rise) > LEVEL_M else 0.0
        down_m = max(plan.height_m - low, 0.0) / plan.descent_mps * plan.airspeed_mps
        cruise = (way_m - down_m) / max(left.way_m - down_m, 1.0)
        # height says how much descent is left only where the descent is due
        due = way_m < 1.5 * down_m
        descent = (height - low) / max(plan.height_m - low, 1.0) if due else 1.0
        landing = height / low if belief.phase in ROTORBORNE and due else 1.0
        shares = {"turn": 0.0, "climb": climb, "cruise": cruise, "descent": descent}
        return {k: min(max(v, 0.0), 1.0) for k, v in (shares | {"landing": landing}).items()}

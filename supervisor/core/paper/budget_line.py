"""The planned line: what the budget foresaw at every point of the route, to compare in flight.

Made once from the flight file; then asked with where the aircraft is on its plan. Progress is the
leg (next route point) and the distance still to fly to it: a detour makes it late, not lost.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from supervisor.core.belief import Array, Belief
from supervisor.core.conclusions import Phase
from supervisor.core.forecast.legs import Point, next_waypoint
from supervisor.core.paper.returns import home_parts
from supervisor.core.paper.sortie import Sortie, fine, fly, on_paper, outbound
from supervisor.core.plan import Flight, Policy

STAYING = (Phase.LOITER, Phase.HOVER_LANDING, Phase.GROUND)
PART_S = 180.0  # between points it is interpolated; energies are nearly straight lines there
Ledger = tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class Leg:
    """One leg of the plan: its points from start to arrival, and what is left after the stay.

    ``to_go_m`` falls to zero; ``home_wh`` (points, phases) is the home leg from each of them,
    ``stayed_home_wh`` (phases,) that after the stay.
    """

    end: Point
    to_go_m: Array
    energy_wh: Array
    t_s: Array
    home_wh: Array
    stayed_wh: float
    stayed_home_wh: Array


@dataclass(frozen=True, slots=True)
class Planned:
    """What was planned for this moment of the flight."""

    t_s: float
    energy_wh: float
    ledger_wh: Ledger


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """The plan's energy along its legs, and the home leg by phase from everywhere on it."""

    policy: Policy
    phases: tuple[str, ...]
    legs: tuple[Leg, ...]

    def at(self, leg: int, to_go_m: float, *, staying: bool = False) -> Planned | None:
        """Planned for ``to_go_m`` before the end of leg ``leg``; None beyond the last leg.

        ``staying`` at its end: the energy at the end of the stay, so that a loiter half flown is
        no overrun.
        """
        if not 0 <= leg < len(self.legs):
            return None
        here = self.legs[leg]
        x, grid = -to_go_m, -here.to_go_m
        energy = here.stayed_wh if staying else float(np.interp(x, grid, here.energy_wh))
        t_s = float(np.interp(x, grid, here.t_s))
        home = [float(np.interp(x, grid, part)) for part in here.home_wh.T]
        if staying:
            home = here.stayed_home_wh.tolist()
        parts = dict(zip(self.phases, home, strict=True))
        return Planned(t_s, energy, ledger_of(self.policy, parts, energy))

    def planned(self, flight: Flight, belief: Belief) -> Planned | None:
        """Planned for where ``belief`` says the aircraft is."""
        leg = next_waypoint(flight, belief)
        if leg >= len(self.legs):
            return None
        end = self.legs[leg].end
        to_go_m = math.hypot(end[0] - belief.north_m, end[1] - belief.east_m)
        return self.at(leg, to_go_m, staying=staying(belief))


def staying(belief: Belief) -> bool:
    """At a route point, for the stay that is planned there; how long already, nobody reports."""
    return belief.phase in STAYING and belief.airborne_s > 60.0


def ledger_of(policy: Policy, home_wh: dict[str, float], energy_wh: float) -> Ledger:
    """As ``Status.ledger_wh``: phases, contingency, alternate, final reserve, extra."""
    lines = dict(home_wh)
    lines["contingency"] = policy.contingency * sum(home_wh.values())
    lines["alternate"] = policy.alternate_wh
    lines["final-reserve"] = policy.final_reserve_wh
    lines["extra"] = energy_wh - sum(lines.values())
    return tuple(lines.items())


PHASES = ("turn", "climb", "cruise", "descent", "landing")


def budget_line(flight: Flight) -> BudgetLine:
    """Fly ``flight`` on paper and keep what a comparison needs."""
    paper = on_paper(flight)
    out = fly(paper, fine(outbound(paper), PART_S))
    parts = home_parts(paper, out, PHASES)
    legs = [_leg(out, parts, index, end) for index, end in enumerate(paper.route)]
    return BudgetLine(flight.policy, PHASES, tuple(legs))


def _leg(out: Sortie, parts: Array, index: int, end: Point) -> Leg:
    """The points of leg ``index``: from where the leg before ended to where it arrives first."""
    first, last = out.end_of(index - 1), out.end_of(index)
    arrival = first + int(np.argmax(out.along_m[first : last + 1] >= out.along_m[last] - 0.5))
    span = slice(first, arrival + 1)
    return Leg(
        end=end,
        to_go_m=out.along_m[last] - out.along_m[span],
        energy_wh=out.energy_wh[span],
        t_s=out.t_s[span],
        home_wh=parts[span],
        stayed_wh=float(out.energy_wh[last]),
        stayed_home_wh=parts[last],
    )

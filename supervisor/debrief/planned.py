"""The plan in the recording's own currency: electrical energy at the pack's terminals.

The budget counts open-circuit energy, which includes what the pack turns into heat; a monitor sees
what leaves the terminals. Both are given here, so that the difference has a name: the pack.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from supervisor.core.forecast.ahead import Columns, _stretch_power_w
from supervisor.core.forecast.legs import Kind
from supervisor.core.forecast.members import air_at
from supervisor.core.paper.sortie import Sortie, fine, fly, on_paper, outbound
from supervisor.core.paper.sortie_home import way_home
from supervisor.core.plan import Flight

# Phases of the plan that telemetry does not tell from another.
AS_SEEN = {"turn": "loiter", "missed landing": "landing", "back-transition": "landing"}


@dataclass(frozen=True, slots=True)
class PlannedStep:
    """A stretch of the plan; ``leg``: index of the route point, ``len(route)``: home."""

    leg: int
    phase: str
    seconds: float
    length_m: float
    energy_wh: float


@dataclass(frozen=True, slots=True)
class PlannedFlight:
    """The whole plan; open-circuit energies [Wh] at its ends. ``gusts`` as in ``Paper``."""

    steps: tuple[PlannedStep, ...]
    start_wh: float
    landing_wh: float
    gusts: float = 1.0

    def energy_wh(self, phases: tuple[str, ...] = (), legs: set[int] | None = None) -> float:
        """Of these phases (none given: all) on these legs (None: all)."""
        return sum(
            s.energy_wh
            for s in self.steps
            if (not phases or s.phase in phases) and (legs is None or s.leg in legs)
        )


def plan_flight(flight: Flight) -> PlannedFlight:
    """The flight on paper, out and home."""
    paper = on_paper(flight)
    out_steps = fine(outbound(paper))
    out = fly(paper, out_steps)
    home = fine(way_home(paper, out.steps[-1], float(out.t_s[-1])))
    whole = fly(paper, out_steps + home)
    columns = Columns.of([s.stretch for s in whole.steps], np.float64)
    air = air_at(flight, paper.belief, columns.mid_height_m, np.float64)
    power = _stretch_power_w(flight, paper.member, air, columns)[0]
    return PlannedFlight(
        steps=tuple(_steps(whole, np.asarray(power, dtype=float))),
        start_wh=float(whole.energy_wh[0]),
        landing_wh=float(whole.energy_wh[-1]),
        gusts=paper.gusts,
    )


def _steps(
    whole: Sortie, power_w: np.ndarray[tuple[int, ...], np.dtype[np.float64]]
) -> list[PlannedStep]:
    result = []
    for k, step in enumerate(whole.steps):
        seconds = float(whole.t_s[k + 1] - whole.t_s[k])
        moving = step.stretch.kind is Kind.WING
        length = step.stretch.length_m if moving else 0.0
        phase = AS_SEEN.get(step.phase, step.phase)
        result.append(
            PlannedStep(step.leg, phase, seconds, length, float(power_w[k]) * seconds / 3600.0)
        )
    return result

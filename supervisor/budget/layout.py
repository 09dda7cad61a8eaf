"""The plan laid out on paper, and the points on it that decide: turn back, equal time, empty."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from supervisor.budget.answer import PointOnPlan
from supervisor.core.belief import Array
from supervisor.core.paper.returns import Returns, last_covered, returns_from
from supervisor.core.paper.sortie import Paper, Sortie, fine, fly, on_paper, outbound
from supervisor.core.paper.sortie_home import way_home
from supervisor.core.plan import Flight
from supervisor.reserves import kept_at_home_wh

# A tenth of a volt counts like 20 Wh when two margins are put on one scale (as in core/forecast).
WH_PER_V = 200.0


@dataclass(frozen=True, slots=True)
class OnPaper:
    """The plan without doubts: out and home, and the returns from every point out."""

    paper: Paper
    out: Sortie
    whole: Sortie
    home: Returns
    alternates: tuple[Returns, ...]


def lay_out(flight: Flight) -> OnPaper:
    """Fly the plan on paper."""
    paper = on_paper(flight)
    steps = fine(outbound(paper))
    out = fly(paper, steps)
    home = fine(way_home(paper, out.steps[-1], float(out.t_s[-1])))
    to_home, *to_alternates = returns_from(paper, out)
    return OnPaper(paper, out, fly(paper, steps + home), to_home, tuple(to_alternates))


def margin_on_paper(plan: OnPaper) -> Array:
    """Spare energy [Wh] after turning at every point: reserves and contingency kept, voltage held.

    The contingency is that of the way home (EASA AMC2 CAT.OP.MPA.181(c): of the remaining trip).
    """
    spare_v = plan.home.lowest_v - plan.paper.flight.policy.min_cell_v
    return np.minimum(plan.home.landing_wh - kept_wh(plan), WH_PER_V * spare_v)


def kept_wh(plan: OnPaper) -> Array:
    """Final reserve, alternate, and the contingency of the way home from every point."""
    policy = plan.paper.flight.policy
    return kept_at_home_wh(policy) + policy.contingency * plan.home.needed_wh


def turn_back_on_paper(plan: OnPaper) -> PointOnPlan | None:
    """The last point from which the way home fits; None when that is beyond the plan's end."""
    when, found = last_covered(plan.out.t_s, margin_on_paper(plan))
    return at_time(plan, when) if found else None


def equal_time(plan: OnPaper) -> PointOnPlan | None:
    """Where going on to the last route point takes as long as going home (landing apart).

    None when the end is never nearer than home, or (by a long corridor) always.
    """
    out, home = plan.out, plan.home
    spare_s = out.t_s[-1] - out.t_s - (home.seconds - plan.paper.habits.landing_hover_s)
    if len(spare_s) < 2 or spare_s[1] < 0.0:
        return None
    when, found = last_covered(out.t_s[1:], spare_s[1:])
    return at_time(plan, when) if found else None


def runs_empty(plan: OnPaper) -> PointOnPlan | None:
    when, found = last_covered(plan.whole.t_s, plan.whole.energy_wh)
    return at_time(plan, when, plan.whole) if found else None


def at_time(plan: OnPaper, after_s: float, sortie: Sortie | None = None) -> PointOnPlan:
    s = sortie or plan.out
    when = min(max(after_s, 0.0), float(s.t_s[-1]))
    north, east = float(np.interp(when, s.t_s, s.north_m)), float(np.interp(when, s.t_s, s.east_m))
    lat, lon = plan.paper.chart.to_place(north, east)
    step = s.steps[min(int(np.searchsorted(s.t_s[1:], when)), len(s.steps) - 1)]
    names = [f"to {w.name}" for w in plan.paper.flight.route] + ["home"]
    along = float(np.interp(when, s.t_s, s.along_m))
    return PointOnPlan(when, along, lat, lon, math.hypot(north, east), names[step.leg])

"""The tables of a budget: ledger, legs by phase, the return from every route point."""

from __future__ import annotations

from itertools import groupby

from supervisor.budget.answer import Row, SiteFrom, Track, TurnHere
from supervisor.budget.chance import Odds
from supervisor.budget.layout import OnPaper, kept_wh
from supervisor.core.paper.returns import Returns
from supervisor.core.paper.sortie import Sortie
from supervisor.core.plan import Flight

LEAST_ROW_S = 0.5  # shorter phases are steps in the reckoning, not phases of flight


def ledger_of(plan: OnPaper) -> tuple[tuple[str, float], ...]:
    """Trip by phase, then the reserves; adds up to what the pack holds at take-off.

    Phases as in smooth air; what gusts cost more, out and home, comes after them.
    """
    policy = plan.paper.flight.policy
    lines: dict[str, float] = {}
    gusts: dict[str, float] = {}
    for k, step in enumerate(plan.whole.steps):
        way = "home " if step.leg == len(plan.paper.route) else ""
        used = float(plan.whole.energy_wh[k] - plan.whole.energy_wh[k + 1])
        more = float(plan.whole.gust_share[k]) * used
        lines[way + step.phase] = lines.get(way + step.phase, 0.0) + used - more
        gusts[way + "gusts"] = gusts.get(way + "gusts", 0.0) + more
    if plan.paper.gusts > 1.0:
        lines |= gusts
    trip = sum(lines.values())
    lines["contingency"] = policy.contingency * trip
    lines["alternate"] = policy.alternate_wh
    lines["final-reserve"] = policy.final_reserve_wh
    lines["extra"] = float(plan.whole.energy_wh[0]) - sum(lines.values())
    return tuple(lines.items())


def rows_of(sortie: Sortie, flight: Flight) -> list[Row]:
    names = [f"to {w.name}" for w in flight.route] + ["home"]
    rows, first = [], 0
    for (leg, phase), group in groupby(sortie.steps, key=lambda s: (s.leg, s.phase)):
        last = first + len(list(group))
        seconds = float(sortie.t_s[last] - sortie.t_s[first])
        distance = float(sortie.along_m[last] - sortie.along_m[first])
        row = Row(
            leg=names[leg],
            phase=phase,
            seconds=seconds,
            distance_m=distance,
            ground_mps=distance / seconds if seconds > 0.0 else 0.0,
            used_wh=float(sortie.energy_wh[first] - sortie.energy_wh[last]),
            left_wh=float(sortie.energy_wh[last]),
            charge=float(sortie.charge[last]),
            cell_v=float(sortie.cell_v[last]),
            end_s=float(sortie.t_s[last]),
        )
        if seconds >= LEAST_ROW_S:
            rows.append(row)
        first = last
    return rows


def track_of(plan: OnPaper) -> Track:
    s = plan.whole
    return Track(
        t_s=s.t_s,
        along_m=s.along_m,
        energy_wh=s.energy_wh,
        charge=s.charge,
        cell_v=s.cell_v,
        north_m=s.north_m,
        east_m=s.east_m,
        height_m=s.height_m,
        needed_wh=plan.home.needed_wh + kept_wh(plan),
        home_from=len(plan.out.steps),
    )


def turns_of(plan: OnPaper, chance: Odds) -> list[TurnHere]:
    """One for every route point, at the end of its stay there."""
    out, home = plan.out, plan.home
    result = []
    for index, point in enumerate(plan.paper.flight.route):
        k = out.end_of(index)
        result.append(
            TurnHere(
                waypoint=point.name,
                after_s=float(out.t_s[k]),
                along_m=float(out.along_m[k]),
                distance_home_m=float(home.distance_m[k]),
                energy_wh=float(out.energy_wh[k]),
                seconds=float(home.seconds[k]),
                needed_wh=float(home.needed_wh[k]),
                landing_wh=float(home.landing_wh[k]),
                hover_v=float(home.hover_v[k]),
                head_mps=float(home.head_mps[k]),
                chance=chance.chance_at(float(out.t_s[k])),
                alternates=tuple(_site_from(plan, r, k) for r in plan.alternates),
            )
        )
    return result


def _site_from(plan: OnPaper, to: Returns, k: int) -> SiteFrom:
    policy = plan.paper.flight.policy
    left = float(to.landing_wh[k])
    held = float(to.lowest_v[k]) >= policy.min_cell_v
    return SiteFrom(
        site=to.site.name,
        seconds=float(to.seconds[k]),
        distance_m=float(to.distance_m[k]),
        needed_wh=float(to.needed_wh[k]),
        landing_wh=left,
        covered=held and left >= policy.final_reserve_wh,
    )

"""From a flight to its budget."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from supervisor.budget import variants
from supervisor.budget.answer import (
    Budget,
    Finding,
    PointOnPlan,
    Row,
    SiteFrom,
    Track,
    TurnHere,
    Variant,
    Weight,
)
from supervisor.budget.chance import Odds, odds
from supervisor.budget.checks import check_plan
from supervisor.budget.judge import judge
from supervisor.budget.performance import performance
from supervisor.core.belief import Array
from supervisor.core.plan import Flight
from supervisor.core.returns import Returns, last_covered, returns_from
from supervisor.core.sortie import Paper, Sortie, fine, fly, on_paper, outbound
from supervisor.core.sortie_home import way_home
from supervisor.flightmodels import FlightFile

MEASURES = 3
VARIANT_MEMBERS, VARIANT_POINTS = 400, 16
LEAST_GAIN_SHARE = 0.002  # of the pack, below which a measure is not worth a line
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


def make_budget(file: FlightFile, flight: Flight) -> Budget:
    """Everything that ``homeleg budget`` says about ``flight``."""
    plan = lay_out(flight)
    chance = odds(flight)
    findings = check_plan(file, plan.paper, plan.whole) + _empty(plan)
    base_wh = float(plan.home.landing_wh[-1])
    turns = tuple(_turns(plan, chance))
    safe_s = chance.turn_back_safe_s
    verdict, reasons, conditions = judge(flight, chance, turns, findings)
    return Budget(
        flight=flight,
        verdict=verdict,
        reasons=reasons,
        conditions=conditions,
        ledger_wh=_ledger(plan),
        rows=tuple(_rows(plan.whole, flight)),
        turns=turns,
        turn_back_paper=turn_back_on_paper(plan),
        turn_back_safe=_at_time(plan, safe_s) if math.isfinite(safe_s) else None,
        equal_time=equal_time(plan),
        empty_at=_runs_empty(plan),
        chances=chance.chances,
        numbers=chance.numbers,
        landing_wh=float(plan.whole.energy_wh[-1]),
        hover_v=float(plan.home.hover_v[-1]),
        duration_s=float(plan.whole.t_s[-1]),
        distance_m=float(plan.whole.along_m[-1]),
        sensitivity=tuple(_judged(c, base_wh) for c in variants.worse_days(flight)),
        measures=tuple(_best_measures(flight, chance, plan, base_wh)),
        findings=tuple(findings),
        performance=performance(flight),
        track=_track(plan),
    )


def lay_out(flight: Flight) -> OnPaper:
    """Fly the plan on paper."""
    paper = on_paper(flight)
    steps = fine(outbound(paper))
    out = fly(paper, steps)
    home = fine(way_home(paper, out.steps[-1], float(out.t_s[-1])))
    to_home, *to_alternates = returns_from(paper, out)
    return OnPaper(paper, out, fly(paper, steps + home), to_home, tuple(to_alternates))


# --- ledger and rows ---------------------------------------------------------------------------


def _ledger(plan: OnPaper) -> tuple[tuple[str, float], ...]:
    """Trip by phase, then the reserves; adds up to what the pack holds at take-off."""
    policy = plan.paper.flight.policy
    lines: dict[str, float] = {}
    for k, step in enumerate(plan.whole.steps):
        name = f"home {step.phase}" if step.leg == len(plan.paper.route) else step.phase
        used = float(plan.whole.energy_wh[k] - plan.whole.energy_wh[k + 1])
        lines[name] = lines.get(name, 0.0) + used
    trip = sum(lines.values())
    lines["contingency"] = policy.contingency * trip
    lines["alternate"] = policy.alternate_wh
    lines["final-reserve"] = policy.final_reserve_wh
    lines["extra"] = float(plan.whole.energy_wh[0]) - sum(lines.values())
    return tuple(lines.items())


def _rows(sortie: Sortie, flight: Flight) -> list[Row]:
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
        rows.append(row)
        first = last
    return rows


def _track(plan: OnPaper) -> Track:
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
        needed_wh=plan.home.needed_wh + _kept_wh(plan),
        home_from=len(plan.out.steps),
    )


# --- points on the plan ------------------------------------------------------------------------


def margin_on_paper(plan: OnPaper) -> Array:
    """Spare energy [Wh] after turning at every point: reserves and contingency kept, voltage held.

    The contingency is that of the way home (EASA AMC2 CAT.OP.MPA.181(c): of the remaining trip).
    """
    spare_v = plan.home.lowest_v - plan.paper.flight.policy.min_cell_v
    return np.minimum(plan.home.landing_wh - _kept_wh(plan), WH_PER_V * spare_v)


def _kept_wh(plan: OnPaper) -> Array:
    """Final reserve, alternate, and the contingency of the way home from every point."""
    policy = plan.paper.flight.policy
    fixed = policy.final_reserve_wh + policy.alternate_wh
    return fixed + policy.contingency * plan.home.needed_wh


def turn_back_on_paper(plan: OnPaper) -> PointOnPlan | None:
    """The last point from which the way home fits; None when that is beyond the plan's end."""
    when, found = last_covered(plan.out.t_s, margin_on_paper(plan))
    return _at_time(plan, when) if found else None


def equal_time(plan: OnPaper) -> PointOnPlan | None:
    """Where going on to the last route point takes as long as going home (landing apart)."""
    out, home = plan.out, plan.home
    on_s = out.t_s[-1] - out.t_s
    back_s = home.seconds - plan.paper.habits.landing_hover_s
    when, found = last_covered(out.t_s, on_s - back_s)
    return _at_time(plan, when) if found and when > 0.0 else None


def _runs_empty(plan: OnPaper) -> PointOnPlan | None:
    when, found = last_covered(plan.whole.t_s, plan.whole.energy_wh)
    return _at_time(plan, when, plan.whole) if found else None


def _empty(plan: OnPaper) -> list[Finding]:
    place = _runs_empty(plan)
    if place is None:
        return []
    return [
        Finding(
            Weight.FAULT,
            "range",
            f"The pack is empty {place.along_m / 1000:.1f} km after take-off, on the leg "
            f"{place.leg}, {place.distance_home_m / 1000:.1f} km from home.",
        )
    ]


def _at_time(plan: OnPaper, after_s: float, sortie: Sortie | None = None) -> PointOnPlan:
    s = sortie or plan.out
    when = min(max(after_s, 0.0), float(s.t_s[-1]))
    north, east = float(np.interp(when, s.t_s, s.north_m)), float(np.interp(when, s.t_s, s.east_m))
    lat, lon = plan.paper.chart.to_place(north, east)
    step = s.steps[min(int(np.searchsorted(s.t_s[1:], when)), len(s.steps) - 1)]
    names = [f"to {w.name}" for w in plan.paper.flight.route] + ["home"]
    along = float(np.interp(when, s.t_s, s.along_m))
    return PointOnPlan(when, along, lat, lon, math.hypot(north, east), names[step.leg])


def _turns(plan: OnPaper, chance: Odds) -> list[TurnHere]:
    """One for every route point, at the end of its stay there."""
    out, home = plan.out, plan.home
    result = []
    for index, point in enumerate(plan.paper.flight.route):
        k = max(i + 1 for i, s in enumerate(out.steps) if s.leg == index)
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


# --- variants ----------------------------------------------------------------------------------


def _landing(flight: Flight) -> tuple[float, float]:
    """(energy at touch-down, hover voltage) of the whole plan on paper."""
    paper = on_paper(flight)
    out = fly(paper, fine(outbound(paper)))
    home, *_ = returns_from(paper, out)
    return float(home.landing_wh[-1]), float(home.hover_v[-1])


def _judged(change: variants.Change, base_wh: float) -> Variant:
    landing_wh, hover_v = _landing(change.flight)
    chance = odds(change.flight, VARIANT_MEMBERS, VARIANT_POINTS)
    return Variant(
        change.name,
        landing_wh,
        landing_wh - base_wh,
        hover_v,
        chance.chances.completion,
        chance.turn_back_safe_s,
    )


def _best_measures(flight: Flight, chance: Odds, plan: OnPaper, base_wh: float) -> list[Variant]:
    """The measures that gain most energy at landing; turning earlier first where it must be."""
    least = LEAST_GAIN_SHARE * flight.pack.nameplate_wh
    ranked = [(_landing(c.flight)[0] - base_wh, c) for c in variants.helps(flight)]
    ranked = sorted((r for r in ranked if r[0] > least), key=lambda r: -r[0])
    best = _different([c for _, c in ranked])[: MEASURES if _safe(flight, chance) else MEASURES - 1]
    if not _safe(flight, chance):
        turn = _last_safe_turn(flight, chance, plan)
        best = ([turn] if turn else []) + best
    return [_judged(c, base_wh) for c in best]


def _safe(flight: Flight, chance: Odds) -> bool:
    return chance.chances.completion >= flight.policy.confidence


def _last_safe_turn(flight: Flight, chance: Odds, plan: OnPaper) -> variants.Change | None:
    """The farthest route point from which home is covered at the policy's confidence."""
    for turn_index in range(len(flight.route) - 1, -1, -1):
        k = max(i + 1 for i, s in enumerate(plan.out.steps) if s.leg == turn_index)
        if chance.chance_at(float(plan.out.t_s[k])) >= flight.policy.confidence:
            return variants.turned_at(flight, turn_index)
    return None


def _different(changes: list[variants.Change]) -> list[variants.Change]:
    """One of a kind: of three airspeeds, the best."""
    seen: set[str] = set()
    result = []
    for change in changes:
        kind = change.name.split()[0] + change.name.split()[1][:1].strip("0123456789")
        kind = "speed" if "m/s" in change.name else kind
        if kind not in seen:
            seen.add(kind)
            result.append(change)
    return result

"""From a flight to its budget."""

from __future__ import annotations

import math

from supervisor.budget import variants
from supervisor.budget.answer import Budget, Finding, Weight
from supervisor.budget.as_learned import as_learned
from supervisor.budget.chance import odds
from supervisor.budget.checks import check_plan
from supervisor.budget.judge import judge
from supervisor.budget.layout import (
    OnPaper,
    at_time,
    equal_time,
    lay_out,
    runs_empty,
    turn_back_on_paper,
)
from supervisor.budget.ledger import ledger_of, rows_of, track_of, turns_of
from supervisor.budget.measures import best_measures, judged
from supervisor.budget.performance import performance
from supervisor.core.estimate.prior import Prior
from supervisor.core.plan import Flight
from supervisor.flightmodels import FlightFile


def make_budget(file: FlightFile, flight: Flight, prior: Prior | None = None) -> Budget:
    """Everything that ``homeleg budget`` says about ``flight``, with what earlier ones taught."""
    prior = prior or Prior()
    plan = lay_out(as_learned(flight, prior))
    chance = odds(flight, prior)
    findings = [*_empty(plan), *check_plan(file, plan.paper, plan.whole)]
    base_wh = float(plan.home.landing_wh[-1])
    turns = tuple(turns_of(plan, chance))
    safe_s = chance.turn_back_safe_s
    verdict, reasons, conditions = judge(flight, chance, turns, findings)
    return Budget(
        flight=flight,
        prior=prior,
        verdict=verdict,
        reasons=reasons,
        conditions=conditions,
        ledger_wh=ledger_of(plan),
        rows=tuple(rows_of(plan.whole, flight)),
        turns=turns,
        turn_back_paper=turn_back_on_paper(plan),
        turn_back_safe=at_time(plan, safe_s) if math.isfinite(safe_s) else None,
        equal_time=equal_time(plan),
        empty_at=runs_empty(plan),
        chances=chance.chances,
        numbers=chance.numbers,
        landing_wh=float(plan.whole.energy_wh[-1]),
        hover_v=float(plan.home.hover_v[-1]),
        duration_s=float(plan.whole.t_s[-1]),
        distance_m=float(plan.whole.along_m[-1]),
        sensitivity=tuple(
            judged(c, file.policy, base_wh, prior) for c in variants.worse_days(flight)
        ),
        measures=tuple(best_measures(file.policy, flight, prior, chance, plan, base_wh)),
        findings=tuple(findings),
        performance=performance(as_learned(flight, prior)),
        track=track_of(plan),
    )


def planned_ledger_wh(flight: Flight) -> dict[str, float]:
    """The planned ledger of the whole flight, by phase and reserve term [Wh]."""
    return dict(ledger_of(lay_out(flight)))


def _empty(plan: OnPaper) -> list[Finding]:
    place = runs_empty(plan)
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

"""Why the margin shrank: terms that add up, and each blamed on its own cause alone.

The demo's plan is flown on paper to a place far out, once as planned and once for each cause with
only that cause changed. What the second flight has less must be found under that cause's name, and
(nearly) nothing under the others: it is the paper that says how much, not the decomposition.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from supervisor.core.cells import capacity_factor, temperature_factor
from supervisor.core.forecast.why import TERMS, Explainer
from supervisor.core.paper.sortie import Paper, on_paper
from tests.core.as_planned import arrived, margin_wh, planned
from tests.core.flights import flight

COLDER_K = 12.0
OTHERS_WH = 1.5  # what may stray to the other terms: second-order effects of one cause on another


def scaled(paper: Paper, **factors: float) -> Paper:
    changes = {name: getattr(paper.member, name) * factor for name, factor in factors.items()}
    return replace(paper, member=replace(paper.member, **changes))


def windy(east_mps: float) -> Paper:
    plan = flight()
    rows = tuple(replace(row, e_mps=row.e_mps + east_mps) for row in plan.weather.wind)
    return on_paper(replace(plan, weather=replace(plan.weather, wind=rows)))


def told_c() -> float:
    return float(planned().member.temperature_c[0, 0])


def colder() -> Paper:
    paper, cell, told = planned(), flight().pack.cell, told_c()
    stiff, less = (
        float(factor(cell, told - COLDER_K) / factor(cell, told))
        for factor in (temperature_factor, capacity_factor)
    )
    paper = scaled(paper, resistance=stiff, to_wh=less, per_ah=1.0 / less)
    return replace(paper, member=replace(paper.member, temperature_c=np.array([[told - COLDER_K]])))


CAUSES = {
    "wind": lambda: arrived(windy(3.0)),
    "climb": lambda: arrived(scaled(planned(), climb=1.6)),
    "drag": lambda: arrived(scaled(planned(), cruise=1.12, descent=1.12)),
    "hover": lambda: arrived(scaled(planned(), hover=1.2)),
    "pack": lambda: arrived(scaled(planned(), to_wh=0.93, per_ah=1.0 / 0.93, resistance=1.2)),
    "cold": lambda: arrived(colder()),
    "delay": lambda: arrived(planned(), waited_s=400.0),
    "payload": lambda: arrived(scaled(planned(), mass_kg=1.08)),
}


def test_as_planned_nothing_is_blamed() -> None:
    belief = arrived(planned())
    terms = dict(Explainer(flight()).why(belief, margin_wh(belief)))
    assert tuple(terms) == TERMS
    for name, wh in terms.items():
        assert wh == pytest.approx(0.0, abs=OTHERS_WH), name


@pytest.mark.parametrize("cause", list(CAUSES))
def test_each_cause_is_found_under_its_own_name(cause: str) -> None:
    as_planned, belief = arrived(planned()), CAUSES[cause]()
    lost = margin_wh(as_planned) - margin_wh(belief)
    start_c = told_c() - (COLDER_K if cause == "cold" else 0.0)
    terms = dict(Explainer(flight()).why(belief, margin_wh(belief), start_c))
    assert abs(lost) > 3.0  # there is something to find
    assert terms[cause] == pytest.approx(lost, abs=max(OTHERS_WH, 0.06 * abs(lost)))
    for name, wh in terms.items():
        if name != cause:
            assert wh == pytest.approx(0.0, abs=max(OTHERS_WH, 0.05 * abs(lost))), name


def test_the_terms_add_up_to_the_margin_lost_since_take_off() -> None:
    """All causes at once; the plan's margin here comes from the plan flown on paper."""
    paper = scaled(windy(2.0), hover=1.1, cruise=1.05, descent=1.05, climb=1.1, resistance=1.2)
    belief = arrived(paper, waited_s=120.0)
    lost = margin_wh(arrived(planned())) - margin_wh(belief)
    terms = dict(Explainer(flight()).why(belief, margin_wh(belief)))
    # to 1 % of what was lost, and the watt-hour by which two ways of reckoning the plan differ
    assert sum(terms.values()) == pytest.approx(lost, abs=0.01 * lost + 0.7)

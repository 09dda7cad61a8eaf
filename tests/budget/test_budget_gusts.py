"""What gusts cost, where the flight file tells it: a line of the ledger, and so much in the odds.

Check value: at 21 m/s the whole aircraft takes 360 W, 25 W of them avionics (the estuary's file).
In 10 m/s of wind a gust cost of 5 % is 16.75 W, 4.65 % of the power in smooth air.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from sim.gusts import scales
from supervisor.budget.chance import odds
from supervisor.budget.layout import lay_out
from supervisor.budget.ledger import ledger_of
from supervisor.calibrate.blocks import Steady
from supervisor.calibrate.power import parts_w
from supervisor.core.estimate.prior import PowerPrior, Prior
from supervisor.core.forecast.forecaster import Forecaster
from supervisor.core.forecast.why import Explainer
from supervisor.core.paper.sortie import on_paper
from supervisor.core.plan import Flight, Weather, WindRow
from supervisor.core.power import in_gusts
from supervisor.flightfile import parse_flight
from supervisor.reserves import alternate_leg_wh
from tests.budget.test_budget_properties import EXAMPLE, SHORT, TEXT, landing_wh
from tests.core.as_planned import arrived, margin_wh

WINDY = replace(SHORT, weather=Weather((WindRow(0.0, 100.0, 0.0, 10.0),), 2.5, 14.0))
WING = ("climb", "cruise", "loiter", "descent", "turn")


def gusty(flight: Flight, cost: float = 0.05) -> Flight:
    return replace(flight, aircraft=replace(flight.aircraft, gust_cost=cost))


@pytest.mark.parametrize("wind_mps", [4.0, 7.0, 14.0])
def test_the_cost_grows_as_that_of_the_gusts_of_a_standard_atmosphere(wind_mps: float) -> None:
    """Dryden gusts of MIL-F-8785C at 100 m, all of them in the airspeed, as calibrate has it."""

    def cost(mps: float) -> float:
        _, _, sigma_u, _ = scales(100.0, mps * (6.1 / 100.0) ** (1.0 / 7.0))
        one, none = np.ones(1), np.zeros(1)
        calm = Steady(none, none, 1.2 * one, 21.0 * one, none, one, 30.0 * one, *[none] * 6)
        wild = replace(calm, surge=one * (sigma_u / 21.0) ** 2)
        craft = EXAMPLE.aircraft
        told = [parts_w(craft, craft.mass_kg, rows).sum() for rows in (calm, wild)]
        return float(told[1] / told[0] - 1.0)

    craft = replace(EXAMPLE.aircraft, gust_cost=cost(10.0))
    assert float(in_gusts(craft, wind_mps)) - 1.0 == pytest.approx(cost(wind_mps), rel=1e-6)


def test_the_ledger_tells_gusts_apart_and_adds_up() -> None:
    lines = dict(ledger_of(lay_out(gusty(WINDY))))
    for way in ("", "home "):
        smooth = sum(lines.get(way + phase, 0.0) for phase in WING)
        assert lines[way + "gusts"] / smooth == pytest.approx(0.0465, rel=0.06)
    plan = lay_out(gusty(WINDY))
    assert sum(lines.values()) == pytest.approx(float(plan.whole.energy_wh[0]), abs=1e-6)


def test_what_is_not_told_costs_nothing() -> None:
    assert "gusts" not in dict(ledger_of(lay_out(WINDY)))
    calm = replace(WINDY, weather=replace(WINDY.weather, wind=()))
    assert landing_wh(gusty(calm)) == landing_wh(calm)


def test_the_odds_pay_for_gusts_as_paper_does() -> None:
    paper = landing_wh(WINDY) - landing_wh(gusty(WINDY))
    known = [odds(f).chances.landing_wh.p50 for f in (WINDY, gusty(WINDY))]
    assert paper > 10.0
    assert known[0] - known[1] == pytest.approx(paper, rel=0.15)


def test_powers_learned_in_flight_have_their_gusts_in_them() -> None:
    """Learned: what was flown, gusts and all. Neither the odds nor a forecast in flight add any."""
    prior = Prior(PowerPrior(np.zeros(6), np.diag([1e-4] * 6)))
    plain, wild = (odds(f, prior).chances.landing_wh for f in (WINDY, gusty(WINDY)))
    assert plain == wild
    belief = arrived(on_paper(EXAMPLE))
    makers = [Forecaster(f, members=20, points=5, explain=False) for f in (EXAMPLE, gusty(EXAMPLE))]
    margins = [m.run(belief).expected_margin_wh() for m in makers]
    assert margins[0] == margins[1]


def test_gusts_that_were_planned_for_and_met_are_nothing_to_explain() -> None:
    plan = gusty(EXAMPLE, 0.2)  # 4 to 5 m/s of wind: 3 to 5 % of power
    met = arrived(on_paper(plan))
    assert 0.03 < math.expm1(float(met.power.log_mean[2])) < 0.05
    terms = dict(Explainer(plan).why(met, margin_wh(met, plan)))
    assert terms == {name: pytest.approx(0.0, abs=1.5) for name in terms}


def test_the_alternate_s_leg_is_flown_among_gusts_too() -> None:
    """In the strongest wind that is forecast: 5 % more of all but avionics, landing and climb."""
    site, legs = EXAMPLE.alternates[0], []
    for plan in (WINDY, gusty(WINDY)):
        of = (plan.aircraft, plan.pack, plan.home, site, plan.return_plan, 14.0)
        legs.append(alternate_leg_wh(*of, plan.weather.wind))
    assert 0.03 < legs[1] / legs[0] - 1.0 < 0.0465


def test_the_flight_file_tells_it_beside_the_points() -> None:
    told = TEXT.replace(
        "[aircraft.measured_cruise]", "[aircraft.measured_cruise]\ngust_cost_percent = 2.3"
    )
    assert parse_flight(told, "x").aircraft.gust_cost == pytest.approx(0.023)
    assert EXAMPLE.aircraft.gust_cost == 0.0

"""The forecast against plain loops and against itself, and what any forecast must do."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from supervisor.core.belief import Belief
from supervisor.core.conclusions import Phase
from supervisor.core.events import Position
from supervisor.core.forecast import forecaster as module
from supervisor.core.forecast.forecaster import Forecaster
from supervisor.core.forecast.run import Forecast, fail_times_s
from supervisor.core.forecast.tail import low_quantiles
from supervisor.core.paper.paper import paper_belief
from tests.core.flights import flight
from tests.core.plain_flights import SteadyWind
from tests.core.plain_loops import Loops


def doubtful(wind: SteadyWind | None = None, charge: float = 0.9, **changes: Any) -> Belief:
    """Some way out on the demo's route, in cruise, with doubts about everything."""
    plan = flight()
    belief = paper_belief(plan)
    lat, lon = plan.route[0].lat_rad, plan.route[0].lon_rad
    north, east = Forecaster(plan, members=2, points=2, explain=False).chart.to_map(lat, lon)
    fix = Position(900.0, lat, lon, 108.0, 100.0, -3.0, 21.0, 0.0, 1.6)
    pack = replace(
        belief.pack,
        mean=np.array([charge, 0.02, 0.03, 0.05, -0.01, 0.01, -0.2]),
        cov=np.diag(np.square([0.01, 0.003, 0.008, 0.05, 0.03, 0.02, 0.2])),
        temperature_sd_c=1.5,
        weak_r=1.05,
        weak_r_sd=0.02,
        weak_capacity=0.01,
        weak_capacity_sd=0.005,
    )
    power = replace(
        belief.power,
        log_cov=np.diag(np.square([0.04, 0.05, 0.02, 0.15, 0.1, 0.1])),
        mass_sd_kg=0.1,
        gust_w_sd=20.0,
    )
    return replace(
        belief,
        t_s=900.0,
        phase=Phase.CRUISE,
        airborne_s=880.0,
        position=fix,
        north_m=north,
        east_m=east,
        mission_seq=2,
        cas_mps=21.0,
        wind=wind or SteadyWind(0.5, 4.0, 1.2),
        pack=pack,
        power=power,
        **changes,
    )


def forecast(belief: Belief, members: int = 300, **more: Any) -> Forecast:
    maker = Forecaster(flight(), members=members, points=24, explain=False, **more)
    return maker.forecast(belief)


@pytest.mark.parametrize("home_mps", [21.0, 25.0])
def test_the_same_as_plain_loops(monkeypatch: pytest.MonkeyPatch, home_mps: float) -> None:
    base = flight()
    plan = replace(base, return_plan=replace(base.return_plan, airspeed_mps=home_mps))
    if home_mps != base.aircraft.cruise_mps:  # and no two legs of one speed
        legs = [replace(w, airspeed_mps=18.0 + i) for i, w in enumerate(base.route)]
        plan = replace(plan, route=tuple(legs))
    caught: dict[str, tuple[Any, ...]] = {}

    def catching(name: str, real: Any) -> Any:
        def wrapped(*args: Any) -> Any:
            caught.setdefault(name, args)  # the way home is the first
            return real(*args)

        return wrapped

    monkeypatch.setattr(module, "fly_plan", catching("plan", module.fly_plan))
    monkeypatch.setattr(module, "fly_ways", catching("ways", module.fly_ways))
    maker = Forecaster(plan, members=5, points=14, dtype=np.float64, explain=False)
    run = maker.run(doubtful())

    loops = Loops(run)
    _, _, _, air, _, along_across, gusts = caught["plan"]
    flown = loops.plan(air, along_across, gusts)
    for i, (cells, times) in enumerate(flown):
        np.testing.assert_allclose(run.ahead.t_s[i], times, rtol=1e-9)
        np.testing.assert_allclose(run.ahead.charge.u[i], [c.u for c in cells], rtol=1e-9)
        np.testing.assert_allclose(run.ahead.charge.v2[i], [c.v2 for c in cells], rtol=1e-9)

    _, _, _, _, to, wind, _ = caught["ways"]
    target = to[0][1]
    pieces = [
        spread.along_across(wind, target.ways.north[p], target.ways.east[p], np.float64)
        for p, spread in enumerate(target.winds)
    ]
    fates = loops.landings([cells for cells, _ in flown], target, pieces)
    for i, fate in enumerate(fates):
        np.testing.assert_allclose(run.landings[0].u[i], [u for u, _, _ in fate], rtol=1e-9)
        np.testing.assert_allclose(run.landings[0].hover_v[i], [v for _, v, _ in fate], rtol=1e-9)


def test_single_precision_is_enough() -> None:
    single = forecast(doubtful(), dtype=np.float32).numbers
    double = forecast(doubtful(), dtype=np.float64).numbers
    assert single.landing_energy_wh.p50 == pytest.approx(double.landing_energy_wh.p50, abs=0.05)
    assert single.hover_cell_v.p05 == pytest.approx(double.hover_cell_v.p05, abs=0.003)
    assert single.turn_back_safe_s == pytest.approx(double.turn_back_safe_s, abs=2.0)


def test_one_seed_one_forecast() -> None:
    assert forecast(doubtful(), seed=7).numbers == forecast(doubtful(), seed=7).numbers
    assert forecast(doubtful(), seed=7).numbers != forecast(doubtful(), seed=8).numbers


def test_a_forecast_changes_only_as_far_as_the_belief_does() -> None:
    """Common draws: a hair less charge costs a hair of time, not a throw of the dice."""
    maker = Forecaster(flight(), members=200, points=24, explain=False)
    less, more = (maker.forecast(doubtful(charge=c)).numbers for c in (0.6999, 0.7000))
    assert 0.0 < more.turn_back_safe_s - less.turn_back_safe_s < 5.0


def test_the_ledger_adds_up_to_what_is_in_the_pack() -> None:
    maker = Forecaster(flight(), members=200, points=12, explain=False)
    run = maker.run(doubtful())
    ledger = dict(run.summary().ledger_wh)
    assert list(ledger) == [
        "turn", "climb", "cruise", "descent", "landing", "contingency", "alternate",
        "final-reserve", "extra",
    ]  # fmt: skip
    assert sum(ledger.values()) == pytest.approx(run.expected_energy_wh(), rel=1e-6)
    trip = sum(list(ledger.values())[:5])
    expected = run.expected_energy_wh() - run.expected_margin_wh() - ledger["final-reserve"]
    assert trip == pytest.approx(expected, rel=0.005)


@settings(max_examples=12, deadline=None)
@given(st.floats(-12.0, 12.0), st.floats(-12.0, 12.0))
def test_more_charge_is_never_worse(north: float, east: float) -> None:
    wind = SteadyWind(north, east, 0.5)
    less, more = (forecast(doubtful(wind, charge=c), 80).numbers for c in (0.6, 0.8))
    assert more.landing_energy_wh.p50 > less.landing_energy_wh.p50
    assert more.covered >= less.covered
    assert more.turn_back_safe_s >= less.turn_back_safe_s - 1.0


def test_a_headwind_home_costs_and_is_named() -> None:
    # The aircraft is east of home: a wind toward the east stands against the way back.
    calm, against = forecast(doubtful(SteadyWind(0, 0))), forecast(doubtful(SteadyWind(0, 8.0)))
    assert against.headwind_home_mps == pytest.approx(8.0, abs=0.3)
    assert against.numbers.landing_energy_wh.p50 < calm.numbers.landing_energy_wh.p50
    assert against.numbers.turn_back_s.p50 < calm.numbers.turn_back_s.p50


def test_more_doubt_turns_earlier_but_not_lower_in_the_middle() -> None:
    sure, unsure = (forecast(doubtful(SteadyWind(0, 4.0, sd)), 600) for sd in (0.3, 2.5))
    assert unsure.numbers.turn_back_safe_s < sure.numbers.turn_back_safe_s - 60.0
    middle = unsure.numbers.landing_energy_wh.p50 - sure.numbers.landing_energy_wh.p50
    assert abs(middle) < 15.0


def test_homeward_there_is_nothing_left_to_decide() -> None:
    numbers = forecast(doubtful(homeward=True)).numbers
    assert math.isinf(numbers.turn_back_s.p50)
    assert numbers.completion == numbers.covered


def test_reaction_time_comes_off() -> None:
    plan = flight()
    slow = replace(plan, policy=replace(plan.policy, reaction_s=plan.policy.reaction_s + 100.0))
    makers = [Forecaster(p, members=200, points=20, explain=False) for p in (plan, slow)]
    quick_s, slow_s = (m.forecast(doubtful()).numbers.turn_back_safe_s for m in makers)
    assert quick_s - slow_s == pytest.approx(100.0, abs=1e-6)


def test_a_missed_landing_is_paid_for() -> None:
    plan = flight()
    again = replace(plan, policy=replace(plan.policy, missed_landings=1))
    makers = [Forecaster(p, members=200, points=12, explain=False) for p in (plan, again)]
    once, twice = (m.forecast(doubtful()).numbers.landing_energy_wh.p50 for m in makers)
    # One more landing hover and climb at about 1.56 kW (60 s and 16 s), and a minute on the wing.
    assert 30.0 < once - twice < 60.0


def test_margins_fall_along_the_plan_and_give_the_turn_back_time() -> None:
    t = np.array([[0.0, 100.0, 200.0], [0.0, 100.0, 200.0], [0.0, 100.0, 200.0]])
    margin = np.array([[10.0, 5.0, -5.0], [10.0, 8.0, 6.0], [-2.0, -4.0, -6.0]])
    np.testing.assert_allclose(fail_times_s(t, margin, whole=True), [150.0, math.inf, -100.0])
    np.testing.assert_allclose(fail_times_s(t, margin, whole=False), [150.0, 200.0, -100.0])


@pytest.mark.parametrize("others_fail", [90.0, math.inf])
def test_the_safe_time_is_that_of_the_share_that_fails_first(others_fail: float) -> None:
    """Two of a hundred members are lost at ten minutes, the others much later or never: at 99 %
    that is when to turn, whatever the others do."""
    minutes = np.arange(121.0)
    times = np.full((400, 1), others_fail)
    times[:8] = 10.0
    margin = np.clip(times - minutes, -40.0, 300.0) + np.linspace(-0.4, 0.4, 400)[:, None]
    lines = low_quantiles(margin, (0.01, 0.05))
    told = fail_times_s(np.tile(60.0 * minutes, (2, 1)), lines, whole=True)
    assert told[0] == pytest.approx(600.0, abs=40.0)
    assert told[1] == pytest.approx(60.0 * others_fail, abs=60.0)

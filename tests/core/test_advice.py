"""What would be better than the return as it is set: airspeed, height, equal time, station."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from supervisor.core.belief import Array, Belief
from supervisor.core.conclusions import Phase
from supervisor.core.forecast.advice import best_airspeed, best_height, equal_time_s
from supervisor.core.forecast.forecaster import Forecaster
from supervisor.core.plan import Flight
from tests.core.flights import flight
from tests.core.plain_flights import AS_PLANNED, HEIGHT_M, SteadyWind, overhead_home, plain_flight

WAY_M = 40_000.0


def still(plan: Flight) -> Belief:
    return overhead_home(plan, SteadyWind(0.0, 0.0))


def fast_return(airspeed_mps: float) -> Flight:
    """The demo's aircraft, set to come home at ``airspeed_mps``, without avionics to feed."""
    base = flight()
    craft = replace(base.aircraft, avionics_w=0.0)
    return replace(
        base,
        aircraft=craft,
        return_plan=replace(base.return_plan, height_m=100.0, airspeed_mps=airspeed_mps),
    )


def level_w(plan: Flight, speed: float) -> float:
    """Traub 2011 eq. 4 over the chain's efficiency, at the density of sea level."""
    craft = plan.aircraft
    weight, area = craft.mass_kg * 9.80665, craft.wing_area_m2
    parasite = 0.5 * 1.225 * speed**3 * area * craft.cd0
    return (parasite + 2.0 * craft.k * weight**2 / (1.225 * speed * area)) / craft.cruise_efficiency


def test_what_another_airspeed_saves() -> None:
    """Still air: V_md = sqrt(2 W / (rho S)) (k / cd0)^1/4 is best; the saving by hand."""
    plan = fast_return(27.0)
    craft = plan.aircraft
    weight = craft.mass_kg * 9.80665
    v_md = math.sqrt(2.0 * weight / (1.225 * craft.wing_area_m2)) * (craft.k / craft.cd0) ** 0.25
    cas, saves = best_airspeed(plan, still(plan), 0.0, WAY_M)
    slowest = 1.15 * craft.stall_mps  # never advised slower
    assert cas == pytest.approx(max(v_md, slowest), abs=0.5 * 0.025 * craft.stall_mps + 0.01)
    dear, cheap = (level_w(plan, v) * WAY_M / v / 3600.0 for v in (27.0, cas))
    assert saves == pytest.approx(dear - cheap, rel=0.001)


def test_nothing_is_saved_by_what_is_set_already() -> None:
    plan = fast_return(27.0)
    cas, _ = best_airspeed(plan, still(plan), 5.0, WAY_M)
    assert best_airspeed(fast_return(cas), still(plan), 5.0, WAY_M)[1] == pytest.approx(
        0.0, abs=0.01
    )


@dataclass(frozen=True, slots=True)
class Sheared:
    """Wind from home, a metre a second more for every ten metres up; none at the ground."""

    per_m: float

    def means(self, _n: Array, _e: Array, height_m: Array, _ahead_s: Array) -> Array:
        return np.column_stack([self.per_m * height_m, 0.0 * height_m])  # north; home lies south


# 200 m up the wind stands against the way home with 12 m/s, 100 m up with 6: lower is better; with
# the wind at the back higher is. Saving by hand: power x way / ground speed, less the climb.
@pytest.mark.parametrize(("per_m", "best_m"), [(0.06, 100.0), (-0.06, 300.0)])
def test_what_another_height_saves(per_m: float, best_m: float) -> None:
    plan = fast_return(21.0)
    plan = replace(plan, alternates=(), return_plan=replace(plan.return_plan, height_m=200.0))
    fix = replace(still(plan).position, height_m=200.0)
    belief = replace(still(plan), position=fix, wind=Sheared(per_m))
    height, saves = best_height(plan, belief, (0.5 * WAY_M, 0.0), 1000.0, WAY_M)
    assert height == best_m
    seconds = [WAY_M / (21.0 - per_m * h) for h in (200.0, best_m)]
    cruise_wh = level_w(plan, 21.0) * (seconds[0] - seconds[1]) / 3600.0
    climb_wh = plan.aircraft.mass_kg * 9.80665 * (best_m - 200.0) / 3600.0
    climb_wh /= plan.aircraft.cruise_efficiency
    # densities differ by 1 % between the heights, and with them the true airspeed
    assert saves == pytest.approx(cruise_wh - climb_wh, rel=0.06)


def test_heights_without_wind_are_not_worth_a_climb() -> None:
    plan = fast_return(21.0)
    assert best_height(plan, still(plan), (0.5 * WAY_M, 0.0), 1000.0, WAY_M)[0] <= HEIGHT_M


# Equal time: TF H / (O + H), with the flight time out TF in minutes.
@pytest.mark.parametrize(
    ("length", "out", "home", "minutes"),
    [
        # aerofile.blogspot.com/2009/02 (inputs and formula; result computed): 920 nm, 3 h 50
        (920.0, 240.0, 210.0, 107.3),
        # Atlantic Flight Training ch. 19 (scenario; result computed): 50 kt head wind
        (600.0, 250.0, 350.0, 84.0),
    ],
)
def test_equal_time(length: float, out: float, home: float, minutes: float) -> None:
    gone = np.linspace(0.0, length, 61)
    ahead_s, home_s = gone / out * 3600.0, gone / home * 3600.0
    assert equal_time_s(ahead_s, home_s) / 60.0 == pytest.approx(minutes, abs=0.05)


def test_equal_time_beyond_either_end_is_none() -> None:
    ahead = np.array([0.0, 100.0, 200.0])
    assert math.isnan(equal_time_s(ahead, np.array([500.0, 600.0, 700.0])))  # nearer the end now
    assert math.isnan(equal_time_s(ahead, np.array([-1.0, -1.0, -1.0])))
    assert math.isnan(equal_time_s(np.zeros(1), np.zeros(1)))


def test_time_on_station_is_what_the_charge_leaves() -> None:
    """E = P (t + D / V) with one power at all speeds: t = E / P - D / V, less the reaction.

    300 W, 600 Wh, 22 m/s and 29 km from home: 7200 s - 1318 s.
    """
    plan = plain_flight(22.0, 2.0, 0.0, 60_000.0, power_w=300.0)
    wind = SteadyWind(0.0, 0.0)
    sure: dict[str, Any] = {"members": 5, "points": 10, "dtype": np.float64}
    maker = Forecaster(plan, **sure, unforeseen=AS_PLANNED)
    belief = replace(overhead_home(plan, wind), north_m=29_000.0, phase=Phase.CRUISE)
    advice = dict(maker._advice(maker.run(belief)))
    assert advice["station_left_s"] == pytest.approx(7200.0 - 29_000.0 / 22.0, rel=0.005)
    # Equal time on the way to 60 km is half-way, another kilometre on; turning takes seconds.
    assert advice["equal_time_s"] == pytest.approx(1000.0 / 22.0, abs=10.0)

    slow = replace(plan, policy=replace(plan.policy, reaction_s=90.0))
    late = Forecaster(slow, **sure, unforeseen=AS_PLANNED)
    less = dict(late._advice(late.run(belief)))["station_left_s"]
    assert advice["station_left_s"] - less == pytest.approx(90.0, abs=0.5)

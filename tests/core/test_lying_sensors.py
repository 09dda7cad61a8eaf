"""Sensors that lie in a whole flight: what is believed then, against the simulator's truth."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sim.harness import Harness
from sim.scenario import load
from sim.truth import fly_home
from supervisor.core.conclusions import Advisory, Level
from supervisor.flightfile import load_flight


def flown(name: str, seed: int, until_s: float) -> tuple[Harness, list[Advisory]]:
    scenario = load(name)
    plan = replace(load_flight(scenario.flight_path), alternates=())
    harness, said = Harness(scenario, seed, plan=plan, members=200, points=20), []
    while harness.flight.t_s < until_s:
        said += [h.output for h in harness.step()]
    return harness, [s for s in said if isinstance(s, Advisory)]


@pytest.mark.parametrize("seed", [1, 2, 31000004, 31000372])
def test_a_blocked_airspeed_tube_is_found_and_costs_no_turn(seed: int) -> None:
    """From 18 min the tube shows what it showed; the aircraft flies faster, by thrust.

    In the last two it looks like a front for a minute, which the power must refute.
    """
    harness, raised = flown("fault-airspeed-blocked", seed, 1400.0)
    doubts = harness.monitor._estimator.doubts(harness.flight.t_s)
    assert any("no usable airspeed" in words for words in doubts)
    assert not [a for a in raised if a.level is Level.WARNING]
    _home_is_as_foreseen(harness)


@pytest.mark.parametrize("seed", [1, 21000031])
def test_a_compass_that_is_off_is_found_and_costs_no_turn(seed: int) -> None:
    harness, raised = flown("fault-compass-offset", seed, 1000.0)
    assert not [a for a in raised if a.level is Level.WARNING]
    _home_is_as_foreseen(harness)


@pytest.mark.parametrize("seed", [1, 2])
def test_ice_on_the_wing_is_no_blocked_tube(seed: int) -> None:
    """From 25 to 31 min the aircraft comes to draw more at the same airspeed: the tube is believed,
    the power learned anew."""
    harness, _ = flown("fault-drag-rise", seed, 2050.0)
    doubts = harness.monitor._estimator.doubts(harness.flight.t_s)
    assert not any("no usable airspeed" in words for words in doubts)
    _home_is_as_foreseen(harness, 260.0)


def _home_is_as_foreseen(harness: Harness, width_wh: float = 130.0) -> None:
    """The true landing energy of turning now lies within one and a half times P5..P95."""
    forecast = harness.monitor.forecast
    assert forecast is not None
    foreseen = forecast.numbers.landing_energy_wh
    truth = fly_home(harness.flight).energy_left_wh
    room = 0.5 * (foreseen.p95 - foreseen.p05)
    assert foreseen.p05 - room < truth < foreseen.p95 + room
    assert foreseen.p95 - foreseen.p05 < width_wh

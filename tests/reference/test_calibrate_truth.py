"""On simulated flights the true values lie in the stated 95 % intervals.

Truth: the simulator's own aircraft, pack and sensors (``tests/calibrate/true_figures.py``), whose
physics is not the calibration's. Asked for: at least 90 % of 100 cases (one figure of one flight).
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from sim.scenario import read_scenario
from supervisor.calibrate.figures import calibrate
from supervisor.flightfile import load_flight

sys.path.insert(0, str(Path(__file__).parents[1] / "calibrate"))
from true_figures import fly_and_read, true_figure

MISSION = Path(__file__).parents[2] / "deploy" / "ci-example" / "scenario.toml"
FLIGHTS = 26


@pytest.mark.slow
def test_true_values_lie_in_the_stated_intervals() -> None:
    scenario = read_scenario(MISSION)
    plan = load_flight(scenario.flight_path)
    inside, missed = 0, []
    for seed in range(1, FLIGHTS + 1):
        found = calibrate(plan, [fly_and_read(plan, scenario, seed)])
        truth = true_figure(scenario, seed)
        for figure in found.figures:
            true = truth(figure.name)
            if true is None or figure.doubt:
                continue
            if figure.low <= true <= figure.high:
                inside += 1
            else:
                missed.append((seed, figure.name, true, figure.new, figure.sd))
    cases = inside + len(missed)
    assert cases >= 100
    assert inside / cases >= 0.90, missed

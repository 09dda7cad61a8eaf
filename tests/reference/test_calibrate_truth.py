"""On simulated flights the true values lie in the stated 95 % intervals.

Truth: the simulator's own aircraft, pack and sensors (``tests/calibrate/true_figures.py``), whose
physics is not the calibration's. Asked for: at least 90 % of 100 cases (one figure of one flight).
The short flights use too little of the pack to tell its resistance and capacity, and say so.
``HOMELEG_LONG=1``: 100 long flights of each of two scenarios, every figure by itself
(``tests/calibrate/intervals.py`` prints the same as a table).
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

import numpy as np
import pytest

from sim import scenario
from sim.scenario import read_scenario

sys.path.insert(0, str(Path(__file__).parents[1] / "calibrate"))
from intervals import LONG, cases, told

MISSION = Path(__file__).parents[2] / "deploy" / "ci-example" / "scenario.toml"
FLIGHTS = 34
PACK = {"pack capacity", "pack resistance of a new one's", "pack resistance, 30 s"}


@pytest.mark.slow
def test_true_values_lie_in_the_stated_intervals() -> None:
    found = cases(read_scenario(MISSION), FLIGHTS)
    every = [case for rows in found.values() for case in rows]
    assert len(every) >= 100
    assert sum(case.inside for case in every) / len(every) >= 0.90, told(found)
    for name, rows in found.items():  # each of them alone, as far as 34 cases can tell
        assert sum(case.inside for case in rows) >= 0.85 * FLIGHTS, name


@pytest.mark.slow
@pytest.mark.skipif(os.environ.get("HOMELEG_LONG") != "1", reason="an hour: HOMELEG_LONG=1")
@pytest.mark.parametrize(("name", "flights", "turn_s"), LONG)
def test_each_figure_of_a_hundred_long_flights(name: str, flights: int, turn_s: float) -> None:
    found = cases(scenario.load(name), flights, turn_s)
    assert set(found) >= PACK
    for rows in found.values():
        assert sum(case.inside for case in rows) >= 0.90 * len(rows), told(found)
        # a lean by a whole sigma would still leave 83 of 100 inside (Gaussian)
        _, off, sd, _ = np.array(rows).T
        assert abs(off.mean()) < 0.6 * sd.mean(), told(found)

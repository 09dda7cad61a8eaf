"""Powers flown in gusts are told without a lean; truth: the simulator's own aircraft.

A module of its own, so that it can be flown beside ``test_calibrate_truth.py``.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sim import scenario

sys.path.insert(0, str(Path(__file__).parents[1] / "calibrate"))
from intervals import cases, told

GUSTY = 12


@pytest.mark.slow
def test_power_flown_in_gusts_is_told_without_a_lean() -> None:
    """A wind that grows to 11 m/s, and a current sensor without error: what is left is the method.

    Told by the powers as flown these twelve came out 1.85 % too high; now it is 0.5 %. Over 100
    flights with all errors (``intervals.py estuary 100 2000``): 1.86 % and 87 inside the interval
    then, 0.46 % and 97 now, with a spread of 1.85 % where 2.09 % is stated.
    """
    truth = scenario.load("estuary")
    exact = {"current_gain": (1.0, 1.0), "current_offset_a": (0.0, 0.0)}
    rows = cases(replace(truth, sensors=exact), GUSTY, 2000.0)["cruise power"]
    off = np.array([case.off for case in rows])
    assert abs(off.mean()) < 0.01, told({"cruise power": rows})

"""The simulator's wind wanders as measured wind does: twenty-two months of mast data.

The PyPI package brightwind (MIT) carries 10-minute means of a mast (80 m anemometers, 78 m vane).
A truth that is calmer than the air would flatter every forecast that is tested on it.
"""

from __future__ import annotations

from random import Random

import numpy as np
import pytest

from sim.scenario import Weather, WindRow
from sim.weather import Air
from tests.reference import mast

pytestmark = pytest.mark.skipif(mast.SPEC is None, reason="package brightwind is not installed")
STEPS = (1, 2, 3, 6)  # of ten minutes


def _simulated() -> np.ndarray:
    """(N, 2) the same of the simulator, a steady mean with its default drift."""
    still = Weather(rows=(WindRow(0.0, 250.0, 7.0),))
    air = Air(still, (0.75, -0.5), Random(1), Random(2))
    means = []
    for k in range(6000):
        values = []
        for j in range(10):
            t_s = 600.0 * k + 60.0 * j
            air._walk(60.0)
            values.append(air.reference_wind(t_s, 0.0, 0.0))
        means.append(np.mean(values, axis=0))
    return np.array(means)


def _change(grid: np.ndarray, steps: int) -> float:
    """Root mean square change a component [m/s] over so many ten minutes."""
    difference = grid[steps:] - grid[:-steps]
    return float(np.sqrt(np.nanmean(difference**2)))


def test_the_wind_changes_as_measured_wind_does() -> None:
    measured, simulated = mast.measured(), _simulated()
    for steps in STEPS:
        real, ours = _change(measured, steps), _change(simulated, steps)
        assert ours == pytest.approx(real, rel=0.2), f"{10 * steps} min: {ours:.2f}, {real:.2f}"

"""The built-in cell against the electrochemical model whose parameter set it stands for.

Reference: Doyle-Fuller-Newman model, parameter set Chen et al. 2020 (J. Electrochem. Soc. 167
080534), solved by PyBaMM 26.10, isothermal at 25 degC: 32.5 W for 30 s (take-off), 7.5 W for so
many minutes (cruise), 32.5 W for 60 s (landing). The table's resistances were fitted to another
load on that model (see its source), never to this one. Aims: cruise within 35 mV and 1.5 % of the
charge drawn; the hover's voltage, on which a landing depends, within 35 mV.
"""

from __future__ import annotations

import numpy as np
import pytest

from supervisor.celltable import built_in
from supervisor.core.cells import energy_grid_wh
from supervisor.core.forecast.discharge import Charge, drain, loaded_v, tables, u_of_charge

CELL = built_in()["nmc-21700-5ah"]
TABLE = tables(CELL, np.float64)
CAPACITY_AH = 5.153  # between 2.5 and 4.2 V with the published stoichiometries
TAKE_OFF_W, CRUISE_W = 32.5, 7.5

# minutes of cruise, volts at its end, Ah drawn by then, volts at the end of the landing
RUNS = [
    (60, 3.749, 1.981, 3.486),
    (90, 3.575, 3.007, 3.322),
    (110, 3.451, 3.718, 3.170),
    (120, 3.380, 4.084, 3.058),
    (125, 3.342, 4.270, 2.925),
]


def one(x: float) -> np.ndarray:
    return np.array([[x]])


def run(cell: Charge, watts: float, seconds: float, parts: int) -> tuple[Charge, float]:
    """(state, volts under load) after ``seconds`` at ``watts`` of one cell at 25 degC."""
    per_ah, part_s = one(1.0 / (3600.0 * CAPACITY_AH)), one(seconds / parts)
    slow_ohm = one(CELL.r2_ohm)
    for _ in range(parts):
        cell, _ = drain(TABLE, cell, one(1.0), slow_ohm, per_ah, watts * part_s, part_s)
    volts = loaded_v(TABLE, cell, one(1.0), one(watts), one(0.0), one(1.0))
    return cell, float(volts[0, 0])


def drawn_ah(cell: Charge) -> float:
    grid, below = energy_grid_wh(CELL)
    return float((1.0 - np.interp(cell.u[0, 0], below, grid)) * CAPACITY_AH)


@pytest.mark.parametrize(("minutes", "cruise_v", "ah", "landing_v"), RUNS)
def test_take_off_cruise_and_landing(
    minutes: float, cruise_v: float, ah: float, landing_v: float
) -> None:
    full = Charge(u_of_charge(CELL, one(1.0)), one(0.0), one(0.0))
    cell, volts = run(full, TAKE_OFF_W, 30.0, 6)
    assert volts == pytest.approx(3.897, abs=0.035)
    cell, volts = run(cell, CRUISE_W, 60.0 * minutes, 40)
    assert volts == pytest.approx(cruise_v, abs=0.035)
    assert drawn_ah(cell) == pytest.approx(ah, rel=0.015)
    _, volts = run(cell, TAKE_OFF_W, 60.0, 12)
    assert volts == pytest.approx(landing_v, abs=0.035)

"""The cell model that the belief uses: open-circuit voltage, resistance, two relaxations.

Discharge current is positive; everything is per cell. Functions broadcast over numpy arrays.

* terminal voltage = OCV(charge) - v1 - v2 - i R0(charge, T)
* d v/dt = (i R - v) / tau for both relaxations
* at constant power P a cell delivers  i = (E - sqrt(E^2 - 4 R P)) / (2 R), E = OCV - v1 - v2: the
  smaller root of P = i (E - i R) (the circuit's own algebra); none when P > E^2/(4R): the
  voltage then collapses, and we return the current at the maximum-power point.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from supervisor.core.constants import KELVIN
from supervisor.core.plan import Cell, Pack

Array = NDArray[np.float64]
Real = float | Array


def ocv_v(cell: Cell, charge: Real) -> Any:
    """Open-circuit voltage [V] at ``charge`` 0..1 (held at the ends of the grid)."""
    return np.interp(charge, cell.charge_grid, cell.ocv_v)


def temperature_factor(cell: Cell, temperature_c: Real) -> Any:
    """Resistance relative to 25 degC: exp(k (1/T - 1/298.15 K))."""
    inverse_k = 1.0 / (np.asarray(temperature_c) + KELVIN) - 1.0 / 298.15
    return np.exp(cell.resistance_temperature_k * inverse_k)


def r0_ohm(cell: Cell, charge: Real, temperature_c: Real) -> Any:
    """Ohmic resistance [ohm] of a new cell."""
    return np.interp(charge, cell.charge_grid, cell.r0_ohm) * temperature_factor(
        cell, temperature_c
    )


def capacity_factor(cell: Cell, temperature_c: Real) -> Any:
    """Capacity relative to 25 degC: falls by ``cold_capacity_per_k`` below it."""
    return 1.0 - cell.cold_capacity_per_k * np.maximum(25.0 - np.asarray(temperature_c), 0.0)


def current_at_power_a(source_v: Real, resistance_ohm: Real, power_w: Real) -> Any:
    """Current [A] of one cell asked for ``power_w`` [W]; see the module's head."""
    root = np.square(source_v) - 4.0 * np.asarray(resistance_ohm) * power_w
    return (source_v - np.sqrt(np.maximum(root, 0.0))) / (2.0 * np.asarray(resistance_ohm))


@lru_cache(maxsize=8)
def energy_grid_wh(cell: Cell) -> tuple[Array, Array]:
    """(charge grid, open-circuit energy below it per Ah [Wh/Ah]): integral of OCV over charge."""
    grid = np.asarray(cell.charge_grid, dtype=float)
    volts = np.asarray(cell.ocv_v, dtype=float)
    steps = 0.5 * (volts[1:] + volts[:-1]) * np.diff(grid)
    return grid, np.concatenate([[0.0], np.cumsum(steps)])


def pack_energy_wh(pack: Pack, charge: Real, capacity_ah: Real) -> Any:
    """Open-circuit energy [Wh] of the whole pack from ``charge`` down to empty.

    This is the "energy left" of every landing figure. The trapezoid over the grid's knots is
    exact for a piecewise linear OCV only at the knots; between them the error is below 0.1 %.
    """
    grid, below = energy_grid_wh(pack.cell)
    return np.interp(charge, grid, below) * capacity_ah * pack.series

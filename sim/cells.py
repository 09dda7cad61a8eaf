"""Cell types: open-circuit voltage, resistances, heat; tables over charge.

``nmc-21700-5ah`` is an LG M50 as Chen et al. describe it (J. Electrochem. Soc. 167 (2020) 080534):
open-circuit voltage from the paper's electrode fits between 2.5 and 4.2 V; resistances fitted to a
Doyle-Fuller-Newman model with the paper's parameters and lumped heat (PyBaMM), on a train of 30 W
pulses, 12 W and 7.5 W stretches and rests from full to empty at 5, 20 and 35 degC: linear least
squares for the resistance knots inside a search over both times and the three temperature factors.
On a hover-cruise-hover it was not fitted to it is within 47, 33 and 26 mV at 5, 20 and 35 degC, and
takes 0.4 % less charge at most for the same energy (tests/reference/test_sim_cell_pybamm.py). The
other types are typical of their class, all of it from memory: no data sheet stands behind them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from random import Random

KNOTS = 400  # uniform fine tables for the inner loop
_T25_K = 298.15


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell type, new, at 25 degC. Charge grid 0..1; ohm; seconds; per-kelvin factors.

    ``r0``: what answers at once; ``r1`` and ``r2``: two relaxations. Each resistance follows the
    temperature by exp(k (1/T - 1/298.15 K)).
    """

    name: str
    capacity_ah: float
    charge: tuple[float, ...]
    ocv_v: tuple[float, ...]
    knots: tuple[float, ...]  # charge grid of the resistances
    r0_ohm: tuple[float, ...]
    r1_ohm: tuple[float, ...]
    tau1_s: float
    r2_ohm: tuple[float, ...]
    tau2_s: float
    k0_k: float
    k1_k: float
    k2_k: float
    cutoff_v: float
    heat_jpk: float

    @property
    def energy_wh_per_ah(self) -> float:
        """Mean open-circuit voltage [V], which is the energy per ampere-hour of a full cell."""
        pairs = zip(self.charge, self.charge[1:], self.ocv_v, self.ocv_v[1:], strict=False)
        return sum(0.5 * (v0 + v1) * (c1 - c0) for c0, c1, v0, v1 in pairs)

    @property
    def fine_ocv_v(self) -> tuple[float, ...]:
        """Open-circuit voltage on KNOTS equal steps of charge."""
        return fine(self.charge, self.ocv_v)


def fine(grid: tuple[float, ...], values: tuple[float, ...]) -> tuple[float, ...]:
    """``values`` over ``grid``, resampled to KNOTS equal steps of 0..1 (one more at the end)."""
    return (*(_interpolate(i / KNOTS, grid, values) for i in range(KNOTS + 1)), values[-1])


def _interpolate(x: float, grid: tuple[float, ...], values: tuple[float, ...]) -> float:
    for i in range(1, len(grid)):
        if x <= grid[i]:
            share = (x - grid[i - 1]) / (grid[i] - grid[i - 1])
            return values[i - 1] + share * (values[i] - values[i - 1])
    return values[-1]


def warmth(k_kelvin: float, temperature_c: float) -> float:
    """Resistance at ``temperature_c`` relative to 25 degC: exp(k (1/T - 1/298.15))."""
    return math.exp(k_kelvin * (1.0 / (temperature_c + 273.15) - 1.0 / _T25_K))


def unlike(cell: Cell, ocv_error_v: float, slow_resistance: float, random: Random) -> Cell:
    """A cell of the same class that is not the type's: another maker's, or another batch.

    Its open-circuit voltage lies off the type's by ``ocv_error_v`` [V] (rms over charge and over
    many cells), along three half waves of random height. Nothing at full and at empty: there it is
    the voltage that tells what full and empty are. ``slow_resistance``: factor on the slow one.
    """
    while True:
        # three waves of variance (2/3)/2 each
        heights = [random.gauss(0.0, ocv_error_v * math.sqrt(2.0 / 3.0)) for _ in range(3)]
        ocv_v = tuple(
            volts + sum(h * math.sin(k * math.pi * z) for k, h in enumerate(heights, 1))
            for z, volts in zip(cell.charge, cell.ocv_v, strict=True)
        )
        if all(lower < upper for lower, upper in pairwise(ocv_v)):
            slow = tuple(ohm * slow_resistance for ohm in cell.r2_ohm)
            return replace(cell, ocv_v=ocv_v, r2_ohm=slow)


def _milli(*values: float) -> tuple[float, ...]:
    return tuple(value * 1e-3 for value in values)


_KNOTS = (0.0, 0.05, 0.10, 0.15, 0.20, 0.30, 0.40, 0.50, 0.60, 0.70, 0.80, 0.90, 0.95, 1.0)
_COARSE = (0.0, 0.05, 0.10, 0.20, 0.30, 0.40, 0.50, 0.60, 0.70, 0.80, 0.90, 1.0)

# An energy cell: published electrode curves, resistances fitted to the published model (above).
NMC_21700_5AH = Cell(
    name="nmc-21700-5ah",
    capacity_ah=5.0,
    charge=(
        0.0, 0.01, 0.02, 0.03, 0.05, 0.075, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5, 0.55,
        0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95, 1.0,
    ),
    ocv_v=(
        2.5, 2.7114, 2.8625, 2.9712, 3.1094, 3.2107, 3.2959, 3.4339, 3.4852, 3.5286, 3.5814, 3.629,
        3.667, 3.7054, 3.7509, 3.7983, 3.8406, 3.8896, 3.9479, 3.9943, 4.0421, 4.0809, 4.0967,
        4.1236, 4.2,
    ),
    knots=_KNOTS,
    r0_ohm=_milli(
        55.7, 28.8, 23.3, 23.3, 21.2, 21.1, 19.5, 20.0, 19.6, 19.9, 21.8, 20.3, 26.4, 24.8
    ),
    r1_ohm=_milli(63.2, 28.6, 17.0, 13.2, 9.0, 8.4, 8.2, 10.6, 10.3, 10.4, 11.3, 5.3, 9.3, 11.0),
    tau1_s=18.4,
    r2_ohm=_milli(
        27.8, 19.4, 15.4, 14.2, 15.8, 16.4, 17.7, 20.9, 22.5, 20.7, 23.3, 19.8, 24.7, 49.0
    ),
    tau2_s=631.0,
    k0_k=1170.0,
    k1_k=58.0,
    k2_k=1337.0,
    cutoff_v=2.5,
    heat_jpk=48.9,
)  # fmt: skip

# A power cell of 4 Ah: about half the resistance of the above. From memory.
NMC_21700_4AH_POWER = Cell(
    name="nmc-21700-4ah-power",
    capacity_ah=4.0,
    charge=_COARSE,
    ocv_v=(2.50, 3.15, 3.32, 3.47, 3.56, 3.63, 3.71, 3.80, 3.90, 4.00, 4.07, 4.18),
    knots=(0.0, 0.05, 0.1, 0.2, 1.0),
    r0_ohm=_milli(21.0, 16.0, 13.5, 12.0, 12.0),
    r1_ohm=_milli(14.0, 8.5, 6.0, 4.5, 4.5),
    tau1_s=18.0,
    r2_ohm=_milli(6.0, 6.0, 6.0, 7.0, 9.0),
    tau2_s=500.0,
    k0_k=1700.0,
    k1_k=2200.0,
    k2_k=1500.0,
    cutoff_v=2.5,
    heat_jpk=66.0,
)

# A polymer pouch for models and drones, 15 C: stiff, and cold early. From memory.
LIPO_10AH_15C = Cell(
    name="lipo-10ah-15c",
    capacity_ah=10.0,
    charge=_COARSE,
    ocv_v=(3.27, 3.61, 3.69, 3.74, 3.78, 3.80, 3.84, 3.88, 3.95, 4.02, 4.11, 4.20),
    knots=(0.0, 0.05, 0.1, 0.2, 1.0),
    r0_ohm=_milli(4.4, 3.4, 3.0, 2.7, 2.6),
    r1_ohm=_milli(2.0, 1.3, 1.0, 0.8, 0.8),
    tau1_s=12.0,
    r2_ohm=_milli(1.2, 1.0, 0.9, 0.9, 0.9),
    tau2_s=300.0,
    k0_k=2300.0,
    k1_k=3000.0,
    k2_k=2000.0,
    cutoff_v=3.0,
    heat_jpk=210.0,
)

CELLS = {cell.name: cell for cell in (NMC_21700_5AH, NMC_21700_4AH_POWER, LIPO_10AH_15C)}

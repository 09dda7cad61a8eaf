"""Cell types: open-circuit voltage, resistances, heat; tables over charge.

``nmc-21700-5ah``: open-circuit voltage of the LG M50 after Chen et al., J. Electrochem. Soc. 167
(2020) 080534, in the values computed from the paper's electrode fits.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

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

    def fine(self, values: tuple[float, ...]) -> tuple[float, ...]:
        """``values`` over the charge grid, resampled to KNOTS equal steps (one more at the end)."""
        return tuple(_interpolate(i / KNOTS, self.charge, values) for i in range(KNOTS + 1)) + (
            values[-1],
        )


def _interpolate(x: float, grid: tuple[float, ...], values: tuple[float, ...]) -> float:
    for i in range(1, len(grid)):
        if x <= grid[i]:
            share = (x - grid[i - 1]) / (grid[i] - grid[i - 1])
            return values[i - 1] + share * (values[i] - values[i - 1])
    return values[-1]


def warmth(k_kelvin: float, temperature_c: float) -> float:
    """Resistance at ``temperature_c`` relative to 25 degC: exp(k (1/T - 1/298.15))."""
    return math.exp(k_kelvin * (1.0 / (temperature_c + 273.15) - 1.0 / _T25_K))


_CHARGE = (0.0, 0.05, 0.10, 0.20, 0.30, 0.40, 0.50, 0.60, 0.70, 0.80, 0.90, 1.0)
_M50_OCV = (2.500, 3.109, 3.296, 3.485, 3.581, 3.667, 3.751, 3.841, 3.948, 4.042, 4.097, 4.200)

NMC_21700_5AH = Cell(
    name="nmc-21700-5ah",
    capacity_ah=5.0,
    charge=_CHARGE,
    ocv_v=_M50_OCV,
    r0_ohm=(0.026, 0.021, 0.018, 0.016, 0.015, 0.015, 0.015, 0.015, 0.015, 0.015, 0.015, 0.015),
    r1_ohm=(0.012, 0.010, 0.008, 0.006, 0.006, 0.006, 0.006, 0.006, 0.006, 0.006, 0.006, 0.006),
    tau1_s=8.0,
    r2_ohm=(0.024, 0.020, 0.016, 0.012, 0.011, 0.010, 0.010, 0.010, 0.010, 0.010, 0.010, 0.010),
    tau2_s=240.0,
    k0_k=1600.0,
    k1_k=2600.0,
    k2_k=1800.0,
    cutoff_v=2.5,
    heat_jpk=70.0,
)

CELLS = {cell.name: cell for cell in (NMC_21700_5AH,)}

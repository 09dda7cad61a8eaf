"""What gusts cost this aircraft, under this autopilot: power on the wing over that in smooth air.

The fit takes the gusts of every block off, by how restless its power and airspeed were (``power``);
here what was taken off is told against the wind that blew. Gusts grow with the wind, their cost
with its square (``core.power.in_gusts``): one figure, the share at 10 m/s, says it for any wind.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from supervisor.calibrate.blocks import Steady
from supervisor.calibrate.power import UNREST_COST, UNREST_COST_SD, PowerFit, parts_w
from supervisor.core.belief import Array
from supervisor.core.plan import Aircraft
from supervisor.core.power import GUST_WIND_MPS

LEAST_BLOCKS, LEAST_WIND_MPS = 10, 3.0


@dataclass(frozen=True, slots=True)
class GustCost:
    """Share at 10 m/s of wind [-], one sigma of it; ``doubt`` as in ``Figure``."""

    share: float
    sd: float
    doubt: str = ""


def gust_cost(craft: Aircraft, power: PowerFit) -> GustCost:
    """Least squares of the cost of each block on the wing over the square of its wind."""
    rows = power.blocks
    rows = rows.only((rows.hover < 0.5) & (rows.wind_mps > 0.0) & (rows.unrest > 0.0))
    if len(rows.unrest) < LEAST_BLOCKS:
        return GustCost(0.0, 0.0, "too few readings of power and wind to show gusts")
    square = np.square(rows.wind_mps / GUST_WIND_MPS)
    cost = _over_smooth(craft, power, rows)
    weight = float(square @ square)
    share = float(square @ cost) / weight
    off = cost - share * square
    scatter = math.sqrt(float(off @ off) / (len(off) - 1) / weight)
    sd = math.hypot(scatter, share * UNREST_COST_SD / UNREST_COST)
    calm = float(np.sqrt(np.mean(np.square(rows.wind_mps)))) < LEAST_WIND_MPS
    return GustCost(share, sd, "hardly any wind in these flights" if calm else "")


def _over_smooth(craft: Aircraft, power: PowerFit, rows: Steady) -> Array:
    none = np.zeros(len(rows.unrest))
    mass_kg, scales = craft.mass_kg, power.scales
    gusty, smooth = (
        parts_w(craft, mass_kg, r) @ scales for r in (rows, replace(rows, unrest=none, surge=none))
    )
    result: Array = gusty / smooth - 1.0
    return result

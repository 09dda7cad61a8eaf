"""One hover and the next: what a hover's power has of its own, and what the landing's will be.

The blocks of one hover have their wind, ground effect and rate of descent in common: how far they
lie from the aircraft's hovers on average is found out within one, and free again in the next.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from supervisor.core.constants import G0_MPS2
from supervisor.core.plan import Aircraft
from supervisor.core.power import hover_drag, hover_relief

# 1 sigma of the logarithm, from one hover to the next in calm air; ours, from simulated flights.
BETWEEN_SD = 0.03
# A wind like the rotors' own inflow makes so much of a difference that no formula of the relief
# knows (a wing held nose down presses on the rotors), and its gusts as much from one block to the
# next; both grow with its pressure. Ours: steady hovers of simulated aircraft are 6 % off at 1.5.
RELIEF_SD, MOST_AIR = 0.04, 2.0
APART_S = 60.0  # without a block between them two hovers are two


class Hover(NamedTuple):
    """A hover to come: its power over that in calm air, what the doubt about its wind makes of
    that, and its wind over the rotors' inflow [-]."""

    relief: float = 1.0
    relief_sd: float = 0.0
    air: float = 0.0

    @property
    def own_var(self) -> float:
        """Variance of what is this hover's own, as a logarithm, before its first block."""
        doubt = self.relief_sd / self.relief
        return BETWEEN_SD**2 + windy_var(self.air) + doubt * doubt


def windy_var(air: float) -> float:
    """Variance [-] of a hover's power for the wind in it; ``air``: wind over the rotors' inflow."""
    return (RELIEF_SD * min(air, MOST_AIR) ** 2) ** 2


def inflow_mps(aircraft: Aircraft, mass_kg: float, density: float) -> float:
    """v_h = sqrt(W / (2 rho A)) [m/s]: momentum theory's inflow of a hover in calm air."""
    return math.sqrt(mass_kg * G0_MPS2 / (2.0 * density * aircraft.disk_area_m2))


def hover_in(aircraft: Aircraft, inflow: float, wind_mps: float, sd_mps: float) -> Hover:
    """Over rotors of ``inflow`` [m/s], in a wind known to ``sd_mps`` a component."""
    air = math.hypot(wind_mps, sd_mps)  # root mean square of what may blow
    drag = hover_drag(aircraft)
    relief, fresh, light = (
        float(hover_relief(inflow, a, drag)) for a in (air, air + sd_mps, max(air - sd_mps, 0.0))
    )
    return Hover(relief, 0.5 * (fresh - light), air / inflow)

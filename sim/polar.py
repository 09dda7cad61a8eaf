"""Lift and drag of the winged aircraft.

C_D = C_D0 (Re_ref/Re)^m + k C_L^2 + stall rise. The parabola is the usual one (Traub, Journal of
Aircraft 48(2) 2011, eq. 4 gives the power form); the exponent of a mostly turbulent skin is common
practice (1/7 to 1/5 for flat plates); the quadratic rise above 85 % of the greatest lift
coefficient stands for separation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

STALL_RISE_FROM = 0.85  # of CL_max
STALL_RISE = 0.9  # C_D added per (C_L excess / CL_max)^2


@dataclass(frozen=True, slots=True)
class Polar:
    """The wing and body of one aircraft. ``cd0`` holds at ``reynolds_ref``."""

    area_m2: float
    span_m: float
    cd0: float
    k: float
    cl_max: float
    reynolds_ref: float = 3.3e5
    reynolds_exponent: float = 0.15

    @property
    def chord_m(self) -> float:
        """Mean chord [m]."""
        return self.area_m2 / self.span_m

    @property
    def lift_slope(self) -> float:
        """Lift coefficient per radian, elliptical wing: 2 pi A/(A + 2), A the aspect ratio.

        Lifting-line theory (Anderson, Fundamentals of Aerodynamics, section 5.3).
        """
        aspect = self.span_m / self.chord_m
        return math.tau * aspect / (aspect + 2.0)

    def cd(self, cl: float, reynolds: float, parasite: float = 1.0, induced: float = 1.0) -> float:
        """Drag coefficient at ``cl``; ``parasite`` and ``induced`` scale their terms."""
        skin = (
            self.cd0
            * parasite
            * math.pow(self.reynolds_ref / max(reynolds, 1e4), self.reynolds_exponent)
        )
        total = skin + self.k * induced * cl * cl
        excess = cl / self.cl_max - STALL_RISE_FROM
        return total + STALL_RISE * excess * excess if excess > 0.0 else total

    def drag_n(
        self,
        lift_n: float,
        tas_mps: float,
        density: float,
        viscosity: float,
        parasite: float = 1.0,
        induced: float = 1.0,
    ) -> float:
        """Drag [N] while the wing carries ``lift_n`` [N]."""
        pressure_area = 0.5 * density * tas_mps * tas_mps * self.area_m2
        reynolds = density * tas_mps * self.chord_m / viscosity
        return pressure_area * self.cd(lift_n / pressure_area, reynolds, parasite, induced)

    def stall_mps(self, lift_n: float, density: float) -> float:
        """True airspeed [m/s] at which ``lift_n`` needs the greatest lift coefficient."""
        return math.sqrt(2.0 * lift_n / (density * self.area_m2 * self.cl_max))

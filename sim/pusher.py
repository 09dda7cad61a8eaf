"""The pusher: thrust and efficiency of a fixed-pitch propeller against advance ratio.

J = V/(n D), T = rho n^2 D^4 C_T(J), P = rho n^3 D^5 C_P(J), with parabolas for both coefficients in
the shape of published wind-tunnel data for small propellers of pitch/diameter about 0.75 (shape
from memory, no single source). Efficiency J C_T/C_P peaks near 0.75.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sim.drive import Drive


@dataclass(frozen=True, slots=True)
class Pusher:
    """One propeller with its drive. C_T = ct0 - ct1 J - ct2 J^2; C_P = cp0 + cp1 J - cp2 J^2."""

    diameter_m: float
    drive: Drive
    ct0: float = 0.100
    ct1: float = 0.045
    ct2: float = 0.085
    cp0: float = 0.040
    cp1: float = 0.022
    cp2: float = 0.055

    def speed_hz(self, thrust_n: float, tas_mps: float, density: float) -> float:
        """Revolutions per second for ``thrust_n`` [N].

        The positive root n of ct0 n^2 - ct1 (V/D) n - ct2 (V/D)^2 = T/(rho D^4).
        """
        flow = tas_mps / self.diameter_m
        b = self.ct1 * flow
        c = self.ct2 * flow * flow + thrust_n / (density * self.diameter_m**4)
        return (b + math.sqrt(b * b + 4.0 * self.ct0 * c)) / (2.0 * self.ct0)

    def shaft_w(self, thrust_n: float, tas_mps: float, density: float) -> float:
        """Shaft power [W] for ``thrust_n`` [N] at ``tas_mps``; a folded propeller takes none."""
        if thrust_n <= 0.0:
            return 0.0
        n = self.speed_hz(thrust_n, tas_mps, density)
        flow = tas_mps / self.diameter_m
        return (
            density
            * self.diameter_m**5
            * n
            * (self.cp0 * n * n + self.cp1 * flow * n - self.cp2 * flow * flow)
        )

    def efficiency(self, thrust_n: float, tas_mps: float, density: float) -> float:
        """Propulsive efficiency T V / P of the propeller alone."""
        shaft_w = self.shaft_w(thrust_n, tas_mps, density)
        return thrust_n * tas_mps / shaft_w if shaft_w > 0.0 else 0.0

    def max_thrust_n(self, tas_mps: float, density: float) -> float:
        """Thrust [N] at the drive's shaft limit, by bisection (slow; the flight caches it)."""
        low, high = 0.0, 200.0
        for _ in range(30):
            middle = 0.5 * (low + high)
            if self.shaft_w(middle, tas_mps, density) < self.drive.max_shaft_w:
                low = middle
            else:
                high = middle
        return low

"""Lift rotors by momentum theory: hover, climb, slow descent and forward flight.

Symbols: T thrust, A disk area, v_h = sqrt(T/(2 rho A)) hover inflow, V_c axial climb, V edgewise
speed, x = V_c/v_h. Formulas: Leishman, Principles of Helicopter Aerodynamics, ch. 2 (the quartic
for the vortex-ring range quoted from memory); Glauert's inflow for forward flight.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sim.drive import Drive

# Inflow in -2 < x < 0, where momentum theory has no answer (Leishman ch. 2, fit with kappa 1).
_GAP = (1.0, -1.125, -1.372, -1.718, -0.655)


def axial_inflow(x: float) -> float:
    """v_i/v_h in axial flight at climb ratio ``x`` = V_c/v_h.

    x >= 0: -x/2 + sqrt(x^2/4 + 1); x <= -2: -x/2 - sqrt(x^2/4 - 1); between: the quartic fit.
    """
    half = 0.5 * x
    if x >= 0.0:
        return math.sqrt(half * half + 1.0) - half
    if x <= -2.0:
        return -half - math.sqrt(half * half - 1.0)
    c0, c1, c2, c3, c4 = _GAP
    return c0 + x * (c1 + x * (c2 + x * (c3 + x * c4)))


def inflow(x: float, mu: float) -> float:
    """v_i/v_h at climb ratio ``x`` and edgewise ratio ``mu`` = V/v_h.

    Glauert: lambda = 1/sqrt(mu^2 + (x + lambda)^2), by Newton's method. In descent the axial curve
    is blended into it up to mu = 1, since edgewise air blows the vortex ring away.
    """
    if mu < 1e-3:
        return axial_inflow(x)
    guess = 1.0 / math.sqrt(1.0 + mu * mu) if x < 0.5 else axial_inflow(x)
    for _ in range(12):
        through = x + guess
        flow2 = mu * mu + through * through
        root = math.sqrt(flow2)
        step = (guess - 1.0 / root) / (1.0 + through / (flow2 * root))
        guess -= step
        if abs(step) < 1e-6:
            break
    if x >= 0.0 or mu >= 1.0:
        return guess
    return axial_inflow(x) * (1.0 - mu) + guess * mu


@dataclass(frozen=True, slots=True)
class Rotors:
    """A set of equal fixed-pitch lift rotors.

    ``profile`` is the blades' own drag power in hover over the ideal power: fixed-pitch blades turn
    at a speed proportional to sqrt(T/rho), so it scales with T^1.5 as the ideal power does and the
    figure of merit 1/(kappa + profile) stays constant. ``kappa``: induced power factor, common
    practice 1.15 (no source).
    """

    count: int
    disk_area_m2: float  # of all rotors together
    profile: float
    drive: Drive
    kappa: float = 1.15
    tip_inflow: float = 11.0  # tip speed over hover inflow, blade loading of small rotors
    interference: float = 0.35  # of the gain by edgewise flow lost in the front rotors' wake

    @property
    def figure_of_merit(self) -> float:
        """Ideal over shaft power in hover."""
        return 1.0 / (self.kappa + self.profile)

    def shaft_w(self, thrust_n: float, density: float, climb_mps: float, edge_mps: float) -> float:
        """Shaft power [W] of all rotors at ``thrust_n`` [N] in the given air motion [m/s].

        P = kappa T v_i + T V_c + P0 (1 + 4.65 mu_tip^2); never below a tenth of the profile power:
        a rotor in fast descent windmills, but the controller gives nothing back. The rotors behind
        fly in the wake of those ahead, so part of Glauert's gain is lost (share: common practice).
        """
        if thrust_n <= 0.0:
            return 0.0
        hover_mps = math.sqrt(thrust_n / (2.0 * density * self.disk_area_m2))
        ratio = inflow(climb_mps / hover_mps, edge_mps / hover_mps)
        if edge_mps > 0.0:
            still = axial_inflow(climb_mps / hover_mps)
            ratio += self.interference * (still - ratio)
        tip = edge_mps / (self.tip_inflow * hover_mps)
        profile_w = self.profile * thrust_n * hover_mps * (1.0 + 4.65 * tip * tip)
        shaft_w = thrust_n * (self.kappa * ratio * hover_mps + climb_mps) + profile_w
        return max(shaft_w, 0.1 * profile_w)

    def electrical_w(
        self,
        thrust_n: float,
        density: float,
        climb_mps: float,
        edge_mps: float,
        power_scale: float = 1.0,
        weak_motor: float = 1.0,
    ) -> float:
        """Electrical power [W]; ``power_scale`` on the shaft, ``weak_motor`` for one motor.

        A motor that has lost efficiency still gives its thrust (the attitude loop asks for it) and
        takes 1/``weak_motor`` times the electrical power.
        """
        if thrust_n <= 0.0:
            return 0.0
        shaft_w = self.shaft_w(thrust_n, density, climb_mps, edge_mps) * power_scale
        one_w = self.drive.electrical_w(shaft_w / self.count)
        return one_w * (self.count - 1.0 + 1.0 / weak_motor)

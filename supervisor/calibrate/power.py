"""Fits hover and wing power: logarithms of four scales on the builder's own figures.

    hover   P = e^h P_hover(rho, wind, climb) + P_av
    wing    P = e^a A(V, rho) + e^b B(V, rho, n) + e^c C(climb) + P_av

A, B and C are the parasite, induced and climb parts of core/power.py (Traub 2011, eq. 4), dearer
where gusts make airspeed and power restless: what comes out is for smooth air, as a builder
measures it. Without that, windy flights told powers nearly 2 % too high (simulated). Airspeed
is taken as indicated: the figures that come out are for the airspeeds that the autopilot is set to.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from supervisor.calibrate.blocks import Steady
from supervisor.calibrate.leastsquares import Fit, Prior, fit, serial_factor
from supervisor.core.atmosphere import tas_per_cas
from supervisor.core.belief import Array
from supervisor.core.constants import G0_MPS2
from supervisor.core.plan import Aircraft
from supervisor.core.power import hover_climb, hover_drag, hover_relief, hover_w

HOVER, PARASITE, INDUCED, CLIMB = range(4)
# What is believed before: the builder may be off by a third in anything.
PRIOR_SD = np.array([0.3, 0.3, 0.3, 0.3])
# One hover differs from another by wind, ground effect and descent (4 %, as core/power_scales), one
# lull of half a minute from the next; the current sensor's gain shifts all powers alike.
HOVER_SD, WING_SD, GAIN_SD = 0.05, 0.04, 0.012
# Efficiencies are not constant over speed and load as the model has it: ours, by simulation.
MODEL_SD = np.array([0.02, 0.0, 0.0, 0.05])
LEVEL_SD = 0.012
# At one speed parasite and induced drag cannot be told apart; they then change together.
SPREAD_OF_SPEEDS = 1.12
TIE_SD, WIDE_TIE_SD = 0.05, 1.0
# q / s^2 of restless(). q: copper 4 to 7 % of cruise power (common practice), and the propeller's
# inflow 6 to 10 % (C_T/4 by Froude's disc, C_T 0.3, half as much again for a real one). s: 0.8 to
# 0.95, since avionics, idle and profile losses hardly grow with the load.
UNREST_COST, UNREST_COST_SD = 0.18, 0.06


@dataclass(frozen=True, slots=True)
class PowerFit:
    """The fit, and the blocks it rests on; ``cov`` includes what blocks cannot show."""

    fit: Fit
    cov: Array
    blocks: Steady
    model_w: Array

    @property
    def scales(self) -> Array:
        """Factors on the builder's figures: hover, parasite, induced, climb."""
        result: Array = np.exp(self.fit.x)
        return result


def parts_w(craft: Aircraft, mass_kg: float, rows: Steady) -> Array:
    """(blocks, 4) electrical power of each part at scale one [W]; a hover has only the first."""
    weight = mass_kg * G0_MPS2
    v, wing = np.maximum(rows.tas_mps, 5.0), (1.0 - rows.hover) * restless(rows.unrest)
    area, eta = craft.wing_area_m2, craft.cruise_efficiency
    # means of V^3 and 1/V to the second order in what gusts make of V
    cube, inverse = v**3 * (1.0 + 3.0 * rows.surge), (1.0 + rows.surge) / v
    parasite = 0.5 * rows.density * cube * area * craft.cd0 / eta
    induced = 2.0 * craft.k * (weight * rows.load) ** 2 * inverse / (rows.density * area) / eta
    climb = weight * rows.climb_mps / eta
    hover = np.asarray(hover_w(craft, mass_kg, rows.density))
    hover = hover * edgewise(craft, weight, rows) * axial(craft, weight, rows)
    return np.column_stack([hover * rows.hover, *(p * wing for p in (parasite, induced, climb))])


def restless(unrest: Array) -> Array:
    """Mean power under a thrust that goes up and down over the power at its mean [-].

    With P = P0 + a M + c M^2 for the thrust's work M, the mean of P is above P at the mean of M by
    c var M. As a share of P that is q/s^2 var P / P^2: q = c M^2/P is the share of losses that grow
    with the square of the load, s = P' M/P the power's slope. ``unrest``: var P / P^2 [-].
    """
    result: Array = 1.0 + UNREST_COST * unrest
    return result


def speeds_differ(rows: Steady) -> bool:
    """Whether level flight was seen at speeds far enough apart to show a polar's curve."""
    level = (rows.hover < 0.5) & (np.abs(rows.climb_mps) < 0.5)
    if not level.any():
        return False
    slow, fast = np.percentile(rows.tas_mps[level], [5, 95])
    return bool(fast / slow >= SPREAD_OF_SPEEDS)


def edgewise(craft: Aircraft, weight_n: float, rows: Steady) -> Array:
    """Power of a hover in the wind over that of a hover in still air [-]: power.hover_relief."""
    inflow = np.sqrt(weight_n / (2.0 * rows.density * craft.disk_area_m2))
    result: Array = hover_relief(inflow, rows.wind_mps, hover_drag(craft))
    return result


def axial(craft: Aircraft, weight_n: float, rows: Steady) -> Array:
    """Power of a hover that climbs or slowly sinks over that of one that stays [-].

    power.hover_climb; fast descents (x < -0.5, rings of vortices) are held at that.
    """
    inflow = np.sqrt(weight_n / (2.0 * rows.density * craft.disk_area_m2))
    result: Array = hover_climb(np.maximum(rows.climb_mps / inflow, -0.5))
    return result


def fit_power(craft: Aircraft, mass_kg: float, rows: Steady, zero_w: float = 0.0) -> PowerFit:
    """The four scales from the blocks; ``zero_w``: one sigma of the power told at no power."""
    parts = parts_w(craft, mass_kg, rows)
    expected = parts.sum(axis=1) + craft.avionics_w
    relief = np.abs(1.0 - edgewise(craft, mass_kg * G0_MPS2, rows))
    hover_sd = np.hypot(HOVER_SD, 0.5 * relief)  # a hover in wind says less
    share = np.where(rows.hover > 0.5, hover_sd, WING_SD * np.sqrt(30.0 / rows.seconds))
    sigma = share * np.maximum(expected, 100.0)

    tie = np.array([0.0, 1.0, -1.0, 0.0]) / (WIDE_TIE_SD if speeds_differ(rows) else TIE_SD)

    def function(x: Array) -> tuple[Array, Array]:
        scaled = parts * np.exp(x)
        residual = (scaled.sum(axis=1) + craft.avionics_w - rows.power_w) / sigma
        return np.append(residual, tie @ x), np.vstack([scaled / sigma[:, None], tie])

    found = fit(function, np.zeros(4), Prior(np.zeros(4), PRIOR_SD))
    wing = rows.hover < 0.5
    found = replace(found, residuals=found.residuals[:-1], weights=found.weights[:-1])
    widened = serial_factor(found.residuals[wing], rows.run[wing])
    cov = found.cov.copy()
    cov[1:, 1:] = np.minimum(widened, 9.0) * cov[1:, 1:]
    cov[0, 1:] = cov[1:, 0] = 0.0
    cov += _unseen(rows, zero_w)
    model = (parts * np.exp(found.x)).sum(axis=1) + craft.avionics_w
    return PowerFit(found, cov, rows, model)


def _unseen(rows: Steady, zero_w: float) -> Array:
    """Covariance of the scales' logarithms by what is wrong in all blocks alike."""
    result: Array = np.diag(MODEL_SD**2) + GAIN_SD**2
    wing = rows.hover < 0.5
    if wing.any():  # in a hover, at four times the power, neither of them counts
        zero = zero_w / float(rows.power_w[wing].mean())
        unrest = UNREST_COST_SD * float(rows.unrest[wing].mean())
        result[1:, 1:] += zero**2 + unrest**2
    return result


def level_w(craft: Aircraft, mass_kg: float, x: Array, cas_mps: float, density: float) -> float:
    """Level power of the whole aircraft at an indicated airspeed [W]."""
    return float(_level(craft, mass_kg, cas_mps, density) @ np.exp(x[1:3])) + craft.avionics_w


def level_sd_w(craft: Aircraft, mass_kg: float, power: PowerFit, cas: float, rho: float) -> float:
    """One sigma of :func:`level_w` [W]."""
    gradient = _level(craft, mass_kg, cas, rho) * np.exp(power.fit.x[1:3])
    own = float(gradient @ power.cov[1:3, 1:3] @ gradient)
    return math.hypot(math.sqrt(own), LEVEL_SD * float(gradient.sum()))


def _level(craft: Aircraft, mass_kg: float, cas_mps: float, density: float) -> Array:
    one, none = np.ones(1), np.zeros(1)
    tas = np.array([cas_mps * tas_per_cas(density)])
    row = Steady(none, none, density * one, tas, none, one, one, *[none] * 6)
    result: Array = parts_w(craft, mass_kg, row)[0, 1:3]
    return result

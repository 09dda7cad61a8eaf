"""Cruise power over what the polar says, as a function of airspeed: exp(l + s ln(V / V_ref)).

The builder's polar is P = a V^3 + b / V, parasite and induced (core/power.py; Traub, Journal of
Aircraft 48(2) 2011, eq. 4). Off by fractions e_a and e_b they make true power over stated power

    1 + w e_a + (1 - w) e_b,   w = a V^4 / (a V^4 + b),   dw / d ln V = 4 w (1 - w),

so at V_ref its logarithm l has the slope s = 4 w (1 - w) (e_a - e_b). In calibrated airspeed w is
the same at any density (both terms go as sqrt(rho0 / rho)): V and V_ref are calibrated, and V_ref
is the flight file's cruise airspeed. Strictly w depends on V^2 over n W; a payload of a tenth and a
standard turn move it as one twentieth of the airspeed does, which is let pass.

With e_a and e_b independent and each as uncertain as the level (``cruise_sd``) the prior of s has

    sd(s) = 4 w (1 - w) sqrt(2) cruise_sd,   cov(l, s) = 4 w (1 - w) (2 w - 1) cruise_sd^2;

the level's other part, up to ``cruise_sd``, is the propulsion's. The covariance is nil at the speed
of best range, w = 1/2, and left out: flown at one speed the slope stays what it was.

Between 0.8 and 1.25 V_ref the straight line is within a tenth of the polar's own bend at w = 1/2,
where it is w - 1/2 = tanh(2 ln(V / V_ref)) / 2; beyond half and twice V_ref it is not prolonged.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from supervisor.core.constants import G0_MPS2, RHO0_KGPM3
from supervisor.core.plan import Aircraft
from supervisor.core.power import Real

LOG_MOST = math.log(2.0)
DIFFERENCE_MOST = 0.9  # of e_a and e_b: a share of drag stays positive whatever was learned


def log_speed(aircraft: Aircraft, cas_mps: float) -> float:
    """ln(V / V_ref) [-] of a calibrated airspeed [m/s], held within ``LOG_MOST``."""
    away = math.log(cas_mps / aircraft.cruise_mps)
    return away if -LOG_MOST < away < LOG_MOST else math.copysign(LOG_MOST, away)


def speed_factor(aircraft: Aircraft, slope: Real, cas_mps: Real) -> Any:
    """(V / V_ref)^s [-]: the scale at a calibrated airspeed [m/s] over that at V_ref."""
    away = np.log(np.asarray(cas_mps) / aircraft.cruise_mps)
    return np.exp(slope * np.minimum(np.maximum(away, -LOG_MOST), LOG_MOST))


def parasite_share(aircraft: Aircraft) -> float:
    """w [-]: the parasite share of the power of level flight at V_ref, at take-off mass."""
    dynamic_n = 0.5 * RHO0_KGPM3 * aircraft.cruise_mps**2 * aircraft.wing_area_m2
    parasite_n = dynamic_n * aircraft.cd0
    induced_n = aircraft.k * (aircraft.mass_kg * G0_MPS2) ** 2 / dynamic_n
    return parasite_n / (parasite_n + induced_n)


def slope_sd(aircraft: Aircraft) -> float:
    """1 sigma [-] of the slope before anything was learned."""
    share = parasite_share(aircraft)
    return 4.0 * share * (1.0 - share) * math.sqrt(2.0) * aircraft.cruise_sd


def bent(aircraft: Aircraft, slope: float) -> Aircraft:
    """The aircraft whose polar has this slope over the stated one, and its power at V_ref."""
    share = parasite_share(aircraft)
    difference = slope / (4.0 * share * (1.0 - share))
    difference = max(-DIFFERENCE_MOST, min(difference, DIFFERENCE_MOST))
    # w e_a + (1 - w) e_b = 0 and e_a - e_b = difference
    return replace(
        aircraft,
        cd0=aircraft.cd0 * (1.0 + (1.0 - share) * difference),
        k=aircraft.k * (1.0 - share * difference),
    )

"""Electrical power in every regime of flight: the belief's model, simple and auditable.

All functions take floats or numpy arrays that broadcast, and return the same.

* hover: momentum theory, P = T^1.5 / sqrt(2 rho A) / efficiency (references: Leishman, Principles
  of Helicopter Aerodynamics, ch. 2; checked against the worked size in tests/reference).
* wing: parabolic polar, P = 1/2 rho V^3 S CD0 + 2 k (n W)^2 / (rho V S)  (Traub, Journal of
  Aircraft 48(2) 2011, eq. 4), over the efficiency of the propulsion chain; n is the load factor.
* climb: + W * rate of climb over the same efficiency; descent: the same with its sign, never
  below idle, since a wing's propeller gives nothing back.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from supervisor.core.constants import G0_MPS2
from supervisor.core.plan import Aircraft

Real = float | NDArray[np.floating[Any]]

# Momentum theory has no answer between a slow descent and twice the hover inflow (vortex ring); a
# landing descends at about 0.15 v_h, where measured induced power is close to the hover's. We
# therefore charge the full hover power for a hover descent: common practice, no source, safe side.


def hover_w(aircraft: Aircraft, mass_kg: Real, density: Real, climb_mps: Real = 0.0) -> Real:
    """Electrical power [W] on the lift rotors, without avionics.

    ``climb_mps`` >= 0 adds the climb, see :func:`hover_climb`; a descent is charged as a hover.
    """
    weight_n = np.asarray(mass_kg) * G0_MPS2
    inflow_mps = np.sqrt(weight_n / (2.0 * density * aircraft.disk_area_m2))
    climb = hover_climb(np.maximum(climb_mps, 0.0) / inflow_mps)
    result: Real = weight_n * inflow_mps * climb / aircraft.hover_efficiency
    return result


# Share of hover power that is induced; the rest (profile) hardly changes in a light wind or a slow
# climb. A rotor's induced power is 1.15 of the ideal: common practice, no source.
INDUCED_SHARE, INDUCED_FACTOR = 0.75, 1.15


def hover_climb(x: Real) -> Any:
    """Power of a hover that climbs over that of one that stays [-]; ``x`` = V_c/v_h >= -0.5.

    Momentum theory in axial flow (Leishman, Principles of Helicopter Aerodynamics, ch. 2): with
    v_i/v_h = -x/2 + sqrt(x^2/4 + 1) the rotor takes T (kappa v_i + V_c) beside a profile power that
    stays.
    """
    climb = np.asarray(x)
    inflow = np.sqrt(0.25 * climb * climb + 1.0) - 0.5 * climb
    return 1.0 + INDUCED_SHARE * (inflow - 1.0 + climb / INDUCED_FACTOR)


# Drag area of a winged aircraft held against the wind on its rotors, as a share of the wing's area:
# common practice, no source.
HOVER_DRAG_SHARE = 1.0 / 3.0


def hover_drag(aircraft: Aircraft) -> float:
    """What :func:`hover_relief` wants to know of the airframe: drag area over 4 disk areas [-].

    D V / (W v_h) with D = rho V^2 f / 2 and W = 2 rho A v_h^2 is f / (4 A) (V / v_h)^3.
    """
    return HOVER_DRAG_SHARE * aircraft.wing_area_m2 / (4.0 * aircraft.disk_area_m2)


def hover_relief(inflow_mps: Real, air_mps: Real, drag: float) -> Any:
    """Hover power in a wind over hover power in calm air [-]; ``drag`` from :func:`hover_drag`.

    Momentum theory in edgewise flow (Glauert; Leishman, Principles of Helicopter Aerodynamics,
    ch. 2): with v = v_i/v_h and x = V/v_h,  v^2 = -x^2/2 + sqrt(x^4/4 + 1).  ``inflow_mps`` is v_h.
    What the air takes off the induced power it soon gives back as drag: the least is at about v_h.
    """
    x = np.asarray(air_mps) / inflow_mps
    half = 0.5 * np.square(x)
    induced = np.sqrt(np.sqrt(half * half + 1.0) - half)
    return INDUCED_SHARE * induced + 1.0 - INDUCED_SHARE + drag * x * x * x


def wing_w(
    aircraft: Aircraft,
    mass_kg: Real,
    density: Real,
    tas_mps: Real,
    climb_mps: Real = 0.0,
    load_factor: Real = 1.0,
) -> Real:
    """Electrical power [W] on the pusher, without avionics; never below zero."""
    weight_n = np.asarray(mass_kg) * G0_MPS2
    parasite = parasite_w(aircraft, density, tas_mps)
    induced = induced_w(aircraft, weight_n * load_factor, density, tas_mps)
    result: Real = pusher_w(aircraft, parasite + induced + weight_n * climb_mps)
    return result


GUST_WIND_MPS = 10.0  # at which ``Aircraft.gust_cost`` is told


def in_gusts(aircraft: Aircraft, wind_mps: Real) -> Any:
    """Power on the wing among the gusts of a mean wind over that in smooth air [-].

    Gusts grow with the wind that makes them (MIL-F-8785C, low altitude: sigma_w = 0.1 W20, and
    sigma_u in a fixed ratio to it at any height); what they cost grows with the mean square of
    airspeed and thrust about their means (``calibrate/power.py``), so with the wind's square.
    """
    return 1.0 + aircraft.gust_cost * np.square(np.asarray(wind_mps) / GUST_WIND_MPS)


def parasite_w(aircraft: Aircraft, density: Real, tas_mps: Real) -> Any:
    """Power [W] of the drag that does not come from lift."""
    return 0.5 * density * np.asarray(tas_mps) ** 3 * aircraft.wing_area_m2 * aircraft.cd0


def induced_w(aircraft: Aircraft, lift_n: Real, density: Real, tas_mps: Real) -> Any:
    """Power [W] of the drag that comes from lift."""
    area = aircraft.wing_area_m2
    return 2.0 * aircraft.k * lift_n * lift_n / (density * np.asarray(tas_mps) * area)


def pusher_w(aircraft: Aircraft, shaft_w: Real) -> Any:
    """Electrical power [W] behind the shaft's; a propeller gives nothing back."""
    return np.maximum(shaft_w, 0.0) / aircraft.cruise_efficiency


def best_range_speed_mps(aircraft: Aircraft, mass_kg: float, density: float) -> float:
    """Still-air best-range true airspeed [m/s]: V_md = sqrt(2W/(rho S)) (k/CD0)^(1/4)."""
    weight_n = mass_kg * G0_MPS2
    ratio = (aircraft.k / aircraft.cd0) ** 0.25
    return float(np.sqrt(2.0 * weight_n / (density * aircraft.wing_area_m2)) * ratio)

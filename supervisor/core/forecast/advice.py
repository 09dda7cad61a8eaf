"""What would be better than the return as it is set, in figures: advice, not what will be flown.

* best return airspeed: energy a kilometre is power over ground speed; its minimum is searched on
  the builder's polar with the scale and the headwind believed (references: best-range speed in
  wind, textbook curve in tests/reference);
* best return height: the same power against the wind believed at other heights, plus the climb;
* equal-time point: where going on to the last point of the route and going home take equally long;
* time on station: how long the aircraft may circle here before it must turn.
"""

from __future__ import annotations

import math

import numpy as np

from supervisor.core.atmosphere import density_kgpm3, tas_per_cas
from supervisor.core.belief import Array, Belief
from supervisor.core.constants import G0_MPS2
from supervisor.core.cruise_scale import speed_factor
from supervisor.core.plan import Flight
from supervisor.core.power import wing_w

AIRSPEEDS = np.arange(1.15, 2.6, 0.025)  # over the stall: below is no margin, above no pack
HEIGHTS_M = (60.0, 80.0, 100.0, 120.0, 150.0, 200.0, 300.0)
SLOWEST_MPS = 3.0  # over ground: slower is no return


def best_airspeed(
    flight: Flight, belief: Belief, headwind_mps: float, way_m: float
) -> tuple[float, float]:
    """(calibrated airspeed [m/s] of least energy home, Wh saved over the airspeed set)."""
    craft, plan = flight.aircraft, flight.return_plan
    cas = np.append(craft.stall_mps * AIRSPEEDS, plan.airspeed_mps)
    energy = _energy_wh(flight, belief, cas, [plan.height_m], headwind_mps, way_m)
    best = int(np.argmin(energy))
    return float(cas[best]), float(energy[-1] - energy[best])


def best_height(
    flight: Flight, belief: Belief, middle: tuple[float, float], when_s: float, way_m: float
) -> tuple[float, float]:
    """(return height above home [m] of least energy, Wh saved over the height set)."""
    set_m = flight.return_plan.height_m
    low = min(max((s.elevation_m for s in flight.alternates), default=0.0), 60.0)
    heights = [set_m, *(h for h in HEIGHTS_M if abs(h - set_m) <= 100.0 and h >= low)]
    norm = max(math.hypot(*middle), 1.0)
    north, east = -middle[0] / norm, -middle[1] / norm
    above_m = np.array(heights)
    mid_n, mid_e, when = (np.full(len(heights), v) for v in (*middle, when_s))
    wind = belief.wind.means(mid_n, mid_e, above_m, when)
    head = -(wind[:, 0] * north + wind[:, 1] * east)
    cas = np.full(len(heights), flight.return_plan.airspeed_mps)
    energy = _energy_wh(flight, belief, cas, heights, head, way_m)
    energy += _climb_wh(flight, belief, above_m - belief.position.height_m)
    best = int(np.argmin(energy))
    return heights[best], float(energy[0] - energy[best])


def _energy_wh(
    flight: Flight,
    belief: Belief,
    cas_mps: Array,
    heights_m: list[float],
    headwind_mps: Array | float,
    way_m: float,
) -> Array:
    """Cruise energy over ``way_m`` [Wh]; inf where the ground speed is no return."""
    power, home_m = belief.power, flight.home.elevation_m
    each = [density_kgpm3(home_m + height, belief.day_offset_k) for height in heights_m]
    density = np.array(each)
    tas = cas_mps * np.array([tas_per_cas(d) for d in each])
    bare = np.asarray(wing_w(flight.aircraft, power.mass_kg, density, tas))
    scale = math.exp(power.log_mean[2]) * speed_factor(flight.aircraft, power.log_mean[5], cas_mps)
    watts = bare * scale + power.avionics_w
    ground = tas - headwind_mps
    seconds = way_m / np.maximum(ground, SLOWEST_MPS)
    result: Array = np.where(ground > SLOWEST_MPS, watts * seconds / 3600.0, np.inf)
    return result


def _climb_wh(flight: Flight, belief: Belief, rise_m: Array) -> Array:
    """Energy [Wh] of the height alone: m g h over the propulsion's efficiency."""
    joules = belief.power.mass_kg * G0_MPS2 * rise_m
    energy_wh: Array = joules / flight.aircraft.cruise_efficiency / 3600.0
    return energy_wh


def equal_time_s(ahead_s: Array, home_s: Array) -> float:
    """Time from now at which going on to the last point takes as long as going home; NaN: none."""
    excess = (ahead_s[-1] - ahead_s) - home_s  # falls as the aircraft goes on
    if len(excess) < 2 or excess[0] < 0.0 or excess[-1] > 0.0:
        return math.nan
    after = int(np.argmax(excess <= 0.0))
    if after == 0:
        return 0.0
    e0, e1 = excess[after - 1], excess[after]
    share = e0 / max(e0 - e1, 1e-9)
    return float(ahead_s[after - 1] + share * (ahead_s[after] - ahead_s[after - 1]))

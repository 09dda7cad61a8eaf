"""How far from home, on every bearing, the way home is still covered with the charge left now.

Not a circle: the wind stretches it. The forecast knows what the way home from *here* costs, how
uncertain that is, and what is left over; this spreads it over the compass with the ground speed
that the believed wind allows on each bearing. A picture for orientation: the energy to get there is
not counted, and the voltage limit only as far as the forecast from here already ran into it.
"""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np

from supervisor.core.atmosphere import density_kgpm3, tas_per_cas
from supervisor.core.belief import Array, Belief
from supervisor.core.forecast.run import Forecast
from supervisor.core.forecast.wind_nodes import expected_at
from supervisor.core.plan import Flight

BEARINGS = 24
SLOWEST_MPS = 2.0  # over ground: against more wind than that nobody comes home
FIXED = ("turn", "climb", "descent", "landing", "alternate", "final-reserve")
NEAR_WH = 1.0  # less cruise than this left: at home, no footprint to scale from


def ground_speed_mps(tas_mps: float, tail_mps: Array, cross_mps: Array) -> Array:
    """Wind triangle: sqrt(V^2 - cross^2) + tail [m/s], never below ``SLOWEST_MPS``."""
    along = np.sqrt(np.maximum(tas_mps**2 - cross_mps**2, 0.0))
    return np.asarray(np.maximum(along + tail_mps, SLOWEST_MPS), dtype=float)


def covered_m(flight: Flight, belief: Belief, forecast: Forecast) -> tuple[float, ...]:
    """Distance [m] on ``BEARINGS`` evenly spaced bearings from home, the first north, clockwise.

    At the policy's confidence: the spread of the landing energy is taken to grow with the way.
    Empty when the aircraft is so near home that nothing can be scaled from it.
    """
    ledger = dict(forecast.ledger_wh)
    here_m = math.hypot(belief.north_m, belief.east_m)
    if ledger.get("cruise", 0.0) < NEAR_WH or here_m < 1.0:
        return ()
    usable_wh = sum(ledger.values()) - sum(ledger.get(name, 0.0) for name in FIXED)
    land = forecast.numbers.landing_energy_wh
    sigma_wh = max(land.p50 - land.p05, 0.0) / NormalDist().inv_cdf(0.95)
    reach = NormalDist().inv_cdf(flight.policy.confidence) * sigma_wh / ledger["cruise"]
    speeds = _ground_speeds(flight, belief)
    bearing = math.atan2(belief.east_m, belief.north_m) % math.tau
    grid = math.tau * np.arange(BEARINGS + 1) / BEARINGS
    here_mps = float(np.interp(bearing, grid, np.append(speeds, speeds[0])))
    wh_per_m = ledger["cruise"] / here_m * here_mps / speeds
    distance = np.maximum(usable_wh, 0.0) / (wh_per_m * (1.0 + reach))
    return tuple(float(d) for d in distance)


def _ground_speeds(flight: Flight, belief: Belief) -> Array:
    """Ground speed home from every bearing, in the wind believed half way from here."""
    height = flight.return_plan.height_m
    north, east = expected_at(belief.wind, 0.5 * belief.north_m, 0.5 * belief.east_m, height)
    density = density_kgpm3(flight.home.elevation_m + height, belief.day_offset_k)
    tas = flight.return_plan.airspeed_mps * tas_per_cas(density)
    bearing = math.tau * np.arange(BEARINGS) / BEARINGS
    tail = -(north * np.cos(bearing) + east * np.sin(bearing))
    cross = -north * np.sin(bearing) + east * np.cos(bearing)
    return ground_speed_mps(tas, tail, cross)

"""Where the nearest ground is that the flight file tells of: for the case that no site is left.

Home, the alternates, and the points of the route with a ground elevation or a landing. Nobody has
looked whether one can land there; it is where the terrain is known, no more.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from supervisor.core.belief import Belief
from supervisor.core.forecast.legs import ground_of
from supervisor.core.forecast.run import Forecast
from supervisor.core.geodesy import LocalMap
from supervisor.core.plan import Flight

NEAR_M = 500.0  # from nearer home than this the cruise left tells nothing a metre


@dataclass(frozen=True, slots=True)
class Ground:
    """Known ground: how far, on which true bearing, how far below the aircraft."""

    name: str
    distance_m: float
    bearing_rad: float
    below_m: float


def nearest_ground(flight: Flight, belief: Belief) -> Ground:
    """The nearest of all places of the flight file whose terrain is known."""
    chart = LocalMap(flight.home.lat_rad, flight.home.lon_rad)
    rows = []
    for name, place, ground_m in _known(flight):
        north, east = chart.to_map(*place)
        to_n, to_e = north - belief.north_m, east - belief.east_m
        bearing = math.atan2(to_e, to_n) % math.tau
        below_m = belief.position.height_m - ground_m
        rows.append(Ground(name, math.hypot(to_n, to_e), bearing, below_m))
    return min(rows, key=lambda row: row.distance_m)


def _known(flight: Flight) -> Iterator[tuple[str, tuple[float, float], float]]:
    """(name, (lat, lon), ground above home [m])."""
    home_m = flight.home.elevation_m
    for site in (flight.home, *flight.alternates):
        yield site.name, (site.lat_rad, site.lon_rad), site.elevation_m - home_m
    for point in flight.route:
        if point.land or math.isfinite(point.ground_m):
            yield point.name, (point.lat_rad, point.lon_rad), ground_of(point)


def range_left_m(belief: Belief, forecast: Forecast) -> float:
    """About how far [m] the charge carries it at the way home's price, a landing hover kept.

    In watt-hours only: the voltage may end it before. NaN from too near home to tell.
    """
    ledger, home_m = dict(forecast.ledger_wh), math.hypot(belief.north_m, belief.east_m)
    cruise_wh = ledger.get("cruise", 0.0)
    if home_m < NEAR_M or cruise_wh <= 0.0:
        return math.nan
    spare_wh = sum(ledger.values()) - ledger.get("landing", 0.0)
    return max(spare_wh, 0.0) * home_m / cruise_wh

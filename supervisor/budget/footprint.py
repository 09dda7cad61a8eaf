"""From where is home still covered? Straight out on every bearing, on paper and at confidence.

Not a circle: the wind stretches it. Each bearing is flown as a plan of its own, from a full pack at
home, at the route's first height and airspeed, and returned from as the return plan says.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from supervisor.budget.as_learned import as_learned
from supervisor.budget.chance import odds
from supervisor.budget.layout import lay_out, turn_back_on_paper
from supervisor.core.estimate.prior import Prior
from supervisor.core.geodesy import LocalMap
from supervisor.core.plan import Flight, ReturnStyle, Waypoint
from supervisor.flightsense import still_air_reach_m

BEARINGS = 24
MEMBERS, POINTS = 600, 24


@dataclass(frozen=True, slots=True)
class Footprint:
    """Distances [m] on evenly spaced bearings from north; a closed line when drawn."""

    paper_m: tuple[float, ...]
    safe_m: tuple[float, ...]

    def points(self, distances_m: tuple[float, ...]) -> list[tuple[float, float]]:
        """(north, east) [m], the first repeated at the end."""
        step = math.tau / len(distances_m)
        line = [(d * math.cos(i * step), d * math.sin(i * step)) for i, d in enumerate(distances_m)]
        return [*line, line[0]]


def footprint(flight: Flight, prior: Prior, bearings: int = BEARINGS) -> Footprint:
    """The area from which home is still covered."""
    chart = LocalMap(flight.home.lat_rad, flight.home.lon_rad)
    reach = 0.7 * still_air_reach_m(flight)  # out and home together can never be longer than all
    paper, safe = [], []
    for i in range(bearings):
        ray = _ray(flight, chart, math.tau * i / bearings, reach)
        on_paper_m, safe_m = _distances(ray, prior)
        paper.append(on_paper_m)
        safe.append(safe_m)
    return Footprint(tuple(paper), tuple(safe))


def _ray(flight: Flight, chart: LocalMap, bearing: float, reach: float) -> Flight:
    first = flight.route[0]
    lat, lon = chart.to_place(reach * math.cos(bearing), reach * math.sin(bearing))
    far = Waypoint("far", lat, lon, first.height_m, first.airspeed_mps)
    plan = replace(flight.return_plan, style=ReturnStyle.DIRECT, via=())
    return replace(flight, route=(far,), return_plan=plan, alternates=())


def _distances(ray: Flight, prior: Prior) -> tuple[float, float]:
    """(on paper, at the policy's confidence) [m] from home."""
    plan = lay_out(as_learned(ray, prior))
    place = turn_back_on_paper(plan)
    safe_s = odds(ray, prior, members=MEMBERS, points=POINTS).turn_back_safe_s
    whole_m = float(plan.out.along_m[-1])
    safe_m = whole_m
    if math.isfinite(safe_s):
        safe_m = float(np.interp(max(safe_s, 0.0), plan.out.t_s, plan.out.along_m))
    return (place.distance_home_m if place else whole_m), safe_m

"""Heights of the plan: above home, above the ground as far as it is stated, for the coverage."""

from __future__ import annotations

import math
from collections.abc import Iterator

from supervisor.budget.answer import Finding, Weight
from supervisor.budget.ground import LEAST_ABOVE_GROUND_M, SITE_GROUND_M
from supervisor.core.geodesy import inverse
from supervisor.core.plan import Flight, Site, Waypoint
from supervisor.flightmodels import FlightFile

USUAL_M = 150.0  # most small aircraft are allowed less; only asks, the rule is the user's to state
LANDING_NEAR_M = 15.0  # 12 kg lifted 15 m are 0.5 Wh, about 1 Wh of the pack


def check_heights(file: FlightFile, flight: Flight) -> Iterator[Finding]:
    """Against the limits above home that the user states, cellular coverage among them."""
    rules = file.rules
    highest = max(height for _, height in _flown_heights(flight))
    if rules.max_height_m is None and highest > USUAL_M:
        yield Finding(
            Weight.CAUTION,
            "height",
            f"Up to {highest:.0f} m above home (metres, not feet?) and no limit is stated "
            "(rules.max_height_m).",
        )
    for name, height in _by_height(flight):
        if rules.max_height_m is not None and height > rules.max_height_m + 0.1:
            yield Finding(
                Weight.FAULT,
                "height",
                f"{name} at {height:.0f} m above home; rules.max_height_m is "
                f"{rules.max_height_m:.0f} m.",
            )
        if rules.min_height_m is not None and height < rules.min_height_m - 0.1:
            yield Finding(
                Weight.CAUTION,
                "height",
                f"{name} at {height:.0f} m above home; rules.min_height_m is "
                f"{rules.min_height_m:.0f} m.",
            )
        low, high = rules.coverage_min_height_m, rules.coverage_max_height_m
        limit = None
        if low is not None and height < low:
            limit = f"below the {low:.0f} m"
        elif high is not None and height > high:
            limit = f"above the {high:.0f} m"
        if limit:
            yield Finding(
                Weight.CAUTION,
                "coverage",
                f"{name} at {height:.0f} m: {limit} you gave for cellular coverage.",
            )


def _by_height(flight: Flight) -> Iterator[tuple[str, float]]:
    """(names of all that is flown there, height): one sentence a height, not a point."""
    names: dict[float, list[str]] = {}
    for name, height in _flown_heights(flight):
        names.setdefault(height, []).append(name)
    for height, group in names.items():
        more = len(group) - 4
        shown = group if more <= 0 else [*group[:4], f"{more} more"]
        yield ", ".join(shown), height


def _flown_heights(flight: Flight) -> Iterator[tuple[str, float]]:
    for point in flight.route:
        yield point.name, point.height_m
    yield "return leg", flight.return_plan.height_m


def check_points(file: FlightFile, flight: Flight) -> Iterator[Finding]:
    """Ground below route points and the return height, at points and near sites (``ground.py``:
    along the legs)."""
    rules = file.rules
    least = LEAST_ABOVE_GROUND_M if rules.min_above_ground_m is None else rules.min_above_ground_m
    known = list(_known_ground(flight))
    for point, ground_m, whose in known:
        above_m = point.height_m - ground_m
        if above_m < least:
            yield Finding(
                Weight.FAULT if above_m <= 0.0 else Weight.CAUTION,
                "ground",
                f"{point.name} is {above_m:.0f} m above {whose} (at least {least:.0f} m wanted).",
            )
        if rules.max_above_ground_m is not None and above_m > rules.max_above_ground_m + 0.1:
            yield Finding(
                Weight.FAULT,
                "ground",
                f"{point.name} is {above_m:.0f} m above {whose}; rules.max_above_ground_m is "
                f"{rules.max_above_ground_m:.0f} m.",
            )
        if point.land and math.isnan(point.ground_m) and abs(ground_m) > LANDING_NEAR_M:
            yield Finding(
                Weight.CAUTION,
                "ground",
                f"{point.name} lands without ground_elevation_m: it is reckoned level with home, "
                f"and {whose}, lies {ground_m:+.0f} m from that.",
            )
    yield from _return_height(flight, least, max((g for _, g, _ in known), default=0.0))


def _return_height(flight: Flight, least_m: float, highest_m: float) -> Iterator[Finding]:
    """The return against the highest ground of the route, the sites, and the transition."""
    height_m, low_m = flight.return_plan.height_m, flight.aircraft.transition_height_m
    if height_m - highest_m < least_m:
        yield Finding(
            Weight.FAULT if height_m <= highest_m else Weight.CAUTION,
            "ground",
            f"The return height is {height_m - highest_m:.0f} m above the highest ground stated "
            f"(at least {least_m:.0f} m wanted).",
        )
    if height_m < low_m:
        yield Finding(
            Weight.CAUTION,
            "height",
            f"The return at {height_m:.0f} m lies below the transition at {low_m:.0f} m.",
        )
    for site in flight.alternates:
        above_m = height_m - (site.elevation_m - flight.home.elevation_m)
        if above_m < max(least_m, low_m):
            yield Finding(
                Weight.CAUTION,
                "ground",
                f"The return height is {above_m:.0f} m above {site.name}; the way there is "
                f"reckoned at {low_m:.0f} m above it.",
            )


def _known_ground(flight: Flight) -> Iterator[tuple[Waypoint, float, str]]:
    """(route point, ground above home [m], whose it is): stated at the point, or at a near site."""
    home = flight.home
    for point in flight.route:
        if math.isfinite(point.ground_m):
            yield point, point.ground_m, "the ground there"
            continue
        sites = [(_apart_m(point, site), site) for site in (home, *flight.alternates)]
        apart_m, site = min(sites, key=lambda pair: pair[0])
        if apart_m < SITE_GROUND_M:
            whose = f"{site.name}, {apart_m:.0f} m away"
            yield point, site.elevation_m - home.elevation_m, whose


def _apart_m(point: Waypoint, site: Site) -> float:
    return inverse(point.lat_rad, point.lon_rad, site.lat_rad, site.lon_rad)[0]

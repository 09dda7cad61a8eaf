"""Geometry of the flight path: legs, turns, orbits, the way home.

Pure functions of positions; what the autopilot does with them is in ``sim/pilot.py``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

from sim import mission as m
from sim.atmosphere import G0_MPS2
from sim.geodesy import moved, offset_m
from sim.mission import MissionItem
from sim.plan import Plan

TURN_BANK_RAD = math.radians(22.0)
APPROACH_HEIGHT_M = 40.0  # above the ground, where the transition back begins
CAPTURE_M = 250.0  # cross-track error that is closed at 45 degrees
ORBIT_CAPTURE_M = 60.0
CIRCUIT_M = 500.0


@dataclass(frozen=True, slots=True)
class Leg:
    """A geodesic into an item: azimuth it has there, length and the ground at its start."""

    course_rad: float
    length_m: float
    ground_from_m: float


class Vector(NamedTuple):
    """From the aircraft to an item: distance [m], azimuth here and azimuth there [rad]."""

    north_m: float
    east_m: float
    distance_m: float
    here_rad: float
    there_rad: float


def vector(lat: float, lon: float, item: MissionItem, north: float, east: float) -> Vector:
    """To ``item`` from a position that is believed to be off by (``north``, ``east``) [m]."""
    dn, de, half = offset_m(lat, lon, math.radians(item.lat_deg), math.radians(item.lon_deg))
    dn, de = dn - north, de - east
    middle = math.atan2(de, dn)
    return Vector(dn, de, math.hypot(dn, de), middle - half, middle + half)


def track(leg: Leg, to: Vector) -> tuple[float, float]:
    """(distance still ahead along the leg [m], course to fly [rad]).

    A cross-track error e is closed by atan(e/CAPTURE_M), at most 45 degrees off the leg.
    """
    off = to.there_rad - leg.course_rad
    across = to.distance_m * math.sin(off)
    correction = min(max(math.atan(across / CAPTURE_M), -0.78), 0.78)
    return to.distance_m * math.cos(off), to.here_rad - off + correction


def orbit_course(north_m: float, east_m: float, radius_m: float) -> float:
    """Course [rad] clockwise around a centre that lies at (``north_m``, ``east_m``)."""
    outside = math.hypot(north_m, east_m) - radius_m
    return math.atan2(-east_m, -north_m) + 0.5 * math.pi + math.atan(outside / ORBIT_CAPTURE_M)


def turn_lead_m(item: MissionItem, after: MissionItem, course_rad: float, speed: float) -> float:
    """Distance [m] before ``item`` at which a fly-by turn begins: R tan(change/2)."""
    if after.command not in (m.NAV_WAYPOINT, m.NAV_LOITER_TIME, m.NAV_VTOL_LAND):
        return 30.0
    radius = speed * speed / (G0_MPS2 * math.tan(TURN_BANK_RAD))
    north, east, half = offset_m(
        math.radians(item.lat_deg), math.radians(item.lon_deg),
        math.radians(after.lat_deg), math.radians(after.lon_deg),
    )  # fmt: skip
    change = abs(math.remainder(math.atan2(east, north) - half - course_rad, math.tau))
    return max(30.0, radius * math.tan(0.5 * min(change, 2.2)))


def way_home(plan: Plan, passed: list[tuple[float, float]]) -> tuple[MissionItem, ...]:
    """Items of the return plan; ``passed``: points of the route behind, for a retraced return."""
    back, home = plan.return_plan, plan.home
    via = {"retrace": passed[::-1], "corridor": list(back.via)}.get(back.style, [])
    return _legs(plan, via, home.lat_deg, home.lon_deg, 0.0, home.name)


def way_to_alternate(plan: Plan, index: int) -> tuple[MissionItem, ...]:
    """Items straight to an alternate."""
    site = plan.alternates[index]
    ground_m = site.elevation_m - plan.home.elevation_m
    return _legs(plan, [], site.lat_deg, site.lon_deg, ground_m, site.name)


def _legs(
    plan: Plan,
    via: list[tuple[float, float]],
    lat: float,
    lon: float,
    ground_m: float,
    name: str,
) -> tuple[MissionItem, ...]:
    speed = plan.return_plan.airspeed_mps
    height_m = max(plan.return_plan.height_m, ground_m + APPROACH_HEIGHT_M)
    ways = [
        MissionItem(i, m.NAV_WAYPOINT, a, b, height_m, airspeed_mps=speed)
        for i, (a, b) in enumerate(via)
    ]
    last = MissionItem(
        len(ways), m.NAV_VTOL_LAND, lat, lon, height_m,
        name=name, ground_m=ground_m, airspeed_mps=speed,
    )  # fmt: skip
    return (*ways, last)


def circuit(item: MissionItem, wind_n: float, wind_e: float) -> MissionItem:
    """A point upwind of a landing, to fly around by after a landing that was broken off."""
    wind = math.hypot(wind_n, wind_e)
    un, ue = (-wind_n / wind, -wind_e / wind) if wind > 0.5 else (1.0, 0.0)
    lat, lon = moved(
        math.radians(item.lat_deg), math.radians(item.lon_deg), CIRCUIT_M * un, CIRCUIT_M * ue
    )
    height_m = item.ground_m + APPROACH_HEIGHT_M + 10.0
    return MissionItem(
        item.seq, m.NAV_WAYPOINT, math.degrees(lat), math.degrees(lon), height_m, name="circuit",
        ground_m=item.ground_m,
    )  # fmt: skip

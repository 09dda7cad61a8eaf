"""The course ahead: the plan cut to places to turn at, and how the aircraft leaves each of them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from supervisor.core.belief import Array, Belief
from supervisor.core.cells import pack_energy_wh
from supervisor.core.conclusions import Phase
from supervisor.core.constants import RHO0_KGPM3
from supervisor.core.forecast.legs import (
    ROTORBORNE,
    Habits,
    Kind,
    Point,
    Stretch,
    course_of,
    cut_to_points,
    ground_below,
    next_waypoint,
    plan_ahead,
)
from supervisor.core.forecast.way import Departures
from supervisor.core.forecast.wind_nodes import expected_at
from supervisor.core.plan import Aircraft, Flight
from supervisor.core.power import wing_w

AT_HOME_M = 150.0


@dataclass(frozen=True, slots=True)
class Course:
    """The plan ahead, cut to points."""

    stretches: list[Stretch]
    seconds: Array  # expected, each
    whole: bool  # reaches the end of the plan
    places: list[tuple[Point, int, Point]]  # place, next waypoint, course unit vector
    departures: list[Departures]  # for home, then for each alternate: from now only


def course_from(
    flight: Flight,
    route: tuple[Point, ...],
    belief: Belief,
    habits: Habits,
    points: int,
    stretches: list[Stretch] | None = None,
) -> Course:
    """The plan ahead, or ``stretches`` instead of it, cut to ``points`` places to turn at."""
    plan: list[Stretch] = stretches or []
    if stretches is None and not belief.homeward:
        plan = plan_ahead(flight, route, belief, habits)
    here = expected_at(belief.wind, belief.north_m, belief.east_m, belief.position.height_m)
    seconds = [_expected_s(s, here) for s in plan]
    horizon = horizon_s(flight, belief)
    pieces = cut_to_points(plan, points, seconds, horizon)
    return Course(
        stretches=pieces,
        seconds=np.array([_expected_s(s, here) for s in pieces]),
        whole=sum(seconds) <= horizon,
        places=_places(flight, belief, pieces),
        departures=_departures(flight, route, belief, pieces),
    )


def horizon_s(flight: Flight, belief: Belief) -> float:
    """When every member will have run dry: beyond it no point is worth flying to."""
    pack = belief.pack
    charge = min(float(pack.mean[0]) + 2.0 * math.sqrt(float(pack.cov[0, 0])), 1.0)
    energy = pack_energy_wh(flight.pack, charge, pack.capacity_ah)
    return 1.4 * 3600.0 * float(energy) / _level_w(flight.aircraft, belief)


def _places(
    flight: Flight, belief: Belief, pieces: list[Stretch]
) -> list[tuple[Point, int, Point]]:
    first = next_waypoint(flight, belief)
    places = [((belief.north_m, belief.east_m), first, course_of(belief))]
    for s in pieces:
        length = s.length_m
        unit = (0.0, 0.0)
        if length > 1.0:
            unit = ((s.end[0] - s.start[0]) / length, (s.end[1] - s.start[1]) / length)
        places.append((s.end, s.waypoint, unit))
    return places


def _departures(
    flight: Flight, route: tuple[Point, ...], belief: Belief, pieces: list[Stretch]
) -> list[Departures]:
    craft, fix = flight.aircraft, belief.position
    near = math.hypot(belief.north_m, belief.east_m) < AT_HOME_M
    standing = near and belief.phase in (Phase.GROUND, Phase.UNKNOWN)
    landing = near and belief.phase is Phase.HOVER_LANDING
    ground_m = ground_below(flight, route, (belief.north_m, belief.east_m))
    low = max(fix.height_m, 0.0)
    lift = [_lift_s(craft, low, ground_m) if belief.phase in ROTORBORNE else 0.0]
    lift += [_lift_after(flight.aircraft, s) for s in pieces]
    fly, land = np.ones(len(lift)), np.ones(len(lift))
    if standing or landing:
        fly[0] = 0.0
        land[0] = min(low / craft.transition_height_m, 1.0) if landing else 0.0
    gone = [0.0] + [s.dropped_kg for s in pieces]
    if len(set(gone)) == 1:
        gone = gone[:1]
    height = np.array([fix.height_m] + [s.end_height_m for s in pieces])
    rotors = np.array(lift) > 0.0
    top = np.array([ground_m] + [s.ground_m for s in pieces]) + craft.transition_height_m
    height = np.where(rotors, np.maximum(height, top), height)
    common = (height, np.array(gone), np.array(lift))
    home = Departures(*common, fly, land)
    one = np.ones(1)
    now = Departures(height[:1], common[1][:1], common[2][:1], one, one)
    return [home] + [now] * len(flight.alternates)


def _lift_after(craft: Aircraft, s: Stretch) -> float:
    if s.kind is Kind.GROUND:
        return _lift_s(craft, s.ground_m, s.ground_m)
    if s.kind is not Kind.HOVER:
        return 0.0
    in_transition = s.start_height_m == s.end_height_m
    return 0.0 if in_transition else _lift_s(craft, s.end_height_m, s.ground_m)


def _expected_s(s: Stretch, wind: Point) -> float:
    """Roughly how long a stretch takes in the wind met here: only spaces points and nodes."""
    if s.kind is not Kind.WING:
        return s.dwell_s
    rise_n, rise_e, length_m = s.end[0] - s.start[0], s.end[1] - s.start[1], s.length_m
    along = (wind[0] * rise_n + wind[1] * rise_e) / length_m
    return length_m / max(s.cas_mps + along, 0.3 * s.cas_mps)


def _level_w(craft: Aircraft, belief: Belief) -> float:
    """Cruise power [W] at the stated airspeed, where the scale is the cruise's own."""
    scale = math.exp(float(belief.power.log_mean[2]))
    bare = wing_w(craft, belief.power.mass_kg, RHO0_KGPM3, craft.cruise_mps)
    return float(np.asarray(bare)) * scale + belief.power.avionics_w


def _lift_s(craft: Aircraft, height_m: float, ground_m: float) -> float:
    climb = max(craft.transition_height_m + ground_m - height_m, 0.0)
    return float(climb / craft.hover_climb_mps + craft.transition_s)

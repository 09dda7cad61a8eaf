"""Where the aircraft may fly: the rest of the plan, and the way to a site from each point of it.

Geometry only, on the flat map around home (see ``geodesy.py``): no wind, no power, no members. The
plan ahead becomes *stretches* (straight and level, climbing, circling, landing, on the ground,
taking off), cut so finely that about ``points`` future turn-back points stand between them. The
way to a site becomes straight *pieces* from each of those points, as the return plan flies it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from supervisor.core.belief import Belief
from supervisor.core.events import Phase
from supervisor.core.geodesy import LocalMap
from supervisor.core.plan import Aircraft, Flight, ReturnStyle, Site, Waypoint

Array = NDArray[np.float64]
Point = tuple[float, float]

LANDING_M = 200.0  # so near a landing point it stands on that point's ground
GROWTH = 8.0  # of the steps between points
ON_COURSE_COS = 0.94  # within 20 degrees of the course is where it flies to
DIRECT_PIECES = 3  # a straight way home meets the wind in this many places
ROTORBORNE = (Phase.GROUND, Phase.HOVER_CLIMB, Phase.HOVER_LANDING, Phase.UNKNOWN)


class Kind(IntEnum):
    """How a stretch is flown."""

    WING = 0  # along a straight line, level or with ``climb_mps``
    CIRCLE = 1  # loitering on the wing
    HOVER = 2  # on the rotors, in a take-off or a landing
    GROUND = 3  # landed, avionics only


@dataclass(frozen=True, slots=True)
class Stretch:
    """One way of flying from one point to the next. ``dwell_s`` for all kinds but WING."""

    kind: Kind
    start: Point
    end: Point
    start_height_m: float
    end_height_m: float
    cas_mps: float
    climb_mps: float = 0.0
    dwell_s: float = 0.0
    dropped_kg: float = 0.0  # payload gone before this stretch
    waypoint: int = 0  # index of the route point it leads to or happens at
    ground_m: float = 0.0  # above home, where it starts or ends on the ground

    @property
    def length_m(self) -> float:
        """Ground distance [m]."""
        return math.hypot(self.end[0] - self.start[0], self.end[1] - self.start[1])

    def cut(self, parts: int) -> list[Stretch]:
        """The same in ``parts`` equal parts."""
        return self.cut_at([k / parts for k in range(parts + 1)])

    def cut_at(self, nodes: list[float]) -> list[Stretch]:
        """The same in parts between ``nodes``, shares of it from 0 to 1."""
        (n0, e0), (n1, e1) = self.start, self.end
        h0, h1 = self.start_height_m, self.end_height_m
        return [
            Stretch(
                self.kind,
                (n0 + a * (n1 - n0), e0 + a * (e1 - e0)),
                (n0 + b * (n1 - n0), e0 + b * (e1 - e0)),
                h0 + a * (h1 - h0),
                h0 + b * (h1 - h0),
                self.cas_mps,
                self.climb_mps,
                (b - a) * self.dwell_s,
                self.dropped_kg,
                self.waypoint,
                self.ground_m,
            )
            for a, b in pairwise(nodes)
        ]


@dataclass(frozen=True, slots=True)
class Habits:
    """Rates and times as this autopilot will really fly them.

    ``landing_hover_s``: all of a landing on the rotors. One that was seen has its back-transition
    in it: the phase is a hover landing as soon as the rotors carry.
    """

    cas_factor: float
    climb_mps: float
    descent_mps: float
    landing_hover_s: float


def seen_or_planned(flight: Flight, belief: Belief) -> Habits:
    """What was seen in this flight where it was seen, what the flight file says elsewhere."""
    seen, plan = belief.habits, flight.return_plan
    factor = 1.0
    if math.isfinite(seen.cruise_cas_mps) and flight.route:
        index = min(max(next_waypoint(flight, belief), 0), len(flight.route) - 1)
        asked = flight.route[index].airspeed_mps
        factor = min(max(seen.cruise_cas_mps / asked, 0.85), 1.15)
    return Habits(
        cas_factor=factor,
        climb_mps=_or(seen.climb_mps, plan.climb_mps),
        descent_mps=_or(seen.descent_mps, plan.descent_mps),
        landing_hover_s=_or(seen.landing_hover_s, plan.landing_s),
    )


def _or(seen: float, planned: float) -> float:
    return seen if math.isfinite(seen) and seen > 0.0 else planned


def next_waypoint(flight: Flight, belief: Belief) -> int:
    """Index in the route of the point the aircraft flies to; ``len(route)`` when none is left."""
    items = mission_layout(flight)
    return items[belief.mission_seq] if 0 <= belief.mission_seq < len(items) else len(flight.route)


def mission_layout(flight: Flight) -> list[int]:
    """For each item of the mission, which route point it belongs to.

    The mission as a flight file's route becomes it with the commands of the common set: take-off;
    before a leg of another airspeed DO_CHANGE_SPEED; a waypoint or loiter for each point; for a
    landing also land, DO_GRIPPER for a drop, NAV_DELAY for a wait, and the second take-off, which
    belongs to the next point; DO_GRIPPER for a drop from the air; the return.
    """
    items, speed = [0], flight.aircraft.cruise_mps
    for index, point in enumerate(flight.route):
        items += [index] * (point.airspeed_mps != speed)
        speed = point.airspeed_mps
        items += [index] * (1 + point.land + (point.drop_kg > 0.0))
        if point.land:
            items += [index] * (point.ground_s > 0.0) + [index + 1]
    return items


def course_of(belief: Belief) -> Point:
    """Unit vector (north, east) along which it moves; (0, 0) in a hover or on the ground."""
    fix = belief.position
    speed = math.hypot(fix.vn_mps, fix.ve_mps)
    return (fix.vn_mps / speed, fix.ve_mps / speed) if speed > 5.0 else (0.0, 0.0)


def map_of(flight: Flight) -> LocalMap:
    """The flat map around this flight's home."""
    return LocalMap(flight.home.lat_rad, flight.home.lon_rad)


def route_on_map(flight: Flight, chart: LocalMap) -> tuple[Point, ...]:
    """(north, east) [m] of every route point."""
    return tuple(chart.to_map(w.lat_rad, w.lon_rad) for w in flight.route)


def plan_ahead(
    flight: Flight, route: tuple[Point, ...], belief: Belief, habits: Habits
) -> list[Stretch]:
    """The rest of the plan, uncut, from where the aircraft is."""
    aircraft = flight.aircraft
    here, height = (belief.north_m, belief.east_m), belief.position.height_m
    first = next_waypoint(flight, belief)
    gone = 0.0  # the believed mass already lacks what was dropped
    stretches: list[Stretch] = []
    if first < len(flight.route) and belief.phase in ROTORBORNE:
        ground_m = ground_below(flight, route, here)
        stretches += _take_off(aircraft, here, max(height, ground_m), 0.0, ground_m, first)
        height = max(height, ground_m + aircraft.transition_height_m)
    for index in range(first, len(flight.route)):
        point, place = flight.route[index], route[index]
        cas = point.airspeed_mps * habits.cas_factor
        there = belief.phase is Phase.LOITER and index == first
        stretches += _fly_to(here, place, height, point.height_m, cas, habits, gone, index)
        stretches += _stay_at(flight, point, place, cas, habits, gone, index, there)
        gone += point.drop_kg
        here = place
        low = ground_of(point) + aircraft.transition_height_m
        height = low if point.land else point.height_m
    return [s for s in stretches if s.length_m > 1.0 or s.dwell_s > 0.5]


def ground_of(point: Waypoint) -> float:
    """Ground at a route point, above home [m]; that of home where the flight file does not tell."""
    return point.ground_m if math.isfinite(point.ground_m) else 0.0


def ground_below(flight: Flight, route: tuple[Point, ...], here: Point) -> float:
    """Ground [m above home] on which it may stand ``here``: a landing point's, else home's."""
    for point, place in zip(flight.route, route, strict=True):
        if point.land and math.hypot(place[0] - here[0], place[1] - here[1]) < LANDING_M:
            return ground_of(point)
    return 0.0


def _fly_to(
    here: Point,
    there: Point,
    height: float,
    to_height: float,
    cas: float,
    habits: Habits,
    gone: float,
    index: int,
) -> list[Stretch]:
    """Climb or descend at once, along the line; then level."""
    distance = math.hypot(there[0] - here[0], there[1] - here[1])
    rise = to_height - height
    rate = habits.climb_mps if rise > 0.0 else habits.descent_mps
    reach = min(abs(rise) / rate * cas / max(distance, 1.0), 1.0)
    knee = (here[0] + reach * (there[0] - here[0]), here[1] + reach * (there[1] - here[1]))
    slope = math.copysign(rate, rise) if rise else 0.0
    return [
        Stretch(Kind.WING, here, knee, height, to_height, cas, slope, 0.0, gone, index),
        Stretch(Kind.WING, knee, there, to_height, to_height, cas, 0.0, 0.0, gone, index),
    ]


def _stay_at(
    flight: Flight,
    point: Waypoint,
    place: Point,
    cas: float,
    habits: Habits,
    gone: float,
    index: int,
    already_there: bool,
) -> list[Stretch]:
    """Loiter, or land, wait, drop and take off again."""
    h = point.height_m
    result: list[Stretch] = []
    if point.loiter_s > 0.0:
        # Half of it is left on average when we find it circling: nobody reports since when.
        left = point.loiter_s * (0.5 if already_there else 1.0)
        result.append(Stretch(Kind.CIRCLE, place, place, h, h, cas, 0.0, left, gone, index))
    if not point.land:
        return result
    ground_m = ground_of(point)
    low = ground_m + flight.aircraft.transition_height_m
    down_s = max(h - low, 0.0) / habits.descent_mps
    hover_s = habits.landing_hover_s
    result += [
        Stretch(Kind.CIRCLE, place, place, h, low, cas, -habits.descent_mps, down_s, gone, index),
        Stretch(Kind.HOVER, place, place, low, ground_m, 0.0, 0.0, hover_s, gone, index, ground_m),
    ]
    gone += point.drop_kg
    if point.ground_s > 0.0:
        on, wait = ground_m, point.ground_s
        result.append(Stretch(Kind.GROUND, place, place, on, on, 0.0, 0.0, wait, gone, index, on))
    if index + 1 <= len(flight.route):
        result += _take_off(flight.aircraft, place, ground_m, gone, ground_m, index)
    return result


def _take_off(
    aircraft: Aircraft, place: Point, height: float, gone: float, ground_m: float, index: int
) -> list[Stretch]:
    """From where it stands or hovers up to the wing; the transition at hover power."""
    top = aircraft.transition_height_m + ground_m
    up_s = max(top - height, 0.0) / aircraft.hover_climb_mps
    rate, over_s = aircraft.hover_climb_mps, aircraft.transition_s
    return [
        Stretch(Kind.HOVER, place, place, height, top, 0.0, rate, up_s, gone, index, ground_m),
        Stretch(Kind.HOVER, place, place, top, top, 0.0, 0.0, over_s, gone, index, ground_m),
    ]


def cut_to_points(
    stretches: list[Stretch], points: int, seconds_of: list[float], horizon_s: float
) -> list[Stretch]:
    """Cut so that about ``points`` points come to stand up to ``horizon_s``.

    Their steps grow with the time from now, the last about ``GROWTH`` + 1 times the first: the turn
    is to be timed finely when it is near.
    """
    total = max(min(sum(seconds_of), horizon_s), 1.0)
    per_log = max(points - 1, 1) / math.log1p(GROWTH)
    result: list[Stretch] = []
    elapsed = 0.0
    for stretch, seconds in zip(stretches, seconds_of, strict=True):
        if elapsed >= horizon_s:
            break
        until = elapsed + seconds
        first, last = (per_log * math.log1p(GROWTH * t / total) for t in (elapsed, until))
        parts = max(round(last - first), 1)
        times = [
            math.expm1((first + (last - first) * k / parts) / per_log) * total / GROWTH
            for k in range(1, parts)
        ]
        nodes = [0.0, *((t - elapsed) / seconds for t in times), 1.0]
        starts = [elapsed, *times]
        result += [
            part
            for part, start in zip(stretch.cut_at(nodes), starts, strict=True)
            if start < horizon_s
        ]
        elapsed = until
    return result


@dataclass(frozen=True, slots=True)
class Ways:
    """Ways from every point to one site, in straight pieces; arrays are (pieces, points).

    ``north``, ``east``: unit vector of flight; ``share``: middle of the piece as a share of the
    way's length; ``mid_n_m``, ``mid_e_m``: where that is. ``turn_rad`` (points,): heading to be
    turned before the first piece.
    """

    length_m: Array
    north: Array
    east: Array
    share: Array
    mid_n_m: Array
    mid_e_m: Array
    turn_rad: Array

    @property
    def total_m(self) -> Array:
        """Length of each whole way [m]."""
        total: Array = self.length_m.sum(axis=0)
        return total


def ways_to(
    flight: Flight,
    chart: LocalMap,
    route: tuple[Point, ...],
    points: list[tuple[Point, int, Point]],
    site: Site,
    *,
    underway: bool = False,
) -> Ways:
    """The ways to ``site`` from (place, next waypoint, course unit vector) points.

    ``underway``: it flies home already; what is passed of a bent way home is not flown again.
    """
    goal = _standing(chart, site.lat_rad, site.lon_rad)
    home = site is flight.home
    rest = underway and home and flight.return_plan.style is not ReturnStyle.DIRECT
    now = points[0][2]  # a point in a circle has no course; it began on this one
    lines = {}  # points in a circle are all the same
    for point in dict.fromkeys(points):
        place, ahead, course = point
        line = _line(flight, chart, route, place, ahead, goal, home)
        lines[point] = _rest(line, course if any(course) else now) if rest else line
    return _measure([lines[point] for point in points], [course for _, _, course in points])


@lru_cache(maxsize=64)
def _standing(chart: LocalMap, lat_rad: float, lon_rad: float) -> Point:
    """On the map, for what does not move: asked for at every look."""
    return chart.to_map(lat_rad, lon_rad)


def _rest(line: list[Point], course: Point) -> list[Point]:
    """What is left of a bent way home: from the first of its points that lies on the course.

    A turn between two pieces shows no point ahead; then it is the one nearest to the course.
    """
    place, *ahead = line
    cosines = [_towards(place, point, course) for point in ahead]
    first = next((k for k, c in enumerate(cosines) if c > ON_COURSE_COS), -1)
    if first < 0:
        first = max(range(len(ahead)), key=lambda k: cosines[k])
    return [place, *ahead[first:]]


def _towards(place: Point, point: Point, course: Point) -> float:
    north, east = point[0] - place[0], point[1] - place[1]
    return (north * course[0] + east * course[1]) / max(math.hypot(north, east), 1e-9)


def _line(
    flight: Flight,
    chart: LocalMap,
    route: tuple[Point, ...],
    place: Point,
    ahead: int,
    goal: Point,
    home: bool,
) -> list[Point]:
    plan = flight.return_plan
    if home and plan.style is ReturnStyle.RETRACE:
        return [place, *reversed(route[:ahead]), goal]
    if home and plan.style is ReturnStyle.CORRIDOR:
        # All of it in order, however far along the corridor the aircraft already is.
        return [place, *(_standing(chart, *p) for p in plan.via), goal]
    steps = [k / DIRECT_PIECES for k in range(DIRECT_PIECES + 1)]
    return [
        (place[0] + a * (goal[0] - place[0]), place[1] + a * (goal[1] - place[1])) for a in steps
    ]


def _measure(lines: list[list[Point]], courses: list[Point]) -> Ways:
    """Pad all lines to the same number of pieces (with pieces of no length at the goal)."""
    most = max(len(line) for line in lines)
    padded = np.array([line + [line[-1]] * (most - len(line)) for line in lines])
    steps = np.diff(padded, axis=1)
    length = np.hypot(steps[..., 0], steps[..., 1])
    unit = steps / np.maximum(length, 1e-9)[..., None]
    total = np.maximum(length.sum(axis=1, keepdims=True), 1e-9)
    share = (np.cumsum(length, axis=1) - 0.5 * length) / total
    middle = 0.5 * (padded[:, 1:] + padded[:, :-1])
    course = np.array(courses)
    first = np.argmax(length > 1.0, axis=1)
    away = unit[np.arange(len(lines)), first]
    turn = np.arccos(np.clip((course * away).sum(axis=1), -1.0, 1.0))
    still = np.hypot(course[:, 0], course[:, 1]) < 0.5
    return Ways(
        length_m=length.T,
        north=unit[..., 0].T,
        east=unit[..., 1].T,
        share=share.T,
        mid_n_m=middle[..., 0].T,
        mid_e_m=middle[..., 1].T,
        turn_rad=np.where(still, 0.0, turn),
    )

"""The rest of the plan, as geometry: no wind, no power, no members.

On the flat map around home (see ``geodesy.py``) the plan ahead becomes *stretches* (straight and
level, climbing, circling, landing, on the ground, taking off), cut so finely that about ``points``
future turn-back points stand between them. The ways home from those: ``way_geometry.py``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum
from itertools import pairwise

from supervisor.core.belief import Belief
from supervisor.core.conclusions import Phase
from supervisor.core.geodesy import LocalMap
from supervisor.core.plan import Aircraft, Flight, Waypoint

Point = tuple[float, float]

LANDING_M = 200.0  # so near a landing point it stands on that point's ground
GROWTH = 8.0  # of the steps between points
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

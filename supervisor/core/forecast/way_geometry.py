"""The ways to a site from the points of the plan ahead, as geometry: no wind, no power, no members.

On the flat map around home (see ``geodesy.py``) each way becomes straight *pieces*, as the return
plan flies it: direct, back along the route, or through a corridor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from supervisor.core.belief import Array
from supervisor.core.forecast.legs import Point
from supervisor.core.geodesy import LocalMap
from supervisor.core.plan import Flight, ReturnStyle, Site

ON_COURSE_COS = 0.94  # within 20 degrees of the course is where it flies to
DIRECT_PIECES = 3  # a straight way home meets the wind in this many places


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

"""The home leg and its landing as stretches, flown exactly as ``way.py`` reckons them for members.

Used where every phase must be seen with its own time, distance and voltage: in the planned ledger.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from supervisor.core.forecast.ahead import ground_speed_mps
from supervisor.core.forecast.legs import Kind, Stretch
from supervisor.core.forecast.members import air_at, turn_s
from supervisor.core.forecast.way import CIRCUIT_S
from supervisor.core.forecast.way_geometry import Ways, ways_to
from supervisor.core.paper.sortie import Paper, Step, course_of, landing_parts
from supervisor.core.plan import Site

Array = NDArray[np.float64]


def way_home(paper: Paper, last: Step, after_s: float, site: Site | None = None) -> list[Step]:
    """The home leg from the end of ``last``: turn, climb, cruise, descent, landing hover."""
    flight, leg = paper.flight, len(paper.flight.route)
    site = site or flight.home
    start = last.stretch
    course = course_of(start)
    ways = ways_to(flight, paper.chart, paper.route, [(start.end, start.waypoint, course)], site)
    tas = _return_tas(paper)
    gone = start.dropped_kg
    if start.end_height_m < flight.aircraft.transition_height_m - 1.0:
        raise ValueError("a home leg starts on the wing")
    steps = [_turn(paper, start, float(turn_s(flight.aircraft.bank_rad, tas, ways.turn_rad)[0]))]
    ground = _ground_speeds(paper, ways, float(tas[0]), after_s)
    steps += _wing_home(paper, ways, ground, start, site, gone)
    base_m = site.elevation_m - flight.home.elevation_m
    return [
        Step(s, name, leg) for s, name in [*steps, *_landing(paper, steps[-1][0].end, base_m, gone)]
    ]


def _return_tas(paper: Paper) -> Array:
    plan = paper.flight.return_plan
    air = air_at(paper.flight, paper.belief, np.array([plan.height_m]), np.float64)
    return np.asarray(plan.airspeed_mps * paper.habits.cas_factor * air.tas_per_cas)


def _turn(paper: Paper, at: Stretch, seconds: float) -> tuple[Stretch, str]:
    cas = paper.flight.return_plan.airspeed_mps
    h, leg = at.end_height_m, len(paper.flight.route)
    turn = Stretch(Kind.CIRCLE, at.end, at.end, h, h, cas, 0.0, seconds, at.dropped_kg, leg)
    return turn, "turn"


def _ground_speeds(paper: Paper, ways: Ways, tas: float, after_s: float) -> Array:
    """Ground speed on each straight piece of the way home [m/s]."""
    height = np.full(len(ways.length_m), paper.flight.return_plan.height_m)
    when = after_s + np.cumsum(ways.length_m[:, 0]) / tas
    wind = paper.wind.at(ways.mid_n_m[:, 0], ways.mid_e_m[:, 0], height, when)
    n, e = ways.north[:, 0], ways.east[:, 0]
    along, across = wind[:, 0] * n + wind[:, 1] * e, wind[:, 1] * n - wind[:, 0] * e
    return np.asarray(ground_speed_mps(np.full(len(n), tas), along, across))


def _wing_home(
    paper: Paper, ways: Ways, ground: Array, start: Stretch, site: Site, gone: float
) -> list[tuple[Stretch, str]]:
    """Cut the line into climb (or descent) to the return height, level, and descent at the end."""
    flight, habits = paper.flight, paper.habits
    top = flight.return_plan.height_m
    low = site.elevation_m - flight.home.elevation_m + flight.aircraft.transition_height_m
    rise = top - start.end_height_m
    first_s = rise / habits.climb_mps if rise > 0.0 else -rise / habits.descent_mps
    last_s = max(top - low, 0.0) / habits.descent_mps
    total = float(ways.total_m[0])
    first_m = min(first_s * float(ground[0]), total)
    last_m = min(last_s * float(ground[-1]), total - first_m)
    marks = [0.0, *np.cumsum(ways.length_m[:, 0])]
    corners = _corners(ways, start.end)
    slope = habits.climb_mps if rise > 0.0 else -habits.descent_mps
    spans = [
        (0.0, first_m, start.end_height_m, top, slope, "climb" if rise > 0.0 else "descent"),
        (first_m, total - last_m, top, top, 0.0, "cruise"),
        (total - last_m, total, top, min(low, top), -habits.descent_mps, "descent"),
    ]
    result = []
    for begin, end, h0, h1, climb, name in spans:
        inner = [m for m in marks if begin + 0.5 < m < end - 0.5]
        for a, b in zip([begin, *inner], [*inner, end], strict=True):
            if b - a < 0.5:
                continue
            share = [(m - begin) / (end - begin) for m in (a, b)]
            low_h, high_h = (h0 + x * (h1 - h0) for x in share)
            place = [_at(corners, marks, m) for m in (a, b)]
            cas = flight.return_plan.airspeed_mps * habits.cas_factor
            leg = len(flight.route)
            s = Stretch(Kind.WING, place[0], place[1], low_h, high_h, cas, climb, 0.0, gone, leg)
            result.append((s, name))
    return result


def _corners(ways: Ways, start: tuple[float, float]) -> Array:
    steps = np.column_stack([ways.north[:, 0], ways.east[:, 0]]) * ways.length_m[:, :1]
    return np.vstack([start, np.asarray(start) + np.cumsum(steps, axis=0)])


def _at(corners: Array, marks: list[float], along: float) -> tuple[float, float]:
    return (
        float(np.interp(along, marks, corners[:, 0])),
        float(np.interp(along, marks, corners[:, 1])),
    )


def _landing(
    paper: Paper, place: tuple[float, float], ground_m: float, gone: float
) -> list[tuple[Stretch, str]]:
    """The landing hover, with the missed landings of the policy (see core/forecast/way.py)."""
    flight, craft = paper.flight, paper.flight.aircraft
    leg, low = len(flight.route), ground_m + craft.transition_height_m
    hover_s, rounds = paper.habits.landing_hover_s, flight.policy.missed_landings
    steps: list[tuple[Stretch, str]] = []
    if rounds:
        again_s = rounds * (hover_s + craft.transition_height_m / craft.hover_climb_mps)
        cas = flight.return_plan.airspeed_mps
        circuit = Stretch(
            Kind.CIRCLE, place, place, low, low, cas, 0.0, rounds * CIRCUIT_S, gone, leg
        )
        tries = Stretch(Kind.HOVER, place, place, low, low, 0.0, 0.0, again_s, gone, leg)
        steps = [(circuit, "missed landing"), (tries, "missed landing")]
    down = Stretch(Kind.HOVER, place, place, low, ground_m, 0.0, 0.0, hover_s, gone, leg)
    return [*steps, *landing_parts(down)]

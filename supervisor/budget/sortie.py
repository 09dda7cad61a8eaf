"""The whole flight on paper: every stretch out, the home leg and the landing, one after another.

The same functions that the forecast uses fly one member that has no doubts: the builder's figures
and the forecast wind taken at their word. What comes out is the planned ledger.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from supervisor.core import legs
from supervisor.core.ahead import (
    Ahead,
    Columns,
    _stretch_power_w,
    fly_plan,
    ground_speed_mps,
)
from supervisor.core.belief import Belief
from supervisor.core.cells import capacity_factor, energy_grid_wh
from supervisor.core.discharge import CellTables, loaded_v, tables, thaw
from supervisor.core.geodesy import LocalMap
from supervisor.core.legs import Habits, Kind, Stretch, Ways
from supervisor.core.members import Air, Members, air_at, draw, turn_s
from supervisor.core.paper import paper_belief
from supervisor.core.plan import Flight, Site
from supervisor.core.way import CIRCUIT_S
from supervisor.core.windfield import ForecastWind, forecast_wind

Array = NDArray[np.float64]

FINE_S = 60.0  # stretches are cut to about this: fine enough for tables and pictures
WIND_PASSES = 4  # wind depends on the time of day, time on the wind: repeated until it stands still


@dataclass(frozen=True, slots=True)
class Paper:
    """One flight taken at its word, ready to be flown."""

    flight: Flight
    chart: LocalMap
    route: tuple[tuple[float, float], ...]
    belief: Belief
    habits: Habits
    member: Members
    table: CellTables
    wind: ForecastWind


@dataclass(frozen=True, slots=True)
class Step:
    """A stretch with its name, and the leg (index of the route point; ``len(route)``: home)."""

    stretch: Stretch
    phase: str
    leg: int


@dataclass(frozen=True, slots=True)
class Sortie:
    """States at every point; ``steps[k]`` leads from point k to point k + 1.

    ``energy_wh`` open-circuit energy left; ``cell_v`` of the mean cell at the end of the step,
    under the step's load; ``along_m`` ground track from take-off.
    """

    steps: tuple[Step, ...]
    ahead: Ahead
    t_s: Array
    along_m: Array
    energy_wh: Array
    charge: Array
    cell_v: Array
    north_m: Array
    east_m: Array
    height_m: Array
    ground_mps: Array
    dropped_kg: Array


def on_paper(flight: Flight) -> Paper:
    """Everything that a sortie of ``flight`` needs, worked out once."""
    chart = legs.map_of(flight)
    belief = paper_belief(flight)
    cold = float(capacity_factor(flight.pack.cell, flight.pack.temperature_c))
    pack = replace(belief.pack, capacity_ah=flight.pack.capacity_ah * cold)
    belief = replace(belief, pack=pack)
    member = draw(flight, belief, np.random.default_rng(0), 1, np.float64)
    one, none = np.ones((1, 1)), np.zeros((1, 1))
    member = replace(member, landing=one, airspeed=one, gust_w=none, gust_home=none)
    return Paper(
        flight=flight,
        chart=chart,
        route=legs.route_on_map(flight, chart),
        belief=belief,
        habits=legs.seen_or_planned(flight, belief),
        member=member,
        table=tables(flight.pack.cell, np.float64),
        wind=forecast_wind(flight.weather, chart.to_map),
    )


# --- what is flown -----------------------------------------------------------------------------


def outbound(paper: Paper) -> list[Step]:
    """From the ground at home to the end of the last route point."""
    stretches = legs.plan_ahead(paper.flight, paper.route, paper.belief, paper.habits)
    return [Step(s, _phase(s), s.waypoint) for s in stretches]


def _phase(s: Stretch) -> str:
    if s.kind is Kind.GROUND:
        return "ground"
    if s.kind is Kind.HOVER:
        rising = s.end_height_m > s.start_height_m
        if not rising and s.end_height_m < s.start_height_m:
            return "landing"
        return "take-off" if rising else "transition"
    if s.climb_mps:
        return "climb" if s.climb_mps > 0.0 else "descent"
    return "loiter" if s.kind is Kind.CIRCLE else "cruise"


def way_home(paper: Paper, last: Step, after_s: float, site: Site | None = None) -> list[Step]:
    """The home leg from the end of ``last``: turn, climb, cruise, descent, landing hover."""
    flight, leg = paper.flight, len(paper.flight.route)
    site = site or flight.home
    start = last.stretch
    course = _unit(start)
    ways = legs.ways_to(
        flight, paper.chart, paper.route, [(start.end, start.waypoint, course)], site
    )
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


def _unit(s: Stretch) -> tuple[float, float]:
    if s.length_m < 1.0:
        return (0.0, 0.0)
    return (s.end[0] - s.start[0]) / s.length_m, (s.end[1] - s.start[1]) / s.length_m


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
    """The landing hover, with the missed landings that the policy plans for (see core/way.py)."""
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
    return [*steps, (down, "landing")]


# --- flying it ---------------------------------------------------------------------------------


def fine(steps: list[Step]) -> list[Step]:
    """Cut into parts of about ``FINE_S``."""
    result = []
    for step in steps:
        s = step.stretch
        seconds = s.dwell_s or s.length_m / max(s.cas_mps, 1.0)
        parts = max(math.ceil(seconds / FINE_S), 1)
        result += [Step(part, step.phase, step.leg) for part in s.cut(parts)]
    return result


def fly(paper: Paper, steps: list[Step]) -> Sortie:
    """The states along ``steps``, from a full pack on the ground."""
    columns = Columns.of([s.stretch for s in steps], np.float64)
    middle = np.array([_middle(s.stretch) for s in steps])
    air = air_at(paper.flight, paper.belief, columns.mid_height_m, np.float64)
    heights = np.asarray(columns.mid_height_m, dtype=float)
    when = np.zeros(len(steps))
    calm = np.zeros((1, len(steps)))
    for _ in range(WIND_PASSES):
        wind = paper.wind.at(middle[:, 0], middle[:, 1], heights, when)
        along = wind[:, 0] * columns.north + wind[:, 1] * columns.east
        across = wind[:, 1] * columns.north - wind[:, 0] * columns.east
        both = (along[None, :], across[None, :])
        ahead = fly_plan(paper.flight, paper.table, paper.member, air, columns, both, calm)
        t = ahead.t_s[0]
        when = 0.5 * (t[1:] + t[:-1])
    return _sortie(paper, steps, columns, air, ahead)


def _middle(s: Stretch) -> tuple[float, float]:
    return 0.5 * (s.start[0] + s.end[0]), 0.5 * (s.start[1] + s.end[1])


def _sortie(paper: Paper, steps: list[Step], columns: Columns, air: Air, ahead: Ahead) -> Sortie:
    places = np.array([steps[0].stretch.start, *(s.stretch.end for s in steps)])
    heights = [steps[0].stretch.start_height_m, *(s.stretch.end_height_m for s in steps)]
    length = np.where(columns.kind == Kind.WING, columns.length_m, 0.0)
    grid, below = energy_grid_wh(paper.flight.pack.cell)
    u = ahead.charge.u[0]
    return Sortie(
        steps=tuple(steps),
        ahead=ahead,
        t_s=np.asarray(ahead.t_s[0]),
        along_m=np.concatenate([[0.0], np.cumsum(length)]),
        energy_wh=np.asarray(u * paper.member.to_wh[0, 0]),
        charge=np.interp(u, below, grid),
        cell_v=_volts(paper, columns, air, ahead),
        north_m=places[:, 0],
        east_m=places[:, 1],
        height_m=np.array(heights),
        ground_mps=np.where(columns.kind == Kind.WING, ahead.ground_mps[0], 0.0),
        dropped_kg=np.concatenate([[0.0], columns.dropped_kg]),
    )


def _volts(paper: Paper, columns: Columns, air: Air, ahead: Ahead) -> Array:
    """Mean cell's voltage at every point under the load of the step before (at rest at first)."""
    power = _stretch_power_w(paper.flight, paper.member, air, columns)
    cells = paper.flight.pack.series * paper.flight.pack.parallel
    load = np.concatenate([[0.0], power[0]])[None, :] / cells
    factor = paper.member.resistance * thaw(
        paper.flight.pack.cell, paper.member.temperature_c, ahead.warmth_k
    )
    zero: Any = np.zeros((1, 1))
    volts = loaded_v(paper.table, ahead.charge, factor, load, zero, np.ones((1, 1)))
    return np.asarray(volts[0])

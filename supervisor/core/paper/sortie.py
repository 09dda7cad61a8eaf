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

from supervisor.core.belief import Belief
from supervisor.core.cells import capacity_factor, energy_grid_wh
from supervisor.core.estimate.forecast_wind import ForecastWind, forecast_wind
from supervisor.core.forecast import legs
from supervisor.core.forecast.ahead import (
    Ahead,
    Columns,
    _stretch_power_w,
    fly_plan,
)
from supervisor.core.forecast.discharge import CellTables, loaded_v, tables, thaw
from supervisor.core.forecast.legs import Habits, Kind, Stretch
from supervisor.core.forecast.members import Air, Members, air_at, draw
from supervisor.core.geodesy import LocalMap
from supervisor.core.paper.paper import paper_belief
from supervisor.core.plan import LANDING_TIME, Flight
from supervisor.core.power import in_gusts

Array = NDArray[np.float64]

FINE_S = 60.0  # stretches are cut to about this: fine enough for tables and pictures
WIND_PASSES = 4  # wind depends on the time of day, time on the wind: repeated until it stands still


@dataclass(frozen=True, slots=True)
class Paper:
    """One flight taken at its word, ready to be flown.

    ``gusts``: power on the wing over that in smooth air, in the forecast wind of the whole flight.
    """

    flight: Flight
    chart: LocalMap
    route: tuple[tuple[float, float], ...]
    belief: Belief
    habits: Habits
    member: Members
    table: CellTables
    wind: ForecastWind
    gusts: float


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
    under the step's load; ``along_m`` ground track from take-off. ``gust_share``: of each step's
    power, what smooth air would not take.
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
    gust_share: Array

    def end_of(self, leg: int) -> int:
        """The point at which leg ``leg`` ends, its stay included (a leg may have no steps)."""
        return max((k + 1 for k, step in enumerate(self.steps) if step.leg <= leg), default=0)


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
    route, habits = legs.route_on_map(flight, chart), legs.seen_or_planned(flight, belief)
    wind = forecast_wind(flight.weather, chart.to_map)
    wind_mps = rms_wind_mps(flight, legs.plan_ahead(flight, route, belief, habits), wind)
    gusts = float(in_gusts(flight.aircraft, wind_mps))
    return Paper(
        flight=flight,
        chart=chart,
        route=route,
        belief=belief,
        habits=habits,
        member=scaled(member, gusts),
        table=tables(flight.pack.cell, np.float64),
        wind=wind,
        gusts=gusts,
    )


def rms_wind_mps(flight: Flight, out: list[Stretch], wind: ForecastWind) -> float:
    """Root mean square of the forecast wind, over the time on the wing ``out`` and home [m/s]."""
    back = flight.return_plan
    end = out[-1].end if out else (0.0, 0.0)
    rows = [
        (*_middle(s), 0.5 * (s.start_height_m + s.end_height_m), _still_air_s(s))
        for s in out
        if s.kind in (Kind.WING, Kind.CIRCLE)
    ]
    home_s = math.hypot(*end) / back.airspeed_mps
    rows.append((0.5 * end[0], 0.5 * end[1], back.height_m, max(home_s, 1.0)))
    north_m, east_m, height_m, seconds = np.array(rows).T
    met = wind.at(north_m, east_m, height_m, np.cumsum(seconds) - 0.5 * seconds)
    return float(np.sqrt(np.average(np.square(met).sum(axis=1), weights=seconds)))


def _still_air_s(s: Stretch) -> float:
    return s.dwell_s or s.length_m / max(s.cas_mps, 1.0)


def scaled(member: Members, wing: float) -> Members:
    """``member`` with this factor on all power on the wing."""
    scales = {name: wing * getattr(member, name) for name in ("climb", "cruise", "descent")}
    return replace(member, **scales)


# --- what is flown -----------------------------------------------------------------------------


def outbound(paper: Paper) -> list[Step]:
    """From the ground at home to the end of the last route point."""
    stretches = legs.plan_ahead(paper.flight, paper.route, paper.belief, paper.habits)
    return [Step(part, name, s.waypoint) for s in stretches for part, name in _named(s)]


def _named(s: Stretch) -> list[tuple[Stretch, str]]:
    phase = _phase(s)
    return landing_parts(s) if phase == "landing" else [(s, phase)]


def landing_parts(landing: Stretch) -> list[tuple[Stretch, str]]:
    """What a landing takes over the hover that the flight file states, and that hover."""
    over, hover = landing.cut_at([0.0, 1.0 - 1.0 / LANDING_TIME, 1.0])
    return [(over, "back-transition"), (hover, "landing")]


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


def course_of(s: Stretch) -> tuple[float, float]:
    """Unit vector (north, east) of flight; (0, 0) where it does not move."""
    if s.length_m < 1.0:
        return (0.0, 0.0)
    return (s.end[0] - s.start[0]) / s.length_m, (s.end[1] - s.start[1]) / s.length_m


# --- flying it ---------------------------------------------------------------------------------


def fine(steps: list[Step], part_s: float = FINE_S) -> list[Step]:
    """Cut into parts of about ``part_s``."""
    result = []
    for step in steps:
        s = step.stretch
        parts = max(math.ceil(_still_air_s(s) / part_s), 1)
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
    smooth = scaled(paper.member, 1.0 / paper.gusts)
    power_w, smooth_w = (
        _stretch_power_w(paper.flight, member, air, columns)[0] for member in (paper.member, smooth)
    )
    return Sortie(
        steps=tuple(steps),
        ahead=ahead,
        t_s=np.asarray(ahead.t_s[0]),
        along_m=np.concatenate([[0.0], np.cumsum(length)]),
        energy_wh=np.asarray(u * paper.member.to_wh[0, 0]),
        charge=np.interp(u, below, grid),
        cell_v=_volts(paper, power_w, ahead),
        north_m=places[:, 0],
        east_m=places[:, 1],
        height_m=np.array(heights),
        ground_mps=np.where(columns.kind == Kind.WING, ahead.ground_mps[0], 0.0),
        dropped_kg=np.concatenate([[0.0], columns.dropped_kg]),
        gust_share=1.0 - smooth_w / np.maximum(power_w, 1e-9),
    )


def _volts(paper: Paper, power_w: NDArray[np.floating[Any]], ahead: Ahead) -> Array:
    """Mean cell's voltage at every point under the load of the step before (at rest at first)."""
    cells = paper.flight.pack.series * paper.flight.pack.parallel
    load = np.concatenate([[0.0], power_w])[None, :] / cells
    factor = paper.member.resistance * thaw(
        paper.flight.pack.cell, paper.member.temperature_c, ahead.warmth_k
    )
    zero: Any = np.zeros((1, 1))
    volts = loaded_v(paper.table, ahead.charge, factor, load, zero, np.ones((1, 1)))
    return np.asarray(volts[0])

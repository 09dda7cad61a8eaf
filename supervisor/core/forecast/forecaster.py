"""The forecast: an ensemble drawn from the belief flies on, and home from everywhere on the plan.

What counts as covered: the member lands with at least the policy's final reserve (open-circuit
energy of the charge left) and no cell under load ever falls below the policy's lowest voltage on
the way, the landing hover included. The policy's contingency is shown in the ledger and kept by
the budget before the flight; it is *not* asked for a second time here, because the spread of the
members is exactly what contingency stands for (ICAO Annex 6: unforeseen factors).

``turn_back_s`` is the time at which a member first fails when it goes on along the plan, as a
distribution; ``turn_back_safe_s`` is how long the chance of success stays at the policy's
confidence, less the pilot's reaction time; for its tail see ``low_quantiles``.

The generators are seeded anew at every look (see ``draws.py``): replays agree draw for draw, and a
forecast changes only when the belief does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from supervisor.core.belief import Array, Belief
from supervisor.core.draws import mirrored
from supervisor.core.forecast.advice import best_airspeed, best_height, equal_time_s
from supervisor.core.forecast.ahead import Ahead, Columns, fly_plan, joined_ahead
from supervisor.core.forecast.beside import Beside, PlanBeside
from supervisor.core.forecast.course import AT_HOME_M, Course, course_from, horizon_s
from supervisor.core.forecast.discharge import CellTables, Charge, Floats, expected, tables
from supervisor.core.forecast.legs import (
    ROTORBORNE,
    Kind,
    Point,
    Stretch,
    map_of,
    next_waypoint,
    route_on_map,
    seen_or_planned,
)
from supervisor.core.forecast.members import USUAL, Air, Members, Unforeseen, air_at, draw
from supervisor.core.forecast.memory import keep_memory
from supervisor.core.forecast.run import Forecast, Run
from supervisor.core.forecast.self_check import SelfCheck, due, note
from supervisor.core.forecast.way import (
    Destination,
    Landings,
    fly_ways,
    joined_landings,
)
from supervisor.core.forecast.way_geometry import ways_to
from supervisor.core.forecast.why import Explainer, Turned, Why
from supervisor.core.forecast.wind_nodes import Query, ask_plan, ask_ways, expected_at
from supervisor.core.plan import Flight, Site

TELL_S = 20.0  # reasons and advice are at most this old, and one look
BATCH = 512  # members flown at once: their arrays then stay in the processor's cache
STATION_POINTS = 12


@dataclass(frozen=True, slots=True)
class Told:
    """Reasons and advice, which change slowly and cost as much as the forecast itself."""

    t_s: float = -math.inf
    homeward: bool = False
    why_wh: Why = ()
    advice: tuple[tuple[str, float], ...] = ()


class Forecaster:
    """Makes forecasts for one flight.

    Holds the flight, what is made from it once, and the check of its own past predictions: the
    same beliefs in the same order give the same forecasts.
    """

    def __init__(
        self,
        flight: Flight,
        *,
        seed: int = 0,
        members: int = 400,
        points: int = 40,
        dtype: Any = np.float32,
        explain: bool = True,
        unforeseen: Unforeseen = USUAL,
    ) -> None:
        self.flight, self.seed, self.unforeseen = flight, seed, unforeseen
        self.check = SelfCheck()
        self.explainer = Explainer(flight) if explain else None
        self.plan = PlanBeside(flight) if explain else None
        self.beside = Beside()
        self.told = Told()
        self._untold: Run | None = None
        self.members, self.points = members, points
        self.dtype = np.dtype(dtype)
        self._drawn: Floats = np.empty((members, 0))
        self._airs: dict[tuple[float, float], Air] = {}
        self.chart = map_of(flight)
        self.route = route_on_map(flight, self.chart)
        self.table: CellTables = tables(flight.pack.cell, self.dtype)
        keep_memory()

    def next_point(self, belief: Belief) -> Point | None:
        """(north, east) [m] of the route point being flown to; None when none is left."""
        index = next_waypoint(self.flight, belief)
        return self.route[index] if index < len(self.route) else None

    def forecast(self, belief: Belief) -> Forecast:
        """The forecast from ``belief``."""
        self.reflect()
        run = self._checked(self.run(belief))
        forecast = run.summary()
        return self._explained(run, forecast) if self.explainer else forecast

    def _checked(self, run: Run) -> Run:
        """Past predictions meet this run; if they missed, its spreads widen; new ones are noted."""
        belief = run.belief
        if belief.homeward or belief.phase in ROTORBORNE:
            # Off the plan nothing of what was foreseen along it can be held against the forecast.
            self.check = SelfCheck()
            return run
        self.check = due(self.check, belief.t_s, run.expected_margin_wh())
        if self.check.wants(belief.t_s):
            self.check = note(self.check, belief.t_s, run.foreseen_wh())
        return replace(run, widen=self.check.widen, missed=self.check.sentence)

    def _explained(self, run: Run, forecast: Forecast) -> Forecast:
        """With the plan beside it, what ate the margin, and what would be better."""
        belief = run.belief
        planned = None
        if self.plan:
            energy_wh = run.expected_energy_wh()
            self.beside, planned = self.plan.look(self.beside, belief, energy_wh)
        if belief.homeward is not self.told.homeward:  # the old ones would be wrong
            self.told = self._tell(run)
        elif abs(belief.t_s - self.told.t_s) >= TELL_S:
            self._untold = run
        excess, cost = self._headwind(run)
        return replace(
            forecast,
            planned_wh=planned.ledger_wh if planned else (),
            overrun_wh=planned.energy_wh - energy_wh if planned else 0.0,
            overrun_by_leg_wh=self.beside.by_leg(self.flight) if planned else (),
            why_wh=self.told.why_wh,
            headwind_excess_mps=excess,
            headwind_cost_wh=cost,
            advice=(*self.told.advice, *self._check_figures()),
        )

    def reflect(self) -> None:
        """Renew reasons and advice, if the last look found them old.

        They cost more than the look itself and are nothing to wait for: whoever has published the
        look calls this; if nobody does, the next look begins with it and concludes the same.
        """
        run, self._untold = self._untold, None
        if run is not None:
            self.told = self._tell(run)

    def _tell(self, run: Run) -> Told:
        belief = run.belief
        why: Why = ()
        left, start_c = self.beside.left, self.beside.start_c
        if self.explainer and not belief.homeward:
            why = self.explainer.why(belief, run.middle_margin_wh(), start_c)
        elif self.explainer and left:
            turned = Turned(left.belief, start_c, detour_s=self.beside.detour_s)
            why = self.explainer.why_home(belief, run.middle_margin_wh(), turned)
        return Told(belief.t_s, belief.homeward, why, self._advice(run))

    def _check_figures(self) -> tuple[tuple[str, float], ...]:
        rms = self.check.rms
        if not math.isfinite(rms):
            return ()
        return (("self_check_rms_spreads", rms), ("self_check_widening", max(self.check.widen)))

    def _headwind(self, run: Run) -> tuple[float, float]:
        """(head wind home above the forecast's [m/s], what it costs [Wh])."""
        belief, fate = run.belief, run.landings[0]
        north, east = 0.5 * belief.north_m, 0.5 * belief.east_m
        norm = math.hypot(north, east)
        if self.explainer is None or norm < AT_HOME_M:
            return 0.0, 0.0
        place = (north, east, self.flight.return_plan.height_m)
        when_s = belief.airborne_s + 0.5 * float(np.ravel(fate.seconds)[0])
        told = self.explainer.paper.wind.at(*(np.array([v]) for v in (*place, when_s)))[0]
        planned = (told[0] * north + told[1] * east) / norm
        head = float(fate.head_mps[0])
        cas = self.flight.return_plan.airspeed_mps
        share = 1.0 - max(cas - head, 1.0) / max(cas - planned, 1.0)
        return head - float(planned), share * float(np.mean(fate.parts_wh["cruise"]))

    def _advice(self, run: Run) -> tuple[tuple[str, float], ...]:
        belief, fate = run.belief, run.landings[0]
        way_m = float(run.ways_home_m[0])
        if belief.phase in ROTORBORNE or way_m < 2000.0:
            return ()
        home_s = np.broadcast_to(fate.seconds, run.ahead.t_s.shape[1:]).astype(float)
        cas, saves = best_airspeed(self.flight, belief, float(fate.head_mps[0]), way_m)
        middle = (0.5 * belief.north_m, 0.5 * belief.east_m)
        height, spares = best_height(self.flight, belief, middle, 0.5 * float(home_s[0]), way_m)
        rows = {
            "station_left_s": self._station_s(run),
            "equal_time_s": equal_time_s(run.ahead_s, home_s),
            "best_return_airspeed_mps": cas,
            "best_return_airspeed_saves_wh": saves,
            "best_return_height_m": height,
            "best_return_height_saves_wh": spares,
        }
        return tuple((k, v) for k, v in rows.items() if math.isfinite(v))

    def _station_s(self, run: Run) -> float:
        """How long the aircraft may circle here before it must turn, at the policy's confidence."""
        here, height = (run.belief.north_m, run.belief.east_m), run.belief.position.height_m
        cas = self.flight.aircraft.cruise_mps * run.habits.cas_factor
        held_s = horizon_s(self.flight, run.belief)
        first = next_waypoint(self.flight, run.belief)
        circle = Stretch(
            Kind.CIRCLE, here, here, height, height, cas, dwell_s=held_s, waypoint=first
        )
        stay = self.run(run.belief, circle.cut(STATION_POINTS), run.members)
        confidence = self.flight.policy.confidence
        return stay.safe_times_s(stay.joint_margin_wh(), [confidence], whole=False)[0]

    def run(
        self,
        belief: Belief,
        stretches: list[Stretch] | None = None,
        members: Members | None = None,
    ) -> Run:
        """The members' fates, before they are summed up.

        ``stretches``: what is flown on instead of the plan; then only home is looked at, by the
        ``members`` that were drawn from this belief for the plan.
        """
        flight, dtype = self.flight, self.dtype
        habits = seen_or_planned(flight, belief)
        course = course_from(flight, self.route, belief, habits, self.points, stretches)
        if members is None:
            rng = np.random.default_rng([self.seed, 0])
            members = draw(flight, belief, rng, self.members, dtype, self.unforeseen)
        query = Query()
        leave_s = np.concatenate([[0.0], np.cumsum(course.seconds)])
        plan_wind = self._ask_plan(query, course, leave_s)
        sites = (flight.home, *(flight.alternates if stretches is None else ()))
        met: dict[float, Point] = {}
        targets = [
            self._target(query, belief, course.places[: len(out.height_m)], leave_s, site, met)
            for out, site in zip(course.departures, sites, strict=False)
        ]
        cas = flight.return_plan.airspeed_mps
        of_air = np.random.default_rng([self.seed, 1])
        drawn, factor = query.draw_air(belief.wind, of_air, self.members, cas)
        wind = (drawn[0].astype(dtype), drawn[1].astype(dtype))
        members = replace(members, true_cas=factor.astype(dtype)[:, None])
        gusts = self._gusts(len(course.stretches))
        home, *away = zip(course.departures, targets, strict=False)
        parts: list[tuple[Ahead, Landings]] = []
        for start in range(0, self.members, BATCH):
            batch = slice(start, start + BATCH)
            some, air = members.some(batch), (wind[0][batch], wind[1][batch])
            ahead = self._fly_plan(belief, course, some, plan_wind, air, gusts[batch])
            (way,) = fly_ways(flight, self.table, some, ahead, [home], air, habits)
            parts.append((ahead, way))
        whole = joined_ahead([ahead for ahead, _ in parts])
        landings = [joined_landings([way for _, way in parts])]
        landings += fly_ways(flight, self.table, members, whole, away, wind, habits)
        ahead_s = expected(whole.t_s, float)
        return Run(flight, self.chart, belief, habits, course, members, whole, landings, ahead_s)

    def _gusts(self, stretches: int) -> Floats:
        """(members, stretches) standard normals: the same at every look, so drawn once."""
        if self._drawn.shape[1] < stretches:
            rng = np.random.default_rng([self.seed, 2])
            drawn = mirrored(rng, self.members, stretches)
            self._drawn = np.ascontiguousarray(drawn, dtype=self.dtype)
        return self._drawn[:, :stretches]

    def _ask_plan(self, query: Query, course: Course, leave_s: Array) -> Any:
        if not course.stretches:
            return None
        middle = 0.5 * (leave_s[1:] + leave_s[:-1])
        where = np.array([(*s.start, *s.end) for s in course.stretches])
        height = np.array([0.5 * (s.start_height_m + s.end_height_m) for s in course.stretches])
        north, east = 0.5 * (where[:, 0] + where[:, 2]), 0.5 * (where[:, 1] + where[:, 3])
        return ask_plan(query, north, east, height, middle)

    def _target(
        self,
        query: Query,
        belief: Belief,
        places: list[tuple[Point, int, Point]],
        leave_s: Array,
        site: Site,
        met: dict[float, Point],
    ) -> Destination:
        """``site`` as seen from ``places``, the first of the course's points.

        ``met``: the wind believed here at the heights that sites before it asked for.
        """
        flight = self.flight
        ground_m = site.elevation_m - flight.home.elevation_m
        low = ground_m + flight.aircraft.transition_height_m
        cruise_m = max(flight.return_plan.height_m, low)
        ways = ways_to(flight, self.chart, self.route, places, site, underway=belief.homeward)
        if cruise_m not in met:
            met[cruise_m] = expected_at(belief.wind, belief.north_m, belief.east_m, cruise_m)
        north, east = met[cruise_m]
        cas = flight.return_plan.airspeed_mps
        tail = ((north * ways.north + east * ways.east) * ways.length_m).sum(axis=0)
        mean_tail = tail / np.maximum(ways.total_m, 1.0)
        ground = np.maximum(cas + mean_tail, 0.3 * cas)
        return Destination(
            ways=ways,
            winds=ask_ways(query, ways, leave_s[: len(places)], ground, cruise_m),
            cruise_m=cruise_m,
            ground_m=ground_m,
            cruise_air=self._air(belief, cruise_m),
            ground_air=self._air(belief, ground_m + 10.0),
        )

    def _air(self, belief: Belief, height_m: float) -> Air:
        """The air at one height: the same all day."""
        key = (height_m, belief.day_offset_k)
        if key not in self._airs:
            self._airs[key] = air_at(self.flight, belief, np.array([height_m]), self.dtype)
        return self._airs[key]

    def _fly_plan(
        self,
        belief: Belief,
        course: Course,
        members: Members,
        winds: Any,
        wind: tuple[Floats, Floats],
        gusts: Floats,
    ) -> Ahead:
        if not course.stretches:
            still = np.zeros_like(members.u)
            ample = np.full_like(members.u, 9.0)
            now = Charge(members.u, members.v1_v, members.v2_v)
            return Ahead(still, now, still, ample, still)
        legs = Columns.of(course.stretches, self.dtype)
        air = air_at(self.flight, belief, legs.mid_height_m, self.dtype)
        parts = winds.along_across(wind, legs.north, legs.east, self.dtype)
        return fly_plan(self.flight, self.table, members, air, legs, parts, gusts)

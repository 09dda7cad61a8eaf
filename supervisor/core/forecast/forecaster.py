"""The forecast: an ensemble drawn from the belief flies on, and home from everywhere on the plan.

What counts as covered: the member lands with at least the policy's final reserve (open-circuit
energy of the charge left) and no cell under load ever falls below the policy's lowest voltage on
the way, the landing hover included. The policy's contingency is shown in the ledger and kept by
the budget before the flight; it is *not* asked for a second time here, because the spread of the
members is exactly what contingency stands for (ICAO Annex 6: unforeseen factors).

``turn_back_s`` is the time at which a member first fails when it goes on along the plan, as a
distribution; ``turn_back_safe_s`` is how long the chance of success stays at the policy's
confidence, less the pilot's reaction time; for its tail see ``low_quantile``.

The generators are seeded anew at every look (see ``draws.py``): replays agree draw for draw, and a
forecast changes only when the belief does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from supervisor.core.belief import Array, Belief
from supervisor.core.cells import pack_energy_wh
from supervisor.core.constants import RHO0_KGPM3
from supervisor.core.draws import mirrored
from supervisor.core.events import FourNumbers, Phase, PlaceAhead, SiteChance
from supervisor.core.forecast.advice import best_airspeed, best_height, equal_time_s
from supervisor.core.forecast.ahead import Ahead, Columns, fly_plan, joined_ahead
from supervisor.core.forecast.beside import Beside, PlanBeside
from supervisor.core.forecast.discharge import CellTables, Charge, Floats, tables
from supervisor.core.forecast.legs import (
    ROTORBORNE,
    Habits,
    Kind,
    Point,
    Stretch,
    course_of,
    cut_to_points,
    ground_below,
    map_of,
    next_waypoint,
    plan_ahead,
    route_on_map,
    seen_or_planned,
    ways_to,
)
from supervisor.core.forecast.members import USUAL, Members, Unforeseen, air_at, draw
from supervisor.core.forecast.self_check import HORIZONS_S, SelfCheck, due, note
from supervisor.core.forecast.tail import low_quantile, spread
from supervisor.core.forecast.way import (
    Departures,
    Destination,
    Landings,
    fly_ways,
    joined_landings,
)
from supervisor.core.forecast.why import Explainer, Turned, Why
from supervisor.core.forecast.wind_nodes import Query, ask_plan, ask_ways
from supervisor.core.plan import Aircraft, Flight, Site
from supervisor.core.power import wing_w

AT_HOME_M = 150.0
TELL_S = 20.0  # reasons and advice are at most this old, and one look
WH_PER_V, BROKEN_WH = 200.0, -40.0
# How far back a missed turn is reckoned: a member lost for good would else count for hours, and
# drag the tail's average with it before its own share of the members has been reached.
EARLIEST_S = -120.0
BATCH = 256  # members flown at once: their arrays then stay in the processor's cache
STATION_POINTS = 12
SWEEP = (0.80, 0.90, 0.95, 0.99, 0.999)


@dataclass(frozen=True, slots=True)
class Forecast:
    """What is foreseen at one moment. Arrays run over the future turn-back points.

    ``ahead_s``: expected time to each; ``covered_at``: chance that turning there succeeds;
    ``margin_wh``: (3, points) P5, P50, P95 of landing energy above the reserve. ``safe_at``: the
    safe turn-back time [s] at other confidences than the policy's, for whoever weighs them.
    """

    t_s: float
    numbers: FourNumbers
    turn_back_place: PlaceAhead | None
    ledger_wh: tuple[tuple[str, float], ...]
    planned_wh: tuple[tuple[str, float], ...]
    why_wh: tuple[tuple[str, float], ...]
    alternates: tuple[SiteChance, ...]
    headwind_home_mps: float
    headwind_excess_mps: float
    headwind_cost_wh: float
    overrun_wh: float
    ahead_s: Array
    covered_at: Array
    margin_wh: Array
    safe_at: tuple[tuple[float, float], ...]
    doubts: tuple[str, ...]
    advice: tuple[tuple[str, float], ...]
    overrun_by_leg_wh: tuple[tuple[str, float], ...] = ()
    ledger_sd_wh: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Course:
    """The plan ahead, cut to points."""

    stretches: list[Stretch]
    seconds: Array  # expected, each
    whole: bool  # reaches the end of the plan
    heights: Array
    places: list[tuple[Point, int, Point]]  # place, next waypoint, course unit vector
    departures: list[Departures]  # for home, then for each alternate: from now only


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
        self.chart = map_of(flight)
        self.route = route_on_map(flight, self.chart)
        self.table: CellTables = tables(flight.pack.cell, self.dtype)

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
        self.check = note(self.check, belief.t_s, run.foreseen_wh())
        return replace(run, widen=self.check.widen)

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
        return (("self_check_rms_spreads", rms), ("self_check_widening", self.check.widen))

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
            "equal_time_s": equal_time_s(run.ahead.t_s.mean(axis=0, dtype=float), home_s),
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
        held_s = self._horizon_s(run.belief)
        first = next_waypoint(self.flight, run.belief)
        circle = Stretch(
            Kind.CIRCLE, here, here, height, height, cas, dwell_s=held_s, waypoint=first
        )
        stay = self.run(run.belief, circle.cut(STATION_POINTS))
        fails_s = fail_times_s(stay.ahead.t_s, stay.joint_margin_wh(), whole=False)
        policy = self.flight.policy
        return low_quantile(fails_s, 1.0 - policy.confidence) - policy.reaction_s

    def run(self, belief: Belief, stretches: list[Stretch] | None = None) -> Run:
        """The members' fates, before they are summed up.

        ``stretches``: what is flown on instead of the plan; then only home is looked at.
        """
        flight, dtype = self.flight, self.dtype
        rng, of_air, of_gusts = (np.random.default_rng([self.seed, k]) for k in range(3))
        habits = seen_or_planned(flight, belief)
        course = self._course(belief, habits, stretches)
        members = draw(flight, belief, rng, self.members, dtype, self.unforeseen)
        query = Query()
        leave_s = np.concatenate([[0.0], np.cumsum(course.seconds)])
        plan_wind = self._ask_plan(query, course, leave_s)
        sites = (flight.home, *(flight.alternates if stretches is None else ()))
        targets = [
            self._target(query, belief, course.places[: len(out.height_m)], leave_s, site)
            for out, site in zip(course.departures, sites, strict=False)
        ]
        cas = flight.return_plan.airspeed_mps
        wind, factor = query.draw_air(belief.wind, of_air, self.members, cas)
        members = replace(members, true_cas=factor.astype(dtype)[:, None])
        gusts = mirrored(of_gusts, self.members, len(course.stretches)).astype(dtype)
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
        return Run(self, belief, habits, course, members, whole, landings)

    def _course(self, belief: Belief, habits: Habits, stretches: list[Stretch] | None) -> Course:
        flight = self.flight
        plan: list[Stretch] = stretches or []
        if stretches is None and not belief.homeward:
            plan = plan_ahead(flight, self.route, belief, habits)
        here = belief.wind.mean_at(belief.north_m, belief.east_m, belief.position.height_m, 0.0)
        seconds = [_expected_s(s, here) for s in plan]
        horizon = self._horizon_s(belief)
        pieces = cut_to_points(plan, self.points, seconds, horizon)
        return Course(
            stretches=pieces,
            seconds=np.array([_expected_s(s, here) for s in pieces]),
            whole=sum(seconds) <= horizon,
            heights=np.array([belief.position.height_m] + [s.end_height_m for s in pieces]),
            places=self._places(belief, pieces),
            departures=self._departures(belief, pieces),
        )

    def _horizon_s(self, belief: Belief) -> float:
        """When every member will have run dry: beyond it no point is worth flying to."""
        pack = belief.pack
        charge = min(float(pack.mean[0]) + 2.0 * math.sqrt(float(pack.cov[0, 0])), 1.0)
        energy = pack_energy_wh(self.flight.pack, charge, pack.capacity_ah)
        return 1.4 * 3600.0 * float(energy) / _level_w(self.flight.aircraft, belief)

    def _places(self, belief: Belief, pieces: list[Stretch]) -> list[tuple[Point, int, Point]]:
        first = next_waypoint(self.flight, belief)
        places = [((belief.north_m, belief.east_m), first, course_of(belief))]
        for s in pieces:
            length = max(s.length_m, 1e-9)
            unit = ((s.end[0] - s.start[0]) / length, (s.end[1] - s.start[1]) / length)
            places.append((s.end, s.waypoint, unit if s.length_m > 1.0 else (0.0, 0.0)))
        return places

    def _departures(self, belief: Belief, pieces: list[Stretch]) -> list[Departures]:
        craft, fix = self.flight.aircraft, belief.position
        near = math.hypot(belief.north_m, belief.east_m) < AT_HOME_M
        standing = near and belief.phase in (Phase.GROUND, Phase.UNKNOWN)
        landing = near and belief.phase is Phase.HOVER_LANDING
        ground_m = ground_below(self.flight, self.route, (belief.north_m, belief.east_m))
        low = max(fix.height_m, 0.0)
        lift = [_lift_s(craft, low, ground_m) if belief.phase in ROTORBORNE else 0.0]
        lift += [self._lift_after(s) for s in pieces]
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
        common = (height, np.array(gone, self.dtype), np.array(lift))
        home = Departures(*common, fly, land)
        one = np.ones(1)
        now = Departures(height[:1], common[1][:1], common[2][:1], one, one)
        return [home] + [now] * len(self.flight.alternates)

    def _lift_after(self, s: Stretch) -> float:
        craft = self.flight.aircraft
        if s.kind is Kind.GROUND:
            return _lift_s(craft, s.ground_m, s.ground_m)
        if s.kind is not Kind.HOVER:
            return 0.0
        in_transition = s.start_height_m == s.end_height_m
        return 0.0 if in_transition else _lift_s(craft, s.end_height_m, s.ground_m)

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
    ) -> Destination:
        """``site`` as seen from ``places``, the first of the course's points."""
        flight = self.flight
        ground_m = site.elevation_m - flight.home.elevation_m
        low = ground_m + flight.aircraft.transition_height_m
        cruise_m = max(flight.return_plan.height_m, low)
        ways = ways_to(flight, self.chart, self.route, places, site, underway=belief.homeward)
        north, east, _ = belief.wind.mean_at(belief.north_m, belief.east_m, cruise_m, 0.0)
        cas = flight.return_plan.airspeed_mps
        tail = ((north * ways.north + east * ways.east) * ways.length_m).sum(axis=0)
        mean_tail = tail / np.maximum(ways.total_m, 1.0)
        ground = np.maximum(cas + mean_tail, 0.3 * cas)
        return Destination(
            ways=ways,
            winds=ask_ways(query, ways, leave_s[: len(places)], ground, cruise_m),
            cruise_m=cruise_m,
            ground_m=ground_m,
            cruise_air=air_at(flight, belief, np.array([cruise_m]), self.dtype),
            ground_air=air_at(flight, belief, np.array([ground_m + 10.0]), self.dtype),
        )

    def _fly_plan(
        self,
        belief: Belief,
        course: Course,
        members: Members,
        winds: Any,
        wind: tuple[Array, Array],
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


def _expected_s(s: Stretch, wind: tuple[float, float, float]) -> float:
    """Roughly how long a stretch takes in the wind met here: only spaces points and nodes."""
    if s.kind is not Kind.WING:
        return s.dwell_s
    rise_n, rise_e = s.end[0] - s.start[0], s.end[1] - s.start[1]
    along = (wind[0] * rise_n + wind[1] * rise_e) / s.length_m
    return s.length_m / max(s.cas_mps + along, 0.3 * s.cas_mps)


def _level_w(craft: Aircraft, belief: Belief) -> float:
    scale = math.exp(float(belief.power.log_mean[2]))
    bare = wing_w(craft, belief.power.mass_kg, RHO0_KGPM3, craft.cruise_mps)
    return float(np.asarray(bare)) * scale + belief.power.avionics_w


def _lift_s(craft: Aircraft, height_m: float, ground_m: float) -> float:
    climb = max(craft.transition_height_m + ground_m - height_m, 0.0)
    return float(climb / craft.hover_climb_mps + craft.transition_s)


@dataclass(frozen=True, slots=True)
class Run:
    """The members' fates."""

    maker: Forecaster
    belief: Belief
    habits: Habits
    course: Course
    members: Members
    ahead: Ahead
    landings: list[Landings]
    widen: float = 1.0  # factor on all spreads, when the forecast has missed before

    def margins(self, site: int = 0) -> tuple[Floats, Floats]:
        """(energy above the reserve [Wh], voltage above the limit [V]) of landing, (M, K)."""
        policy, fate = self.maker.flight.policy, self.landings[site]
        left = (fate.u - self.members.empty_u) * self.members.to_wh
        return (
            self._widened(left - policy.final_reserve_wh),
            self._widened(fate.lowest_v - policy.min_cell_v),
        )

    def _widened(self, values: Floats) -> Floats:
        if self.widen == 1.0:
            return values
        middle = values.mean(axis=0)
        result: Floats = middle + self.widen * (values - middle)
        return result

    def foreseen_wh(self) -> dict[float, tuple[float, float]]:
        """Margin of turning back after each of the self-check's horizons: (mean, sd) [Wh]."""
        t = self.ahead.t_s.mean(axis=0, dtype=float)
        energy, _ = self.margins()
        mean, sd = energy.mean(axis=0, dtype=float), energy.std(axis=0, dtype=float)
        return {
            h: (float(np.interp(h, t, mean)), float(np.interp(h, t, sd)))
            for h in HORIZONS_S
            if h < t[-1]
        }

    @property
    def ways_home_m(self) -> Array:
        """Length of the way home from every point [m]."""
        where = np.array([p[0] for p in self.course.places])
        length: Array = np.hypot(where[:, 0], where[:, 1])
        return length

    def expected_energy_wh(self) -> float:
        """Energy believed to be in the pack now [Wh]."""
        left = (self.members.u - self.members.empty_u) * self.members.to_wh
        return float(left.mean(dtype=float))

    def expected_margin_wh(self) -> float:
        """Landing energy above the reserve when turning now, expected [Wh]."""
        return float(self.margins()[0][:, 0].mean(dtype=float))

    def middle_margin_wh(self) -> float:
        """The same, the median: what is published, and what the reasons add up to."""
        return float(np.median(self.margins()[0][:, 0]))

    def joint_margin_wh(self) -> Floats:
        """(M, K) one margin for energy and voltage, the least up to each point.

        0.1 V counts like 20 Wh, so that the zero can be found by interpolation; which scale is
        taken moves only the path to zero, not the zero. A voltage that has broken down counts as
        ``BROKEN_WH``: how deep it fell says nothing about when it passed the limit.
        """
        energy, volts = self.margins()
        held = np.maximum(WH_PER_V * volts, BROKEN_WH)
        margin: Floats = np.minimum.accumulate(np.minimum(energy, held), axis=1)
        return margin

    def summary(self) -> Forecast:
        """The published figures."""
        flight, policy = self.maker.flight, self.maker.flight.policy
        energy, _ = self.margins()
        margin = self.joint_margin_wh()
        turn_s = fail_times_s(self.ahead.t_s, margin, self.course.whole)
        safe_s = low_quantile(turn_s, 1.0 - policy.confidence) - policy.reaction_s
        good = margin >= 0.0
        covered_at = good.mean(axis=0, dtype=float)
        hover = self._widened(self.landings[0].hover_v)[:, 0]
        numbers = FourNumbers(
            landing_energy_wh=spread(energy[:, 0] + policy.final_reserve_wh),
            above_reserve_wh=spread(energy[:, 0]),
            turn_back_s=spread(np.maximum(turn_s, 0.0)),
            turn_back_safe_s=safe_s,
            completion=float(covered_at[-1]) if self.course.whole else 0.0,
            hover_cell_v=spread(hover),
            hover_holds=float(np.mean(hover >= policy.min_cell_v)),
            covered=float(covered_at[0]),
        )
        alternates = tuple(
            self._chance(index, site) for index, site in enumerate(flight.alternates, start=1)
        )
        return Forecast(
            t_s=self.belief.t_s,
            numbers=numbers,
            turn_back_place=self._place(safe_s),
            ledger_wh=self._ledger(),
            planned_wh=(),
            why_wh=(),
            alternates=alternates,
            headwind_home_mps=float(self.landings[0].head_mps[0]),
            headwind_excess_mps=0.0,
            headwind_cost_wh=0.0,
            overrun_wh=0.0,
            ahead_s=self.ahead.t_s.mean(axis=0, dtype=float),
            covered_at=covered_at,
            margin_wh=np.quantile(energy, (0.05, 0.5, 0.95), axis=0).astype(float),
            safe_at=tuple((c, low_quantile(turn_s, 1.0 - c) - policy.reaction_s) for c in SWEEP),
            doubts=(self.maker.check.sentence,) if self.widen > 1.0 else (),
            advice=(),
            ledger_sd_wh=self._ledger_sd(),
        )

    def _chance(self, index: int, site: Site) -> SiteChance:
        energy, volts = (part[:, 0] for part in self.margins(index))
        good = (energy >= 0.0) & (volts >= 0.0)
        left = spread(energy + self.maker.flight.policy.final_reserve_wh)
        return SiteChance(site.name, float(good.mean()), left)

    def _ledger(self) -> tuple[tuple[str, float], ...]:
        """Expected, from point 0, in flying order; adds up to the energy there is now."""
        policy, parts = self.maker.flight.policy, self.landings[0].parts_wh
        phases = ("turn", "climb", "cruise", "descent", "landing")
        lines = {name: float(np.mean(parts.get(name, 0.0))) for name in phases}
        trip = sum(lines.values())
        now = self.expected_energy_wh()
        lines["contingency"] = policy.contingency * trip
        lines["alternate"] = policy.alternate_wh
        lines["final-reserve"] = policy.final_reserve_wh
        lines["extra"] = now - sum(lines.values())
        return tuple(lines.items())

    def _ledger_sd(self) -> tuple[tuple[str, float], ...]:
        """One sigma of the ledger's terms over the members; what the policy fixes has none.

        The last, what is left over, is that of the landing energy: the terms share their causes
        (wind, mass), so their sigmas do not add up to it.
        """
        parts = self.landings[0].parts_wh
        spreads = {name: self.widen * float(np.std(wh)) for name, wh in parts.items()}
        spreads["extra"] = float(np.std(self.margins()[0][:, 0]))
        return tuple(spreads.items())

    def _place(self, safe_s: float) -> PlaceAhead | None:
        """Where on the plan the safe turn-back time is reached."""
        if not math.isfinite(safe_s) or len(self.course.places) < 2:
            return None
        north = np.array([p[0][0] for p in self.course.places])
        east = np.array([p[0][1] for p in self.course.places])
        t = self.ahead.t_s.mean(axis=0, dtype=float)
        when = max(safe_s, 0.0)
        steps = np.hypot(np.diff(north), np.diff(east))
        along = np.concatenate([[0.0], np.cumsum(steps)])
        n, e = float(np.interp(when, t, north)), float(np.interp(when, t, east))
        lat, lon = self.maker.chart.to_place(n, e)
        return PlaceAhead(lat, lon, float(np.interp(when, t, along)), math.hypot(n, e))


def fail_times_s(t_s: Floats, margin: Floats, whole: bool) -> NDArray[np.float64]:
    """(members,) time at which each margin (running minimum, (M, K)) first falls below zero.

    Linear between points; beyond now it is carried back along the first slope (a negative time says
    how long ago the last chance passed); inf when the whole plan is covered.
    """
    rows = np.arange(len(margin))
    if margin.shape[1] == 1:
        return np.where(margin[:, 0] >= 0.0, np.inf, -1.0)
    failed = margin < 0.0
    right = np.clip(np.argmax(failed, axis=1), 1, None)
    m0, m1 = margin[rows, right - 1].astype(float), margin[rows, right].astype(float)
    t0, t1 = t_s[rows, right - 1].astype(float), t_s[rows, right].astype(float)
    time = t0 + (t1 - t0) * m0 / np.maximum(m0 - m1, 1e-6)
    end = np.inf if whole else t_s[:, -1].astype(float)
    result: NDArray[np.float64] = np.where(failed.any(axis=1), np.maximum(time, EARLIEST_S), end)
    return result

"""What ate the margin: the plan's figures exchanged for the believed ones, one after another.

A deterministic flight from take-off to here and on to home is flown in several versions at once.
The first is the plan; each further one takes one more thing as it is now believed to be, in a fixed
order: wind, climb, drag (cruise and descent), hover, payload, cold. The difference between two
neighbours is what that thing costs. Time beyond what the last version needed to get here is the
delay, at cruise power. What is left between all of this and the forecast's own margin is put down
to the pack: less charge, less capacity, more resistance. The terms add up to the whole by
construction.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from supervisor.core.belief import Array, Belief
from supervisor.core.cells import capacity_factor, temperature_factor
from supervisor.core.estimate.forecast_wind import ForecastWind
from supervisor.core.forecast.ahead import Ahead, Columns, fly_plan
from supervisor.core.forecast.discharge import Charge
from supervisor.core.forecast.legs import (
    Habits,
    Stretch,
    course_of,
    next_waypoint,
    seen_or_planned,
)
from supervisor.core.forecast.members import Air, Members, Wing, air_at
from supervisor.core.forecast.way import Departures, Destination, Landings, fly_ways
from supervisor.core.forecast.way_geometry import ways_to
from supervisor.core.forecast.wind_nodes import Query, ask_plan, ask_ways
from supervisor.core.paper.budget_line import staying
from supervisor.core.paper.sortie import Paper, Step, fine, on_paper, outbound
from supervisor.core.plan import Flight

Why = tuple[tuple[str, float], ...]

VERSIONS = ("plan", "wind", "climb", "drag", "hover", "payload", "cold")
TERMS = ("wind", "climb", "drag", "hover", "pack", "cold", "delay", "payload")
COUNT = len(VERSIONS)


@dataclass(frozen=True, slots=True)
class TwoWinds:
    """The plan's wind for the first version, the believed mean for all others.

    ``airborne_s``: when the question is asked from; ``since_s``: how long ago that was by now.
    """

    planned: ForecastWind
    belief: Belief
    airborne_s: float
    since_s: float = 0.0
    planned_rows: int = 1

    def draw(
        self,
        rng: np.random.Generator,  # noqa: ARG002
        members: int,
        north_m: Array,
        east_m: Array,
        height_m: Array,
        ahead_s: Array,
    ) -> tuple[Array, Array]:
        """(members, Q) each; ``ahead_s`` may lie in the past."""
        seen = self.belief.wind.means(north_m, east_m, height_m, ahead_s - self.since_s)
        told = self.planned.at(north_m, east_m, height_m, ahead_s + self.airborne_s)
        north, east = np.tile(seen[:, 0], (members, 1)), np.tile(seen[:, 1], (members, 1))
        rows = slice(0, self.planned_rows)
        north[rows], east[rows] = told[:, 0], told[:, 1]
        return north, east


@dataclass(frozen=True, slots=True)
class Turned:
    """What is explained: the margin ``there``, on the plan or where it was left.

    ``start_c``: pack at take-off. ``now``: where it is by now, homeward, ``since_s`` later, of
    which ``detour_s`` did not lead home.
    """

    there: Belief
    start_c: float = math.nan
    now: Belief | None = None
    since_s: float = 0.0
    detour_s: float = 0.0


@dataclass(frozen=True, slots=True)
class WayHome:
    """A way home with the winds on it, a row a version: what all that fly it have in common."""

    points: Departures
    to: Destination
    wind: tuple[Array, Array]

    def of_last(self) -> WayHome:
        """For the last version alone."""
        north, east = self.wind
        return replace(self, wind=(north[-1:], east[-1:]))


class Explainer:
    """Explains margins of one flight."""

    def __init__(self, flight: Flight) -> None:
        self.flight = flight
        self.paper: Paper = on_paper(flight)
        self.steps: list[Step] = fine(outbound(self.paper))
        plan = self.paper.member
        self.planned = {f: np.repeat(getattr(plan, f), COUNT, axis=0) for f in plan.__slots__}
        self.return_air = self._air(flight.return_plan.height_m)
        self.ground_air = self._air(10.0)

    def why(self, belief: Belief, margin_wh: float, start_c: float = math.nan) -> Why:
        """Terms [Wh] that lead from the plan's margin here to ``margin_wh``; positive ate it.

        ``start_c``: how warm the pack was at take-off; NaN: as the flight file tells.
        """
        return self._why(Turned(belief, start_c=start_c), margin_wh)

    def why_home(self, belief: Belief, margin_wh: float, turned: Turned) -> Why:
        """The same on the way home, from the plan's margin where the plan was left.

        The turn tells place and time; what is believed is what is believed now. Of the time lost
        since, what went into circles and detours is delay; the rest is ground speed, and wind.
        """
        there = turned.there
        now = replace(there, wind=belief.wind, power=belief.power, pack=belief.pack)
        since_s = belief.airborne_s - there.airborne_s
        return self._why(replace(turned, there=now, now=belief, since_s=since_s), margin_wh)

    def _why(self, turned: Turned, margin_wh: float) -> Why:
        belief = turned.there
        flown = self._flown(belief)
        if not flown or belief.airborne_s <= 0.0:
            return ()
        wind = TwoWinds(self.paper.wind, belief, belief.airborne_s, turned.since_s)
        members = self._versions(belief, turned.start_c)
        ahead = self._fly_here(belief, flown, members, wind)
        way = self._way_home(belief, wind, COUNT)
        fate = self._fly_home(way, members, ahead, self.paper.habits)
        left = np.broadcast_to(fate.u * members.to_wh, (COUNT, 1))[:, 0]
        margins = left - self.flight.policy.final_reserve_wh
        terms = {name: float(margins[i] - margins[i + 1]) for i, name in enumerate(VERSIONS[1:])}
        level_w = self._level_w(belief, members)
        late_s = max(belief.airborne_s - float(ahead.t_s[-1, -1]), 0.0)
        alone = way.of_last(), members.some(slice(-1, None)), _only_last(ahead)
        planned = self._fly_home(*alone, self.paper.habits)
        terms["wind"] += self._slow_s(turned, planned, *alone[1:]) / 3600.0 * level_w
        climb_wh, landing_wh = self._habits_wh(turned, planned, *alone)
        terms["climb"] += climb_wh
        terms["hover"] += landing_wh
        terms["delay"] = (late_s + turned.detour_s) / 3600.0 * level_w
        terms["pack"] = float(margins[0]) - margin_wh - sum(terms.values())
        return tuple((name, terms[name]) for name in TERMS)

    def _flown(self, belief: Belief) -> list[Stretch]:
        """The plan's stretches up to where the aircraft is."""
        leg = next_waypoint(self.flight, belief)
        done = [s.stretch for s in self.steps if s.leg < leg]
        here = [s.stretch for s in self.steps if s.leg == leg]
        if not here:
            return done
        if staying(belief):  # as in the planned ledger: a stay half over is no delay
            return done + here
        end = here[-1].end
        to_go = math.hypot(end[0] - belief.north_m, end[1] - belief.east_m)
        left = sum(s.length_m for s in here)
        for stretch in here:
            share = min((left - to_go) / max(stretch.length_m, 1.0), 1.0)
            if share <= 0.0:
                break
            done += stretch.cut_at([0.0, max(round(100 * share), 1) / 100])
            left -= stretch.length_m
        return done

    def _versions(self, belief: Belief, start_c: float) -> Members:
        """One member a version; row k believes all that VERSIONS up to k name."""
        plan, power, told = self.paper.member, belief.power, self.flight.pack
        gain = math.exp(float(belief.pack.mean[5]))
        scale = [gain * math.exp(float(x)) for x in power.log_mean]
        dropped = _dropped_kg(self.flight, belief)
        pack_c = start_c if math.isfinite(start_c) else told.temperature_c
        stiff, shrunk = (
            float(factor(told.cell, pack_c) / factor(told.cell, told.temperature_c))
            for factor in (temperature_factor, capacity_factor)
        )
        one, gusts = float(plan.hover[0, 0]), self.paper.gusts

        def from_version(name: str, before: float, after: float) -> Array:
            first = VERSIONS.index(name)
            return np.array([[after if k >= first else before] for k in range(COUNT)])

        same = self.planned
        return Members(**same | {
            "climb": from_version("climb", gusts, scale[1]),
            "cruise": from_version("drag", gusts, scale[2]),
            "slope": from_version("drag", 0.0, float(power.log_mean[5])),
            "descent": from_version("drag", gusts, scale[3]),
            "hover": from_version("hover", one, scale[0]),
            "mass_kg": from_version("payload", float(plan.mass_kg[0, 0]), power.mass_kg + dropped),
            "temperature_c": from_version("cold", told.temperature_c, pack_c),
            "resistance": same["resistance"] * from_version("cold", 1.0, stiff),
            "to_wh": same["to_wh"] * from_version("cold", 1.0, shrunk),
            "per_ah": same["per_ah"] / from_version("cold", 1.0, shrunk),
        })  # fmt: skip

    def _fly_here(
        self, belief: Belief, flown: list[Stretch], members: Members, wind: TwoWinds
    ) -> Ahead:
        columns = Columns.of(flown, np.float64)
        heights = np.asarray(columns.mid_height_m, dtype=float)
        air = air_at(self.flight, self.paper.belief, heights, np.float64)
        query = Query()
        middle = np.array([[0.5 * (s.start[i] + s.end[i]) for i in (0, 1)] for s in flown])
        when = _when_s(flown, belief.airborne_s)
        spread = ask_plan(query, middle[:, 0], middle[:, 1], heights, when)
        drawn = query.draw(wind, np.random.default_rng(0), COUNT)
        both = spread.along_across(drawn, columns.north, columns.east, np.float64)
        calm = np.zeros((COUNT, len(flown)))
        return fly_plan(self.flight, self.paper.table, members, air, columns, both, calm)

    def _way_home(self, belief: Belief, wind: TwoWinds, rows: int) -> WayHome:
        """Turning at ``belief``, or what is left of the way when it flies home already."""
        flight, fix, first = self.flight, belief.position, next_waypoint(self.flight, belief)
        places, home = [((belief.north_m, belief.east_m), first, course_of(belief))], flight.home
        chart, route, underway = self.paper.chart, self.paper.route, belief.homeward
        ways = ways_to(flight, chart, route, places, home, underway=underway)
        query, height = Query(), flight.return_plan.height_m
        pace = np.array([flight.return_plan.airspeed_mps])
        winds = ask_ways(query, ways, np.zeros(1), pace, height)
        drawn = query.draw(wind, np.random.default_rng(0), rows)
        one, none = np.ones(1), np.zeros(1)
        dropped = _dropped_kg(flight, belief)
        points = Departures(np.array([fix.height_m]), none + dropped, none, one, one)
        to = Destination(ways, winds, height, 0.0, self.return_air, self.ground_air)
        return WayHome(points, to, drawn)

    def _fly_home(self, way: WayHome, members: Members, ahead: Ahead, habits: Habits) -> Landings:
        """Home from the last point of ``ahead``."""
        flight, to = self.flight, [(way.points, way.to)]
        return fly_ways(flight, self.paper.table, members, _last(ahead), to, way.wind, habits)[0]

    def _habits_wh(
        self, turned: Turned, planned: Landings, way: WayHome, last: Members, here: Ahead
    ) -> tuple[float, float]:
        """What the way home costs more because climb and descent, and because the landing, are
        flown in another way than planned [Wh]."""
        seen = seen_or_planned(self.flight, turned.now or turned.there)
        air = replace(seen, landing_hover_s=self.paper.habits.landing_hover_s)
        fates = {self.paper.habits: planned}
        for habits in {air, seen} - fates.keys():  # what was not yet seen is as planned
            fates[habits] = self._fly_home(way, last, here, habits)
        left = {h: float(np.ravel(fate.u * last.to_wh)[0]) for h, fate in fates.items()}
        return left[self.paper.habits] - left[air], left[air] - left[seen]

    def _slow_s(self, turned: Turned, planned: Landings, last: Members, here: Ahead) -> float:
        """How much longer the way home has become since the turn, detours apart [s]."""
        now = turned.now
        if now is None:
            return 0.0
        wind = TwoWinds(self.paper.wind, now, now.airborne_s, planned_rows=0)
        fate = self._fly_home(self._way_home(now, wind, 1), last, here, self.paper.habits)
        then_s, now_s = (float(np.ravel(f.seconds)[0]) for f in (planned, fate))
        return turned.since_s + now_s - then_s - turned.detour_s

    def _air(self, height_m: float) -> Air:
        return air_at(self.flight, self.paper.belief, np.array([height_m]), np.float64)

    def _level_w(self, belief: Belief, members: Members) -> float:
        """Cruise power [W] of the last version: what waiting costs."""
        cas = np.array([self.flight.return_plan.airspeed_mps])
        zero = np.zeros(1)
        air = self._air(belief.position.height_m)
        wing = Wing(self.flight, members, air, cas, zero)
        return float(wing.power_w(wing.drag_w(), zero)[-1, 0])


def _when_s(flown: list[Stretch], airborne_s: float) -> Array:
    """When each stretch was flown, from now [s]: the time in the air, shared out by length."""
    seconds = np.array([s.dwell_s or s.length_m / s.cas_mps for s in flown])
    seconds *= airborne_s / max(seconds.sum(), 1.0)
    return np.asarray(np.cumsum(seconds) - 0.5 * seconds - airborne_s)


def _dropped_kg(flight: Flight, belief: Belief) -> float:
    """What has left the aircraft by now; at the point of a drop the believed mass tells."""
    first = next_waypoint(flight, belief)
    gone = sum(w.drop_kg for w in flight.route[:first])
    here = flight.route[first].drop_kg if first < len(flight.route) else 0.0
    missing = flight.aircraft.mass_kg - gone - belief.power.mass_kg
    return gone + (here if missing > 0.5 * here > 0.0 else 0.0)


def _last(ahead: Ahead) -> Ahead:
    """Only the last point."""
    c, cut = ahead.charge, (slice(None), slice(-1, None))
    return replace(
        ahead,
        t_s=ahead.t_s[cut],
        charge=Charge(c.u[cut], c.v1[cut], c.v2[cut]),
        warmth_k=ahead.warmth_k[cut],
        lowest_v=ahead.lowest_v[cut],
    )


def _only_last(ahead: Ahead) -> Ahead:
    """Only the last version."""
    c, cut = ahead.charge, slice(-1, None)
    return replace(
        ahead,
        t_s=ahead.t_s[cut],
        charge=Charge(c.u[cut], c.v1[cut], c.v2[cut]),
        warmth_k=ahead.warmth_k[cut],
        lowest_v=ahead.lowest_v[cut],
    )

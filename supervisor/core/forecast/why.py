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
from typing import Any

import numpy as np

from supervisor.core.belief import Array, Belief
from supervisor.core.cells import temperature_factor
from supervisor.core.estimate.windfield import ForecastWind
from supervisor.core.forecast.ahead import Ahead, Columns, fly_plan
from supervisor.core.forecast.discharge import Charge
from supervisor.core.forecast.legs import Habits, Stretch, next_waypoint, ways_to
from supervisor.core.forecast.members import Air, Members, air_at, wing_power_w
from supervisor.core.forecast.way import Departures, Destination, fly_ways
from supervisor.core.forecast.wind_nodes import Query, ask_plan, ask_ways
from supervisor.core.paper.sortie import Paper, Step, fine, on_paper, outbound
from supervisor.core.plan import Flight

Why = tuple[tuple[str, float], ...]

VERSIONS = ("plan", "wind", "climb", "drag", "hover", "payload", "cold")
TERMS = ("wind", "climb", "drag", "hover", "pack", "cold", "delay", "payload")
COUNT = len(VERSIONS)


@dataclass(frozen=True, slots=True)
class TwoWinds:
    """The plan's wind for the first version, the believed mean for all others."""

    planned: ForecastWind
    belief: Belief
    airborne_s: float

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
        points = zip(north_m, east_m, height_m, ahead_s, strict=True)
        seen = np.array([self.belief.wind.mean_at(*map(float, p))[:2] for p in points])
        told = self.planned.at(north_m, east_m, height_m, ahead_s + self.airborne_s)
        north, east = np.tile(seen[:, 0], (members, 1)), np.tile(seen[:, 1], (members, 1))
        north[0], east[0] = told[:, 0], told[:, 1]
        return north, east


class Explainer:
    """Explains margins of one flight."""

    def __init__(self, flight: Flight) -> None:
        self.flight = flight
        self.paper: Paper = on_paper(flight)
        self.steps: list[Step] = fine(outbound(self.paper))

    def why(self, belief: Belief, margin_wh: float) -> Why:
        """Terms [Wh] that lead from the plan's margin here to ``margin_wh``; positive ate it."""
        flown = self._flown(belief)
        if not flown or belief.airborne_s <= 0.0:
            return ()
        members = self._versions(belief)
        wind = TwoWinds(self.paper.wind, belief, belief.airborne_s)
        ahead = self._fly_here(belief, flown, members, wind)
        margins = self._margins(belief, members, ahead, wind)
        terms = {name: float(margins[i] - margins[i + 1]) for i, name in enumerate(VERSIONS[1:])}
        late_s = max(belief.airborne_s - float(ahead.t_s[-1, -1]), 0.0)
        terms["delay"] = late_s / 3600.0 * self._level_w(belief, members)
        terms["pack"] = float(margins[0]) - margin_wh - sum(terms.values())
        return tuple((name, terms[name]) for name in TERMS)

    def _flown(self, belief: Belief) -> list[Stretch]:
        """The plan's stretches up to where the aircraft is."""
        leg = next_waypoint(self.flight, belief)
        done = [s.stretch for s in self.steps if s.leg < leg]
        here = [s.stretch for s in self.steps if s.leg == leg]
        if not here:
            return done
        end = here[-1].end
        to_go = math.hypot(end[0] - belief.north_m, end[1] - belief.east_m)
        left = sum(s.length_m for s in here)
        for stretch in here:
            share = min((left - to_go) / max(stretch.length_m, 1.0), 1.0)
            if share <= 0.0:
                break
            parts = stretch.cut(100)[: max(round(100 * share), 1)]
            done.append(_joined(parts))
            left -= stretch.length_m
        return done

    def _versions(self, belief: Belief) -> Members:
        """One member a version; row k believes all that VERSIONS up to k name."""
        plan, power, pack = self.paper.member, belief.power, belief.pack
        gain = math.exp(float(pack.mean[5]))
        scale = [gain * math.exp(float(x)) for x in power.log_mean]
        dropped = sum(w.drop_kg for w in self.flight.route[: next_waypoint(self.flight, belief)])
        cell, told = self.flight.pack.cell, self.flight.pack
        cold = temperature_factor(cell, pack.temperature_c) / temperature_factor(
            cell, told.temperature_c
        )
        shrunk = pack.capacity_ah / self.paper.belief.pack.capacity_ah
        one = float(plan.hover[0, 0])

        def from_version(name: str, before: float, after: float) -> Array:
            first = VERSIONS.index(name)
            return np.array([[after if k >= first else before] for k in range(COUNT)])

        same = {f: np.repeat(getattr(plan, f), COUNT, axis=0) for f in plan.__slots__}
        return Members(**same | {
            "climb": from_version("climb", one, scale[1]),
            "cruise": from_version("drag", one, scale[2]),
            "descent": from_version("drag", one, scale[3]),
            "hover": from_version("hover", one, scale[0]),
            "mass_kg": from_version("payload", float(plan.mass_kg[0, 0]), power.mass_kg + dropped),
            "resistance": same["resistance"] * from_version("cold", 1.0, float(cold)),
            "to_wh": same["to_wh"] * from_version("cold", 1.0, shrunk),
            "per_ah": same["per_ah"] / from_version("cold", 1.0, shrunk),
        })  # fmt: skip

    def _fly_here(
        self, belief: Belief, flown: list[Stretch], members: Members, wind: TwoWinds
    ) -> Ahead:
        columns = Columns.of(flown, np.float64)
        air = air_at(self.flight, self.paper.belief, columns.mid_height_m, np.float64)
        middle = np.array([[0.5 * (s.start[i] + s.end[i]) for i in (0, 1)] for s in flown])
        seconds = np.array([s.dwell_s or s.length_m / s.cas_mps for s in flown])
        seconds *= belief.airborne_s / max(seconds.sum(), 1.0)
        when = np.cumsum(seconds) - 0.5 * seconds - belief.airborne_s
        query = Query()
        heights = np.asarray(columns.mid_height_m, dtype=float)
        spread = ask_plan(query, middle[:, 0], middle[:, 1], heights, when)
        drawn = query.draw(wind, np.random.default_rng(0), COUNT)
        both = spread.along_across(drawn, columns.north, columns.east, np.float64)
        calm = np.zeros((COUNT, len(flown)))
        return fly_plan(self.flight, self.paper.table, members, air, columns, both, calm)

    def _margins(self, belief: Belief, members: Members, ahead: Ahead, wind: TwoWinds) -> Array:
        """(versions,) landing energy above the reserve when turning here [Wh]."""
        flight, fix = self.flight, belief.position
        place = ((belief.north_m, belief.east_m), next_waypoint(flight, belief), (0.0, 0.0))
        ways = ways_to(flight, self.paper.chart, self.paper.route, [place], flight.home)
        query, height = Query(), flight.return_plan.height_m
        pace = np.array([flight.return_plan.airspeed_mps])
        winds = ask_ways(query, ways, np.zeros(1), pace, height)
        drawn = query.draw(wind, np.random.default_rng(0), COUNT)
        one, none = np.ones(1), np.zeros(1)
        dropped = sum(w.drop_kg for w in flight.route[: place[1]])
        points = Departures(np.array([fix.height_m]), none + dropped, none, one, one)
        to = Destination(ways, winds, height, 0.0, self._air(height), self._air(10.0))
        fate = fly_ways(
            flight, self.paper.table, members, _last(ahead), [(points, to)], drawn, self._habits()
        )[0]
        left = np.broadcast_to(fate.u * members.to_wh, (COUNT, 1))[:, 0]
        result: Array = left - flight.policy.final_reserve_wh
        return result

    def _habits(self) -> Habits:
        return self.paper.habits

    def _air(self, height_m: float) -> Air:
        return air_at(self.flight, self.paper.belief, np.array([height_m]), np.float64)

    def _level_w(self, belief: Belief, members: Members) -> float:
        """Cruise power [W] of the last version: what waiting costs."""
        cas = np.array([self.flight.return_plan.airspeed_mps])
        zero = np.zeros(1)
        air = self._air(belief.position.height_m)
        power: Any = wing_power_w(self.flight, members, air, cas, zero, zero)
        return float(power[-1, 0])


def _joined(parts: list[Stretch]) -> Stretch:
    first, last = parts[0], parts[-1]
    dwell = sum(p.dwell_s for p in parts)
    return replace(first, end=last.end, end_height_m=last.end_height_m, dwell_s=dwell)


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

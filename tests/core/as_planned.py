"""The demo's plan flown on paper to a place far out, and what would be believed there."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, replace

import numpy as np

from supervisor.core.belief import Array, Belief, FlownHabits, PackBelief
from supervisor.core.cells import temperature_factor
from supervisor.core.conclusions import Phase
from supervisor.core.events import Position
from supervisor.core.forecast.forecaster import Forecaster
from supervisor.core.forecast.legs import mission_layout
from supervisor.core.paper.paper import ForecastOnly, paper_pack
from supervisor.core.paper.sortie import Paper, Sortie, fine, fly, on_paper, outbound
from supervisor.core.plan import Flight
from tests.core.flights import flight
from tests.core.plain_flights import AS_PLANNED

LEG = 3  # on the way to the fourth point, 29 km out


@dataclass(frozen=True, slots=True)
class Later:
    """The forecast wind, asked ``after_s`` into the flight."""

    only: ForecastOnly
    after_s: float

    def mean_at(self, n: float, e: float, h: float, ahead_s: float) -> tuple[float, float, float]:
        return self.only.mean_at(n, e, h, ahead_s + self.after_s)

    def means(self, n: Array, e: Array, h: Array, ahead_s: Array) -> Array:
        return self.only.means(n, e, h, ahead_s + self.after_s)

    def draw(
        self, rng: np.random.Generator, members: int, n: Array, e: Array, h: Array, ahead_s: Array
    ) -> tuple[Array, Array]:
        return self.only.draw(rng, members, n, e, h, ahead_s + self.after_s)

    def draw_air(
        self,
        rng: np.random.Generator,
        members: int,
        n: Array,
        e: Array,
        h: Array,
        s: Array,
        v: float,
    ) -> tuple[Array, Array, Array]:
        return self.only.draw_air(rng, members, n, e, h, s + self.after_s, v)


@functools.cache
def planned() -> Paper:
    return on_paper(flight())


def middle_of_leg(out: Sortie) -> int:
    return (out.end_of(LEG - 1) + out.end_of(LEG)) // 2


def arrived(paper: Paper, waited_s: float = 0.0) -> Belief:
    """What a supervisor with no doubts would believe half-way along LEG, flown as ``paper``."""
    plan, out = flight(), fly(paper, fine(outbound(paper)))
    k, member = middle_of_leg(out), paper.member
    s = out.steps[k - 1].stretch
    course = np.array([s.end[0] - s.start[0], s.end[1] - s.start[1]]) / s.length_m * 21.0
    lat, lon = paper.chart.to_place(float(out.north_m[k]), float(out.east_m[k]))
    height, t_s = float(out.height_m[k]), float(out.t_s[k]) + waited_s
    base = paper_pack(plan)
    ah = float(member.to_wh[0, 0]) / plan.pack.series
    told_c = float(member.temperature_c[0, 0])
    warm_c = told_c + float(out.ahead.warmth_k[0, k])
    bare = float(member.resistance[0, 0] / temperature_factor(plan.pack.cell, told_c))
    waited_wh = waited_s / 3600.0 * 360.0  # the builder's measured level power
    charge = float(out.charge[k]) - waited_wh / (ah * plan.pack.series * open_circuit_v(out, k))
    mean = np.array([
        charge, out.ahead.charge.v1[0, k], out.ahead.charge.v2[0, k], math.log(bare),
        math.log(ah / base.capacity_ah), 0.0, 0.0,
    ])  # fmt: skip
    pack: PackBelief = replace(base, mean=mean, temperature_c=warm_c)
    scales = [float(x[0, 0]) for x in (member.hover, member.climb, member.cruise, member.descent)]
    power = replace(
        paper.belief.power, log_mean=np.array([*np.log(scales), 0.0, 0.0]),
        mass_kg=float(member.mass_kg[0, 0]),
    )  # fmt: skip
    return replace(
        paper.belief,
        t_s=t_s, airborne_s=t_s, phase=Phase.CRUISE, north_m=float(out.north_m[k]),
        east_m=float(out.east_m[k]), cas_mps=21.0, mission_seq=mission_layout(plan).index(LEG),
        position=Position(
            t_s, lat, lon, plan.home.elevation_m + height, height, *course, 0.0, math.nan
        ),
        wind=Later(ForecastOnly(paper.wind), t_s), pack=pack, power=power,
        habits=FlownHabits(math.nan, math.nan, math.nan, math.nan),
    )  # fmt: skip


def open_circuit_v(out: Sortie, k: int) -> float:
    cell = flight().pack.cell
    return float(np.interp(out.charge[k], cell.charge_grid, cell.ocv_v))


def margin_wh(belief: Belief, plan: Flight | None = None) -> float:
    """The forecast's own margin, all doubts off."""
    maker = Forecaster(
        plan or flight(), members=3, points=5, dtype=np.float64, explain=False,
        unforeseen=AS_PLANNED,
    )  # fmt: skip
    return maker.run(belief).middle_margin_wh()

"""The members' fates, and what is published of them.

What counts as covered, and what ``turn_back_s`` and ``turn_back_safe_s`` are, is said in
``forecaster.py``; for the tail see ``low_quantiles``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from supervisor.core.belief import Array, Belief
from supervisor.core.conclusions import FourNumbers, PlaceAhead, SiteChance
from supervisor.core.forecast.ahead import Ahead
from supervisor.core.forecast.course import Course
from supervisor.core.forecast.discharge import Floats, expected
from supervisor.core.forecast.legs import Habits
from supervisor.core.forecast.members import Members
from supervisor.core.forecast.self_check import HORIZONS_S
from supervisor.core.forecast.tail import low_quantiles, quantiles, spread
from supervisor.core.forecast.way import Landings
from supervisor.core.geodesy import LocalMap
from supervisor.core.plan import Flight, Site

WH_PER_V, BROKEN_WH = 200.0, -40.0
# How far back a missed turn is reckoned: a member lost for good would else count for hours, and
# drag the tail's average with it before its own share of the members has been reached.
EARLIEST_S = -120.0
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
class Run:
    """The members' fates."""

    flight: Flight
    chart: LocalMap
    belief: Belief
    habits: Habits
    course: Course
    members: Members
    ahead: Ahead
    landings: list[Landings]
    ahead_s: Array  # expected time to every point
    # factors on all spreads below and above the middle, when the forecast has missed before
    widen: tuple[float, float] = (1.0, 1.0)
    missed: str = ""  # by how much, in words
    # worked out once by site, for all that ask; as drawn, so that any widening may share them
    drawn: dict[int, tuple[Floats, Floats]] = field(default_factory=dict, repr=False, compare=False)

    def margins(self, site: int = 0) -> tuple[Floats, Floats]:
        """(energy above the reserve [Wh], voltage above the limit [V]) of landing, (M, K)."""
        if site not in self.drawn:
            self.drawn[site] = self._margins_drawn(self.landings[site])
        energy, volts = self.drawn[site]
        return self._widened(energy), self._widened(volts)

    def _margins_drawn(self, fate: Landings) -> tuple[Floats, Floats]:
        policy, members = self.flight.policy, self.members
        energy = fate.u - members.empty_u
        energy *= members.to_wh
        energy -= policy.final_reserve_wh
        return energy, fate.lowest_v - policy.min_cell_v

    def _widened(self, values: Floats) -> Floats:
        """``values``, of which more is better, with the spread that past misses ask for."""
        below, above = self.widen
        if max(below, above) == 1.0:
            return values
        middle = expected(values)
        away = values - middle
        result: Floats = middle + np.where(away < 0.0, below, above).astype(values.dtype) * away
        return result

    def foreseen_wh(self) -> dict[float, tuple[float, float]]:
        """Margin of turning back after each of the self-check's horizons: (mean, sd) [Wh]."""
        t = self.ahead_s
        energy, _ = self.margins()
        foreseen = {}
        for horizon in (h for h in HORIZONS_S if h < t[-1]):
            right = max(int(np.searchsorted(t, horizon)), 1)
            two = slice(right - 1, right + 1)
            near, when_s = energy[:, two], t[two]
            mean = np.interp(horizon, when_s, expected(near, float))
            sd = np.interp(horizon, when_s, near.std(axis=0, dtype=float))
            foreseen[horizon] = float(mean), float(sd)
        return foreseen

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
        flight, policy = self.flight, self.flight.policy
        energy, _ = self.margins()
        margin = self.joint_margin_wh()
        turn_s = fail_times_s(self.ahead.t_s, margin, self.course.whole)
        safe_s, *sweep_s = self.safe_times_s(margin, (policy.confidence, *SWEEP), self.course.whole)
        good = margin >= 0.0
        covered_at = expected(good, float)
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
            ahead_s=self.ahead_s,
            covered_at=covered_at,
            margin_wh=quantiles(energy, (0.05, 0.5, 0.95)),
            safe_at=tuple(zip(SWEEP, sweep_s, strict=True)),
            doubts=(self.missed,) if max(self.widen) > 1.0 else (),
            advice=(),
            ledger_sd_wh=self._ledger_sd(),
        )

    def safe_times_s(
        self, margin: Floats, confidences: Sequence[float], whole: bool
    ) -> list[float]:
        """Latest time [s] to turn at each confidence, the reaction taken off; what stands for
        never is told by ``fail_times_s``.

        Where the share of members that are covered falls below the confidence: the quantile of the
        margin is flown like a member. The quantile of the members' own times is another thing: it
        was tried, smoothed, and came minutes late where the tail is long.
        """
        lines = low_quantiles(margin, [1.0 - c for c in confidences])
        t_s = np.broadcast_to(self.ahead_s, lines.shape)
        times_s = fail_times_s(t_s, lines, whole) - self.flight.policy.reaction_s
        return [float(time_s) for time_s in times_s]

    def _chance(self, index: int, site: Site) -> SiteChance:
        energy, volts = (part[:, 0] for part in self.margins(index))
        good = (energy >= 0.0) & (volts >= 0.0)
        left = spread(energy + self.flight.policy.final_reserve_wh)
        return SiteChance(site.name, float(good.mean()), left)

    def _ledger(self) -> tuple[tuple[str, float], ...]:
        """Expected, from point 0, in flying order; adds up to the energy there is now."""
        policy, parts = self.flight.policy, self.landings[0].parts_wh
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
        widen = max(self.widen)
        spreads = {name: widen * float(np.std(wh)) for name, wh in parts.items()}
        spreads["extra"] = float(np.std(self.margins()[0][:, 0]))
        return tuple(spreads.items())

    def _place(self, safe_s: float) -> PlaceAhead | None:
        """Where on the plan the safe turn-back time is reached."""
        if not math.isfinite(safe_s) or len(self.course.places) < 2:
            return None
        north = np.array([p[0][0] for p in self.course.places])
        east = np.array([p[0][1] for p in self.course.places])
        t = self.ahead_s
        when = max(safe_s, 0.0)
        steps = np.hypot(np.diff(north), np.diff(east))
        along = np.concatenate([[0.0], np.cumsum(steps)])
        n, e = float(np.interp(when, t, north)), float(np.interp(when, t, east))
        lat, lon = self.chart.to_place(n, e)
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

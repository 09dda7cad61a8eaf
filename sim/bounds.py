"""The truth that a turn-back rule is judged by: T*, and what perfect knowledge could promise.

T* is the latest time at which turning back would still have landed with the reserve in the pack and
the voltage held. A walk along the whole plan with a branch home every few seconds would find it; a
search on the margin with which a branch lands finds it with a handful of branches.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from statistics import NormalDist, fmean, stdev

from sim.flight import Flight
from sim.truth import Outcome, fly_home, fly_to_end

WH_PER_V = 200.0  # one margin for both limits: 0.1 V counts like 20 Wh; the zero is the same
WH_PER_KM_SHORT = 5.0  # a flight that is lost on the way home fails by what was still to fly
SNAPSHOT_S = 60.0
LEAD_S, PASSES = 240.0, 2  # of the perfect-knowledge bound
TOLERANCE_S = 20.0  # between these the margin is a straight line to a second


@dataclass(frozen=True, slots=True)
class Limits:
    """What counts as landed well."""

    reserve_wh: float
    min_cell_v: float

    def margin_wh(self, outcome: Outcome, short_km: float = 0.0) -> float:
        """>= 0 exactly when ``outcome`` is good."""
        if not outcome.landed:
            return -self.reserve_wh - 20.0 - WH_PER_KM_SHORT * short_km
        volts = WH_PER_V * (outcome.lowest_cell_v - self.min_cell_v)
        return min(outcome.energy_left_wh - self.reserve_wh, volts)


@dataclass(slots=True)
class Timeline:
    """Snapshots of one true flight along its plan, and the branches home flown from them."""

    limits: Limits
    snapshots: list[Flight] = field(default_factory=list)
    margins: dict[float, float] = field(default_factory=dict)
    outcomes: dict[float, Outcome] = field(default_factory=dict)

    def keep(self, flight: Flight) -> None:
        """Remember the flight as it is now, every SNAPSHOT_S."""
        if not self.snapshots or flight.t_s >= self.snapshots[-1].t_s + SNAPSHOT_S:
            self.snapshots.append(flight.fork())

    def at(self, t_s: float) -> Flight:
        """The flight at ``t_s`` along its plan; may stop before, when it ends or turns home."""
        before = [s for s in self.snapshots if s.t_s <= t_s] or self.snapshots[:1]
        walker = before[-1].fork()
        while walker.t_s < t_s and not walker.done and not walker.pilot.returning:
            walker.advance(min(t_s, walker.t_s + SNAPSHOT_S))
            if before[-1] is self.snapshots[-1] and not walker.pilot.returning:
                self.keep(walker)
        return walker

    def margin_wh(self, t_s: float) -> float:
        """Margin of turning back at ``t_s`` [Wh]; below zero: not in time."""
        if t_s not in self.margins:
            walker = self.at(t_s)
            outcome = fly_to_end(walker) if walker.pilot.returning else fly_home(walker)
            self.outcomes[t_s] = outcome
            self.margins[t_s] = self.limits.margin_wh(outcome, outcome.distance_km)
        return self.margins[t_s]

    def plan_end_s(self) -> float:
        """When the plan itself turns home, or the pack gives out on it."""
        walker = self.at(math.inf)
        return walker.t_s

    def latest_s(self, guess_s: float) -> float | None:
        """T* [s]; inf when the whole plan lands well, None when not even the first moment does."""
        end_s = self.plan_end_s()
        if self.margin_wh(end_s) >= 0.0:
            return math.inf
        first_s = self.snapshots[0].t_s
        low, high = first_s, end_s
        trial = min(max(guess_s, low + 1.0), high - 1.0)
        while high - low > TOLERANCE_S:
            margin = self.margin_wh(trial)
            low, high = (trial, high) if margin >= 0.0 else (low, trial)
            trial = self._next(low, high)
        if low == first_s and self.margin_wh(first_s) < 0.0:
            return None
        return self._zero(low, high)

    def _zero(self, low: float, high: float) -> float:
        """Where the straight line between two margins, one on either side, is zero."""
        above, below = self.margin_wh(low), self.margin_wh(high)
        return low + (high - low) * above / (above - below)

    def _next(self, low: float, high: float) -> float:
        """Where the margin's zero is expected between two times, not too near to either."""
        known_low, known_high = self.margins.get(low), self.margins.get(high)
        share = 0.5
        if (
            known_low is not None
            and known_high is not None
            and known_high > -2.0 * known_low - 60.0
        ):
            share = known_low / (known_low - known_high)
        elif known_low is not None:
            # Energy falls at about the sum of the ways out and home: twice the power for a start.
            share = min(known_low / 0.25 / (high - low), 0.9)
        edge = max(0.08, 1.0 / (high - low))
        return low + min(max(share, edge), 1.0 - edge) * (high - low)


def perfect_knowledge_s(
    timeline: Timeline, t_star_s: float, late_rate: float, futures: int, seed: int
) -> float:
    """Latest turn-back time [s] of one who knows all but the gusts to come; inf: he need not turn.

    From one moment the way home is flown through ``futures`` fresh futures; the spread of their
    margins, and the rate at which the margin shrinks along the plan, say how late he may turn for
    ``late_rate``. He decides at the moment he turns, and the future between then and T* is fresh
    as well: so the moment is first taken shortly before T*, then where that pass says he turns.
    Where the whole plan lands well (``t_star_s`` inf) its end stands for T*.
    """
    first_s = timeline.snapshots[0].t_s
    end_s = min(t_star_s, timeline.plan_end_s())
    from_s = bound_s = max(end_s - LEAD_S, first_s)
    for turn in range(PASSES):
        slope = (timeline.margin_wh(end_s) - timeline.margin_wh(from_s)) / (end_s - from_s)
        walker = timeline.at(from_s)
        reach_s = []
        for k in range(futures):
            outcome = fly_home(walker, fresh_seed=(seed * 1000 + k) * PASSES + turn)
            margin = timeline.limits.margin_wh(outcome, outcome.distance_km)
            reach_s.append(from_s + margin / max(-slope, 1e-3))
        bound_s = fmean(reach_s) + predicted_quantile(late_rate, futures) * stdev(reach_s)
        from_s = min(max(bound_s, first_s), end_s - LEAD_S)
    return math.inf if math.isinf(t_star_s) and bound_s >= end_s else bound_s


def predicted_quantile(share: float, count: int) -> float:
    """How many sample deviations from the mean of ``count`` normal values the next one's ``share``
    quantile lies: Student's t times sqrt(1 + 1/n) (Cornish-Fisher expansion of t, M. Abramowitz
    and I. Stegun, Handbook of Mathematical Functions, 26.7.5; from memory)."""
    z, v = NormalDist().inv_cdf(share), count - 1.0
    t = z + (z**3 + z) / (4.0 * v) + (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / (96.0 * v * v)
    return t * math.sqrt(1.0 + 1.0 / count)

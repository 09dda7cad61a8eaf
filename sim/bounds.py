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
    """Latest turn-back time [s] of one who knows all but the gusts to come.

    From a moment shortly before T* the way home is flown through ``futures`` fresh futures; the
    spread of their margins, and the rate at which the margin shrinks along the plan, say how much
    earlier than the median he must turn for ``late_rate``. The future between now and T* is
    fresh in each as well: the aircraft goes on along its plan first.
    """
    lead_s = max(t_star_s - 240.0, timeline.snapshots[0].t_s)
    slope = (timeline.margin_wh(t_star_s) - timeline.margin_wh(lead_s)) / (t_star_s - lead_s)
    walker = timeline.at(lead_s)
    margins = []
    for k in range(futures):
        outcome = fly_home(walker, fresh_seed=seed * 1000 + k)
        margins.append(timeline.limits.margin_wh(outcome, outcome.distance_km))
    reach_s = [lead_s + m / max(-slope, 1e-3) for m in margins]
    quantile = NormalDist().inv_cdf(late_rate)
    return fmean(reach_s) + quantile * stdev(reach_s)

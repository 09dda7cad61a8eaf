"""Chances before the flight: the daemon's own forecast, from what it would believe at home."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from supervisor.budget.answer import Chances
from supervisor.budget.as_learned import as_learned
from supervisor.core.belief import Array, Belief
from supervisor.core.conclusions import FourNumbers
from supervisor.core.estimate.estimator import Estimator
from supervisor.core.estimate.prior import Prior
from supervisor.core.events import FlightState, Heartbeat, Landed, Lift, Position
from supervisor.core.forecast.forecaster import Forecaster
from supervisor.core.forecast.run import Run
from supervisor.core.forecast.tail import spread
from supervisor.core.paper.sortie import on_paper
from supervisor.core.plan import Flight
from supervisor.reserves import kept_at_home_wh

SEED = 0  # the same draws for every variant, so that differences are the variants' own
# Of 99 % one member in a hundred decides: 400 would leave "turn back by" open by several minutes
# from one seed to another (survey: 8, sd), 2,000 by two or three.
MEMBERS = 2000


def belief_at_home(flight: Flight, prior: Prior | None = None) -> Belief:
    """What the daemon believes on the ground at home, before anything has been measured."""
    home = flight.home
    estimator = Estimator(flight, prior)
    estimator.observe(Heartbeat(0.0, armed=False, system_status=3))
    estimator.observe(FlightState(0.0, Lift.ROTORS, Landed.ON_GROUND))
    still = (0.0, 0.0, 0.0)
    place = Position(0.0, home.lat_rad, home.lon_rad, home.elevation_m, 0.0, *still, math.nan)
    estimator.observe(place)
    belief = estimator.belief(0.0)
    if belief is None:
        raise RuntimeError("no belief although a position is known")
    return belief


def among_gusts(belief: Belief, gusts: float) -> Belief:
    """``belief`` with power on the wing as it is expected among them: this factor over smooth air.

    Before a flight only. In flight power is learned in the air that blows.
    """
    power = belief.power
    on_wing = np.array([0.0, 1.0, 1.0, 1.0, 0.0, 0.0])  # hover, climb, cruise, descent, ...
    power = replace(power, log_mean=power.log_mean + math.log(gusts) * on_wing)
    return replace(belief, power=power)


@dataclass(frozen=True, slots=True)
class Odds:
    """The forecast of one plan. ``ahead_s`` and ``covered_at`` run over its turn-back points."""

    numbers: FourNumbers
    chances: Chances
    ahead_s: Array
    covered_at: Array

    @property
    def turn_back_safe_s(self) -> float:
        """Seconds after take-off to turn by at the policy's confidence; inf: not within plan."""
        safe_s = self.numbers.turn_back_safe_s
        return safe_s if safe_s < self.ahead_s[-1] else math.inf

    def chance_at(self, after_s: float) -> float:
        """Chance that turning ``after_s`` after take-off lands with the reserve, voltage held."""
        return float(np.interp(after_s, self.ahead_s, self.covered_at))


def odds(
    flight: Flight, prior: Prior | None = None, *, members: int = MEMBERS, points: int = 48
) -> Odds:
    """Chances of ``flight``, with what earlier flights taught.

    Landing "with the reserve" is here with all that the policy keeps for after a landing at home.
    """
    reserve_wh = kept_at_home_wh(flight.policy)
    policy = replace(flight.policy, final_reserve_wh=reserve_wh, alternate_wh=0.0)
    flight = replace(flight, policy=policy)
    maker = Forecaster(flight, seed=SEED, members=members, points=points, explain=False)
    gusts = on_paper(as_learned(flight, prior or Prior())).gusts
    run = maker.run(among_gusts(belief_at_home(flight, prior), gusts))
    forecast = run.summary()
    return Odds(forecast.numbers, _chances(run), forecast.ahead_s, forecast.covered_at)


def _chances(run: Run) -> Chances:
    """From the last point: the end of the plan, or the horizon by which every pack is empty."""
    energy, volts = run.margins()
    reserve_wh = run.flight.policy.final_reserve_wh
    whole = 1.0 if run.course.whole else 0.0
    left, spare_v = energy[:, -1], volts[:, -1]
    kept, held = left >= 0.0, spare_v >= 0.0
    margin = np.minimum.accumulate(np.minimum(energy, 200.0 * volts), axis=1)
    return Chances(
        lands=whole * float(np.mean((left + reserve_wh >= 0.0) & held)),
        reserve=whole * float(np.mean(kept)),
        voltage=whole * float(np.mean(held)),
        completion=whole * float(np.mean(margin[:, -1] >= 0.0)),
        landing_wh=spread(left + reserve_wh),
        hover_v=spread(run.landings[0].hover_v[:, -1]),
    )

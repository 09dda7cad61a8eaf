"""From belief and forecast to the facts that the decision table looks at."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from supervisor.core.belief import Belief
from supervisor.core.conclusions import Phase, Spread
from supervisor.core.decide.landing import Landing, flight_end
from supervisor.core.decide.nearest import nearest_ground, range_left_m
from supervisor.core.decide.rules import Situation
from supervisor.core.events import (
    AirData,
    ClockFix,
    GpsQuality,
    Heartbeat,
    LinkQuality,
    Observation,
    PackReport,
    Position,
)
from supervisor.core.forecast.legs import ROTORBORNE
from supervisor.core.forecast.run import Forecast
from supervisor.core.plan import Flight

NAN = math.nan


class Heard:
    """The last of each observation that is shown or judged as it came, and when it came."""

    def __init__(self) -> None:
        self.t_s = -math.inf
        self.position: Position | None = None
        self.pack: PackReport | None = None
        self.air: AirData | None = None
        self.fix_ok = True
        self.armed = True
        self.link_quality = NAN
        self.unix_offset_s = NAN
        self._notes: dict[type, Callable[[Any], None]] = {
            Position: self._position,
            PackReport: self._pack,
            AirData: self._air,
            GpsQuality: self._gps,
            LinkQuality: self._link,
            ClockFix: self._clock,
            Heartbeat: self._heartbeat,
        }

    def hear(self, observation: Observation) -> None:
        """Remember it."""
        if observation.t_s > self.t_s:
            self.t_s = observation.t_s
        note = self._notes.get(type(observation))
        if note is not None:
            note(observation)

    def _position(self, position: Position) -> None:
        self.position = position

    def _pack(self, pack: PackReport) -> None:
        self.pack = pack

    def _air(self, air: AirData) -> None:
        self.air = air

    def _gps(self, quality: GpsQuality) -> None:
        self.fix_ok = quality.fix_type >= 3

    def _heartbeat(self, heartbeat: Heartbeat) -> None:
        self.armed = heartbeat.armed

    def _link(self, link: LinkQuality) -> None:
        self.link_quality = link.quality

    def _clock(self, fix: ClockFix) -> None:
        if math.isfinite(fix.unix_s):
            self.unix_offset_s = fix.unix_s - fix.t_s


def assess(
    flight: Flight,
    heard: Heard,
    belief: Belief | None,
    forecast: Forecast | None,
    t_s: float,
    homeward: bool,
    landing: Landing,
) -> Situation:
    """The situation at ``t_s``; the forecast may be older, and is then counted on to now."""
    policy, position = flight.policy, heard.position
    elapsed = t_s - forecast.t_s if forecast else 0.0
    best = (
        max(forecast.alternates, key=lambda site: site.covered)
        if (forecast and forecast.alternates)
        else None
    )
    numbers = forecast.numbers if forecast else None
    legs = forecast.overrun_by_leg_wh if forecast else ()
    overrun_leg, overrun_leg_wh = max(legs, key=lambda leg: leg[1], default=("", NAN))
    airborne = belief is not None and belief.phase not in (Phase.GROUND, Phase.UNKNOWN)
    return Situation(
        t_s=t_s,
        airborne=airborne,
        homeward=homeward,
        over_pad=belief is not None and _over_pad(belief),
        turn_back_safe_s=numbers.turn_back_safe_s - elapsed if numbers else NAN,
        soon_lead_s=policy.soon_lead_s,
        confidence=policy.confidence,
        covered=_covered_now(forecast, elapsed),
        completion=numbers.completion if numbers else NAN,
        hover_holds=numbers.hover_holds if numbers else NAN,
        best_alternate=best.name if best else "",
        best_alternate_covered=best.covered if best else 0.0,
        any_site_reachable=_reachable(flight, forecast),
        headwind_excess_mps=forecast.headwind_excess_mps if forecast else NAN,
        headwind_cost_wh=forecast.headwind_cost_wh if forecast else NAN,
        overrun_wh=forecast.overrun_wh if forecast else NAN,
        nameplate_wh=flight.pack.nameplate_wh,
        pack_resistance=math.exp(float(belief.pack.mean[3])) if belief else NAN,
        pack_capacity=math.exp(float(belief.pack.mean[4])) if belief else NAN,
        telemetry_age_s=t_s - heard.t_s,
        position_age_s=t_s - position.t_s if position else NAN,
        fix_ok=heard.fix_ok,
        doubts=(*(belief.doubts if belief else ()), *(forecast.doubts if forecast else ())),
        voltage_refused=belief is not None and belief.voltage_refused,
        link_quality=heard.link_quality,
        overrun_leg=overrun_leg,
        overrun_leg_wh=overrun_leg_wh,
        nearest=nearest_ground(flight, belief) if belief else None,
        range_left_m=range_left_m(belief, forecast) if belief and forecast else NAN,
        energy_holds=_energy_holds(numbers.above_reserve_wh) if numbers else NAN,
        stopped=landing.stopped,
        landed=flight_end(landing, flight, belief),
    )


PAD_M = 500.0  # a transition begun over the pad ends within it


def _over_pad(belief: Belief) -> bool:
    """On the rotors over home's pad, going up or down: to turn back is to land where it is."""
    near = math.hypot(belief.north_m, belief.east_m) < PAD_M
    return near and belief.phase in (*ROTORBORNE, Phase.TRANSITION)


# Below this share of the pack nobody lands on purpose: the voltage goes first.
EMPTY_SHARE = 0.02


def _reachable(flight: Flight, forecast: Forecast | None) -> bool:
    """Whether some planned site is more likely reached than not, reserve and limit set aside."""
    if forecast is None:
        return True
    empty_wh = EMPTY_SHARE * flight.pack.nameplate_wh
    sites = [
        forecast.numbers.landing_energy_wh,
        *(a.landing_energy_wh for a in forecast.alternates),
    ]
    return any(energy.p50 > empty_wh for energy in sites)


P95 = 1.645  # of the standard normal


def _energy_holds(above_wh: Spread) -> float:
    """Chance that the energy alone lands above the reserve, from its published spread.

    Each side of the median is taken as half a normal distribution, whose 5 % lie 1.645 sigma out.
    """
    reach = above_wh.p50 - above_wh.p05 if above_wh.p50 >= 0.0 else above_wh.p95 - above_wh.p50
    if not reach > 0.0:
        return float(above_wh.p50 >= 0.0)
    return 0.5 * (1.0 + math.erf(P95 * above_wh.p50 / reach / math.sqrt(2.0)))


def _covered_now(forecast: Forecast | None, elapsed_s: float) -> float:
    """Chance that turning now still lands with the reserve, from a forecast ``elapsed_s`` old."""
    if forecast is None:
        return NAN
    if elapsed_s <= 0.0 or len(forecast.ahead_s) < 2:
        return forecast.numbers.covered
    return float(np.interp(elapsed_s, forecast.ahead_s, forecast.covered_at))

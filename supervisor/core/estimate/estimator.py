"""The estimator: observations in, belief out. A thin assembly of the pure filters.

Every stream is gated and remembered (senses.py), and passed on to the filter it concerns. A filter
runs no more often than its physics: wind and power once a second, the pack with each report. What
is stale, frozen or contradictory becomes a doubt in words; doubts widen the forecast.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from supervisor.core import events as ev
from supervisor.core.atmosphere import density_kgpm3, tas_per_cas
from supervisor.core.belief import Belief
from supervisor.core.conclusions import Phase
from supervisor.core.estimate import (
    flown,
    gate,
    hovers,
    pack,
    power_blocks,
    power_scales,
    weak_cell,
    wind,
    wind_sensors,
    wind_state,
    windfield,
)
from supervisor.core.estimate import phase as phases
from supervisor.core.estimate.airspeed import Airspeed, Tube
from supervisor.core.estimate.forecast_wind import forecast_wind
from supervisor.core.estimate.kalman import Updated
from supervisor.core.estimate.pack_watch import SILENT_S, PackWatch
from supervisor.core.estimate.prior import Lessons, Prior
from supervisor.core.estimate.senses import FRESH_S, Senses
from supervisor.core.estimate.wind_kernel import kernel_of
from supervisor.core.events import Observation
from supervisor.core.geodesy import LocalMap
from supervisor.core.plan import Flight

NAN = math.nan
CLIMB_S = 6.0  # a gust lifts for seconds, a climb lasts
MAP_S = 0.45  # positions are put on the map at most twice a second
STEP_S = 0.95  # wind, power and phase look once a second
DROP_RADIUS_M = 200.0
PAD_M = 200.0  # a landing hover no farther from home than this is the last one
LANDING_WIND_M = 20.0  # height at which the landing hover meets the wind, on average
IN_THE_AIR = 0.6  # of the hover's power, when nothing is known of how it flies
AIRBORNE = frozenset(Phase) - {Phase.GROUND, Phase.UNKNOWN}


class Estimator:
    """Fed one observation at a time; asked for the belief at any moment not before the last."""

    def __init__(self, flight: Flight, prior: Prior | None = None) -> None:
        """``prior``: what earlier flights taught about this aircraft and this pack."""
        self._flight = flight
        self._prior = prior or Prior()
        self._map = LocalMap(flight.home.lat_rad, flight.home.lon_rad)
        self._senses = Senses(flight)
        self._offset_k = self._senses.day_offset_k
        density = density_kgpm3(flight.home.elevation_m, self._offset_k)
        self._hover_w = power_scales.hover_reference_w(flight.aircraft, density)
        self._steps: dict[type, Callable[[Any], None]] = {
            ev.Position: self._on_position,
            ev.PackReport: self._on_pack,
            ev.WindReport: self._on_wind_report,
        }
        self._track: gate.Track | None = None
        self._fix: ev.Position | None = None
        self._place = (0.0, 0.0)
        self._phase = phases.PhaseState()
        self._progress = flown.Progress()
        self._habits = flown.Habits()
        self._airspeed = Airspeed(flight, self._senses)
        self._stepped_s = self._reported_s = -math.inf
        self._take_off_s = NAN
        self._climb_mps = 0.0
        self._wind: wind_state.WindState | None = None
        self._scales = power_scales.start(flight.aircraft, self._prior.power)
        self._pack = PackWatch(
            flight.pack, self._prior.pack, self._expected_w, lambda: self._senses.air_c(self._fix)
        )
        self._drops = [w for w in flight.route if w.drop_kg > 0.0]

    # --- what others may ask at any time ------------------------------------------------------

    @property
    def phase(self) -> Phase:
        """The phase believed."""
        return self._phase.phase

    @property
    def airborne(self) -> bool:
        """Whether it flies."""
        return self._phase.phase in AIRBORNE

    @property
    def power_seen(self) -> Updated | None:
        """The power filter's last innovation and its variance."""
        return self._scales.seen

    def last_t_s(self, kind: type) -> float:
        """When the last believable observation of ``kind`` came; -inf when none did."""
        return self._senses.last_t_s(kind)

    # --- in -----------------------------------------------------------------------------------

    def observe(self, obs: Observation) -> None:
        """Take one observation in; impossible ones and those older than their stream are not."""
        clean = self._senses.take(obs)
        step = self._steps.get(type(obs)) if clean is not None else None
        if step:
            step(clean)

    def _on_position(self, fix: ev.Position) -> None:
        if self._fix is not None and fix.t_s - self._fix.t_s < MAP_S:
            return
        north, east = self._map.to_map(fix.lat_rad, fix.lon_rad)
        self._track, believed = gate.follow(self._track, fix.t_s, north, east)
        if not believed:
            self._senses.refuse(ev.Position, fix.t_s)
            return
        self._fix, self._place = fix, (north, east)
        if self._wind is None:
            forecast = forecast_wind(self._flight.weather, self._map.to_map)
            kernel = kernel_of(self._flight.weather.wind_sd_mps)
            self._wind = wind_state.start(forecast, kernel, fix.t_s)
        if fix.t_s - self._stepped_s >= STEP_S:
            dt_s = min(fix.t_s - self._stepped_s, 5.0)
            self._stepped_s = fix.t_s
            self._step(fix, dt_s)

    def _step(self, fix: ev.Position, dt_s: float) -> None:
        """Once a second: phase, habits, wind, payload."""
        self._progress = flown.progressed(self._progress, fix.t_s, *self._place)
        gain = 1.0 - math.exp(-dt_s / CLIMB_S)
        self._climb_mps += gain * (-fix.vd_mps - self._climb_mps)
        before = self._phase.phase
        self._phase = phases.advance(self._phase, fix.t_s, self._signs(fix))
        now = self._phase.phase
        if now is not before:
            self._habits = flown.changed(self._habits, before, now, fix.t_s)
            if now in AIRBORNE and self._take_off_s != self._take_off_s:
                self._take_off(fix.t_s)
        in_phase = fix.t_s - self._phase.since_s
        if now in phases.WING_BORNE:
            ratio = tas_per_cas(self._senses.density_kgpm3(fix))
            self._watch_airspeed(fix, ratio, dt_s)
            flown_cas = self._airspeed.flown_mps(fix.t_s, ratio, self._wind) / ratio
            self._habits = flown.watch(self._habits, now, in_phase, flown_cas, -fix.vd_mps, dt_s)
            self._observe_wind(fix, ratio)
        self._watch_drops(now)
        self._pack.bridge(fix.t_s)

    def _watch_airspeed(self, fix: ev.Position, ratio: float, dt_s: float) -> None:
        tube = self._airspeed.watch(fix, ratio, dt_s, self._wind)
        if tube is Tube.LOST:
            self._without_airspeed(fix.t_s)
        elif tube is Tube.BACK:
            self._scales = power_scales.doubted(self._scales)

    def _without_airspeed(self, t_s: float) -> None:
        """What was learned from the tube while it was being found out is taken back."""
        held = self._airspeed.held
        if held is not None:
            self._scales = replace(held, block=())
            self._habits = self._habits._replace(cruise_cas_mps=NAN)
        if self._wind is not None and not self._wind.refuted:
            self._wind = wind_sensors.without_airspeed(self._wind, t_s)

    def _take_off(self, t_s: float) -> None:
        self._take_off_s = t_s
        if self._wind is not None:
            self._wind = wind_state.took_off(self._wind, t_s)

    def _signs(self, fix: ev.Position) -> phases.Signs:
        heartbeat = self._senses.last(ev.Heartbeat)
        state = self._senses.fresh(ev.FlightState, fix.t_s)
        air = self._senses.fresh(ev.AirData, fix.t_s)
        return phases.Signs(
            armed=heartbeat.armed if heartbeat else True,
            height_m=fix.height_m,
            climb_mps=self._climb_mps,
            groundspeed_mps=math.hypot(fix.vn_mps, fix.ve_mps),
            airspeed_ratio=air.cas_mps / self._flight.aircraft.stall_mps if air else NAN,
            power_ratio=self._pack.power_w(fix.t_s) / self._hover_w,
            progress=self._progress.ratio(),
            lift=state.lift if state else ev.Lift.UNKNOWN,
            landed=state.landed if state else ev.Landed.UNKNOWN,
        )

    def _observe_wind(self, fix: ev.Position, ratio: float) -> None:
        heading = self._senses.heading_rad(fix)
        if self._wind is None or heading != heading:
            return
        if not self._senses.has_fix(fix.t_s):
            return
        cas = self._airspeed.told_mps(fix.t_s)
        told = cas == cas
        tas = cas * ratio if told else self._airspeed.assumed_mps(ratio)
        velocity = (fix.vn_mps, fix.ve_mps, fix.vd_mps)
        place = (*self._place, fix.height_m)
        by_power = self._airspeed.by_power_mps
        sample = wind_state.Sample(
            fix.t_s, *place, *velocity, heading, tas, ratio, not told, by_power
        )
        self._wind = wind.observe(self._wind, sample)

    def _on_wind_report(self, report: ev.WindReport) -> None:
        if self._wind is None or self._fix is None or report.t_s - self._reported_s < STEP_S:
            return
        self._reported_s = report.t_s
        place = np.array([*self._place, self._fix.height_m, report.t_s])
        self._wind = wind.observe_report(
            self._wind, place, report.wind_n_mps, report.wind_e_mps, report.accuracy_mps
        )

    def _watch_drops(self, now: Phase) -> None:
        """A payload is released where the plan says so, standing or hovering there."""
        if now not in (Phase.GROUND, *phases.ROTOR_BORNE):
            return
        for place in self._drops:
            n, e = self._map.to_map(place.lat_rad, place.lon_rad)
            if math.hypot(n - self._place[0], e - self._place[1]) < DROP_RADIUS_M and (
                now is Phase.GROUND or not place.land
            ):
                self._drops.remove(place)
                self._scales = power_scales.dropped(self._scales, place.drop_kg)
                return

    # --- pack and power -----------------------------------------------------------------------

    def _on_pack(self, report: ev.PackReport) -> None:
        power_w = self._pack.observe(report, self.airborne)
        if power_w == power_w:
            self._observe_power(report.t_s, power_w)

    def _power_sample(self, t_s: float, power_w: float) -> power_blocks.PowerSample | None:
        fix = self._fix
        if fix is None or t_s - fix.t_s > FRESH_S:
            return None
        density = self._senses.density_kgpm3(fix)
        load = self._senses.load_factor(t_s)
        tas, sd = self._through_the_air(fix, density)
        return power_blocks.PowerSample(
            t_s, self._phase.phase, power_w, density, tas, -fix.vd_mps, load, sd
        )

    def _through_the_air(self, fix: ev.Position, density: float) -> tuple[float, float]:
        """True airspeed and its sigma a component [m/s]: told on the wing, where it is believed as
        it is, and from the believed wind in a hover."""
        if self.phase in phases.ROTOR_BORNE and self._wind is not None and self._wind.solved:
            n, e, sd = self._wind.solved.mean_at(*self._place, max(fix.height_m, 2.0), 0.0)
            return math.hypot(fix.vn_mps - n, fix.ve_mps - e), sd
        return self._airspeed.flown_mps(fix.t_s, tas_per_cas(density), self._wind), 0.0

    def _observe_power(self, t_s: float, power_w: float) -> None:
        # the first seconds of a phase still belong to the one before
        settle_s = 2.0 if self.phase in phases.ROTOR_BORNE else 5.0
        steady = t_s - self._phase.since_s > settle_s and self._phase.next_phase is self.phase
        sample = self._power_sample(t_s, power_w) if steady else None
        if sample is None:
            return
        self._airspeed.learn(self._scales, sample)
        # A speed that the power tells cannot teach the power anything.
        if self._airspeed.held is None or self.phase not in phases.WING_BORNE:
            self._scales = power_scales.observe(self._scales, self._flight.aircraft, sample)

    def _expected_w(self) -> float:
        """Power [W] that the model expects to be drawn now."""
        aircraft = self._flight.aircraft
        if not self.airborne or self._fix is None:
            return aircraft.avionics_w
        sample = self._power_sample(self._fix.t_s, NAN)
        expected = power_scales.expected_w(self._scales, aircraft, sample) if sample else NAN
        return expected if expected == expected else IN_THE_AIR * self._hover_w

    # --- out ----------------------------------------------------------------------------------

    def belief(self, t_s: float) -> Belief | None:
        """What is believed at ``t_s``; None until a position is known."""
        fix = self._fix
        if fix is None or self._wind is None:
            return None
        air = self._senses.fresh(ev.AirData, t_s)
        mission = self._senses.last(ev.MissionProgress)
        airborne_s = t_s - self._take_off_s if self._take_off_s == self._take_off_s else 0.0
        field = wind_state.solve(self._wind, t_s)
        return Belief(
            t_s=t_s,
            phase=self._phase.phase,
            airborne_s=airborne_s,
            position=fix,
            north_m=self._place[0],
            east_m=self._place[1],
            mission_seq=mission.seq if mission else 0,
            cas_mps=air.cas_mps if air else NAN,
            day_offset_k=self._offset_k,
            wind=field,
            power=power_scales.belief(self._scales, self._flight.aircraft, *self._landing(field)),
            pack=self._pack.belief(t_s),
            habits=self._habits.belief(),
            doubts=self.doubts(t_s),
            voltage_refused=self._pack.above_full,
        )

    def _landing(self, field: windfield.Field) -> tuple[hovers.Hover, bool]:
        """The landing at home, and whether its hover is the one flown now."""
        aircraft, scales = self._flight.aircraft, self._scales
        density = density_kgpm3(self._flight.home.elevation_m, self._offset_k)
        n, e, sd = field.mean_at(0.0, 0.0, LANDING_WIND_M, 0.0)
        inflow = hovers.inflow_mps(aircraft, float(scales.x[power_scales.MASS]), density)
        here = self._phase.phase is Phase.HOVER_LANDING and math.hypot(*self._place) < PAD_M
        now = here and power_scales.in_hover(scales, self._stepped_s)
        return hovers.hover_in(aircraft, inflow, math.hypot(n, e), sd), now

    def lessons(self) -> Lessons:
        """What this flight has taught so far: to be kept for the next one."""
        state = self._pack.last()
        weakest = weak_cell.weakest(state.cells)
        flown_s = self._stepped_s - self._take_off_s
        return Lessons(
            power=power_scales.posterior(self._scales),
            pack=pack.posterior(state),
            airborne_s=flown_s if flown_s == flown_s else 0.0,
            used_ah=state.used_ah,
            rest_charge=float(pack.weighed(state).x[pack.CHARGE]),
            temperature_c=state.temperature_c,
            weakest_cell=weakest.cell,
            weak_capacity=weakest.capacity,
            weak_resistance=weakest.resistance,
        )

    def doubts(self, t_s: float) -> tuple[str, ...]:
        """What is stale, frozen or contradictory at ``t_s``, in words."""
        checks: tuple[tuple[bool, str], ...] = (
            (t_s - self.last_t_s(ev.Position) > SILENT_S, "no position for some seconds"),
            (t_s - self.last_t_s(ev.PackReport) > SILENT_S, "the battery monitor is silent"),
            (self.airborne and not self._senses.has_fix(t_s), "no satellite fix"),
            (self._pack.frozen, "the battery monitor is frozen"),
            (
                self._pack.above_full,
                "the battery's voltage, above a full pack's, is not used (cells in series? scale?)",
            ),
            (
                self._pack.unlike_any(t_s),
                "the battery's voltage does not follow its current as any pack's would",
            ),
            (
                self.airborne and self._no_airspeed(t_s),
                "no usable airspeed: wind from turns only",
            ),
            (
                self._wind is not None and self._wind.report_odd > 10,
                "the autopilot's wind contradicts what is measured",
            ),
            (
                self._wind is not None and t_s - self._wind.sensors_s < 600.0,
                "the wind, or what heading or airspeed tell, has changed suddenly",
            ),
            (
                t_s - self._scales.changed_s < 600.0,
                "power drawn has changed suddenly",
            ),
            (self._senses.refused(t_s), "impossible values were refused"),
        )
        return tuple(words for holds, words in checks if holds)

    def _no_airspeed(self, t_s: float) -> bool:
        airspeed = self._airspeed.told_mps(t_s)
        return self._phase.phase in phases.WING_BORNE and airspeed != airspeed

"""The flight as it was flown: the recording through the estimator, cut into short blocks.

A block is a few seconds of one phase on one leg, with the energy that the recording's own current
and voltage integrate to, and the motion that goes with it. Blocks tile the recording: their
energies add up to the integral of the whole, to the last digit.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from supervisor.core.atmosphere import day_offset_k, density_kgpm3, tas_per_cas
from supervisor.core.belief import Array
from supervisor.core.conclusions import Phase
from supervisor.core.decide import homeward
from supervisor.core.estimate.estimator import AIRBORNE, Estimator
from supervisor.core.estimate.forecast_wind import forecast_wind
from supervisor.core.estimate.prior import Lessons
from supervisor.core.events import AirData, Attitude, Observation, PackReport, Position
from supervisor.core.forecast.legs import map_of, mission_layout, route_on_map
from supervisor.core.plan import Flight
from supervisor.debrief.readings import PackReadings, pack_readings

NAN = math.nan
STEP_S, BLOCK_S, WIND_S = 1.0, 10.0, 20.0
TOUCHED_M, TURN_S = 6.0, 600.0
BEFORE, AFTER, HOME = "before take-off", "after landing", "home"
NAMES: dict[Phase, str] = {
    Phase.UNKNOWN: "ground",
    Phase.GROUND: "ground",
    Phase.HOVER_CLIMB: "take-off",
    Phase.TRANSITION: "transition",
    Phase.CLIMB: "climb",
    Phase.CRUISE: "cruise",
    Phase.LOITER: "loiter",
    Phase.DESCENT: "descent",
    Phase.HOVER_LANDING: "landing",
}
WING = ("climb", "cruise", "descent")


@dataclass(frozen=True, slots=True)
class Moment:
    """What was known at one second of the flight."""

    t_s: float
    phase: str
    leg: int  # index of the route point flown to; len(route): on the way home
    north_m: float
    east_m: float
    height_m: float
    density: float
    tas_mps: float
    climb_mps: float
    load_factor: float


@dataclass(frozen=True, slots=True)
class Block:
    """A few seconds of one phase on one leg; wind blowing toward, NaN where not known."""

    t_s: float
    seconds: float
    phase: str
    leg: int
    energy_wh: float
    north_m: float
    east_m: float
    moved_n_m: float
    moved_e_m: float
    height_m: float
    density: float
    tas_mps: float
    climb_mps: float
    load_factor: float
    wind_n_mps: float
    wind_e_mps: float

    @property
    def power_w(self) -> float:
        """Mean electrical power [W]."""
        return self.energy_wh * 3600.0 / self.seconds if self.seconds > 0.0 else 0.0


@dataclass(frozen=True, slots=True)
class WindSeen:
    """The wind believed at a place and time, and the forecast there; blowing toward."""

    t_s: float
    height_m: float
    n_mps: float
    e_mps: float
    sd_mps: float
    forecast_n_mps: float
    forecast_e_mps: float


@dataclass(frozen=True, slots=True)
class AirMotion:
    """A second on the wing: ground velocity, and the air's by its sensors along the heading."""

    t_s: float
    vn_mps: float
    ve_mps: float
    air_n_mps: float
    air_e_mps: float


@dataclass(frozen=True, slots=True)
class Flown:
    """One recorded flight. NaN times where it did not take off, turn or land."""

    blocks: tuple[Block, ...]
    winds: tuple[WindSeen, ...]
    motion: tuple[AirMotion, ...]
    pack: PackReadings
    lessons: Lessons
    take_off_s: float
    turn_s: float
    landing_s: float
    reached: int  # route points reached before turning home

    @property
    def airborne_s(self) -> float:
        """Time in the air [s], to the end of the recording when it did not land."""
        end = self.landing_s
        if end != end and self.blocks:
            end = self.blocks[-1].t_s + self.blocks[-1].seconds
        return end - self.take_off_s


def read_flight(flight: Flight, observations: Iterable[Observation]) -> Flown:
    """The recording, seen through the estimator."""
    walker = _Walker(flight)
    for observation in observations:
        walker.hear(observation)
    return walker.flown()


class _Walker:
    """Feeds the estimator and keeps a moment a second."""

    def __init__(self, flight: Flight) -> None:
        self.flight = flight
        self._estimator = Estimator(flight)
        self._chart = map_of(flight)
        self._route = route_on_map(flight, self._chart)
        self._items = mission_layout(flight)
        self._offset_k = day_offset_k(flight.weather.temperature_c, flight.home.elevation_m)
        self._air: AirData | None = None
        self._roll_rad = 0.0
        self._homeward = homeward.Homeward()
        self._yaw_rad = NAN
        self._moments: list[Moment] = []
        self._motion: list[AirMotion] = []
        self._reports: list[PackReport] = []
        self._winds: list[tuple[float, float, float, float, float, float, float]] = []
        self._take_off_s = self._turn_s = self._landing_s = NAN
        self._leg = self._reached = 0

    def hear(self, obs: Observation) -> None:
        self._estimator.observe(obs)
        match obs:
            case PackReport():
                self._reports.append(obs)
            case AirData():
                self._air = obs
            case Attitude():
                self._roll_rad = obs.roll_rad if obs.roll_rad == obs.roll_rad else 0.0
                self._yaw_rad = obs.yaw_rad
            case Position() if not self._moments or obs.t_s - self._moments[-1].t_s >= STEP_S:
                self._step(obs)

    def _step(self, fix: Position) -> None:
        place = self._chart.to_map(fix.lat_rad, fix.lon_rad)
        phase = self._estimator.phase
        self._mark(phase, fix.t_s)
        self._look(fix, place, phase)
        density = density_kgpm3(fix.alt_m, self._offset_k)
        air = self._air
        cas = air.cas_mps if air is not None and fix.t_s - air.t_s < 3.0 else NAN
        self._move(fix, NAMES[phase], cas * tas_per_cas(density))
        self._moments.append(
            Moment(
                fix.t_s,
                NAMES[phase],
                self._leg,
                *place,
                fix.height_m,
                density,
                cas * tas_per_cas(density),
                -fix.vd_mps,
                1.0 / max(math.cos(self._roll_rad), 0.5),
            )
        )

    def _move(self, fix: Position, phase: str, tas_mps: float) -> None:
        heading = fix.heading_rad if fix.heading_rad == fix.heading_rad else self._yaw_rad
        if phase not in (*WING, "loiter") or not math.isfinite(tas_mps * heading):
            return
        north, east = tas_mps * math.cos(heading), tas_mps * math.sin(heading)
        self._motion.append(AirMotion(fix.t_s, fix.vn_mps, fix.ve_mps, north, east))

    def _mark(self, phase: Phase, t_s: float) -> None:
        if phase in AIRBORNE:
            if self._take_off_s != self._take_off_s:
                self._take_off_s = t_s
            self._landing_s = NAN
        elif self._take_off_s == self._take_off_s and self._landing_s != self._landing_s:
            self._landing_s = t_s

    def _look(self, fix: Position, place: tuple[float, float], phase: Phase) -> None:
        """Leg, homeward or not, and now and then the wind."""
        belief = None
        if not self._winds or fix.t_s - self._winds[-1][0] >= WIND_S:
            belief = self._estimator.belief(fix.t_s)
        if belief is None:
            return
        n, e, sd = belief.wind.mean_at(*place, fix.height_m, 0.0)
        self._winds.append((fix.t_s, *place, fix.height_m, n, e, sd))
        seq = belief.mission_seq
        leg = self._items[seq] if 0 <= seq < len(self._items) else len(self._route)
        ahead = self._route[leg] if leg < len(self._route) else None
        if phase is not Phase.GROUND:
            velocity = (fix.vn_mps, fix.ve_mps)
            self._homeward = homeward.watch(self._homeward, fix.t_s, place, velocity, ahead)
        if self._homeward.yes and leg < len(self._route):
            leg = len(self._route)
        if leg == len(self._route) and self._leg < leg:
            self._turn_s = fix.t_s
            self._reached = self._leg
        self._leg = max(leg, 0)

    def flown(self) -> Flown:
        """Everything, cut into blocks."""
        pack = pack_readings(self._reports)
        self._settle()
        turned = self._turn_s == self._turn_s
        return Flown(
            blocks=tuple(self._blocks(pack)),
            winds=tuple(self._seen()),
            motion=tuple(self._motion),
            pack=pack,
            lessons=self._estimator.lessons(),
            take_off_s=self._take_off_s,
            turn_s=self._turn_s,
            landing_s=self._landing_s,
            reached=self._reached if turned else self._leg,
        )

    def _settle(self) -> None:
        """With hindsight: when it touched down, and when it really turned."""
        last = self._moments[-1] if self._moments else None
        low = last is not None and last.height_m < TOUCHED_M and last.phase == "landing"
        if last is not None and low and self._landing_s != self._landing_s:
            self._landing_s = last.t_s  # the recording stops before the ground phase shows
        before = [m for m in self._moments if self._turn_s - TURN_S <= m.t_s <= self._turn_s]
        if before and self._reached < len(self._route):
            # the farthest point: a verdict "homeward" comes a while after it
            self._turn_s = max(before, key=lambda m: math.hypot(m.north_m, m.east_m)).t_s

    def _seen(self) -> list[WindSeen]:
        """Winds met on the way, and what was forecast for there and then."""
        flying = [
            w for w in self._winds
            if self._take_off_s <= w[0] and not w[0] > self._landing_s and w[3] > 20.0
        ]  # fmt: skip
        if not flying:
            return []
        t, n, e, h, wn, we, sd = np.array(flying).T
        told = forecast_wind(self.flight.weather, self._chart.to_map).at(
            n, e, h, t - self._take_off_s
        )
        return [WindSeen(*map(float, row)) for row in zip(t, h, wn, we, sd, *told.T, strict=True)]

    def _blocks(self, pack: PackReadings) -> list[Block]:
        groups = _grouped(self._moments)
        if not groups:
            return []
        starts = [g[0].t_s for g in groups]
        edges = np.array([-math.inf, *starts[1:], math.inf])
        energy = np.diff(pack.at(np.clip(edges, -1e12, 1e12)))
        ends = [*starts[1:], self._moments[-1].t_s]
        following = [g[0] for g in groups[1:]] + [self._moments[-1]]
        wind = np.array(self._winds).reshape(-1, 7)
        return [
            self._block(group, end - group[0].t_s, float(wh), after, wind)
            for group, end, wh, after in zip(groups, ends, energy, following, strict=True)
        ]

    def _block(
        self, group: list[Moment], seconds: float, wh: float, after: Moment, wind: Array
    ) -> Block:
        first = group[0]
        middle_s = first.t_s + 0.5 * seconds
        known = len(wind) > 0
        tas = [m.tas_mps for m in group if m.tas_mps == m.tas_mps]
        return Block(
            t_s=first.t_s,
            seconds=seconds,
            phase=first.phase,
            leg=first.leg,
            energy_wh=wh,
            north_m=first.north_m,
            east_m=first.east_m,
            moved_n_m=after.north_m - first.north_m,
            moved_e_m=after.east_m - first.east_m,
            height_m=sum(m.height_m for m in group) / len(group),
            density=sum(m.density for m in group) / len(group),
            tas_mps=sum(tas) / len(tas) if tas else NAN,
            climb_mps=(after.height_m - first.height_m) / seconds if seconds > 0.0 else 0.0,
            load_factor=sum(m.load_factor for m in group) / len(group),
            wind_n_mps=float(np.interp(middle_s, wind[:, 0], wind[:, 4])) if known else NAN,
            wind_e_mps=float(np.interp(middle_s, wind[:, 0], wind[:, 5])) if known else NAN,
        )


def _grouped(moments: list[Moment]) -> list[list[Moment]]:
    """Runs of one phase on one leg, none longer than a block."""
    groups: list[list[Moment]] = [[moments[0]]] if moments else []
    for before, now in pairwise(moments):
        same = (before.phase, before.leg) == (now.phase, now.leg)
        if same and now.t_s - groups[-1][0].t_s < BLOCK_S:
            groups[-1].append(now)
        else:
            groups.append([now])
    return groups

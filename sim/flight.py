"""One simulated flight: pilot, air, aircraft and pack advanced together, one step at a time.

Time runs in tenths of a second. The step is 0.1 s when the rotors carry the aircraft and 0.5 s on
the wing. Whoever watches changes nothing: the steps depend on the flight alone.
"""

from __future__ import annotations

import math
from random import Random
from typing import TypeVar

from sim import faults as trouble
from sim.aircraft import Aircraft, fit
from sim.atmosphere import KELVIN_K, RHO0_KGPM3, air, offset_for, viscosity_pas
from sim.cells import CELLS, Cell, unlike
from sim.geodesy import offset_m
from sim.lift import fly_lift
from sim.mission import MissionItem, mission_of
from sim.motion import Body, Effects, Work, fly_wing
from sim.pack import Pack, PackBuild
from sim.pilot import Habits, Pilot
from sim.scenario import Scenario
from sim.state import AircraftState, Phase
from sim.weather import Air

T = TypeVar("T")
FAST_TICKS = 1  # tenths of a second
WING_TICKS = 5
MERIDIAN_M, NORMAL_M = 6.3675e6, 6.388e6  # radii of the weather's flat map (mid-latitudes)
SLOW_EVERY_S = 1.0  # density and faults are looked at this often


def _draw(scenario: Scenario, random: Random) -> dict[str, float]:
    """One true aircraft out of the scenario's ranges; every key is drawn, in file order."""
    return {key: random.uniform(low, high) for key, (low, high) in scenario.truth.items()}


def drawn(scenario: Scenario, seed: int) -> dict[str, float]:
    """What ``seed`` makes of the scenario's ranges: the true factors of one flight."""
    return _draw(scenario, Random(f"{seed} draws"))


class Flight:
    """A flight of ``scenario`` with everything random drawn from ``seed``.

    ``sortie`` counts the flights of the same aircraft and pack from a box: each has its own
    weather, and the pack is older, recharged and still warm by what the scenario says.
    """

    def __init__(self, scenario: Scenario, seed: int, sortie: int = 0) -> None:
        self.scenario, self.seed, self.sortie = scenario, seed, sortie
        plan = scenario.plan
        draws = Random(f"{seed} draws")
        self.draw = _draw(scenario, draws)
        self.craft: Aircraft = fit(plan.builder, self.draw)
        self.pack = self._make_pack(draws)
        self.mission: tuple[MissionItem, ...] = mission_of(plan)
        self.pilot = Pilot(plan, self.mission, self._habits(), scenario.aborted_landings)
        home = plan.home
        self.home_lat, self.home_lon = math.radians(home.lat_deg), math.radians(home.lon_deg)
        here = (self.home_lat, self.home_lon)
        day = f"{seed} day {sortie}"
        self.air = Air(scenario.weather, here, Random(day), Random(f"{day} future"))
        self.body = Body(self.home_lat, self.home_lon, mass_kg=self.craft.mass_kg)
        self._offset_k = offset_for(scenario.weather.temperature_c, home.elevation_m)
        self.effects, self.work = Effects(), Work()
        self.ticks = 0
        self.lost = False
        self.power_w = 0.0
        self._slow_at_s = 0.0
        self._most_n: dict[tuple[int, int], float] = {}  # the pusher's greatest thrust
        self._state: AircraftState | None = None
        self._blocked_n = math.nan
        self._lost_wind: tuple[float, float] | None = None
        self._slow_checks()

    def _make_pack(self, draws: Random) -> Pack:
        figures, draw = self.scenario.plan.pack, self.draw
        sorties, chill = self.scenario.sorties, 0.0
        age = draw["age"] + self.sortie * sorties.age_per_sortie
        for fault in self.scenario.faults:
            if fault.kind == "ageing":
                age = trouble.amount_of(fault)
            elif fault.kind == "cold-soak":
                chill = trouble.amount_of(fault)
        build = PackBuild(
            cell=self._cell(CELLS[figures.cell]),
            series=figures.series,
            parallel=figures.parallel,
            capacity_ah=figures.capacity_ah * draw["capacity"],
            resistance=draw["resistance"],
            cold_sensitivity=draw["cold_sensitivity"],
            age=age,
            capacity_sd=draw["cell_capacity_sd"],
            resistance_sd=draw["cell_resistance_sd"],
        )
        warm_c = figures.temperature_c + draw["pack_temperature_error_c"] + chill
        charge = min(figures.initial_charge * draw["initial_charge"], 1.0)
        if self.sortie > 0:
            charge, warm_c = sorties.charge, max(warm_c, sorties.warm_start_c)
        pack = Pack(build, charge, warm_c, draws)
        for fault in self.scenario.faults:
            if fault.kind == "weak-cell":
                pack.weaken_group(figures.series // 3, trouble.amount_of(fault), 1.5)
        return pack

    def _cell(self, usual: Cell) -> Cell:
        """What the cells are: as unlike their type as the scenario says, by draws of their own."""
        told, random = self.scenario.cell, Random(f"{self.seed} cell")
        error_mv, slow = (random.uniform(*told[k]) for k in ("ocv_error_mv", "slow_resistance"))
        return unlike(usual, 1e-3 * error_mv, slow, random)

    def _habits(self) -> Habits:
        builder = self.scenario.plan.builder
        landing_s = self.scenario.plan.return_plan.landing_hover_s
        return Habits(
            cruise_mps=builder.cruise_mps,
            climb_mps=builder.climb_mps,
            descent_mps=builder.descent_mps,
            transition_mps=1.2 * builder.stall_mps,
            landing_hover_s=landing_s * self.draw["landing_time"],
            airspeed_factor=self.draw["airspeed_factor"],
        )

    # -- what others use ------------------------------------------------------------------------

    @property
    def t_s(self) -> float:
        """Seconds since the flight began, on the ground."""
        return self.ticks / 10.0

    @property
    def done(self) -> bool:
        """Landed for good, or lost."""
        return self.lost or self.pilot.done

    def step(self) -> AircraftState:
        """One step of 0.1 s (rotors) or 0.5 s (wing, ground)."""
        self._advance()
        return self.state

    def advance(self, until_s: float) -> None:
        """Step until ``until_s`` is reached or the flight is over."""
        while self.ticks < until_s * 10.0 - 1e-9 and not self.done:
            self._advance()

    def command_return(self) -> None:
        """Come home by the flight file's return plan."""
        self.pilot.return_home()
        self._state = None

    def command_divert(self, alternate_index: int) -> None:
        """Land at an alternate of the flight file."""
        self.pilot.divert(alternate_index)
        self._state = None

    def fork(self, fresh_seed: int | None = None) -> Flight:
        """An independent copy; ``fresh_seed`` draws the gusts and drift to come anew."""
        twin = object.__new__(Flight)
        twin.__dict__.update(self.__dict__)
        twin.pack, twin.pilot = self.pack.copy(), self.pilot.copy()
        twin.air = self.air.copy(fresh_seed)
        twin.body, twin.effects, twin.work = _twin(self.body), _twin(self.effects), _twin(self.work)
        return twin

    # -- one step -------------------------------------------------------------------------------

    def _advance(self) -> None:
        if self.done:
            return
        body, pilot, t_s = self.body, self.pilot, self.ticks / 10.0
        if t_s >= self._slow_at_s:
            self._slow_checks()
        pilot.step(body, t_s)
        order = pilot.order
        ticks = FAST_TICKS if order.mode == "lift" else WING_TICKS
        dt = ticks / 10.0
        wind = self._wind(t_s, dt)
        if order.mode == "wing":
            order.fixed_thrust_n = self._blocked_n
            fly_wing(body, self.craft, order, self.effects, self.work, wind, dt, self._most_n)
        elif order.mode == "lift":
            fly_lift(body, self.craft, order, self.effects, wind, dt, self._most_n)
        else:
            body.rotor_w = body.pusher_w = body.thrust_n = body.throttle = body.pitch = 0.0
        body.wind_n, body.wind_e, body.wind_d = wind
        self._feed(dt)
        self.ticks += ticks
        self._state = None

    def _wind(self, t_s: float, dt: float) -> tuple[float, float, float]:
        """Wind at the aircraft, after the weather has moved on by ``dt``."""
        body = self.body
        north = (body.lat - self.home_lat) * MERIDIAN_M
        east = (body.lon - self.home_lon) * NORMAL_M * math.cos(self.home_lat)
        above = body.height_m - body.ground_m
        return self.air.step(t_s, dt, north, east, above, body.height_m, body.tas)

    def _feed(self, dt: float) -> None:
        """Take the step's energy out of the pack; a pack that opens in the air ends the flight."""
        body, work = self.body, self.work
        hours = dt / 3600.0
        asked_w = body.rotor_w + body.pusher_w + self.craft.avionics_w
        work.pusher_wh += body.pusher_w * hours
        work.rotors_wh += body.rotor_w * hours
        work.avionics_wh += self.craft.avionics_w * hours
        self.power_w = self.pack.step(asked_w, dt, body.temperature_k - KELVIN_K, body.tas)
        if self.pack.cut_off and self.pilot.order.mode != "ground":
            self.lost = True
        if body.height_m < body.ground_m - 3.0:
            self.lost = True

    def _slow_checks(self) -> None:
        """Air density and faults, once a second."""
        body, t_s = self.body, self.ticks / 10.0
        self._slow_at_s = t_s + SLOW_EVERY_S
        alt_m = body.height_m + self.scenario.plan.home.elevation_m
        body.temperature_k, body.pressure_pa, body.density = air(alt_m, self._offset_k)
        body.viscosity = viscosity_pas(body.temperature_k)
        body.mass_kg = self.craft.mass_kg - self.pilot.dropped_kg
        if self.scenario.faults:
            self._apply_faults(t_s)

    def _apply_faults(self, t_s: float) -> None:
        listed, body = self.scenario.faults, self.body
        self.effects.parasite = trouble.factor(listed, "drag-rise", t_s)
        self.effects.weak_motor = trouble.factor(listed, "lift-motor", t_s)
        self.effects.pusher = trouble.factor(listed, "pusher", t_s)
        self.pilot.stuck = trouble.active(listed, "payload-stuck", t_s)
        if not trouble.active(listed, "airspeed-blocked", t_s):
            self._blocked_n = math.nan
        elif math.isnan(self._blocked_n) and body.usual_thrust_n > 0.0:
            self._blocked_n = 1.05 * body.usual_thrust_n  # a margin instead of a known airspeed
        self._dead_reckon(trouble.active(listed, "gps-loss", t_s))

    def _dead_reckon(self, blind: bool) -> None:
        """Without a fix the wind that is not the one remembered carries the aircraft off."""
        body, pilot = self.body, self.pilot
        if not blind:
            self._lost_wind, pilot.nav_n, pilot.nav_e = None, 0.0, 0.0
            return
        if self._lost_wind is None:
            self._lost_wind = body.wind_n, body.wind_e
        if pilot.order.mode == "wing":
            pilot.nav_n -= (body.wind_n - self._lost_wind[0]) * SLOW_EVERY_S
            pilot.nav_e -= (body.wind_e - self._lost_wind[1]) * SLOW_EVERY_S

    # -- the truth now --------------------------------------------------------------------------

    @property
    def distance_home_m(self) -> float:
        """Distance to home [m]."""
        north, east, _ = offset_m(self.body.lat, self.body.lon, self.home_lat, self.home_lon)
        return math.hypot(north, east)

    @property
    def state(self) -> AircraftState:
        """Everything that is true now."""
        if self._state is None:
            self._state = self._make_state()
        return self._state

    def _make_state(self) -> AircraftState:
        body, pack, pilot = self.body, self.pack, self.pilot
        return AircraftState(
            t_s=self.ticks / 10.0,
            phase=Phase.LOST if self.lost else pilot.phase,
            lat_deg=math.degrees(body.lat),
            lon_deg=math.degrees(body.lon),
            height_m=body.height_m,
            above_ground_m=body.height_m - body.ground_m,
            alt_m=body.height_m + self.scenario.plan.home.elevation_m,
            vn_mps=body.vn,
            ve_mps=body.ve,
            vd_mps=-body.climb,
            heading_rad=body.heading % math.tau,
            roll_rad=body.roll,
            pitch_rad=body.pitch,
            tas_mps=body.tas,
            cas_mps=body.tas * math.sqrt(body.density / RHO0_KGPM3),
            throttle=body.throttle,
            power_w=self.power_w,
            current_a=pack.current_a,
            pack_v=pack.voltage_v,
            cell_v=tuple(pack.cell_v),
            soc=pack.soc,
            energy_left_wh=pack.energy_left_wh,
            pack_temp_c=pack.temperature_c,
            wind_n_mps=body.wind_n,
            wind_e_mps=body.wind_e,
            wind_d_mps=body.wind_d,
            air_temp_c=body.temperature_k - KELVIN_K,
            pressure_pa=body.pressure_pa,
            density_kgpm3=body.density,
            mass_kg=body.mass_kg,
            mission_seq=pilot.seq,
            returning=pilot.returning,
        )


def _twin(value: T) -> T:
    """A shallow copy of a flat, slotted dataclass."""
    twin: T = object.__new__(type(value))
    for name in type(value).__slots__:  # type: ignore[attr-defined]
        setattr(twin, name, getattr(value, name))
    return twin

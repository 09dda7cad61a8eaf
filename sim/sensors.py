"""What the aircraft's sensors make of the truth.

Every flight draws its own sensor errors (gains, offsets) from the ranges of the scenario; noise,
wander, delay or lag, steps and sensor faults come on top. Receiver and pack monitor keep their own
rate; the others sample faster than any message leaves. The random streams are this module's own,
one an instrument: the flight is the same with or without telemetry, and asking one instrument more
often does not change what another one reads.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from sim.faults import active, amount_of, factor, share
from sim.geodesy import radii_m
from sim.instruments import SENSOR_DEFAULTS, Range
from sim.noise import Lag, Wander, draw_figures, normals, stepped
from sim.state import AircraftState

if TYPE_CHECKING:
    from sim.scenario import Fault

SENSOR_FAULTS = (
    "gps-loss", "airspeed-blocked", "compass-offset", "battery-frozen", "current-gain",
)  # fmt: skip
WANDER_TIME_S = 300.0  # satellite geometry and atmosphere: minutes
WIND_ERROR_TIME_S = 120.0
DRIFT_RECOVERY_S = 4.0  # a filter that gets its fix back walks home in seconds
PITOT_DEAD_MPS = 3.0  # below this a differential sensor shows little but noise
RHO0_KGPM3 = 1.225


class Gps(NamedTuple):
    """One receiver solution; ``alt_m`` above mean sea level."""

    t_s: float
    fix_type: int
    satellites: int
    lat_deg: float
    lon_deg: float
    alt_m: float
    vn_mps: float
    ve_mps: float
    h_acc_m: float


class Fused(NamedTuple):
    """Position and velocity as the autopilot's filter has them."""

    lat_deg: float
    lon_deg: float
    alt_m: float
    height_m: float
    vn_mps: float
    ve_mps: float
    vd_mps: float


class Pack(NamedTuple):
    """What the pack monitor says; ``cell_v`` has one entry a cell group in series."""

    pack_v: float
    cell_v: tuple[float, ...]
    current_a: float
    consumed_ah: float
    consumed_wh: float
    temperature_c: float
    remaining: float


class Sensors:
    """All instruments of one flight. ``update`` with each true state, then read."""

    def __init__(
        self,
        seed: int,
        ranges: Mapping[str, Range] | None = None,
        faults: Sequence[Fault] = (),
        airspeed_factor: float = 1.0,
        nominal_capacity_ah: float = math.nan,
        initial_charge: float = 1.0,
        sortie: int = 0,
    ) -> None:
        root = np.random.SeedSequence(seed, spawn_key=(0x53454E53,))  # "SENS"
        # The errors belong to the aircraft, the noise to the flight.
        children = [*root.spawn(1), *root.spawn(7 * (sortie + 1))[7 * sortie :]]
        streams = [np.random.default_rng(child) for child in children]
        self.figures = draw_figures(ranges or {}, streams[0], SENSOR_DEFAULTS)
        self._gps_draw, self._fused_draw, self._baro_draw = map(normals, streams[1:4])
        self._pitot_draw, self._compass_draw, self._pack_draw = map(normals, streams[4:7])
        slow = normals(streams[7])
        figures = self.figures
        self._gps_error = [Wander(slow, figures["gps_wander_m"], WANDER_TIME_S) for _ in range(3)]
        self._wind_error = [
            Wander(slow, figures["wind_error_mps"], WIND_ERROR_TIME_S) for _ in range(2)
        ]
        self._last_wind: tuple[float, float] | None = None
        self._drift_mps = (0.0, 0.0)
        self._drift_m = [0.0, 0.0]
        self._faults = tuple(f for f in faults if f.kind in SENSOR_FAULTS)
        self._airspeed_factor = airspeed_factor
        self._nominal_ah, self._initial_charge = nominal_capacity_ah, initial_charge
        self._consumed_ah = 0.0
        self._consumed_wh = 0.0
        self._cas_mps = Lag(figures["airspeed_lag_s"])
        self._static_pa = Lag(figures["baro_lag_s"])
        self._current_a, self._pack_v = (Lag(figures["pack_lag_s"]) for _ in range(2))
        self._yaw_rate_radps = 0.0
        self._pack_at_s = -math.inf
        self._trapped_pa = math.nan
        self._gps: Gps | None = None
        self._held_pack: Pack | None = None
        self._state: AircraftState | None = None
        self._deg_per_m = (0.0, 0.0)
        self.gps_lost = False

    # --- with each true state ---

    def update(self, state: AircraftState) -> None:
        """Take the next true state; slow errors and the charge counter move on."""
        before, self._state = self._state, state
        meridian, normal = radii_m(math.radians(state.lat_deg))
        cos_lat = math.cos(math.radians(state.lat_deg))
        self._deg_per_m = (math.degrees(1.0 / meridian), math.degrees(1.0 / (normal * cos_lat)))
        dt_s = 0.0 if before is None else state.t_s - before.t_s
        self._cas_mps.step(state.cas_mps, dt_s)
        self._static_pa.step(state.pressure_pa, dt_s)
        self._current_a.step(state.current_a, dt_s)
        self._pack_v.step(state.pack_v, dt_s)
        if before is None or dt_s <= 0.0:
            return
        turned = math.remainder(state.heading_rad - before.heading_rad, math.tau)
        self._yaw_rate_radps = turned / dt_s
        for error in (*self._gps_error, *self._wind_error):
            error.step(dt_s)
        self._dead_reckon(state, dt_s)
        current_a = self._seen_current_a(state.current_a, state.t_s)
        self._consumed_ah += max(0.0, current_a) * dt_s / 3600.0
        self._consumed_wh += max(0.0, current_a * state.pack_v) * dt_s / 3600.0

    def _dead_reckon(self, state: AircraftState, dt_s: float) -> None:
        """Without a fix the filter flies on with the last wind and errs by what that changes."""
        self.gps_lost = active(self._faults, "gps-loss", state.t_s)
        if self.gps_lost:
            if self._last_wind is None:
                self._last_wind = (state.wind_n_mps, state.wind_e_mps)
            self._drift_mps = (
                self._last_wind[0] - state.wind_n_mps,
                self._last_wind[1] - state.wind_e_mps,
            )
            for axis in (0, 1):
                self._drift_m[axis] += self._drift_mps[axis] * dt_s
            return
        self._last_wind, self._drift_mps = None, (0.0, 0.0)
        if self._drift_m != [0.0, 0.0]:
            keep = math.exp(-dt_s / DRIFT_RECOVERY_S)
            self._drift_m = [x * keep if abs(x) > 0.01 else 0.0 for x in self._drift_m]

    # --- readings, at a moment between the last two states ---

    def gps(self, t_s: float) -> Gps:
        """The receiver's latest solution: delayed, at its own rate; frozen without a fix."""
        last = self._gps
        if last is not None and t_s < last.t_s + self.figures["gps_period_s"] - 1e-9:
            return last
        if self.gps_lost:
            frozen = last or self._solve(t_s)
            self._gps = frozen._replace(t_s=t_s, fix_type=1, satellites=2, h_acc_m=math.nan)
        else:
            self._gps = self._solve(t_s)
        return self._gps

    def _solve(self, t_s: float) -> Gps:
        state, figures, draw = self._now(), self.figures, self._gps_draw
        back_s = t_s - state.t_s - figures["gps_delay_s"]
        noise_m, noise_mps = figures["gps_noise_m"], figures["gps_velocity_noise_mps"]
        north = state.vn_mps * back_s + self._gps_error[0].value + noise_m * draw()
        east = state.ve_mps * back_s + self._gps_error[1].value + noise_m * draw()
        up = -state.vd_mps * back_s + 1.5 * (self._gps_error[2].value + noise_m * draw())
        per_n, per_e = self._deg_per_m
        return Gps(
            t_s,
            3,
            14,
            state.lat_deg + north * per_n,
            state.lon_deg + east * per_e,
            state.alt_m + up,
            state.vn_mps + noise_mps * draw(),
            state.ve_mps + noise_mps * draw(),
            math.hypot(noise_m, figures["gps_wander_m"]),
        )

    def fused(self, t_s: float) -> Fused:
        """The autopilot's position filter: no delay, little noise, wander; drifts without GPS."""
        state, draw = self._now(), self._fused_draw
        dt_s = t_s - state.t_s
        noise_mps = 0.5 * self.figures["gps_velocity_noise_mps"]
        north = state.vn_mps * dt_s + self._gps_error[0].value + self._drift_m[0]
        east = state.ve_mps * dt_s + self._gps_error[1].value + self._drift_m[1]
        up = self._gps_error[2].value - state.vd_mps * dt_s
        per_n, per_e = self._deg_per_m
        return Fused(
            state.lat_deg + north * per_n,
            state.lon_deg + east * per_e,
            state.alt_m + up,
            state.height_m + up,
            state.vn_mps + self._drift_mps[0] + noise_mps * draw(),
            state.ve_mps + self._drift_mps[1] + noise_mps * draw(),
            state.vd_mps + noise_mps * draw(),
        )

    def static_pa(self) -> float:
        """Barometer: static pressure [Pa] with its offset and noise."""
        figures = self.figures
        error_pa = figures["baro_offset_pa"] + figures["baro_noise_pa"] * self._baro_draw()
        return stepped(self._static_pa.value + error_pa, figures["baro_step_pa"])

    def sensor_air_c(self) -> float:
        """Temperature at the barometer [degC]: the air's plus the heat of the box around it."""
        return self._now().air_temp_c + self.figures["baro_heating_c"]

    def airspeed_mps(self) -> float:
        """Calibrated airspeed as the pitot tube has it, never negative.

        A blocked tube keeps its total pressure and so reads height, not speed:
        v = sqrt(2 (p_trapped - p_static) / rho0).
        """
        state, figures = self._now(), self.figures
        true_mps = self._cas_mps.value
        if active(self._faults, "airspeed-blocked", state.t_s):
            if math.isnan(self._trapped_pa):
                self._trapped_pa = state.pressure_pa + 0.5 * RHO0_KGPM3 * true_mps**2
            q_pa = max(0.0, self._trapped_pa - state.pressure_pa)
            true_mps = math.sqrt(2.0 * q_pa / RHO0_KGPM3)
        else:
            self._trapped_pa = math.nan
        shown_mps = true_mps + figures["airspeed_noise_mps"] * self._pitot_draw()
        if true_mps >= PITOT_DEAD_MPS:
            shown_mps += (self._airspeed_factor - 1.0) * true_mps + figures["airspeed_offset_mps"]
        return stepped(abs(shown_mps), figures["airspeed_step_mps"])

    def heading_rad(self, t_s: float) -> float:
        """Compass heading, 0 to 2 pi, late, with the flight's offset and a fault's on top."""
        state, figures = self._now(), self.figures
        offset_deg = figures["compass_offset_deg"]
        for fault in self._faults:
            if fault.kind == "compass-offset":
                offset_deg += amount_of(fault) * share(fault, t_s)
        late_s = t_s - state.t_s - figures["compass_delay_s"]
        heading_deg = math.degrees(state.heading_rad + self._yaw_rate_radps * late_s) + offset_deg
        heading_deg += figures["attitude_noise_deg"] * self._compass_draw()
        return math.radians(stepped(heading_deg, figures["compass_step_deg"])) % math.tau

    @property
    def yaw_rate_radps(self) -> float:
        """Turn rate, from the gyros: without error."""
        return self._yaw_rate_radps

    def tilt_rad(self) -> tuple[float, float]:
        """Roll and pitch."""
        state, sd = self._now(), math.radians(self.figures["attitude_noise_deg"])
        return (
            state.roll_rad + sd * self._compass_draw(),
            state.pitch_rad + sd * self._compass_draw(),
        )

    def pack(self, t_s: float) -> Pack:
        """The pack monitor's latest reading, at its own rate; frozen, it repeats itself."""
        last, fresh_s = self._held_pack, self._pack_at_s + self.figures["pack_period_s"]
        if last and (t_s < fresh_s - 1e-9 or active(self._faults, "battery-frozen", t_s)):
            return last
        self._held_pack, self._pack_at_s = self._read_pack(), t_s
        return self._held_pack

    def _read_pack(self) -> Pack:
        state, figures, draw = self._now(), self.figures, self._pack_draw
        gain, cell_noise = figures["voltage_gain"], figures["cell_noise_v"]
        raw_v = gain * self._pack_v.value + figures["voltage_offset_v"]
        raw_a = self._seen_current_a(self._current_a.value, state.t_s)
        raw_a += figures["current_noise_a"] * draw()
        remaining = self._initial_charge - self._consumed_ah / self._nominal_ah
        return Pack(
            stepped(raw_v + figures["voltage_noise_v"] * draw(), figures["voltage_step_v"]),
            tuple([gain * v + cell_noise * draw() for v in state.cell_v]),
            max(0.0, stepped(raw_a, figures["current_step_a"])),
            self._consumed_ah,
            self._consumed_wh,
            stepped(
                state.pack_temp_c + figures["pack_temperature_offset_c"],
                figures["pack_temperature_step_c"],
            ),
            remaining,
        )

    def _seen_current_a(self, current_a: float, t_s: float) -> float:
        gain = self.figures["current_gain"] * factor(self._faults, "current-gain", t_s)
        return gain * current_a + self.figures["current_offset_a"]

    def wind_mps(self) -> tuple[float, float, float]:
        """The autopilot's own wind estimate (north, east; blowing toward) and its claimed sigma."""
        state = self._now()
        return (
            state.wind_n_mps + self._wind_error[0].value,
            state.wind_e_mps + self._wind_error[1].value,
            self.figures["wind_error_mps"],
        )

    def _now(self) -> AircraftState:
        assert self._state is not None, "update() comes before any reading"
        return self._state

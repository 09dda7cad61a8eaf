"""Simulated flights through frames and the estimator, with the truth beside the belief.

At 1 Hz as on a thin link. HOMELEG_FLIGHTS sets how many (12 by default).
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from sim.flight import Flight
from sim.harness import ask_slowly
from sim.scenario import Scenario, Weather, WindRow, load
from sim.telemetry import Telemetry
from supervisor.core import cells
from supervisor.core.atmosphere import tas_per_cas
from supervisor.core.belief import Belief
from supervisor.core.conclusions import Phase
from supervisor.core.cruise_scale import speed_factor
from supervisor.core.estimate import (
    ageing,
    pack,
    power_blocks,
    power_scales,
    wind_change,
    wind_state,
)
from supervisor.core.estimate.estimator import Estimator
from supervisor.core.estimate.forecast_wind import forecast_wind
from supervisor.core.estimate.wind_kernel import kernel_of
from supervisor.core.plan import Cell
from supervisor.core.plan import Flight as Plan
from supervisor.edge.decoder import Decoder
from supervisor.edge.frames import Splitter
from supervisor.flightfile import load_flight

FLIGHTS = int(os.environ.get("HOMELEG_FLIGHTS", "12"))
SCENARIOS = ("estuary", "beacons", "search", "survey")
UNTIL_S, LOOKS_S = 3000.0, (900.0, 1500.0, 2100.0, 2700.0)
SAME = {"back-transition": "transition", "landed": "ground"}


@dataclass
class Look:
    """Truth and belief at one moment."""

    t_s: float
    wind_error: np.ndarray
    wind_cov: np.ndarray
    track_rad: float
    energy_error: float  # share of nameplate
    energy_sd: float
    energy_rank: float  # share of the members below the truth
    charge: float

    @property
    def wind_nees(self) -> float:
        """The wind's normalised estimation error squared; 2 is expected."""
        return float(self.wind_error @ np.linalg.solve(self.wind_cov, self.wind_error))


@dataclass
class Record:
    """One flight."""

    looks: list[Look] = field(default_factory=list)
    innovations: list[float] = field(default_factory=list)  # of the power filter, standardised
    regimes: list[int] = field(default_factory=list)  # of the same blocks
    same_phase: list[bool] = field(default_factory=list)
    doubts: set[str] = field(default_factory=set)
    cruise_error: float = math.nan  # believed over true power in cruise, less one
    read_error: float = math.nan  # the same as the monitor reads it, whose gain is the pack's part


def look(belief: Belief, plan: Plan, flight: Flight) -> Look:
    state, weather = flight.state, flight.scenario.weather
    # the mean wind: gusts last seconds, and a forecast averages them out
    n, e = flight.air.reference_wind(state.t_s, belief.north_m, belief.east_m)
    profile = (max(state.height_m, 2.0) / weather.reference_m) ** weather.exponent
    one = [np.array([v]) for v in (belief.north_m, belief.east_m, state.height_m, 0.0)]
    mean, cov = belief.wind.moments(*one)  # type: ignore[attr-defined]
    members = belief.pack.draw(np.random.default_rng(1), 400)
    own = np.clip(1.0 - (1.0 - members.charge) / (1.0 - members.weak_lost), 0.0, 1.0)
    energy = cells.pack_energy_wh(plan.pack, own, members.capacity_ah * (1.0 - members.weak_lost))
    true = state.energy_left_wh
    return Look(
        state.t_s,
        mean[0] - profile * np.array([n, e]),
        cov,
        math.atan2(state.ve_mps, state.vn_mps),
        (float(np.median(energy)) - true) / plan.pack.nameplate_wh,
        float(np.std(energy)) / plan.pack.nameplate_wh,
        float(np.mean(energy < true)),
        state.soc,
    )


# Rows of the drawn wind; how far a flight gets away from where it was, over the time between, in
# the minutes that a filter remembers (measured over 2 to 5 min): nearly all the way straight on,
# two thirds of it along parallel lines, next to nothing in the search's orbits.
WEATHER_ROWS, WEATHER_STEP_S = 13, 600.0
LEAVING_MPS = {"estuary": 21.0, "beacons": 21.0, "search": 3.0, "survey": 13.0}

Change = Callable[[Scenario, Plan, int], tuple[Scenario, Plan]]


def fly(name: str, seed: int, change: Change | None = None) -> Record:
    """Fly ``name``; ``change``: (scenario, plan, seed) -> what is flown, and what is believed."""
    scenario = load(name)
    plan = load_flight(scenario.flight_path)
    if change is not None:
        scenario, plan = change(scenario, plan, seed)
    flight, telemetry = Flight(scenario, seed), Telemetry(scenario, seed)
    splitter, decoder, estimator = Splitter(), Decoder(), Estimator(plan)
    telemetry.begin(flight.state)
    ask_slowly(telemetry)
    record, due, seen = Record(), list(LOOKS_S), None
    watts, read, model, cas = [], [], [], []
    figures = telemetry.sensors.figures
    while not flight.done and flight.t_s < UNTIL_S:
        state = flight.step()
        for t_s, raw in telemetry.frames(state):
            for frame in splitter.feed(raw):
                observation = decoder.decode(frame, t_s)
                if observation is not None:
                    estimator.observe(observation)
        record.same_phase.append(
            SAME.get(state.phase.value, state.phase.value) == estimator.phase.value
        )
        newest = estimator.power_seen
        if newest is not seen and newest is not None:
            seen = newest
            record.innovations.append(seen.innovation / math.sqrt(seen.variance))
            record.regimes.append(power_blocks.REGIME.get(estimator.phase, power_blocks.CRUISE))
        if state.phase.value == "cruise" and abs(state.vd_mps) < 1.0:
            sample = power_blocks.PowerSample(
                state.t_s, Phase.CRUISE, 0.0, state.density_kgpm3, state.tas_mps, 0.0
            )
            watts.append(state.power_w)
            amps = figures["current_gain"] * state.current_a + figures["current_offset_a"]
            read.append(amps * state.pack_v)
            model.append(power_scales.model_w(plan.aircraft, sample, state.mass_kg)[0])
            cas.append(state.tas_mps / tas_per_cas(state.density_kgpm3))
        if due and state.t_s >= due[0]:
            due.pop(0)
            belief = estimator.belief(state.t_s)
            assert belief is not None
            record.looks.append(look(belief, plan, flight))
            record.doubts |= set(belief.doubts)
    belief = estimator.belief(flight.t_s)
    assert belief is not None
    gain = math.exp(belief.pack.mean[5])
    factor = speed_factor(plan.aircraft, belief.power.log_mean[5], np.array(cas))
    told = math.exp(belief.power.log_mean[2]) * float(np.mean(factor * np.array(model)))
    told += math.exp(belief.power.log_mean[4]) * belief.power.avionics_w
    record.cruise_error = told * gain / float(np.mean(watts)) - 1.0
    record.read_error = told / float(np.mean(read)) - 1.0
    return record


def as_expected(scenario: Scenario, plan: Plan, seed: int) -> tuple[Scenario, Plan]:
    """Pack, powers, mass, sensors and wind in truth drawn from the belief's own prior."""
    random, craft, told = np.random.default_rng(seed), plan.aircraft, plan.pack

    def about(middle: float, sd: float) -> tuple[float, float]:
        """A normal number, as the range that holds nothing else."""
        value = middle + sd * float(random.standard_normal())
        return value, value

    def factor(middle: float, sd: float) -> tuple[float, float]:
        low, high = about(math.log(middle), sd)
        return math.exp(low), math.exp(high)

    aged = ageing.AGED + ageing.AGED_SD * float(random.standard_normal())
    aged *= float(random.random() < ageing.ODDS)
    lost = aged * (ageing.AGED_SHARE + ageing.AGED_SHARE_SD * float(random.standard_normal()))
    truth = {
        "capacity": factor(math.exp(-pack.LOST_SINCE - lost), told.capacity_sd),
        "initial_charge": about(1.0, pack.CHARGE_SD),  # of which the simulator holds no more than 1
        # about the middle of the scenarios' ranges
        "resistance": factor(1.1 * math.exp(aged), told.resistance_sd),
        "hover_power": factor(1.0, craft.hover_sd),
        "pusher_power": factor(1.0, craft.cruise_sd),
        "parasite_drag": (1.0, 1.0),
        "induced_drag": (1.0, 1.0),
        "mass_error_kg": about(0.0, power_scales.MASS_SD * craft.mass_kg),
        "pack_temperature_error_c": about(0.0, 2.0),
    }
    scale, bias_mps, compass_rad, _ = wind_state.SENSOR_SD
    truth["airspeed_factor"] = about(1.0, scale)
    sensors = scenario.sensors | {
        "current_gain": factor(1.0, pack.GAIN_SD),
        "airspeed_offset_mps": about(0.0, bias_mps),
        "compass_offset_deg": about(0.0, math.degrees(compass_rad)),
    }
    weather = _weather(scenario.weather, plan, random, LEAVING_MPS[scenario.name])
    scenario = replace(scenario, weather=weather)
    plan = replace(plan, pack=replace(told, cell=_another_cell(told.cell, random)))
    return replace(scenario, truth=scenario.truth | truth, sensors=sensors), plan


def _another_cell(cell: Cell, random: np.random.Generator) -> Cell:
    """A table that is as far from the simulator's cell as the filter expects of a table: off by
    what changes along the curve, and by the slow resistance that short pulses miss."""
    charge = np.array(cell.charge_grid)
    apart = np.exp(-np.abs(charge[:, None] - charge) / pack.ERROR_CHARGE)
    root = np.linalg.cholesky(apart + 1e-9 * np.eye(len(charge)))
    ocv_v = np.array(cell.ocv_v)
    while True:
        told_v = ocv_v + pack.ERROR_SD_V * root @ random.standard_normal(len(charge))
        if np.all(np.diff(told_v) > 0.0):  # as every table's
            break
    slow = math.exp(pack.SLOW_SD * float(random.standard_normal()))
    return replace(cell, ocv_v=tuple(told_v.tolist()), r2_ohm=cell.r2_ohm * slow)


def _weather(
    weather: Weather, plan: Plan, random: np.random.Generator, leaving_mps: float
) -> Weather:
    """The flight file's wind, off by what the field expects: a bias of hours and a quicker drift.

    The simulator's drift is the same everywhere; what the field loses by a change of place is in
    its time.
    """
    kernel = kernel_of(plan.weather.wind_sd_mps)
    nowhere = np.zeros(WEATHER_ROWS)
    after_s = WEATHER_STEP_S * np.arange(WEATHER_ROWS)
    told = forecast_wind(plan.weather, lambda *_: (0.0, 0.0)).at(
        nowhere, nowhere, nowhere + weather.reference_m, after_s
    )
    keep = math.exp(-WEATHER_STEP_S / kernel.bias_s)
    bias = kernel.bias_mps * random.standard_normal((WEATHER_ROWS, 2))
    for k in range(1, WEATHER_ROWS):
        bias[k] = keep * bias[k - 1] + math.sqrt(1.0 - keep * keep) * bias[k]
    rows = [
        WindRow(float(t), math.degrees(math.atan2(-e, -n)) % 360.0, math.hypot(n, e))
        for t, (n, e) in zip(after_s, told + bias, strict=True)
    ]
    lively = math.exp(wind_change.PRIOR_LOG_SD * float(random.standard_normal()))
    return replace(
        weather, rows=tuple(rows), speed_factor=(1.0, 1.0), turn_deg=(0.0, 0.0), delay_s=(0.0, 0.0),
        drift_sd_mps=kernel.vary_mps * math.sqrt(lively),
        drift_time_s=1.0 / (1.0 / kernel.vary_s + leaving_mps / kernel.vary_m),
    )  # fmt: skip


# The simulator's age: at 1 a fifth of the capacity is lost, and resistance is up by three fifths.
AGE, FADED, STIFF, COLD_C = 0.85, 0.83, 1.51, 5.0


def aged_and_cold(scenario: Scenario, plan: Plan, seed: int) -> tuple[Scenario, Plan]:  # noqa: ARG001
    """A pack near its end on a cold morning, as its logbook knows it."""
    build = replace(scenario.plan, pack=replace(scenario.plan.pack, temperature_c=COLD_C))
    weather = replace(scenario.weather, temperature_c=COLD_C)
    truth = scenario.truth | {"age": (AGE, AGE)}
    told = replace(plan.pack, capacity_ah=FADED * plan.pack.capacity_ah, resistance_scale=STIFF)
    told = replace(told, temperature_c=COLD_C)
    changed = replace(scenario, plan=build, weather=weather, truth=truth)
    return changed, replace(plan, pack=told)

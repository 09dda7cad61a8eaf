"""The true figures of a simulated aircraft and pack, for tests of the calibration."""

from __future__ import annotations

import math
import re
from collections.abc import Callable

from sim.atmosphere import G0_MPS2, air, offset_for, viscosity_pas
from sim.cells import KNOTS, fine
from sim.flight import Flight
from sim.harness import ask_slowly
from sim.headless import Sortie
from sim.pack import Pack
from sim.scenario import Scenario
from sim.sensors import Sensors
from supervisor.calibrate.pack import pulse_ohm as told_ohm
from supervisor.core.plan import Flight as Plan
from supervisor.debrief.flown import Flown, read_flight
from supervisor.edge.decoder import Decoder
from supervisor.flightfile import load_flight


def fly_and_read(plan: Plan, scenario: Scenario, seed: int, turn_s: float = math.inf) -> Flown:
    """One simulated flight at 1 Hz, read as from a recording."""
    decoder, seen = Decoder(), []
    flight, telemetry = Sortie(scenario, seed).begin()
    telemetry.begin(flight.state)
    ask_slowly(telemetry)
    while not flight.done:
        if flight.t_s >= turn_s and not flight.state.returning:
            flight.command_return()
        for t_s, raw in telemetry.frames(flight.step()):
            observation = decoder.observe(raw, t_s)
            if observation is not None:
                seen.append(observation)
    return read_flight(plan, seen)


def level_w(flight: Flight, tas_mps: float, height_m: float = 100.0) -> float:
    """True electrical power of the whole aircraft in level flight [W]."""
    scenario, craft = flight.scenario, flight.craft
    home_m = scenario.plan.home.elevation_m
    kelvin, _, density = air(home_m + height_m, offset_for(scenario.weather.temperature_c, home_m))
    drag_n = craft.polar.drag_n(
        craft.mass_kg * G0_MPS2, tas_mps, density, viscosity_pas(kelvin), craft.parasite_scale,
        craft.induced_scale,
    )  # fmt: skip
    shaft_w = craft.pusher.shaft_w(drag_n, tas_mps, density) * craft.pusher_scale
    return craft.pusher.drive.electrical_w(shaft_w) + craft.avionics_w


def pulse_ohm(pack: Pack) -> float:
    """Voltage drop per ampere of the whole pack after 30 s at half charge and 25 degC [ohm]."""
    cell, build = pack.build.cell, pack.build
    half = KNOTS // 2
    r0, r1, r2 = (fine(cell.knots, r)[half] for r in (cell.r0_ohm, cell.r1_ohm, cell.r2_ohm))
    late = r1 * (1.0 - math.exp(-30.0 / cell.tau1_s)) + r2 * (1.0 - math.exp(-30.0 / cell.tau2_s))
    return sum(pack.factor) * (r0 + late) / build.parallel + build.wiring_ohm


def true_figure(scenario: Scenario, seed: int) -> Callable[[str], float | None]:
    """name -> true value, None for names that have no truth (they depend on a convention)."""
    flight = Flight(scenario, seed)
    craft, plan = flight.craft, scenario.plan
    sensors = Sensors(seed, scenario.sensors).figures
    home_m = plan.home.elevation_m
    offset = offset_for(scenario.weather.temperature_c, home_m)
    _, _, ground = air(home_m, offset)
    _, _, aloft = air(home_m + 100.0, offset)

    def true_cas(indicated: float) -> float:
        return (indicated - sensors["airspeed_offset_mps"]) / flight.draw["airspeed_factor"]

    def find(name: str) -> float | None:
        if name == "hover power":
            weight_n = craft.mass_kg * G0_MPS2
            bare = craft.rotors.electrical_w(weight_n, ground, 0.0, 0.0, craft.hover_scale)
            return bare + craft.avionics_w
        at_speed = re.search(r" power at ([\d.]+) m/s", name)
        if at_speed:
            cas = true_cas(float(at_speed[1]))
            return level_w(flight, cas * math.sqrt(1.225 / aloft))
        speed = plan.builder.cruise_mps
        groups = flight.pack.capacity_ah
        ohm = pulse_ohm(flight.pack)
        known = {
            "true over indicated airspeed": true_cas(speed) / speed,
            "pack capacity": sum(groups) / len(groups),
            "pack resistance, 30 s at half charge": 1e3 * ohm,
            # of the flight file's cell when new, since that is what the figure multiplies
            "pack resistance of a new one's": ohm
            / told_ohm(load_flight(scenario.flight_path).pack, 1.0),
        }
        return known.get(name)

    return find

"""Whole flights: energy kept, phases in order, forks apart, seeds alone deciding."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from statistics import fmean

import pytest
import still

from sim.flight import Flight
from sim.scenario import Fault, load
from sim.state import AircraftState, Phase


def _states(flight: Flight, until_s: float = math.inf) -> list[AircraftState]:
    states = []
    while not flight.done and flight.t_s < until_s:
        states.append(flight.step())
    return states


def test_battery_energy_is_power_plus_losses() -> None:
    """Conservation, to 0.1 %: what left the cells = what was used + what heated the pack."""
    flight = Flight(load("highsite"), 3)
    stored = flight.pack.stored_wh()
    _states(flight)
    gone = stored - flight.pack.stored_wh()
    assert gone > 400.0
    assert flight.pack.ledger.total_wh == pytest.approx(gone, rel=1e-3)
    work = flight.work
    used = work.pusher_wh + work.rotors_wh + work.avionics_wh
    assert flight.pack.ledger.delivered_wh == pytest.approx(used, rel=1e-3)
    assert flight.pack.energy_left_wh == pytest.approx(flight.pack.stored_wh(), abs=0.1)


def test_thrust_pays_for_drag_height_and_speed() -> None:
    """Still air, on the wing: integral of T V = integral of D V + change of m g h + m V^2/2."""
    flight = still.routed([(30e3, 0.0), (30e3, 6e3)], height_m=400.0)
    while flight.pilot.order.mode != "wing":
        flight.step()
    body, mass = flight.body, flight.body.mass_kg

    def mechanical_j() -> float:
        return mass * (9.80665 * body.height_m + 0.5 * body.tas**2)

    before_j, work = mechanical_j(), flight.work
    thrust, drag = work.thrust_wh, work.drag_wh
    flight.advance(900.0)
    gained_wh = (mechanical_j() - before_j) / 3600.0
    assert gained_wh > 10.0
    spent_wh = work.thrust_wh - thrust
    assert spent_wh == pytest.approx(work.drag_wh - drag + gained_wh, rel=1e-3)


def test_phases_of_a_plain_flight_come_in_order() -> None:
    flight = still.routed([(8e3, 0.0), (8e3, 3e3)])
    seen: list[Phase] = []
    for state in _states(flight):
        if not seen or state.phase is not seen[-1]:
            seen.append(state.phase)
    flow = [phase for phase in seen if phase is not Phase.CRUISE]
    assert flow == [
        Phase.GROUND, Phase.HOVER_CLIMB, Phase.TRANSITION, Phase.CLIMB, Phase.DESCENT,
        Phase.BACK_TRANSITION, Phase.HOVER_LANDING, Phase.LANDED,
    ]  # fmt: skip
    assert flight.state.height_m == pytest.approx(0.0, abs=0.1)
    assert flight.distance_home_m < 5.0


def test_transition_takes_a_few_seconds_and_bank_stays_within_thirty_degrees() -> None:
    flight = Flight(load("survey"), 1)
    states = _states(flight, 1500.0)
    times = [s.t_s for s in states if s.phase is Phase.TRANSITION]
    assert 4.0 < times[-1] - times[0] < 15.0
    assert max(abs(s.roll_rad) for s in states) <= math.radians(30.0)
    assert max(abs(s.roll_rad) for s in states) > math.radians(20.0)


def test_one_seed_one_flight() -> None:
    scenario = load("estuary")
    first = [repr(s) for s in _states(Flight(scenario, 5), 900.0)]
    second = Flight(scenario, 5)
    second.advance(300.0)  # looked at or not, in steps or at a stretch
    again = [repr(s) for s in _states(second, 900.0)]
    assert first[-len(again) :] == again
    other = [repr(s) for s in _states(Flight(scenario, 6), 900.0)]
    assert first != other


def test_a_fork_goes_its_own_way_and_leaves_the_original_alone() -> None:
    flight = Flight(load("estuary"), 2)
    flight.advance(900.0)
    twin, fresh = flight.fork(), flight.fork(fresh_seed=77)
    twin.command_return()
    twin.advance(1300.0)
    assert twin.pilot.returning
    assert not flight.pilot.returning
    assert flight.t_s == pytest.approx(900.0, abs=0.6)
    same = flight.fork()
    flight.advance(1200.0)
    same.advance(1200.0)
    fresh.advance(1200.0)
    assert same.state == flight.state
    assert fresh.state.wind_n_mps != flight.state.wind_n_mps
    assert fresh.craft == flight.craft


def test_branches_flown_on_the_side_change_nothing() -> None:
    alone, watched = Flight(load("front"), 3), Flight(load("front"), 3)
    for stop_s in (200.0, 700.0, 1300.0, 1900.0):
        alone.advance(stop_s)
        watched.advance(stop_s)
        branch = watched.fork()
        branch.command_return()
        branch.advance(stop_s + 3000.0)
    assert watched.state == alone.state


def test_commanded_return_lands_at_home_from_every_stage() -> None:
    for turn_s in (3.0, 15.0, 26.0, 40.0, 400.0, 1000.0):
        flight = Flight(load("estuary"), 1)
        flight.advance(turn_s)
        flight.command_return()
        flight.advance(4000.0)
        assert flight.pilot.done, turn_s
        assert flight.distance_home_m < 6.0, turn_s


def test_divert_lands_at_the_alternate() -> None:
    flight = Flight(load("estuary"), 1)
    flight.advance(1500.0)
    flight.command_divert(0)
    flight.advance(5000.0)
    pad = flight.scenario.plan.alternates[0]
    assert flight.state.phase is Phase.LANDED
    assert flight.state.lat_deg == pytest.approx(pad.lat_deg, abs=1e-4)
    assert flight.state.height_m == pytest.approx(pad.elevation_m - 8.0, abs=0.1)


def test_delivery_lands_drops_and_takes_off_again() -> None:
    flight = Flight(load("highsite"), 1)
    start_kg = flight.state.mass_kg
    states = _states(flight)
    high = [s for s in states if s.phase is Phase.GROUND and s.height_m > 500.0]
    assert high[-1].t_s - high[0].t_s == pytest.approx(180.0, abs=2.0)
    assert high[0].height_m == pytest.approx(620.0, abs=0.1)  # 660 m less home's 40 m
    assert states[-1].phase is Phase.LANDED
    assert states[-1].mass_kg == pytest.approx(start_kg - 1.2)


def test_payload_that_did_not_drop_is_carried_home() -> None:
    dropped, stuck = Flight(load("highsite"), 1), Flight(load("fault-payload-stuck"), 1)
    last, kept = _states(dropped)[-1], _states(stuck)[-1]
    assert kept.mass_kg == pytest.approx(last.mass_kg + 1.2)
    assert kept.energy_left_wh < last.energy_left_wh - 20.0


def test_aborted_landing_goes_around_and_costs_energy() -> None:
    plain, fouled = Flight(load("beacons"), 1), Flight(load("fouled-pad"), 1)
    first, second = _states(plain), _states(fouled)
    assert first[-1].phase is second[-1].phase is Phase.LANDED
    landings = [
        b.t_s
        for a, b in pairwise(second)
        if b.phase is Phase.HOVER_LANDING and a.phase is not Phase.HOVER_LANDING
    ]
    assert len(landings) == 2
    assert second[-1].energy_left_wh < first[-1].energy_left_wh - 15.0


def test_empty_pack_in_the_air_loses_the_aircraft() -> None:
    flight = Flight(load("search"), 1)
    flight.advance(4 * 3600.0)
    assert flight.lost
    assert flight.state.phase is Phase.LOST
    assert flight.pack.lowest_ever_v < 2.5


@pytest.mark.parametrize(
    ("kind", "amount"),
    [("drag-rise", 1.5), ("pusher", 0.8), ("lift-motor", 0.6), ("weak-cell", 0.8), ("ageing", 0.9)],
)
def test_faults_cost_energy_or_take_it_away(kind: str, amount: float) -> None:
    scenario = load("beacons")
    well = Flight(scenario, 4)
    ill = Flight(replace(scenario, faults=(Fault(kind, at_s=0.0, amount=amount),)), 4)
    well.advance(2400.0)
    ill.advance(2400.0)
    assert ill.pack.energy_left_wh < well.pack.energy_left_wh - 1.5


def test_cold_soak_takes_voltage() -> None:
    scenario = load("beacons")
    well = Flight(scenario, 4)
    cold = Flight(replace(scenario, faults=(Fault("cold-soak", amount=-15.0),)), 4)
    assert cold.pack.temperature_c == pytest.approx(well.pack.temperature_c - 15.0)
    well.advance(60.0)
    cold.advance(60.0)
    assert cold.pack.lowest_ever_v < well.pack.lowest_ever_v - 0.05


def test_a_blocked_tube_makes_the_autopilot_fly_by_thrust() -> None:
    """A twentieth more thrust than level flight took, instead of an airspeed: a little fast."""
    scenario = load("beacons")
    well = Flight(scenario, 4)
    blind = Flight(replace(scenario, faults=(Fault("airspeed-blocked", at_s=600.0),)), 4)
    mean_mps = []
    for flight in (well, blind):
        flight.advance(1500.0)
        mean_mps.append(fmean(flight.step().cas_mps for _ in range(600)))
    assert mean_mps[0] + 0.2 < mean_mps[1] < 28.0  # near the least drag 5 % of thrust is much


def test_position_loss_drifts_with_the_wind_that_changed() -> None:
    scenario = load("fault-gps-loss")
    flight, sound = Flight(scenario, 3), Flight(load("beacons"), 3)
    flight.advance(28 * 60.0 - 1.0)
    sound.advance(28 * 60.0 - 1.0)
    drift_m = math.hypot(flight.pilot.nav_n, flight.pilot.nav_e)
    assert 20.0 < drift_m < 2000.0
    assert sound.pilot.nav_n == 0.0


def test_sorties_age_the_pack() -> None:
    scenario = load("boxday")
    first, late = Flight(scenario, 1), Flight(scenario, 1, sortie=30)
    assert late.pack.stored_wh() < 0.95 * first.pack.stored_wh()
    assert late.draw["parasite_drag"] == first.draw["parasite_drag"]
    first.advance(300.0)
    late.advance(300.0)
    assert late.state.wind_n_mps != first.state.wind_n_mps

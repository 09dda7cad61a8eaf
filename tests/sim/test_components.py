"""Motor, rotors, pusher: shapes that a test bench shows, and the builder's fit."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
import still

from sim.aircraft import fit, fit_rotors
from sim.drive import Drive
from sim.lift import fly_lift
from sim.motion import Body, Effects, Order
from sim.pusher import Pusher
from sim.rotors import Rotors

DRIVE = Drive(600.0)
PUSHER = Pusher(0.43, DRIVE)
FOUR = Rotors(4, 0.981, 0.30, Drive(700.0))
WEIGHT_N = 12.2 * 9.80665


def test_motor_efficiency_rises_then_falls_with_load() -> None:
    efficiency = [w / DRIVE.electrical_w(w) for w in (20.0, 60.0, 250.0, 600.0, 900.0)]
    assert efficiency[0] < efficiency[1] < efficiency[2]
    assert efficiency[2] > efficiency[3] > efficiency[4]
    assert 0.78 < max(efficiency) < 0.90


def test_drive_inverts_itself() -> None:
    for shaft_w in (30.0, 200.0, 700.0):
        assert DRIVE.shaft_w(DRIVE.electrical_w(shaft_w)) == pytest.approx(shaft_w, rel=1e-9)
    assert DRIVE.electrical_w(0.0) == 0.0


def test_pusher_efficiency_peaks_at_its_advance_ratio() -> None:
    """Static it is 0; near J = 0.6 about 0.75; as the thrust vanishes it falls again."""
    peak = max(PUSHER.efficiency(thrust, 21.0, 1.225) for thrust in range(1, 40))
    assert peak == pytest.approx(0.75, abs=0.03)
    assert PUSHER.efficiency(10.0, 0.5, 1.225) < 0.1
    assert PUSHER.efficiency(0.5, 21.0, 1.225) < peak - 0.1


def test_pusher_speed_solves_its_thrust_equation() -> None:
    n = PUSHER.speed_hz(12.0, 20.0, 1.2)
    j = 20.0 / (n * 0.43)
    ct = PUSHER.ct0 - PUSHER.ct1 * j - PUSHER.ct2 * j * j
    assert 1.2 * n * n * 0.43**4 * ct == pytest.approx(12.0)


def test_pusher_thrust_ends_at_the_shaft_limit() -> None:
    most = PUSHER.max_thrust_n(15.0, 1.2)
    assert PUSHER.shaft_w(most, 15.0, 1.2) == pytest.approx(DRIVE.max_shaft_w, rel=1e-3)
    assert PUSHER.max_thrust_n(25.0, 1.2) < most


def test_climb_costs_more_than_hover_and_forward_flight_less() -> None:
    hover = FOUR.electrical_w(WEIGHT_N, 1.225, 0.0, 0.0)
    assert FOUR.electrical_w(WEIGHT_N, 1.225, 2.5, 0.0) > 1.1 * hover
    forward = FOUR.electrical_w(WEIGHT_N, 1.225, 0.0, 8.0)
    assert 0.8 * hover < forward < hover


def test_vortex_ring_makes_a_slow_descent_no_cheaper() -> None:
    hover = FOUR.shaft_w(WEIGHT_N, 1.225, 0.0, 0.0)
    assert FOUR.shaft_w(WEIGHT_N, 1.225, -1.0, 0.0) == pytest.approx(hover, rel=0.06)


def test_one_weak_motor_takes_more() -> None:
    """One of four at 80 % efficiency: its quarter costs 1/0.8, so 1 + (1.25 - 1)/4."""
    sound = FOUR.electrical_w(WEIGHT_N, 1.225, 0.0, 0.0)
    weak = FOUR.electrical_w(WEIGHT_N, 1.225, 0.0, 0.0, weak_motor=0.8)
    assert weak / sound == pytest.approx(1.0625)


def test_a_hover_better_than_theory_is_refused() -> None:
    builder = replace(still.scenario().plan.builder, hover_power_w=700.0)
    with pytest.raises(ValueError, match="momentum theory"):
        fit_rotors(builder)


def test_draws_scale_what_they_name() -> None:
    builder = still.scenario().plan.builder
    draw = {key: low for key, (low, _) in still.NOMINAL.items()}
    bent = fit(builder, draw | {"parasite_drag": 1.2, "mass_error_kg": 0.5, "avionics_w": 10.0})
    assert bent.parasite_scale == 1.2
    assert bent.mass_kg == pytest.approx(12.7)
    assert bent.avionics_w == pytest.approx(35.0)


def test_too_few_cruise_points_fall_back_on_a_usual_wing() -> None:
    builder = still.scenario().plan.builder
    one = replace(builder, cruise_points=builder.cruise_points[1:2])
    craft = fit(one, {key: low for key, (low, _) in still.NOMINAL.items()})
    aspect = 2.6**2 / 0.6
    assert craft.polar.k == pytest.approx(1.0 / (math.pi * aspect * 0.7))
    assert 0.01 < craft.polar.cd0 < 0.05


def _hovering(wind: tuple[float, float, float], climb: float = 0.0) -> float:
    """Steady rotor power [W] over a fixed point."""
    scenario = still.scenario()
    craft = fit(scenario.plan.builder, {key: low for key, (low, _) in still.NOMINAL.items()})
    body = Body(0.77, -0.5, height_m=40.0, mass_kg=12.2)
    for _ in range(200):
        fly_lift(body, craft, Order("lift", climb_mps=climb), Effects(), wind, 0.1, {})
    return body.rotor_w


def test_hover_over_a_point() -> None:
    """In still air the builder's 1535 W at sea level; climbing costs at least weight x rate."""
    still_w = _hovering((0.0, 0.0, 0.0))
    assert still_w == pytest.approx(1535.0, rel=0.01)
    assert _hovering((0.0, 0.0, 0.0), 2.5) > still_w + 0.5 * 2.5 * WEIGHT_N
    assert _hovering((-8.0, 0.0, 0.0)) < still_w  # translational lift in a wind
    assert _hovering((0.0, 0.0, 1.0)) > still_w + 0.5 * WEIGHT_N  # sinking air is a climb

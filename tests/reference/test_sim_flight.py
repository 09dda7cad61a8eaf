"""The simulator's aerodynamics and motion against textbook results, source beside each."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
import still

from sim import rotors, truth
from sim.aircraft import fit
from sim.drive import Drive
from sim.flight import Flight
from sim.lift import fly_lift
from sim.motion import Effects, Order, Work, fly_wing
from sim.polar import Polar
from sim.rotors import Rotors

G0 = 9.80665

# --- rotors -----------------------------------------------------------------------------------

# Momentum theory, axial: x = V_c/v_h -> v_i/v_h. Climb and fast descent worked from the closed
# forms (Leishman, Principles of Helicopter Aerodynamics, ch. 2); -0.5 to -1.5 from his quartic,
# whose coefficients are quoted from memory.
INFLOW = {
    0.0: 1.0, 0.5: 0.7808, 1.0: 0.6180, 2.0: 0.4142, -2.0: 1.0, -2.5: 0.5, -3.0: 0.382,
    -0.5: 1.393, -1.0: 1.816, -1.5: 2.083,
}  # fmt: skip


@pytest.mark.parametrize(("x", "ratio"), INFLOW.items())
def test_momentum_inflow_table(x: float, ratio: float) -> None:
    assert rotors.axial_inflow(x) == pytest.approx(ratio, abs=6e-4)
    assert rotors.inflow(x, 0.0) == pytest.approx(ratio, abs=6e-4)


@pytest.mark.parametrize(("x", "power_ratio"), [(0.5, 1.2808), (1.0, 1.6180), (2.0, 2.4142)])
def test_climb_power_ratio(x: float, power_ratio: float) -> None:
    """P/P_h = x + v_i/v_h (same source)."""
    assert x + rotors.inflow(x, 0.0) == pytest.approx(power_ratio, abs=5e-5)


@pytest.mark.parametrize("mu", [0.2, 0.5, 1.0, 2.0, 4.0])
def test_forward_flight_inflow(mu: float) -> None:
    """Closed form of Glauert's level-flight inflow, as in Zeng, Xu, Zhang (IEEE TWC 2019):

    v_i/v_h = sqrt(sqrt(1 + mu^4/4) - mu^2/2).
    """
    exact = math.sqrt(math.sqrt(1.0 + mu**4 / 4.0) - mu * mu / 2.0)
    assert rotors.inflow(0.0, mu) == pytest.approx(exact, abs=2e-6)


def test_hover_by_hand() -> None:
    """12 kg on four rotors of 0.5588 m at sea level, figure of merit 0.70, worked by hand:

    A = 0.981 m2, v_h = sqrt(117.68/(2 1.225 0.981)) = 7.00 m/s, ideal 823 W, shaft 1176 W.
    """
    area_m2 = 4 * math.pi * 0.2794**2
    four = Rotors(4, area_m2, 1.0 / 0.70 - 1.15, Drive(700.0))
    assert area_m2 == pytest.approx(0.981, abs=5e-4)
    assert four.figure_of_merit == pytest.approx(0.70)
    assert four.shaft_w(12.0 * G0, 1.225, 0.0, 0.0) == pytest.approx(1176.0, abs=2.0)
    # Power grows as 1/sqrt(rho): 1000 m standard is 1.11166 kg/m3, worked 1544/1470.
    ratio = four.shaft_w(12.0 * G0, 1.11166, 0.0, 0.0) / four.shaft_w(12.0 * G0, 1.225, 0.0, 0.0)
    assert ratio == pytest.approx(1544.0 / 1470.0, abs=1e-3)


# --- wing -------------------------------------------------------------------------------------


def _parabola() -> Polar:
    """W 117.68 N, S 0.6 m2, CD0 0.03, k 0.05: the worked example of Traub's eq. 4 below."""
    return Polar(0.6, 2.6, 0.03, 0.05, cl_max=3.0, reynolds_exponent=0.0)


def _drag(speed_mps: float) -> float:
    return _parabola().drag_n(117.68, speed_mps, 1.225, 1.79e-5)


def _lowest(function: object, low: float, high: float) -> float:
    assert callable(function)
    grid = [low + (high - low) * i / 20000 for i in range(20001)]
    return min(grid, key=function)


def test_speed_ratios_of_the_parabolic_polar() -> None:
    """V_mp/V_md = 3^(-1/4), P_min/P(V_md) = 0.8774, D(V_mp)/D_min = 1.1547 (derived from

    P = 1/2 rho V^3 S CD0 + 2 k W^2/(rho V S), Traub, Journal of Aircraft 48(2) 2011, eq. 4).
    """
    v_md = _lowest(_drag, 12.0, 30.0)
    v_mp = _lowest(lambda v: _drag(v) * v, 12.0, 30.0)
    assert v_md == pytest.approx(20.332, abs=0.005)
    assert v_mp / v_md == pytest.approx(3.0**-0.25, abs=5e-4)
    assert _drag(v_mp) / _drag(v_md) == pytest.approx(1.1547, abs=5e-4)
    assert _drag(v_md) * v_md == pytest.approx(185.34, abs=0.05)
    assert _drag(v_mp) * v_mp == pytest.approx(162.61, abs=0.05)
    assert 117.68 / _drag(v_md) == pytest.approx(12.91, abs=0.005)


@pytest.mark.parametrize(("headwind", "ratio"), [(0.1, 1.0274), (0.3, 1.0996), (0.5, 1.2040)])
def test_best_range_speed_into_wind(headwind: float, ratio: float) -> None:
    """Root of 2 x^5 - 3 w x^4 - 2 x + w = 0, x = V/V_md, w = headwind/V_md (from eq. 4)."""
    v_md = 20.332
    best = _lowest(lambda v: _drag(v) * v / (v - headwind * v_md), 15.0, 35.0)
    assert best / v_md == pytest.approx(ratio, abs=1e-3)


def test_drag_rises_toward_the_stall() -> None:
    wing = Polar(0.6, 2.6, 0.03, 0.05, cl_max=1.5)
    below, near = wing.cd(1.2, 3.3e5), wing.cd(1.48, 3.3e5)
    assert below == pytest.approx(0.03 + 0.05 * 1.2**2, rel=1e-6)
    assert near > 0.03 + 0.05 * 1.48**2 + 0.01
    assert wing.stall_mps(117.68, 1.225) == pytest.approx(
        math.sqrt(2 * 117.68 / (1.225 * 0.6 * 1.5))
    )


def test_skin_friction_follows_reynolds_number() -> None:
    """At twice the Reynolds number 2^-0.15 = 0.9013 of the parasite drag (by hand).

    The exponent lies between the flat plate's turbulent 1/7 and 1/5 (Schlichting, Boundary-Layer
    Theory, ch. 21: c_f ~ Re^-1/5 to Re^-1/7).
    """
    wing = Polar(0.6, 2.6, 0.03, 0.05, cl_max=1.5)
    assert 1.0 / 7.0 <= wing.reynolds_exponent <= 1.0 / 5.0
    assert wing.cd(0.0, 6.6e5) / wing.cd(0.0, 3.3e5) == pytest.approx(0.9013, abs=1e-4)
    thin, thick = (wing.drag_n(0.0, 21.0, 1.225, nu) for nu in (1.7e-5, 1.9e-5))
    assert thick / thin == pytest.approx((1.9 / 1.7) ** 0.15, rel=1e-6)


def test_induced_drag_grows_with_the_square_of_the_load_factor() -> None:
    """n = 1/cos(bank); at 25 degrees n^2 = 1.2174 (any flight mechanics text)."""
    wing = Polar(0.6, 2.6, 0.0, 0.05, cl_max=3.0)
    level = wing.drag_n(117.68, 21.0, 1.225, 1.79e-5)
    turning = wing.drag_n(117.68 / math.cos(math.radians(25.0)), 21.0, 1.225, 1.79e-5)
    assert turning / level == pytest.approx(1.2174, abs=1e-4)


# --- the fitted aircraft ------------------------------------------------------------------------


def test_fitted_aircraft_takes_what_the_builder_measured() -> None:
    """The flight file's own figures: hover 1560 W at 12.2 kg; cruise 325, 360, 425 W."""
    plan = still.scenario().plan
    craft = fit(plan.builder, {key: low for key, (low, _) in still.NOMINAL.items()})
    density = 1.2238  # 15 degC at 10 m: p(10 m) = 101205 Pa over R T
    hover_w = craft.rotors.electrical_w(12.2 * G0, density, 0.0, 0.0) + 25.0
    assert hover_w == pytest.approx(1560.0, rel=1e-3)
    density = 1.2106  # 15 degC at 100 m: 100129.5 Pa over R T
    for cas, measured_w in plan.builder.cruise_points:
        tas = cas * math.sqrt(1.225 / density)
        drag_n = craft.polar.drag_n(12.2 * G0, tas, density, 1.79e-5)
        shaft_w = craft.pusher.shaft_w(drag_n, tas, density)
        assert craft.pusher.drive.electrical_w(shaft_w) + 25.0 == pytest.approx(
            measured_w, rel=0.02
        )


# --- motion ---------------------------------------------------------------------------------------


def test_coordinated_turn_radius() -> None:
    """R = V^2/(g tan(bank)) (any flight mechanics text): a full circle at the 25 degree limit."""
    flight = still.routed([(30e3, 0.0)])
    flight.advance(150.0)
    body, order = flight.body, Order("wing", cas_mps=21.0)
    cos_lat = math.cos(body.lat)
    norths, easts, tas = [], [], []
    for step in range(400):
        order.course_rad = body.heading + 1.5  # always asks for more: stays at the bank limit
        fly_wing(body, flight.craft, order, Effects(), Work(), (0.0, 0.0, 0.0), 0.1, {})
        if step > 50:
            norths.append(body.lat * 6.3675e6)
            easts.append(body.lon * 6.388e6 * cos_lat)
            tas.append(body.tas)
    radius = (sum(tas) / len(tas)) ** 2 / (G0 * math.tan(math.radians(25.0)))
    assert (max(norths) - min(norths)) / 2.0 == pytest.approx(radius, rel=0.01)
    assert (max(easts) - min(easts)) / 2.0 == pytest.approx(radius, rel=0.01)


def test_the_autopilot_keeps_its_margin_over_the_stall() -> None:
    """Ordered to 12 m/s, below the builder's stall of 14, it flies 1.2 times the stall speed."""
    flight = still.routed([(30e3, 0.0)], airspeed_mps=12.0)
    flight.advance(300.0)
    assert flight.pilot.cas_mps == 12.0
    assert flight.state.cas_mps == pytest.approx(1.2 * 14.0, abs=0.3)


def test_drag_is_paid_for_on_the_rotors() -> None:
    """Level flight of ideal rotors: P = T v_i + D V, v_i = T/(2 rho A sqrt(V^2 + (V s + v_i)^2)),

    with T^2 = W^2 + D^2 and s = D/T, the sine of the tilt (Leishman, ch. 2 and 5); no wing.
    """
    flight = still.routed([(30e3, 0.0)])
    ideal = replace(flight.craft.rotors, profile=0.0, kappa=1.0, interference=0.0)
    bare = replace(flight.craft.polar, area_m2=1e-6)
    craft = replace(flight.craft, rotors=ideal, polar=bare, hover_drag_area_m2=0.1)
    body, speed_mps = flight.body, 10.0
    for _ in range(300):
        order = Order("lift", vn_mps=speed_mps)
        fly_lift(body, craft, order, Effects(), (0.0, 0.0, 0.0), 0.1, {})
    drag_n = 0.5 * body.density * speed_mps**2 * 0.1
    thrust_n, induced_mps = math.hypot(12.2 * G0, drag_n), 5.0
    for _ in range(100):
        through_mps = speed_mps * drag_n / thrust_n + induced_mps
        flow_mps = math.hypot(speed_mps, through_mps)
        induced_mps = thrust_n / (2.0 * body.density * ideal.disk_area_m2 * flow_mps)
    ideal_w = thrust_n * induced_mps + drag_n * speed_mps
    assert 4.0 * ideal.drive.shaft_w(body.rotor_w / 4.0) == pytest.approx(ideal_w, rel=2e-3)


def test_wind_triangle() -> None:
    """Course 0, wind from 310 at 45/160 of the airspeed: heading 347.56, ground speed 127.32/160.

    Worked example of the navigation formulas in MathWorks' Mapping Toolbox, ``driftcorr``.
    """
    tas = 21.0 * math.sqrt(1.225 / 1.2106)
    flight = still.routed([(60e3, 0.0)], still.steady(310.0, tas * 45.0 / 160.0))
    flight.advance(900.0)
    state = flight.state
    assert math.degrees(state.heading_rad) == pytest.approx(347.56, abs=0.3)
    ground = math.hypot(state.vn_mps, state.ve_mps)
    assert ground / state.tas_mps == pytest.approx(127.32 / 160.0, rel=0.003)
    assert abs(math.degrees(math.atan2(state.ve_mps, state.vn_mps))) < 0.3


def _there_and_back_s(wind_mps: float) -> float:
    """Seconds between 5 km and 25 km from home, out and back."""
    flight = still.routed([(30e3, 0.0)], still.steady(0.0, wind_mps))
    inside = 0.0
    while not flight.done:
        flight.step()
        if 5e3 < flight.distance_home_m < 25e3:
            inside += 0.5
    return inside


def test_there_and_back_in_a_steady_wind() -> None:
    """Textbook: the round trip takes 1/(1 - (w/V)^2) of its still-air time."""
    tas = 21.0 * math.sqrt(1.225 / 1.2106)
    ratio = _there_and_back_s(8.0) / _there_and_back_s(0.0)
    assert ratio == pytest.approx(1.0 / (1.0 - (8.0 / tas) ** 2), rel=0.004)


def test_electric_range_in_still_air() -> None:
    """Breguet's form for a battery: R = E eta (L/D)/(m g), with L/D and eta at the cruise speed.

    E is what the pack delivered to the pusher between the marks; avionics are taken off.
    """
    flight = still.routed([(60e3, 0.0)])
    while flight.distance_home_m < 5e3:
        flight.step()
    start_wh = flight.work.pusher_wh
    while flight.distance_home_m < 55e3:
        flight.step()
    energy_j = (flight.work.pusher_wh - start_wh) * 3600.0
    body, craft = flight.body, flight.craft
    cl = 12.2 * G0 / (0.5 * body.density * body.tas**2 * 0.6)
    lift_over_drag = cl / craft.polar.cd(cl, body.density * body.tas * 0.6 / 2.6 / body.viscosity)
    eta = body.thrust_n * body.tas / body.pusher_w
    assert 8.0 < lift_over_drag < 16.0
    assert 0.45 < eta < 0.75
    breguet_m = energy_j * eta * lift_over_drag / (12.2 * G0)
    assert breguet_m == pytest.approx(50e3, rel=0.003)


def test_latest_turn_back_is_the_point_of_no_return() -> None:
    """Textbook: D = E/(P_out/GS_out + P_home/GS_home), E the energy between a mark, both ways.

    The formula of the radius of action with specific fuel flows (for instance airsafaris.com.au,
    pnrcp.htm, section 1: SFF = flow/GS). Power here is what leaves the cells, measured at the mark.
    """
    mark_m, reserve_wh = 5e3, 500.0
    flight = still.routed([(50e3, 0.0)], still.steady(180.0, 6.0))
    t_star = truth.latest_turn_back_s(flight, reserve_wh, 2.5, step_s=900.0, fine_s=2.0)
    assert t_star is not None
    out_wh, out_w, out_mps = _at_mark(flight, mark_m, outward=True)
    flight.advance(t_star)
    turn_m = flight.distance_home_m
    flight.command_return()
    home_wh, home_w, home_mps = _at_mark(flight, mark_m, outward=False)
    energy_j = (out_wh - home_wh) * 3600.0
    textbook_m = energy_j / (out_w / out_mps + home_w / home_mps)
    assert turn_m - mark_m == pytest.approx(textbook_m, rel=0.01)
    assert out_mps - home_mps == pytest.approx(12.0, abs=0.1)
    flight.advance(t_star + 4 * 3600.0)
    assert flight.pack.energy_left_wh == pytest.approx(reserve_wh, abs=1.0)


def _at_mark(flight: Flight, mark_m: float, outward: bool) -> tuple[float, float, float]:
    """(energy left [Wh], power out of the cells [W], ground speed [m/s]) at the mark."""
    while (flight.distance_home_m < mark_m) == outward:
        flight.step()
    energy_wh, distance_m = flight.pack.energy_left_wh, flight.distance_home_m
    branch = flight.fork()
    branch.advance(flight.t_s + 60.0)
    seconds = branch.t_s - flight.t_s
    power_w = (energy_wh - branch.pack.energy_left_wh) * 3600.0 / seconds
    return energy_wh, power_w, abs(branch.distance_home_m - distance_m) / seconds

"""Geometry of legs, turns and orbits."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import pytest
import still

from sim import guidance
from sim.flight import Flight
from sim.guidance import Leg
from sim.mission import (
    DO_GRIPPER,
    NAV_DELAY,
    NAV_LOITER_TIME,
    NAV_RETURN_TO_LAUNCH,
    NAV_VTOL_LAND,
    NAV_VTOL_TAKEOFF,
    NAV_WAYPOINT,
    MissionItem,
    mission_of,
)
from sim.scenario import load
from sim.state import Phase

ITEM = MissionItem(1, NAV_WAYPOINT, 44.1, -28.6, 100.0)


def test_on_the_leg_the_course_is_the_leg() -> None:
    to = guidance.vector(math.radians(44.0), math.radians(-28.6), ITEM, 0.0, 0.0)
    ahead, course = guidance.track(Leg(to.there_rad, to.distance_m, 0.0), to)
    assert ahead == pytest.approx(11111.0, rel=0.01)
    assert course == pytest.approx(0.0, abs=1e-9)


def test_off_the_leg_the_course_leads_back_at_45_degrees_at_most() -> None:
    lon = math.radians(-28.6) + 250.0 / (6.388e6 * math.cos(math.radians(44.0)))
    to = guidance.vector(math.radians(44.0), lon, ITEM, 0.0, 0.0)  # 250 m to the right
    _, course = guidance.track(Leg(0.0, 11e3, 0.0), to)
    assert math.degrees(course) == pytest.approx(-45.0, abs=1.0)


def test_orbit_is_clockwise_and_closes_in_from_afar() -> None:
    south_of_it = guidance.orbit_course(150.0, 0.0, 150.0)
    assert math.degrees(south_of_it) == pytest.approx(-90.0)  # goes west
    inward = guidance.orbit_course(15e3, 0.0, 150.0)
    assert math.remainder(inward, math.tau) == pytest.approx(0.0, abs=0.01)


def test_turn_lead_is_radius_times_tangent_of_half_the_change() -> None:
    east = MissionItem(2, NAV_WAYPOINT, 44.1, -28.4, 100.0)
    radius = 21.0**2 / (9.80665 * math.tan(math.radians(22.0)))
    lead = guidance.turn_lead_m(ITEM, east, 0.0, 21.0)
    assert lead == pytest.approx(radius * math.tan(math.radians(45.0)), rel=0.01)


def test_loiter_keeps_its_radius_in_wind_and_its_time() -> None:
    flight = still.routed([(6e3, 0.0)], still.steady(270.0, 8.0), loiter_s=600.0)
    radii, times = [], []
    item = flight.mission[1]
    while not flight.done:
        state = flight.step()
        if state.phase is Phase.LOITER:
            to = guidance.vector(flight.body.lat, flight.body.lon, item, 0.0, 0.0)
            radii.append(to.distance_m)
            times.append(state.t_s)
    assert times[-1] - times[0] == pytest.approx(600.0, abs=5.0)
    settled = radii[120:]
    assert min(settled) > 110.0
    assert max(settled) < 190.0


def test_track_stays_on_the_leg_in_a_cross_wind() -> None:
    flight = still.routed([(40e3, 0.0)], still.steady(270.0, 9.0, gusts=1.0))
    flight.advance(120.0)
    furthest = 0.0
    while flight.distance_home_m < 38e3:
        flight.advance(flight.t_s + 5.0)
        furthest = max(furthest, abs(flight.body.lon - flight.home_lon) * 6.388e6 * 0.717)
    assert furthest < 45.0


def test_mission_items_of_a_delivery() -> None:
    commands = [item.command for item in mission_of(load("highsite").plan)]
    assert commands == [
        NAV_VTOL_TAKEOFF, NAV_WAYPOINT, NAV_WAYPOINT, NAV_VTOL_LAND, DO_GRIPPER, NAV_DELAY,
        NAV_VTOL_TAKEOFF, NAV_RETURN_TO_LAUNCH,
    ]  # fmt: skip
    loiters = [i for i in mission_of(load("estuary").plan) if i.command == NAV_LOITER_TIME]
    assert [i.params[0] for i in loiters] == [120.0, 120.0]


def _farthest_from_route(style: str) -> float:
    """How far north of the leg the return strays: the route goes out by a bend to the north."""
    scenario = still.scenario()
    plan = scenario.plan
    route = (
        still.waypoint(plan, 5e3, 8e3),
        still.waypoint(plan, 0.0, 16e3),
        still.waypoint(plan, -200.0, 17e3),
    )
    back = replace(plan.return_plan, style=style, via=())
    flight = Flight(replace(scenario, plan=replace(plan, route=route, return_plan=back)), 1)
    north = []
    while not flight.done:
        flight.step()
        if flight.pilot.returning:
            north.append((flight.body.lat - flight.home_lat) * 6.3675e6)
    return max(north)


def test_direct_and_retraced_returns() -> None:
    assert _farthest_from_route("direct") < 400.0
    assert _farthest_from_route("retrace") == pytest.approx(5e3, abs=400.0)


@pytest.mark.parametrize("from_deg", [0.0, 90.0, 180.0])
def test_landing_in_a_strong_wind(from_deg: float) -> None:
    """14 m/s at the pad: braked by the air, not far nose down, in less than half a minute."""
    flight = still.routed([(4e3, 0.0)], still.steady(from_deg, 14.0))
    braking = []
    while not flight.done:
        state = flight.step()
        if state.phase is Phase.BACK_TRANSITION:
            braking.append(state)
    assert not flight.lost
    assert flight.distance_home_m < 5.0
    assert braking[-1].t_s - braking[0].t_s < 30.0
    assert min(s.pitch_rad for s in braking) > math.radians(-10.0)
    assert max(s.power_w for s in braking) < 2500.0
    speeds = [s.tas_mps for s in braking]
    assert max(a - b for a, b in pairwise(speeds)) < 0.5  # in a tenth of a second

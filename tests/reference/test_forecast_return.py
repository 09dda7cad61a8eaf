"""The navigation handbooks' point of no return and critical point, out of the forecast itself.

Uncertainty zero, hover and climb cost zero, speeds and power constant. Each row names its source;
rows without one are the formula's own arithmetic and say so. Distances in nautical miles, speeds in
knots, as printed. Tolerance: the turn for home takes a few seconds that the textbooks neglect.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest

from supervisor.core.atmosphere import density_kgpm3
from supervisor.core.belief import Array
from supervisor.core.forecast.advice import best_airspeed, equal_time_s
from tests.core.plain_flights import (
    KNOT_MPS,
    SteadyWind,
    certain_run,
    overhead_home,
    plain_flight,
)

NM_M = 1852.0


def turn_back(tas_kt: float, along_kt: float, hours: float) -> tuple[float, float]:
    """(minutes, nautical miles) to the point of no return, flying north with a tailwind."""
    plan = plain_flight(tas_kt * KNOT_MPS, hours, 0.0, tas_kt * hours * NM_M)
    forecast = certain_run(plan, SteadyWind(along_kt * KNOT_MPS, 0.0)).summary()
    seconds = forecast.numbers.turn_back_s.p50
    assert forecast.turn_back_place is not None
    return seconds / 60.0, forecast.turn_back_place.along_m / NM_M


# T = E H / (O + H), D = O T; E endurance, O and H ground speeds out and home.
@pytest.mark.parametrize(
    ("hours", "out_kt", "home_kt", "minutes", "miles"),
    [
        # aerofile.blogspot.com/2009/02/point-of-no-return-pnr.html
        (6.5, 240.0, 210.0, 182.0, 728.0),
        # atplquestions.com, EASA ECQB 2020, flight planning and monitoring 17
        (4.0, 150.0, 130.0, 111.43, 278.57),
        # atplquestions.com, ATPL(H) performance 3: 2.07 h
        (4.5, 480.0, 410.0, 124.4, 995.1),
        # avcanada.ca/forums2/viewtopic.php?t=73234: 500 nm still, 375 nm with 50 kt either way
        (10.0, 100.0, 100.0, 300.0, 500.0),
        (10.0, 150.0, 50.0, 150.0, 375.0),
        (10.0, 50.0, 150.0, 450.0, 375.0),
    ],
)
def test_point_of_no_return(
    hours: float, out_kt: float, home_kt: float, minutes: float, miles: float
) -> None:
    tas, wind = 0.5 * (out_kt + home_kt), 0.5 * (out_kt - home_kt)
    found_min, found_nm = turn_back(tas, wind, hours)
    assert found_min == pytest.approx(minutes, rel=0.003)
    assert found_nm == pytest.approx(miles, rel=0.003)


def test_point_of_no_return_with_a_reported_wind() -> None:
    # atplquestions.com, flight planning and monitoring 12: E 6 h, TAS 200, track 270, W/V 270/20
    # -> T 3 h 18 min. The wind comes FROM 270, so it blows east.
    plan = plain_flight(200.0 * KNOT_MPS, 6.0, math.radians(270.0), 1200.0 * NM_M)
    forecast = certain_run(plan, SteadyWind(0.0, 20.0 * KNOT_MPS)).summary()
    assert forecast.numbers.turn_back_s.p50 / 60.0 == pytest.approx(198.0, rel=0.003)


def test_point_of_no_return_with_a_wind_across() -> None:
    # Track 005, TAS 125, W/V 290/15, E 3.3 h: the full triangle gives O 120.28, H 128.04 kt and
    # T 1.7016 h, D 204.66 nm (own arithmetic; the question's key, 205.7 nm, leaves the crab out:
    # atplquestions.com, flight planning and monitoring 15).
    plan = plain_flight(125.0 * KNOT_MPS, 3.3, math.radians(5.0), 400.0 * NM_M)
    toward, speed = math.radians(110.0), 15.0 * KNOT_MPS
    wind = SteadyWind(speed * math.cos(toward), speed * math.sin(toward))
    forecast = certain_run(plan, wind).summary()
    assert forecast.numbers.turn_back_s.p50 / 3600.0 == pytest.approx(1.7016, rel=0.003)
    assert forecast.turn_back_place is not None
    assert forecast.turn_back_place.along_m / NM_M == pytest.approx(204.66, rel=0.003)


@dataclass(frozen=True, slots=True)
class TwoWinds(SteadyWind):
    """One wind at the height of the route, another from ``above_m`` up, where it comes home."""

    above_m: float = math.inf
    home_mps: float = 0.0

    def draw(
        self, rng: np.random.Generator, members: int, north_m: Array, *rest: Array
    ) -> tuple[Array, Array]:
        north, east = SteadyWind.draw(self, rng, members, north_m, *rest)
        height_m = rest[1]
        return np.where(height_m > self.above_m, self.home_mps, north), east


def test_point_of_no_return_with_another_wind_on_the_way_home() -> None:
    # Q-R 3016 nm, TAS 480, E 10 h, wind component -90 out and +75 home: O 390, H 555 kt
    # -> D = E O H / (O + H) = 2290.5 nm (question: K. Williams, CP-PNR; answer: own arithmetic).
    plan = plain_flight(480.0 * KNOT_MPS, 10.0, 0.0, 3016.0 * NM_M)
    plan = replace(plan, return_plan=replace(plan.return_plan, height_m=120.0, climb_mps=10.0))
    wind = TwoWinds(-90.0 * KNOT_MPS, 0.0, above_m=110.0, home_mps=-75.0 * KNOT_MPS)
    place = certain_run(plan, wind, points=120).summary().turn_back_place
    assert place is not None
    assert place.along_m / NM_M == pytest.approx(2290.5, rel=0.003)


@pytest.mark.parametrize("tail_kt", [-30.0, -15.0, 0.0, 15.0, 30.0])
def test_the_point_of_no_return_moves_home_and_the_critical_point_into_the_wind(
    tail_kt: float,
) -> None:
    """Any wind along the track shortens the one; the other moves against it (as the rows above)."""
    plan = plain_flight(100.0 * KNOT_MPS, 10.0, 0.0, 800.0 * NM_M)
    still, windy = (certain_run(plan, SteadyWind(w * KNOT_MPS, 0.0)) for w in (0.0, tail_kt))
    far, near = (r.summary().turn_back_place for r in (still, windy))
    assert far is not None
    assert near is not None
    assert near.along_m <= far.along_m + 1.0
    critical = [
        equal_time_s(r.ahead.t_s.mean(axis=0), np.ravel(r.landings[0].seconds)) * speed
        for r, speed in ((still, 100.0), (windy, 100.0 + tail_kt))
    ]
    assert (critical[1] - critical[0]) * tail_kt <= 0.0


# D = E_use / (P/GS_o + P/GS_h): the energy analogue, airsafaris.com.au/general_info/pnrcp.htm; the
# figures are the formula's own arithmetic (600 Wh, 300 W, 22 m/s).
@pytest.mark.parametrize(
    ("wind_mps", "km"),
    [(0.0, 79.20), (6.0, 73.31), (-6.0, 73.31), (10.0, 62.84), (14.0, 47.13), (-14.0, 47.13)],
)
def test_energy_radius(wind_mps: float, km: float) -> None:
    plan = plain_flight(22.0, 2.0, 0.3, 160_000.0, power_w=300.0)
    wind = SteadyWind(wind_mps * math.cos(0.3), wind_mps * math.sin(0.3))
    place = certain_run(plan, wind).summary().turn_back_place
    assert place is not None
    assert place.along_m / 1000.0 == pytest.approx(km, rel=0.003)


# Critical point: D H / (O + H).
@pytest.mark.parametrize(
    ("length_nm", "out_kt", "home_kt", "critical_nm"),
    [
        # aerofile.blogspot.com/2009/02 (equal-time point; inputs and formula, result computed)
        (920.0, 240.0, 210.0, 429.3),
        # Atlantic Flight Training ch. 19: 600 nm, TAS 300: still, 50 kt head, 50 kt tail
        (600.0, 300.0, 300.0, 300.0),
        (600.0, 250.0, 350.0, 350.0),
        (600.0, 350.0, 250.0, 250.0),
    ],
)
def test_critical_point(
    length_nm: float, out_kt: float, home_kt: float, critical_nm: float
) -> None:
    tas, wind = 0.5 * (out_kt + home_kt), 0.5 * (out_kt - home_kt)
    plan = plain_flight(tas * KNOT_MPS, 20.0, 0.0, length_nm * NM_M)
    run = certain_run(plan, SteadyWind(wind * KNOT_MPS, 0.0))
    ahead = run.ahead.t_s.mean(axis=0)
    home = np.broadcast_to(run.landings[0].seconds, ahead.shape)
    seconds = equal_time_s(ahead, home)
    assert seconds * out_kt / 3600.0 == pytest.approx(critical_nm, rel=0.004)


# Best-range speed in wind on the parabolic polar, x = V / V_md, w = headwind / V_md:
# 2 x^5 - 3 w x^4 - 2 x + w = 0, from d/dV [P/(V - W)] = 0 on Traub (Journal of Aircraft 48(2) 2011)
# eq. 4; roots computed.
@pytest.mark.parametrize(
    ("w", "x"),
    [(0.0, 1.0), (0.1, 1.0274), (0.25, 1.0789), (0.5, 1.2040), (-0.25, 0.9490), (-0.5, 0.9146)],
)
def test_best_return_airspeed_in_wind(w: float, x: float) -> None:
    from supervisor.core.power import best_range_speed_mps
    from tests.core.flights import flight

    plan = replace(flight(), aircraft=replace(flight().aircraft, avionics_w=0.0, stall_mps=10.0))
    belief = overhead_home(plan, SteadyWind(0.0, 0.0))
    alt = plan.home.elevation_m + plan.return_plan.height_m
    v_md = best_range_speed_mps(
        plan.aircraft, belief.power.mass_kg, density_kgpm3(alt, belief.day_offset_k)
    )
    cas, saves = best_airspeed(plan, belief, w * v_md, 50_000.0)
    assert cas / v_md == pytest.approx(
        x, abs=0.5 * 0.25 / v_md + 0.002
    )  # the search steps 0.25 m/s
    assert saves >= 0.0

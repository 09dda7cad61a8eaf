"""Mean wind, fronts, gradient, drift and the lee of a ridge."""

from __future__ import annotations

import math
from dataclasses import replace
from random import Random
from statistics import fmean, pstdev

import pytest
import still

from sim.scenario import Front, Ridge, Weather, WindRow
from sim.weather import Air, toward

HOME = (math.radians(44.0), math.radians(-29.0))


def _air(weather: Weather, seed: int = 1) -> Air:
    return Air(weather, HOME, Random(seed), Random(f"{seed} future"))


def test_a_wind_from_the_west_blows_toward_the_east() -> None:
    assert toward(270.0, 10.0) == pytest.approx((0.0, 10.0), abs=1e-12)
    assert toward(0.0, 10.0) == pytest.approx((-10.0, 0.0), abs=1e-12)


def test_rows_are_joined_by_straight_lines_and_held_outside() -> None:
    rows = (WindRow(0.0, 270.0, 4.0), WindRow(600.0, 270.0, 10.0))
    air = _air(replace(still.steady(), rows=rows))
    east = [air.reference_wind(t, 0.0, 0.0)[1] for t in (0.0, 300.0, 600.0, 9000.0)]
    assert east == pytest.approx([4.0, 7.0, 10.0, 10.0])


def test_front_comes_over_the_map_at_its_speed() -> None:
    """From the west at 10 m/s, at home after 1000 s: 10 km east of home after 2000 s."""
    front = Front(1000.0, 270.0, 10.0, 2000.0, wind_from_deg=0.0, wind_mps=12.0)
    air = _air(replace(still.steady(180.0, 5.0), fronts=(front,)))

    def north(t_s: float, east_m: float) -> float:
        return air.reference_wind(t_s, 0.0, east_m)[0]

    assert north(0.0, 0.0) == pytest.approx(5.0, abs=0.01)
    assert north(1000.0, 0.0) == pytest.approx(-3.5, abs=0.01)  # half way from +5 to -12
    assert north(1000.0, 10e3) == pytest.approx(5.0, abs=0.01)
    assert north(2000.0, 10e3) == pytest.approx(-3.5, abs=0.01)
    assert north(3000.0, 10e3) == pytest.approx(-12.0, abs=0.01)


def test_a_drawn_delay_moves_the_front_too() -> None:
    front = Front(1000.0, 270.0, 10.0, 2000.0, wind_from_deg=0.0, wind_mps=12.0)
    late = replace(still.steady(180.0, 5.0), fronts=(front,), delay_s=(300.0, 300.0))
    assert _air(late).reference_wind(1300.0, 0.0, 0.0)[0] == pytest.approx(-3.5, abs=0.01)


def test_gradient_scales_with_distance() -> None:
    air = _air(replace(still.steady(270.0, 8.0), gradient_per_km=(0.0, 0.01)))
    assert air.reference_wind(0.0, 0.0, 50e3)[1] == pytest.approx(12.0)


def test_veer_turns_the_wind_clockwise_with_height() -> None:
    air = _air(replace(still.steady(270.0, 8.0), veer_deg_per_100m=10.0))
    n, e, _ = air.step(0.0, 0.5, 0.0, 0.0, 200.0, 200.0, 20.0)
    assert math.degrees(math.atan2(-e, -n)) % 360.0 == pytest.approx(280.0)


def test_drift_has_its_spread_and_memory() -> None:
    """Ornstein-Uhlenbeck: standard deviation sd, autocorrelation exp(-lag/time)."""
    weather = replace(still.steady(), drift_sd_mps=1.0, drift_time_s=100.0)
    air = _air(weather)
    north = [air.step(2.0 * k, 2.0, 0.0, 0.0, 100.0, 100.0, 20.0)[0] for k in range(60_000)]
    assert pstdev(north) == pytest.approx(1.0, abs=0.08)
    lag = 50  # 100 s
    product = fmean(a * b for a, b in zip(north, north[lag:], strict=False))
    assert product / pstdev(north) ** 2 == pytest.approx(math.exp(-1.0), abs=0.08)


RIDGE = Ridge(44.0, -29.0, height_m=500.0, half_length_m=5000.0, axis_deg=0.0)


def _at(east_m: float, height_m: float = 300.0) -> tuple[float, float, float]:
    """A ridge that runs north through home, wind 10 m/s from the west, no gusts."""
    air = _air(replace(still.steady(270.0, 10.0), ridges=(RIDGE,)))
    return air.step(0.0, 0.5, 0.0, east_m, 100.0, height_m, 20.0)


def test_lee_of_a_ridge_sinks_and_shelters() -> None:
    ahead, behind, far = _at(-1000.0), _at(1000.0), _at(7000.0)
    assert ahead[2] < -0.3
    assert behind[2] > 0.3
    assert behind[1] < 8.0
    assert far == pytest.approx((0.0, 10.0, 0.0))
    assert _at(1000.0, 3000.0)[2] < 0.02  # far above the crest nothing is left


def test_lee_is_rough() -> None:
    weather = replace(still.steady(270.0, 10.0, gusts=1.0), ridges=(RIDGE,))
    spreads = []
    for east_m in (1000.0, 8000.0):
        air = _air(weather)
        down = [air.step(0.5 * k, 0.5, 0.0, east_m, 100.0, 300.0, 20.0)[2] for k in range(4000)]
        spreads.append(pstdev(down))
    assert spreads[0] > 1.3 * spreads[1]


def test_copies_share_the_past_and_may_part_in_the_future() -> None:
    air = _air(replace(still.steady(270.0, 10.0, gusts=1.0), drift_sd_mps=0.5))
    for k in range(100):
        air.step(0.5 * k, 0.5, 0.0, 0.0, 100.0, 100.0, 20.0)
    same, fresh = air.copy(None), air.copy(9)
    here = (50.0, 0.5, 0.0, 0.0, 100.0, 100.0, 20.0)
    now = air.step(*here)
    assert same.step(*here) == now
    assert fresh.step(*here) != now

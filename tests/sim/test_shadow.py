"""Ridges between a cellular mast and the aircraft: knife-edge loss, and where it comes in."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from scipy.special import fresnel
from true_states import CRUISING

from sim.geodesy import offset_m
from sim.scenario import Mast, Ridge
from sim.shadow import WAVELENGTH_M, Skyline, knife_edge_db
from sim.state import AircraftState

HOME = (math.radians(44.2), math.radians(-28.6))
RIDGE = Ridge(44.2, -28.6, height_m=500.0, half_length_m=4000.0, axis_deg=0.0)  # north, by home
M_PER_DEG_LON = offset_m(*HOME, HOME[0], HOME[1] + math.radians(1.0))[1]


def place(east_m: float) -> tuple[float, float]:
    """(lat_deg, lon_deg) so far east of home."""
    return 44.2, -28.6 + east_m / M_PER_DEG_LON


def aircraft(east_m: float, height_m: float, north_deg: float = 0.0) -> AircraftState:
    lat_deg, lon_deg = place(east_m)
    return replace(CRUISING, lat_deg=lat_deg + north_deg, lon_deg=lon_deg, height_m=height_m)


def skyline(*masts: Mast, ridge: Ridge = RIDGE) -> Skyline:
    return Skyline(masts, [ridge], HOME)


WEST = Mast(*place(-10_000.0), height_m=100.0)


@pytest.mark.parametrize("nu", [-0.7, 0.0, 0.5, 1.0, 2.0, 4.0, 10.0])
def test_an_edge_takes_what_fresnel_s_integrals_say(nu: float) -> None:
    """J = -20 lg |(1 + i)/2 int_nu^inf exp(-i pi t^2/2) dt|, of which ours is a fit (scipy)."""
    s, c = fresnel(nu)
    exact = -20.0 * math.log10(math.hypot(0.5 - c, 0.5 - s) / math.sqrt(2.0))
    over_m = nu / math.sqrt(2.0 / WAVELENGTH_M * (1.0 / 8000.0 + 1.0 / 2000.0))
    assert knife_edge_db(over_m, 8000.0, 2000.0) == pytest.approx(exact, abs=0.5)  # dB


def test_behind_the_ridge_it_is_dark_and_above_it_is_not() -> None:
    """Mast 10 km before the crest at 100 m, aircraft 2 km behind: the sight line over the crest
    (500 m, and 1.2 m for the Earth's curve) reaches 501.2 + 401.2/10 * 2 = 581 m there."""
    sky = skyline(WEST)
    grazing = sky.loss_db(aircraft(2000.0, 581.4))
    assert grazing == pytest.approx(6.0, abs=0.1)  # half the field is cut off: 20 lg 2
    assert sky.loss_db(aircraft(2000.0, 200.0)) > 25.0
    assert sky.loss_db(aircraft(2000.0, 700.0)) == 0.0
    assert sky.loss_db(aircraft(-2000.0, 50.0)) == 0.0  # this side of it


def test_beyond_its_ends_the_ridge_hides_nothing() -> None:
    north = Mast(44.2 + 8000.0 / 111_120.0, WEST.lon_deg, 100.0)
    assert skyline(north).loss_db(aircraft(2000.0, 200.0, north_deg=8000.0 / 111_120.0)) == 0.0


def test_of_two_masts_the_better_counts() -> None:
    east = Mast(*place(6000.0), height_m=100.0)
    low = aircraft(2000.0, 200.0)
    assert skyline(WEST).loss_db(low) > 25.0
    assert skyline(WEST, east).loss_db(low) == 0.0
    assert skyline().loss_db(low) == 0.0  # no mast is told: nothing is known

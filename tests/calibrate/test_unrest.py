"""Gusts make power restless, and restless power costs more: figures are told for smooth air."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from sim.aircraft import fit
from sim.scenario import FOLDER, load
from supervisor.calibrate.blocks import Steady, ripple
from supervisor.calibrate.gusts import gust_cost
from supervisor.calibrate.power import UNREST_COST_SD, fit_power, level_w, parts_w, restless
from supervisor.flightfile import load_flight

CRAFT = load_flight(FOLDER / "estuary" / "flight.toml").aircraft


def level(blocks: int) -> Steady:
    """Half minutes at 21 m/s in smooth air, as the builder believes them."""
    none, one = np.zeros(blocks), np.ones(blocks)
    rows = Steady(none, none, 1.2 * one, 21.0 * one, none, one, 30.0 * one, *[none] * 6)
    return replace(rows, power_w=watts(rows))


def watts(rows: Steady) -> np.ndarray:
    """By the builder's figures."""
    result: np.ndarray = parts_w(CRAFT, CRAFT.mass_kg, rows).sum(axis=1) + CRAFT.avionics_w
    return result


def test_ripple_is_the_variance_over_the_square_of_the_mean() -> None:
    """A sine of 100 W on 300 W: 100^2 / 2 / 300^2."""
    t = np.arange(0.0, 300.0)
    wave = 300.0 + 100.0 * np.sin(math.tau * t / 10.0)
    assert ripple(t, wave, 50.0, 250.0) == pytest.approx(1e4 / 2.0 / 9e4, rel=0.01)
    assert ripple(t, 0.0 * t + 300.0, 50.0, 250.0) == 0.0


def test_ripple_of_a_pack_that_hardly_reports_is_not_known() -> None:
    assert ripple(np.array([0.0, 10.0, 20.0]), np.array([300.0, 500.0, 100.0]), 0.0, 30.0) == 0.0
    assert ripple(np.zeros(0), np.zeros(0), 0.0, 30.0) == 0.0


def test_a_speed_that_surges_takes_the_means_of_its_cube_and_its_inverse() -> None:
    """A Gaussian of 0.8 m/s about 21 m/s, by quadrature."""
    speeds, share = gaussian(21.0, 0.8)
    steady = level(len(speeds))
    parts = parts_w(CRAFT, CRAFT.mass_kg, replace(steady, tas_mps=speeds))
    surging = replace(steady, surge=np.full(len(speeds), (0.8 / 21.0) ** 2))
    expected = parts_w(CRAFT, CRAFT.mass_kg, surging)[0]
    assert share @ parts == pytest.approx(expected, rel=2e-5)


def gaussian(mean: float, spread: float) -> tuple[np.ndarray, np.ndarray]:
    """Nine values and their shares."""
    normal, share = np.polynomial.hermite_e.hermegauss(9)
    return mean + spread * normal, share / share.sum()


@pytest.mark.parametrize("spread_n", [1.0, 2.5, 4.5])
def test_what_unrest_costs_is_what_it_costs_the_simulators_chain(spread_n: float) -> None:
    """Propeller by coefficients, motor and controller of sim/, at 10 N and 21 m/s."""
    truth = load("estuary")
    middle = {key: 0.5 * (low + high) for key, (low, high) in truth.truth.items()}
    pusher = fit(truth.plan.builder, middle).pusher

    def power_w(thrust_n: float) -> float:
        return pusher.drive.electrical_w(pusher.shaft_w(thrust_n, 21.0, 1.21)) + CRAFT.avionics_w

    thrusts, share = gaussian(10.0, spread_n)
    powers = np.array([power_w(max(t, 0.0)) for t in thrusts])
    mean_w = float(share @ powers)
    seen = float(share @ (powers - mean_w) ** 2) / mean_w**2
    dearer = mean_w / power_w(10.0)
    assert abs(dearer - float(restless(np.array([seen]))[0])) < UNREST_COST_SD * seen


def test_power_in_gusts_is_told_for_smooth_air() -> None:
    calm = level(200)
    gusty = replace(calm, unrest=np.linspace(0.02, 0.2, 200), surge=np.full(200, 1.5e-3))
    dear = watts(gusty)
    assert dear.mean() > 1.02 * calm.power_w[0]
    found = fit_power(CRAFT, CRAFT.mass_kg, replace(gusty, power_w=dear))
    told = level_w(CRAFT, CRAFT.mass_kg, found.fit.x, 21.0 / math.sqrt(1.225 / 1.2), 1.2)
    assert told == pytest.approx(calm.power_w[0], rel=1e-3)


def test_gusts_and_the_sensors_zero_make_it_less_sure() -> None:
    rows = level(200)
    sure = fit_power(CRAFT, CRAFT.mass_kg, rows).cov[1, 1]
    gusty = replace(rows, unrest=np.full(200, 0.1))
    unsure = fit_power(CRAFT, CRAFT.mass_kg, replace(gusty, power_w=watts(gusty))).cov[1, 1]
    assert unsure - sure == pytest.approx((0.1 * UNREST_COST_SD) ** 2, rel=0.01)
    zero_w = 0.01 * float(rows.power_w[0])
    off = fit_power(CRAFT, CRAFT.mass_kg, rows, zero_w).cov[1, 1]
    assert off - sure == pytest.approx(0.01**2, rel=1e-6)


def among(winds: np.ndarray, calm: bool = False) -> Steady:
    """Level blocks in these winds [m/s], their power as restless as 6 % and 0.2 % at 10 m/s."""
    square = np.zeros(len(winds)) if calm else (winds / 10.0) ** 2
    rows = replace(level(len(winds)), wind_mps=winds, unrest=0.06 * square, surge=2e-3 * square)
    return replace(rows, power_w=watts(rows))


def test_what_gusts_cost_is_told_for_ten_metres_a_second() -> None:
    """By hand: 0.18 x 6 %, thrice 0.2 % on the parasite and once on the induced part of power."""
    parasite, induced = parts_w(CRAFT, CRAFT.mass_kg, level(1))[0, 1:3]
    share = (3.0 * parasite + induced) / (parasite + induced)
    found = gust_cost(CRAFT, fit_power(CRAFT, CRAFT.mass_kg, among(np.linspace(3.0, 12.0, 50))))
    assert found.doubt == ""
    assert found.share == pytest.approx(0.18 * 0.06 + share * 2e-3, rel=0.01)
    assert found.sd == pytest.approx(found.share / 3.0, rel=0.02)  # how sure 0.18 is


@pytest.mark.parametrize(
    ("rows", "doubt"),
    [
        (among(np.full(50, 2.0)), "hardly any wind"),
        (among(np.full(5, 8.0)), "too few"),
        (among(np.full(50, 8.0), calm=True), "too few"),
    ],
)
def test_flights_that_show_no_gusts_tell_no_cost(rows: Steady, doubt: str) -> None:
    assert doubt in gust_cost(CRAFT, fit_power(CRAFT, CRAFT.mass_kg, rows)).doubt

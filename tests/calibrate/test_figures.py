"""The fits on made-up data, where the answer is known, and against scipy on the same data."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares

from sim.scenario import FOLDER
from supervisor.calibrate import pack as packfit
from supervisor.calibrate.airspeed import AirSamples, fit_airspeed
from supervisor.calibrate.blocks import Steady
from supervisor.calibrate.leastsquares import HUBER_K, huber_cost
from supervisor.calibrate.power import axial, edgewise, fit_power, level_w, parts_w
from supervisor.flightfile import load_flight

FLIGHT = load_flight(FOLDER / "estuary" / "flight.toml")
CRAFT, PACK = FLIGHT.aircraft, FLIGHT.pack
UNBENT = [0.0] * len(packfit.SHAPE_FROM)  # a resistance over charge as the table has it


def steady(speeds: list[float], scales: list[float], noise: float = 0.0) -> Steady:
    """Level blocks at these speeds, climbs and hovers of an aircraft with these scales."""
    rng = np.random.default_rng(1)
    rows = [(0.0, v, 0.0) for v in speeds for _ in range(40)]
    rows += [(0.0, speeds[0], 2.5)] * 6 + [(1.0, 0.0, 0.0)] * 4
    hover, tas, climb = np.array(rows).T
    one = np.ones(len(rows))
    blank = Steady(hover, one, 1.2 * one, tas, climb, one, 30.0 * one, np.arange(len(rows)) / 1.0,
                   0.0 * one, one, *[0.0 * one] * 3)  # fmt: skip
    watts = parts_w(CRAFT, CRAFT.mass_kg, blank) @ np.array(scales) + CRAFT.avionics_w
    return replace(blank, power_w=watts * (1.0 + noise * rng.standard_normal(len(rows))))


def test_scales_come_back_from_several_speeds() -> None:
    found = fit_power(CRAFT, CRAFT.mass_kg, steady([16.0, 20.0, 25.0], [1.1, 1.2, 0.9, 1.05]))
    assert found.scales == pytest.approx([1.1, 1.2, 0.9, 1.05], rel=0.02)  # prior: 30 %


def test_at_one_speed_the_power_is_known_and_the_polar_is_not() -> None:
    rows = steady([21.0], [1.0, 1.2, 1.2, 1.0], noise=0.02)
    found = fit_power(CRAFT, CRAFT.mass_kg, rows)
    wanted = level_w(CRAFT, CRAFT.mass_kg, np.log([1.0, 1.2, 1.2, 1.0]), 21.0, 1.2)
    assert level_w(CRAFT, CRAFT.mass_kg, found.fit.x, 21.0, 1.2) == pytest.approx(wanted, rel=0.01)
    assert math.sqrt(found.cov[1, 1]) > 0.02


def test_a_tenth_of_nonsense_does_not_move_the_fit() -> None:
    rows = steady([16.0, 20.0, 25.0], [1.0, 1.1, 1.0, 1.0], noise=0.01)
    spoiled = rows.power_w.copy()
    spoiled[::10] *= 3.0
    found = fit_power(CRAFT, CRAFT.mass_kg, replace(rows, power_w=spoiled))
    assert found.scales[1:3] == pytest.approx([1.1, 1.0], rel=0.04)
    assert (found.fit.weights[::10] < 0.5).all()


def test_power_fit_is_scipys_on_the_same_data() -> None:
    rows = steady([16.0, 20.0, 25.0], [1.05, 1.1, 0.95, 1.0], noise=0.03)
    found = fit_power(CRAFT, CRAFT.mass_kg, rows)
    parts = parts_w(CRAFT, CRAFT.mass_kg, rows)
    from supervisor.calibrate import power

    share = np.where(rows.hover > 0.5, power.HOVER_SD, power.WING_SD)
    sigma = share * np.maximum(parts.sum(axis=1) + CRAFT.avionics_w, 100.0)
    tie = np.array([0.0, 1.0, -1.0, 0.0]) / power.WIDE_TIE_SD

    def residuals(x: np.ndarray) -> np.ndarray:
        data = ((parts * np.exp(x)).sum(axis=1) + CRAFT.avionics_w - rows.power_w) / sigma
        return np.concatenate([data, [tie @ x]])

    # the prior's rows must stay quadratic: they are, being far inside Huber's bend here
    theirs = least_squares(
        lambda x: np.concatenate([residuals(x), x / power.PRIOR_SD]), np.zeros(4), loss="huber",
        f_scale=HUBER_K, xtol=1e-12, ftol=1e-12, gtol=1e-12,
    )  # fmt: skip
    assert found.fit.x == pytest.approx(theirs.x, abs=1e-5)


def test_hover_in_wind_takes_less_and_in_calm_the_same() -> None:
    rows = steady([21.0], [1.0, 1.0, 1.0, 1.0])
    calm = edgewise(CRAFT, 120.0, rows)
    windy = edgewise(CRAFT, 120.0, replace(rows, wind_mps=8.0 + 0.0 * rows.wind_mps))
    assert calm == pytest.approx(np.ones(len(calm)))
    assert np.all((windy > 0.6) & (windy < 0.95))


def turning(factor: float, compass_rad: float, headings: np.ndarray) -> AirSamples:
    """Flight at 21 m/s indicated in a steady wind, with a sensor and a compass that are off."""
    true = 21.0 * factor
    told = headings - compass_rad
    t = 20.0 * np.arange(len(headings))
    return AirSamples(
        t, true * np.cos(headings) + 3.0, true * np.sin(headings) - 5.0, 21.0 * np.cos(told),
        21.0 * np.sin(told), np.zeros(len(t)), np.full(len(t), 21.0),
    )  # fmt: skip


def test_airspeed_and_compass_come_back_from_a_circle() -> None:
    found = fit_airspeed(turning(1.03, 0.02, np.linspace(0.0, 4.0 * math.pi, 120)))
    assert found.factor == pytest.approx(1.03, abs=1e-3)
    assert found.compass_rad == pytest.approx(0.02, abs=1e-3)


def test_one_straight_leg_tells_no_airspeed() -> None:
    found = fit_airspeed(turning(1.03, 0.0, np.full(120, 1.0)))
    assert found.factor_sd > 0.05


def test_an_autopilot_that_holds_course_and_airspeed_does_not_shrink_the_factor() -> None:
    """Out and back in gusts that it steers against: heading and airspeed give way, not the course.

    Regressed on heading and airspeed as they are, such a flight tells a factor several per cent
    too small (an error in the variables: Fuller, Measurement Error Models, 1987, ch. 1).
    """
    found = [fit_airspeed(held_course(seed)).factor for seed in range(12)]
    assert np.mean(found) == pytest.approx(1.02, abs=0.01)  # 0.910 with the columns as they are


def held_course(seed: int) -> AirSamples:
    """Out and back for 100 minutes in a mean wind of 3 m/s, true airspeed 1.02 of indicated."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 6000.0, 20.0)
    gust_n, gust_e = 1.2 * rng.standard_normal((2, len(t)))
    way = np.where(t < 3000.0, 1.0, -1.0)  # east, then west
    over_ground_e = way * 21.0 * 1.02 + 3.0  # the mean wind carries it, a gust does not
    air_n, air_e = -gust_n / 1.02, (over_ground_e - 3.0 - gust_e) / 1.02
    none = np.zeros(len(t))
    return AirSamples(t, none, over_ground_e, air_n, air_e, none, np.hypot(air_n, air_e))


def still(seconds: float, climb_mps: float) -> Steady:
    """One hover without wind."""
    one, none = np.ones(1), np.zeros(1)
    return Steady(one, one, 1.2 * one, none, climb_mps * one, one, seconds * one, *[none] * 6)


@pytest.mark.parametrize(("climb_mps", "more"), [(0.0, 0.0), (2.5, 0.110), (-0.8, -0.030)])
def test_climbing_costs_the_induced_part_only(climb_mps: float, more: float) -> None:
    """By hand: 117.7 N on 0.981 m2 of disks, v_h 7.07 m/s; 0.75 (v_i/v_h - 1 + x/1.15)."""
    found = float(axial(CRAFT, 117.7, still(10.0, climb_mps))[0]) - 1.0
    assert found == pytest.approx(more, abs=0.003)


def series(
    resistance: float, capacity: float, seconds: int = 6000, lean: float = 0.0
) -> packfit.PackSeries:
    """A made-up flight of a pack that differs from its table by these factors."""
    t = np.arange(0.0, seconds, 1.0)
    current = np.where((t < 30) | (t > seconds - 60), 34.0, 8.0 + 1.5 * np.sin(t / 40.0))
    blank = packfit.binned(PACK, t, np.full(len(t), 44.0), current, np.full(len(t), 22.0))
    x = np.array([math.log(resistance), math.log(capacity), 0.25, 0.0, *UNBENT])
    x[packfit.SHAPE : packfit.SHAPE + 3] = lean / 3.0  # more and more resistance when fuller
    cell_ah = PACK.capacity_ah / PACK.parallel
    volts, _ = packfit.model_v(PACK.cell, cell_ah, x, 0.99, blank)
    noise = 0.003 * np.random.default_rng(5).standard_normal(len(volts))
    return replace(blank, voltage_v=volts + noise)


def test_pack_comes_back() -> None:
    found = packfit.fit_pack(PACK, [series(1.3, 0.95), series(1.3, 0.95, 5000)])
    assert found.resistance == pytest.approx(1.3, rel=0.05)
    assert found.capacity_ah == pytest.approx(0.95 * PACK.capacity_ah, rel=0.02)


def test_a_resistance_that_leans_over_the_charge_is_not_taken_for_capacity() -> None:
    """Half as much again when full as at half."""
    found = packfit.fit_pack(PACK, [series(1.1, 0.97, lean=0.4)])
    assert found.capacity_ah == pytest.approx(0.97 * PACK.capacity_ah, rel=0.015)


def test_pack_fit_is_scipys_on_the_same_data() -> None:
    """The least cost that scipy finds from nowhere, ours finds too; and the figure is near it."""
    one = series(1.2, 0.97)
    found = packfit.fit_pack(PACK, [one])
    whiten = np.linalg.inv(np.linalg.cholesky(packfit._noise(one.t_s)))
    mean = np.array([0.0, 0.0, 0.25, 0.0, *UNBENT, one.charge0])
    of = packfit.PRIOR_SD
    sd = [of["resistance"], of["capacity"], of["slow"], of["slow_lean"]]
    sd += [of["shape"]] * len(UNBENT) + [of["charge"]]
    cell_ah = PACK.capacity_ah / PACK.parallel

    def residuals(x: np.ndarray) -> np.ndarray:
        volts, _ = packfit.model_v(PACK.cell, cell_ah, x, x[-1], one)
        return np.concatenate([whiten @ (volts - one.voltage_v), (x - mean) / np.array(sd)])

    theirs = least_squares(residuals, mean, loss="huber", f_scale=HUBER_K, xtol=1e-12, ftol=1e-12)
    # the curve is straight between knots, so the valley's floor has corners; half a unit is 1 sigma
    assert huber_cost(residuals(found.fit.x)) <= theirs.cost + 0.3
    capacity = PACK.capacity_ah * math.exp(theirs.x[packfit.CAPACITY])
    assert abs(found.capacity_ah - capacity) < 0.5 * found.capacity_sd_ah
    resistance = math.exp(theirs.x[packfit.RESISTANCE])
    assert abs(found.resistance - resistance) < 0.3 * found.resistance_sd


def test_pack_model_derivatives_are_right() -> None:
    one = series(1.2, 0.97)
    x = np.array([0.1, -0.03, 0.2, 0.3, 0.1, -0.1, 0.05, 0.1, -0.1, 0.2])
    cell_ah = PACK.capacity_ah / PACK.parallel
    base, by = packfit.model_v(PACK.cell, cell_ah, x, 0.98, one)
    for k in range(packfit.FIRST_CHARGE):
        if k == packfit.CAPACITY:  # passes through the table's corners
            continue
        moved = x.copy()
        moved[k] += 1e-6
        step = packfit.model_v(PACK.cell, cell_ah, moved, 0.98, one)[0] - base
        assert step / 1e-6 == pytest.approx(by[:, k], rel=1e-3, abs=1e-6)


def test_more_flights_make_it_surer() -> None:
    one = packfit.fit_pack(PACK, [series(1.2, 0.97)])
    four = packfit.fit_pack(PACK, [series(1.2, 0.97, 6000 + 100 * k) for k in range(4)])
    assert four.fit.cov[0, 0] < one.fit.cov[0, 0]
    assert four.capacity_sd_ah < one.capacity_sd_ah

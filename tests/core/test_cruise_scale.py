"""The cruise scale over airspeed: its derivation, what flights teach of it, and who flies by it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from supervisor.core import cruise_scale, power
from supervisor.core.atmosphere import tas_per_cas
from supervisor.core.belief import Belief
from supervisor.core.conclusions import Phase
from supervisor.core.cruise_scale import bent, parasite_share, slope_sd, speed_factor
from supervisor.core.estimate import power_scales, speed_by_power
from supervisor.core.estimate.power_blocks import CRUISE, PowerSample
from supervisor.core.estimate.power_noise import expected_var
from supervisor.core.estimate.power_scales import (
    AVIONICS,
    MASS,
    SLOPE,
    STATES,
    Scales,
    cruise_var,
    expected_w,
    model_w,
    observe,
    start,
)
from supervisor.core.estimate.prior import PowerPrior
from supervisor.core.forecast.advice import best_airspeed
from supervisor.core.forecast.members import Air, Wing, draw
from supervisor.core.plan import Aircraft, Flight
from tests.core.flights import flight
from tests.core.plain_flights import SteadyWind, overhead_home

CRAFT = flight().aircraft
RHO = 1.15


def true_over_stated(
    craft: Aircraft, e_a: float, e_b: float, cas: np.ndarray, rho: float
) -> object:
    """The synthetic polar with both of its parts off, over the stated one."""
    wrong = replace(craft, cd0=craft.cd0 * (1.0 + e_a), k=craft.k * (1.0 + e_b))
    tas = cas * tas_per_cas(rho)
    both = [np.asarray(power.wing_w(c, c.mass_kg, rho, tas)) for c in (wrong, craft)]
    return both[0] / both[1]


@pytest.mark.parametrize("rho", [0.9, 1.225])
@pytest.mark.parametrize("cruise_mps", [16.0, 21.0, 27.0])
def test_the_slope_is_that_of_a_polar_whose_parts_are_off(cruise_mps: float, rho: float) -> None:
    """numpy.polyfit of ln(true / stated) over ln V near V_ref, at two densities."""
    craft = replace(CRAFT, cruise_mps=cruise_mps)
    cas = cruise_mps * np.exp(np.linspace(-0.02, 0.02, 41))
    share = parasite_share(craft)
    for e_a, e_b in ((0.01, 0.0), (0.0, 0.01), (-0.02, 0.01)):
        ratio = np.log(np.asarray(true_over_stated(craft, e_a, e_b, cas, rho)))
        slope, level = np.polyfit(np.log(cas / cruise_mps), ratio, 1)
        assert slope == pytest.approx(4.0 * share * (1.0 - share) * (e_a - e_b), rel=0.03)
        assert level == pytest.approx(share * e_a + (1.0 - share) * e_b, abs=3e-4)


def test_the_priors_spread_is_that_of_independent_errors() -> None:
    """Sample of 20,000 polars: 1 sigma of a slope is known to 0.5 %, four of these allowed."""
    sd = 0.01  # small: to first order, as derived
    craft = replace(CRAFT, cruise_sd=sd)
    e_a, e_b = sd * np.random.default_rng(1).standard_normal((2, 20_000, 1))
    step = np.array([-0.01, 0.01])
    share = parasite_share(craft)
    w = 1.0 / (1.0 + (1.0 - share) / share * np.exp(-4.0 * step))  # b / (a V^4) goes as V^-4
    low, high = np.log(1.0 + w * e_a + (1.0 - w) * e_b).T
    slope, level = (high - low) / 0.02, 0.5 * (low + high)
    assert np.std(slope) == pytest.approx(slope_sd(craft), rel=0.02)
    shared = 4.0 * share * (1.0 - share) * (2.0 * share - 1.0) * sd * sd
    assert np.cov(slope, level)[0, 1] == pytest.approx(shared, abs=0.04 * sd * sd)
    # and what is left out for it: less than a third of the slope's own spread
    assert abs(2.0 * parasite_share(CRAFT) - 1.0) / math.sqrt(2.0) < 0.33


def test_the_straight_line_holds_where_it_is_said_to() -> None:
    away = np.linspace(math.log(0.8), math.log(1.25), 20)
    bend = np.tanh(2.0 * away) / 2.0
    np.testing.assert_allclose(away, bend, rtol=0.1)
    fast = np.array([0.1, 0.5, 1.0, 2.0, 10.0]) * CRAFT.cruise_mps
    np.testing.assert_allclose(
        speed_factor(CRAFT, 0.1, fast), [2**-0.1, 2**-0.1, 1.0, 2**0.1, 2**0.1]
    )
    for v in fast:
        held = math.exp(0.1 * cruise_scale.log_speed(CRAFT, float(v)))
        assert held == pytest.approx(float(speed_factor(CRAFT, 0.1, v)), rel=1e-12)


@pytest.mark.parametrize("slope", [-0.3, -0.05, 0.2])
def test_a_bent_polar_has_the_slope_and_the_power_of_before(slope: float) -> None:
    v = CRAFT.cruise_mps * np.exp(np.array([-1e-4, 0.0, 1e-4]))
    crafts = (bent(CRAFT, slope), CRAFT)
    watts = [np.asarray(power.wing_w(c, c.mass_kg, 1.225, v)) for c in crafts]
    ratio = np.log(watts[0] / watts[1])
    assert ratio[1] == pytest.approx(0.0, abs=1e-12)
    assert (ratio[2] - ratio[0]) / 2e-4 == pytest.approx(slope, rel=1e-6)
    wild = bent(CRAFT, 5.0 * slope / abs(slope))
    assert min(wild.cd0, wild.k) > 0.0


# --- what flights teach --------------------------------------------------------------------------


def at_speed(
    scales: Scales, cas: float, seconds: int, slope: float, start_s: float,
    rng: np.random.Generator, level: float = 0.03,
) -> Scales:  # fmt: skip
    tas = cas * tas_per_cas(RHO)
    quiet = PowerSample(0.0, Phase.CRUISE, 0.0, RHO, tas, 0.0)
    model, _ = model_w(CRAFT, quiet, CRAFT.mass_kg)
    true = math.exp(level + slope * math.log(cas / CRAFT.cruise_mps)) * model
    for i in range(seconds):
        # gusts move the airspeed and not the power
        gust = tas * (1.0 + 0.01 * rng.standard_normal())
        watts = true * (1.0 + 0.03 * rng.standard_normal()) + CRAFT.avionics_w
        scales = observe(
            scales, CRAFT, quiet._replace(t_s=start_s + i, power_w=watts, tas_mps=gust)
        )
    return scales


@pytest.mark.parametrize("slope", [-0.12, 0.1])
def test_flown_at_three_speeds_the_slope_is_found(slope: float) -> None:
    rng = np.random.default_rng(5)
    errors, stated = [], 0.0
    for _ in range(10):
        scales = start(CRAFT)
        for k, cas in enumerate((21.0, 17.0, 26.0)):
            scales = at_speed(scales, cas, 900, slope, 910.0 * k, rng)
        errors.append(scales.x[SLOPE] - slope)
        stated = math.sqrt(scales.p[SLOPE, SLOPE])
    assert stated < 0.5 * slope_sd(CRAFT)
    assert float(np.sqrt(np.mean(np.square(errors)))) < 1.5 * stated


@pytest.mark.parametrize("cas", [21.0, 25.0])
def test_flown_at_one_speed_the_slope_stays_at_its_prior(cas: float) -> None:
    """And the scale at another speed is as much wider. Away from V_ref only l + s v is seen."""
    rng, prior = np.random.default_rng(6), start(CRAFT)
    scales = at_speed(prior, cas, 3600, 0.1, 0.0, rng)
    flown, sd = math.log(cas / CRAFT.cruise_mps), slope_sd(CRAFT)

    def sd_at(v: float) -> float:
        return math.sqrt(cruise_var(scales, CRAFT, v * tas_per_cas(RHO), RHO))

    if flown == 0.0:
        assert scales.p[SLOPE, SLOPE] == pytest.approx(sd**2, rel=0.01)
        assert abs(scales.x[SLOPE]) < 0.1 * sd
    # of a prior with independent l and s, the exact observation l + s v leaves this of s
    left = sd * CRAFT.cruise_sd / math.hypot(CRAFT.cruise_sd, flown * sd)
    assert math.sqrt(scales.p[SLOPE, SLOPE]) == pytest.approx(left, rel=0.05)
    assert sd_at(cas) < 0.03
    for other in (17.0, 27.0):
        away = abs(math.log(other / cas)) * math.sqrt(scales.p[SLOPE, SLOPE])
        assert sd_at(other) == pytest.approx(math.hypot(sd_at(cas), away), rel=0.15)
        assert sd_at(other) > sd_at(cas) + 0.001


def test_one_block_is_the_closed_form_of_a_linear_update() -> None:
    """Posterior = inv(inv(P) + h h' / r) (Bayes for Gaussians), with h found by differences."""
    scales = start(CRAFT)
    scales.x[:] = [0.02, -0.01, 0.03, 0.01, 0.05, -0.08, CRAFT.mass_kg, 0.0]
    mean = PowerSample(30.0, Phase.CRUISE, 420.0, RHO, 26.0, 0.4)

    def watts(k: int, step: float) -> float:
        moved = replace(scales, x=scales.x + step * np.eye(STATES)[k])
        return expected_w(moved, CRAFT, mean)

    h = np.array([(watts(k, 1e-6) - watts(k, -1e-6)) / 2e-6 for k in range(STATES)])
    by_mass = h[MASS]
    h[MASS] = 0.0
    expected = expected_w(scales, CRAFT, mean)
    r = expected_var(scales.regimes[CRUISE]) * expected**2
    r += by_mass**2 * scales.p[MASS, MASS]
    after = power_scales.take(replace(scales, last_s=30.0), CRAFT, mean)
    precise = np.linalg.inv(np.linalg.inv(scales.p) + np.outer(h, h) / r)
    np.testing.assert_allclose(after.p, precise, rtol=1e-6, atol=1e-9)
    moved = scales.x + precise @ h * (420.0 - expected) / r
    np.testing.assert_allclose(after.x, moved, rtol=1e-6, atol=1e-9)
    assert h[SLOPE] / h[CRUISE] == pytest.approx(math.log(26.0 / tas_per_cas(RHO) / 21.0), rel=1e-6)
    assert h[AVIONICS] > 0.0


def test_many_flights_at_one_speed_make_it_no_less_sure() -> None:
    wide = PowerPrior(np.zeros(6), np.diag([1e-4] * 5 + [1.0]))
    wide.log_cov[CRUISE, SLOPE] = wide.log_cov[SLOPE, CRUISE] = 0.005
    scales = start(CRAFT, wide)
    assert math.sqrt(scales.p[SLOPE, SLOPE]) == pytest.approx(slope_sd(CRAFT))
    correlation = scales.p[CRUISE, SLOPE] / math.sqrt(scales.p[CRUISE, CRUISE]) / slope_sd(CRAFT)
    assert correlation == pytest.approx(0.5)


def test_the_speed_told_by_power_knows_the_slope() -> None:
    """On the fast side: least power is drawn at 17.7 m/s here."""
    scales = start(CRAFT)
    scales.x[[CRUISE, SLOPE]] = 0.05, -0.2
    for v in (18.5, 22.0, 30.0, 45.0):
        sample = PowerSample(0.0, Phase.CRUISE, math.nan, RHO, v, 0.3)
        sample = sample._replace(power_w=expected_w(scales, CRAFT, sample))
        assert speed_by_power.tas_mps(CRAFT, scales, sample) == pytest.approx(v, rel=1e-6)


# --- who flies by it -----------------------------------------------------------------------------


def believing(plan: Flight, slope: float) -> Belief:
    belief = overhead_home(plan, SteadyWind(0.0, 0.0))
    mean = belief.power.log_mean.copy()
    mean[SLOPE] = slope
    return replace(belief, power=replace(belief.power, log_mean=mean))


def returning_at(airspeed_mps: float) -> Flight:
    base = flight()
    return replace(base, return_plan=replace(base.return_plan, airspeed_mps=airspeed_mps))


def test_each_member_flies_at_the_scale_of_its_own_speed() -> None:
    """(asked x held / V_ref)^s, on the cruise alone, beside the polar; one speed or several."""
    plan = flight()
    belief = believing(plan, 0.2)
    one = draw(plan, belief, np.random.default_rng(1), 6, np.float64)
    level, up, none = np.zeros(1), np.full(1, 2.0), np.zeros(1)
    flat = replace(one, slope=np.zeros((6, 1)))
    air = Air(np.full(1, 1.1), np.full(1, tas_per_cas(1.1)), np.zeros(1))
    for asked in (np.array([21.0]), np.array([17.0]), np.array([17.0, 21.0, 26.0])):
        wings = [Wing(plan, m, air, asked, none) for m in (one, flat)]
        sloped, bare = (wing.power_w(wing.drag_w(), level) for wing in wings)
        factor = (asked * one.airspeed / CRAFT.cruise_mps) ** one.slope
        np.testing.assert_allclose(
            (sloped - one.avionics_w) / (bare - one.avionics_w), factor, rtol=1e-12
        )
        steep, even = (wing.power_w(wing.drag_w(), up) for wing in wings)
        np.testing.assert_array_equal(steep, even)


def test_the_best_airspeed_is_slower_where_more_of_the_drag_is_parasite() -> None:
    """As the bent polar itself has it: its still-air speed of best range, by core/power.py."""
    plan = returning_at(24.0)
    plan = replace(plan, aircraft=replace(CRAFT, avionics_w=0.0))
    best = []
    for slope in (-0.2, 0.2):
        cas, _ = best_airspeed(plan, believing(plan, slope), 0.0, 40_000.0)
        best.append(cas)
        craft = bent(plan.aircraft, slope)
        told = max(power.best_range_speed_mps(craft, craft.mass_kg, 1.225), 1.15 * craft.stall_mps)
        assert cas == pytest.approx(told, abs=0.4)
    assert best[1] < best[0]

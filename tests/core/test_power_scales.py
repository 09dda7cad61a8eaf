"""Scales found from power, the change detector's run lengths, and the mass after a drop."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from supervisor.core import power
from supervisor.core.conclusions import Phase
from supervisor.core.estimate import power_scales
from supervisor.core.estimate.power_blocks import CRUISE, HOVER, PowerSample
from supervisor.core.estimate.power_noise import THRESHOLD
from supervisor.core.estimate.power_scales import MASS, Scales, model_w, observe, start
from tests.core.flights import flight

CRAFT = flight().aircraft
RHO = 1.21


def sample(t_s: float, phase: Phase, power_w: float, climb_mps: float = 0.0) -> PowerSample:
    tas = 0.0 if phase in (Phase.HOVER_CLIMB, Phase.HOVER_LANDING) else 21.3
    return PowerSample(t_s, phase, power_w, RHO, tas, climb_mps)


@pytest.mark.parametrize("climb", [-1.0, 0.0, 2.5])
def test_the_floats_are_the_forecasts_own_model(climb: float) -> None:
    hover, by_mass = model_w(CRAFT, sample(0.0, Phase.HOVER_CLIMB, 0.0, climb), 12.0)
    assert hover == pytest.approx(float(power.hover_w(CRAFT, 12.0, RHO, climb)), rel=1e-12)
    wing, _ = model_w(CRAFT, sample(0.0, Phase.CRUISE, 0.0, climb), 12.0)
    assert wing == pytest.approx(float(power.wing_w(CRAFT, 12.0, RHO, 21.3, climb)), rel=1e-12)
    more, _ = model_w(CRAFT, sample(0.0, Phase.HOVER_CLIMB, 0.0), 12.001)
    still, slope = model_w(CRAFT, sample(0.0, Phase.HOVER_CLIMB, 0.0), 12.0)
    assert (more - still) / 0.001 == pytest.approx(slope, rel=1e-3)
    assert by_mass > 0.0


def fly(
    scales: Scales, phase: Phase, seconds: int, factor: float, rng: np.random.Generator,
    start_s: float = 0.0, mass_kg: float | None = None, noise: float = 0.08,
) -> Scales:  # fmt: skip
    true, _ = model_w(CRAFT, sample(0.0, phase, 0.0), mass_kg or CRAFT.mass_kg)
    lull = 0.0
    for i in range(seconds):
        lull = 0.9 * lull + math.sqrt(1.0 - 0.81) * noise * rng.standard_normal()
        watts = factor * true * (1.0 + lull) + CRAFT.avionics_w
        scales = observe(scales, CRAFT, sample(start_s + i, phase, watts))
    return scales


@pytest.mark.parametrize("factor", [0.92, 1.0, 1.1])
def test_the_cruise_scale_is_found_within_two_percent_in_ten_minutes(factor: float) -> None:
    errors = []
    for seed in range(20):
        scales = fly(start(CRAFT), Phase.CRUISE, 600, factor, np.random.default_rng(seed))
        errors.append(math.exp(scales.x[CRUISE]) / factor - 1.0)
    assert np.sqrt(np.mean(np.square(errors))) < 0.02


def test_the_stated_spread_of_the_cruise_power_holds() -> None:
    """Normalised error squared over 60 flights: chi-square bounds (Bar-Shalom), 0.5 % tails.

    Scale and avionics are seen in their sum, so the sum is judged.
    """
    nees = []
    for seed in range(60):
        rng = np.random.default_rng(100 + seed)
        factor = math.exp(0.08 * rng.standard_normal())
        scales = fly(start(CRAFT), Phase.CRUISE, 900, factor, rng)
        model, _ = model_w(CRAFT, sample(0.0, Phase.CRUISE, 0.0), CRAFT.mass_kg)
        h = np.zeros(power_scales.STATES)
        h[CRUISE] = math.exp(scales.x[CRUISE]) * model
        h[power_scales.AVIONICS] = math.exp(scales.x[power_scales.AVIONICS]) * CRAFT.avionics_w
        error = h[CRUISE] + h[power_scales.AVIONICS] - factor * model - CRAFT.avionics_w
        nees.append(error * error / (h @ scales.p @ h))
    # chi-square with 60 degrees, 0.5 % and 99.5 %: 35.5 and 92.0 (scipy.stats.chi2)
    assert sum(nees) < 92.0
    assert sum(nees) > 20.0  # too wide rather than too narrow: the wander of an hour is allowed


def test_steady_flight_raises_no_alarm_and_ice_does() -> None:
    rng = np.random.default_rng(13)
    calm = fly(start(CRAFT), Phase.CRUISE, 3 * 3600, 1.0, rng)
    assert calm.changed == -1
    iced = fly(calm, Phase.CRUISE, 900, 1.25, rng, start_s=10800.0)
    assert iced.changed == CRUISE
    assert 10800.0 < iced.changed_s < 10800.0 + 480.0
    assert math.exp(iced.x[CRUISE]) == pytest.approx(1.25, rel=0.06)
    # what the change did to one regime says nothing about the other
    assert iced.x[HOVER] == pytest.approx(calm.x[HOVER], abs=1e-6)


@pytest.mark.parametrize(("landing", "found"), [(1.0, -1), (1.2, -1), (1.4, HOVER)])
def test_the_transition_after_take_off_is_no_sign_of_change_at_the_landing(
    landing: float, found: int
) -> None:
    """The take-off's last block held the transition (a tenth more power); then the landing.

    A motor gone, two fifths more power, is still found within the landing's own minute.
    """
    rng = np.random.default_rng(16)
    scales = fly(start(CRAFT), Phase.HOVER_CLIMB, 24, 1.0, rng, noise=0.02)
    scales = fly(scales, Phase.HOVER_CLIMB, 6, 1.1, rng, start_s=24.0, noise=0.02)
    assert scales.regimes[HOVER].up > 0.2 * THRESHOLD
    scales = fly(scales, Phase.HOVER_LANDING, 70, landing, rng, start_s=3600.0, noise=0.02)
    assert scales.changed == found


def test_the_transition_is_no_part_of_the_hover() -> None:
    """A climb that ends, then speed gathered at 2 m/s^2: two thirds of the power, then more than it
    all, and still the phase of a hover. Nothing of it is learned."""
    scales = start(CRAFT)
    climbing = [(2.5, 0.0, 1.05)] * 8
    leaving = [(1.8, 0.0, 0.9), (0.8, 0.5, 0.7), (0.3, 2.0, 1.0), (0.3, 4.0, 1.3), (0.3, 6.0, 1.3)]
    leaving += [(0.3, 8.0 + 2.0 * i, 1.2) for i in range(5)]
    for i, (climb, air, factor) in enumerate(climbing + leaving):
        quiet = sample(float(i), Phase.HOVER_CLIMB, 0.0, climb)._replace(tas_mps=air)
        watts = factor * model_w(CRAFT, quiet, CRAFT.mass_kg)[0] + CRAFT.avionics_w
        scales = observe(scales, CRAFT, quiet._replace(power_w=watts))
        if i == len(climbing) - 1:
            learned = scales
    assert learned.x[HOVER] > 0.01
    np.testing.assert_array_equal(scales.x, learned.x)
    # a steady hover in a light, gusty wind goes on teaching
    for i in range(20):
        gusty = sample(100.0 + i, Phase.HOVER_LANDING, 1.05 * watts, -0.8 + 0.2 * (i % 3))
        scales = observe(scales, CRAFT, gusty._replace(tas_mps=4.0 + 0.5 * (i % 2)))
    assert scales.regimes[HOVER].blocks > learned.regimes[HOVER].blocks


@pytest.mark.parametrize(("left_kg", "within"), [(0.0, 0.45), (1.2, 0.75)])
def test_hover_power_tells_whether_the_payload_is_gone(left_kg: float, within: float) -> None:
    """1.2 kg were to be dropped; ``left_kg`` of it did not."""
    rng = np.random.default_rng(14)
    scales = fly(start(CRAFT), Phase.HOVER_CLIMB, 30, 1.02, rng, noise=0.02)
    scales = power_scales.dropped(scales, 1.2)
    before = scales.x[MASS]
    true = CRAFT.mass_kg - 1.2 + left_kg
    scales = fly(scales, Phase.HOVER_CLIMB, 40, 1.02, rng, start_s=100.0, mass_kg=true, noise=0.02)
    assert abs(scales.x[MASS] - true) < within
    if left_kg:
        assert scales.x[MASS] > before + 0.4


def test_a_gliding_descent_teaches_nothing_about_mass() -> None:
    scales = start(CRAFT)
    glide = PowerSample(0.0, Phase.DESCENT, 25.0, RHO, 21.0, -3.0)
    for i in range(300):
        scales = observe(scales, CRAFT, glide._replace(t_s=float(i)))
    assert scales.x[MASS] == pytest.approx(CRAFT.mass_kg)
    assert scales.p[MASS, MASS] == pytest.approx(start(CRAFT).p[MASS, MASS])


def test_the_belief_is_a_covariance_and_carries_the_gusts() -> None:
    scales = fly(start(CRAFT), Phase.CRUISE, 600, 1.0, np.random.default_rng(15))
    told = power_scales.belief(scales, CRAFT)
    assert np.linalg.eigvalsh(told.log_cov).min() > 0.0
    assert told.gust_w_sd > 5.0
    assert replace(told).draw(np.random.default_rng(1), 50).cruise.shape == (50,)


def test_a_wind_through_the_rotors_takes_off_what_momentum_theory_says() -> None:
    """v^4 + x^2 v^2 = 1 (Glauert; Leishman ch. 2), solved by bisection beside the closed form."""
    from scipy.optimize import brentq

    for x in (0.0, 0.5, 1.0, 2.0):
        v = brentq(lambda v, x=x: v**4 + x * x * v * v - 1.0, 0.0, 1.1)
        expected = power.INDUCED_SHARE * v + 1.0 - power.INDUCED_SHARE
        assert float(power.hover_relief(7.0, 7.0 * x, 0.0)) == pytest.approx(expected, abs=1e-9)
        # and D V: half rho V^3 f over the ideal W v_h = 2 rho A v_h^3
        drag_w = 0.5 * RHO * (7.0 * x) ** 3 * 0.2 / (2.0 * RHO * 1.0 * 7.0**3)
        dragged = float(power.hover_relief(7.0, 7.0 * x, 0.2 / 4.0))
        assert dragged == pytest.approx(expected + drag_w, abs=1e-9)
    windy = sample(0.0, Phase.HOVER_LANDING, 0.0)._replace(tas_mps=8.0)
    calm, relieved = (
        model_w(CRAFT, windy._replace(tas_mps=0.0), 12.0)[0],
        model_w(CRAFT, windy, 12.0)[0],
    )
    inflow = math.sqrt(12.0 * 9.80665 / (2.0 * RHO * CRAFT.disk_area_m2))
    assert relieved / calm == pytest.approx(
        float(power.hover_relief(inflow, 8.0, power.hover_drag(CRAFT))), rel=1e-12
    )


def test_a_while_without_lessons_is_no_sudden_change() -> None:
    """The tube is believed again: the cruise's scale is open, and nobody says that power jumped."""
    known = fly(start(CRAFT), Phase.CRUISE, 900, 1.0, np.random.default_rng(5))
    open_again = power_scales.doubted(known)
    assert open_again.p[CRUISE, CRUISE] == pytest.approx(
        known.p[CRUISE, CRUISE] + power_scales.CHANGE_SD**2
    )
    assert (open_again.changed, open_again.changed_s) == (-1, -math.inf)

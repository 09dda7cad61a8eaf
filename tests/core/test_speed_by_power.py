"""Airspeed told by power: the inverse of the polar, and when it is asked."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from supervisor.core.conclusions import Phase
from supervisor.core.constants import G0_MPS2
from supervisor.core.estimate import power_scales, speed_by_power
from supervisor.core.estimate.power_blocks import CRUISE, PowerSample
from supervisor.core.estimate.power_scales import Scales
from supervisor.core.estimate.speed_by_power import SpeedByPower, tas_mps, watch
from tests.core.flights import flight

CRAFT = flight().aircraft


def known(cruise: float = 0.0) -> Scales:
    scales = power_scales.start(CRAFT)
    scales.x[CRUISE] = cruise
    scales.p[CRUISE, CRUISE] = 0.02**2
    return scales


def least_power_mps(density: float) -> float:
    """Speed of least power of a parabolic polar: D = 4 D0 there, V = (4 k W^2 / (3 cd0 rho^2 S^2)
    )^(1/4) (any flight-mechanics text; by hand)."""
    load = CRAFT.mass_kg * G0_MPS2 / (density * CRAFT.wing_area_m2)
    return (4.0 * CRAFT.k * load * load / (3.0 * CRAFT.cd0)) ** 0.25


@given(
    v=st.floats(16.0, 40.0),
    density=st.floats(0.9, 1.3),
    climb=st.floats(-0.5, 3.0),
    cruise=st.floats(-0.2, 0.4),
    bank=st.floats(1.0, 1.15),
)
def test_it_is_the_inverse_of_the_power_model(
    v: float, density: float, climb: float, cruise: float, bank: float
) -> None:
    scales = known(cruise)
    sample = PowerSample(0.0, Phase.CRUISE, math.nan, density, v, climb, bank)
    sample = sample._replace(power_w=power_scales.expected_w(scales, CRAFT, sample))
    assume(v > 1.02 * least_power_mps(density) * math.sqrt(bank))
    assert tas_mps(CRAFT, scales, sample) == pytest.approx(v, rel=1e-6)


def test_with_too_little_power_for_any_speed_it_is_that_of_least_power() -> None:
    sample = PowerSample(0.0, Phase.CRUISE, 60.0, 1.2, math.nan, 0.0)
    assert tas_mps(CRAFT, known(), sample) == pytest.approx(least_power_mps(1.2), rel=1e-9)


def cruise_w(v: float) -> float:
    sample = PowerSample(0.0, Phase.CRUISE, math.nan, 1.2, v, 0.0)
    return power_scales.expected_w(known(), CRAFT, sample)


def flown(speed: SpeedByPower, v: float, start_s: int, scales: Scales) -> SpeedByPower:
    for t in range(start_s, start_s + 120):
        speed = watch(
            speed, CRAFT, scales, PowerSample(float(t), Phase.CRUISE, cruise_w(v), 1.2, 21.0, 0.0)
        )
    return speed


def test_what_was_learned_before_the_doubt_is_what_counts_after_it() -> None:
    speed = flown(SpeedByPower(), 21.0, 0, known())
    assert speed.tas_mps == pytest.approx(21.0, rel=1e-6)
    wrong = known(0.3)  # what a blocked tube would teach from here on
    held = speed_by_power.hold(speed)
    assert flown(held, 27.0, 120, wrong).tas_mps == pytest.approx(27.0, rel=0.01)
    free = flown(speed_by_power.free(held), 27.0, 120, known())
    assert free.held is None
    assert free.tas_mps == pytest.approx(27.0, rel=0.01)


def test_before_the_power_is_known_it_tells_no_speed() -> None:
    unsure = known()
    unsure.p[CRUISE, CRUISE] = 0.08**2
    assert math.isnan(flown(SpeedByPower(), 21.0, 0, unsure).tas_mps)


def test_a_hover_begins_the_mean_anew() -> None:
    speed = flown(SpeedByPower(), 21.0, 0, known())
    hover = PowerSample(130.0, Phase.HOVER_LANDING, 1600.0, 1.2, 3.0, 0.0)
    after = watch(speed, CRAFT, known(), hover)
    assert math.isnan(after.power_w)
    assert after.kept == ()  # the payload may stay here: what was kept knows the mass before
    again = watch(
        after, CRAFT, known(), hover._replace(t_s=131.0, phase=Phase.CRUISE, power_w=cruise_w(24.0))
    )
    assert again.tas_mps == pytest.approx(24.0, rel=0.01)

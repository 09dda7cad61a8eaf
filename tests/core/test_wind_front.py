"""Flying on with a front: it takes long to pass, and what it brings blows at home already."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from supervisor.core.estimate import wind, wind_front, wind_state
from supervisor.core.estimate.wind_kernel import Kernel
from supervisor.core.estimate.wind_sensors import explains, wider
from supervisor.core.estimate.windfield import Evidence
from tests.core.test_gusts import gust_series
from tests.core.test_wind import forecast

BEFORE, BEHIND = np.array([5.0, 2.0]), np.array([-9.0, 6.0])
FRONT_S, PASSES_S, END_S = 1200, 720, 1920
TAS_MPS = 21.0


def flown(
    seed: int, behind: np.ndarray, since_s: int = FRONT_S, passes_s: int = PASSES_S
) -> wind_state.WindState:
    """East for 32 minutes, with a turn north and back; from ``since_s`` the wind comes to be the
    one behind, as evenly as time goes."""
    rng = np.random.default_rng(seed)
    gusts = gust_series(rng, 0.6, END_S)
    state, place = wind_state.start(forecast(*BEFORE), Kernel(), 0.0), np.zeros(2)
    for t in range(END_S):
        share = min(max((t - since_s) / passes_s, 0.0), 1.0)
        blow = BEFORE + share * (behind - BEFORE) + gusts[t]
        heading = 0.3 if 400 <= t < 500 or 1000 <= t < 1060 else math.pi / 2
        ground = TAS_MPS * np.array([math.cos(heading), math.sin(heading)]) + blow
        place = place + ground
        told = rng.normal(0.0, 0.15, 2) + ground
        sample = wind_state.Sample(
            float(t), *place, 100.0, *told, 0.0, heading, TAS_MPS + rng.normal(0.0, 0.2), 1.0
        )
        state = wind.observe(state, sample)
    return state


@pytest.mark.parametrize("seed", range(4))
def test_the_wind_behind_a_front_is_expected_at_home_too(seed: int) -> None:
    """Met for twelve minutes, found after some: at home in ten minutes the wind is believed to have
    changed by two fifths of what was met at least, and the rest is in the spread (2.5 sigma).

    Measured: by 0.62, 0.54, 0.49 and 0.58. Where all of it is thought to have come at once, by 0.19
    to 0.23: what came later looks like the place's own.
    """
    n, e, sd = wind_state.solve(flown(seed, BEHIND), float(END_S)).mean_at(0.0, 0.0, 100.0, 600.0)
    change = BEHIND - BEFORE
    share = float((np.array([n, e]) - BEFORE) @ change / (change @ change))
    print(f"home: {n:+.1f} {e:+.1f} m/s, sigma {sd:.1f}: {share:.2f} of the change")
    assert share > 0.4
    assert np.hypot(*(BEHIND - (n, e))) < 2.5 * math.sqrt(2.0) * sd


@pytest.mark.parametrize("seed", range(4))
def test_without_a_front_home_is_as_it_was(seed: int) -> None:
    n, e, sd = wind_state.solve(flown(seed, BEFORE), float(END_S)).mean_at(0.0, 0.0, 100.0, 600.0)
    assert np.hypot(*(BEFORE - (n, e))) < 1.0
    assert sd < 1.5


SLOW_BEHIND, SLOW_SINCE_S, SLOW_PASSES_S = np.array([-5.0, 3.0]), 700, 1200


@pytest.mark.parametrize("seed", range(4))
def test_one_that_takes_twenty_minutes_is_found_too(seed: int) -> None:
    """Ten metres a second in twenty minutes: no few minutes of it are beyond a lively wind.

    Measured: by 0.85, 0.84, 0.69 and 0.77 of what was met. Without asking all the evidence nothing
    is found in this flight, and home believed to have changed by 0.24 to 0.32.
    """
    state = flown(seed, SLOW_BEHIND, SLOW_SINCE_S, SLOW_PASSES_S)
    n, e, sd = wind_state.solve(state, float(END_S)).mean_at(0.0, 0.0, 100.0, 600.0)
    change = SLOW_BEHIND - BEFORE
    share = float((np.array([n, e]) - BEFORE) @ change / (change @ change))
    print(f"home: {n:+.1f} {e:+.1f}, sigma {sd:.1f}: {share:.2f}; {state.kernel.jumps}")
    assert state.kernel.jumps
    assert share > 0.6
    assert np.hypot(*(SLOW_BEHIND - (n, e))) < 2.5 * math.sqrt(2.0) * sd


def test_how_well_a_changed_sensor_explains_it_is_the_gaussian_likelihood() -> None:
    """Against scipy's multivariate normal: the tube, or the compass, off by more from 700 s on."""
    rng, r, count = np.random.default_rng(8), 0.4, 7
    places = np.array([(21.0 * t, 0.0, 100.0, t) for t in 200.0 * np.arange(count)])
    rows, z = rng.standard_normal((count, 2 + wind_state.SENSORS)), 3.0 * rng.standard_normal(count)
    seen = tuple(
        Evidence(place, 45.0, np.outer(h, h) / r, h * v / r)
        for place, h, v in zip(places, rows, z, strict=True)
    )
    state = wind_state.start(forecast(0.0, 0.0), Kernel(), 0.0)._replace(evidence=seen)
    var, by_wind, by_sensors = state.sensor_var, rows[:, :2] @ rows[:, :2].T, rows[:, 2:]
    usual = by_wind * state.kernel.between(places, places) + r * np.eye(count)
    usual += by_sensors @ np.diag(var) @ by_sensors.T
    later = by_sensors * (places[:, 3:] > 700.0)
    theirs = [
        stats.multivariate_normal(cov=usual + later @ np.diag(more) @ later.T).logpdf(z)
        for more in (0.0 * var, wider(var) * wind_front.TUBE, wider(var) * wind_front.COMPASS)
    ]
    ours = wind_front._sensors(state, 700.0) - explains(state, state.kernel, seen, var)
    assert ours == pytest.approx(max(theirs[1:]) - theirs[0], abs=1e-9)

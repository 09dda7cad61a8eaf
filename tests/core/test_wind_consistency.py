"""The wind filter on wind, sensors and gusts drawn from its own prior: what it says must hold.

Consistency of a filter by the normalised estimation error squared, chi-square of two degrees a
flight (Y. Bar-Shalom, X. Li, T. Kirubarajan, Estimation with Applications to Tracking and
Navigation, 5.4; from memory). Gusts are the simulator's Dryden turbulence, its axes along the
flight.
"""

from __future__ import annotations

import math
from dataclasses import replace
from random import Random
from typing import NamedTuple

import numpy as np
import pytest
from scipy.stats import chi2

from sim.gusts import Gusts
from supervisor.core.estimate import wind, wind_change, wind_state
from supervisor.core.estimate.forecast_wind import forecast_wind
from supervisor.core.estimate.wind_kernel import Kernel, kernel_of
from supervisor.core.plan import Weather

FLIGHTS, SECONDS, TAS_MPS, HEIGHT_M = 24, 2400, 20.0, 110.0
# Seconds and headings [rad]: three legs, and turns of ten seconds.
CORNERS = ((0, 0.5), (890, 0.5), (900, 2.1), (1490, 2.1), (1500, 3.7), (SECONDS, 3.7))
LOOKS = (840, 1380, 2340)
NODE_S = 10


class Flown(NamedTuple):
    """Normalised error squared at each look, liveliness believed over true, the last state."""

    nees: list[float]
    lively: float
    state: wind_state.WindState


def track() -> tuple[np.ndarray, np.ndarray]:
    """Heading and place (north, east, height, time) each second."""
    t = np.arange(SECONDS)
    heading = np.interp(t, *np.array(CORNERS).T)
    step = TAS_MPS * np.column_stack([np.cos(heading), np.sin(heading)])
    flat = np.full(SECONDS, HEIGHT_M)
    return heading, np.column_stack([np.cumsum(step, axis=0), flat, t.astype(float)])


def deviation(kernel: Kernel, places: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The wind less its forecast at each place, drawn from the kernel every ten seconds."""
    nodes = places[::NODE_S]
    root = np.linalg.cholesky(kernel.between(nodes, nodes) + 1e-9 * np.eye(len(nodes)))
    drawn = root @ rng.standard_normal((len(nodes), 2))
    return np.column_stack([np.interp(places[:, 3], nodes[:, 3], drawn[:, i]) for i in (0, 1)])


def fly(seed: int) -> Flown:
    rng, (heading, places) = np.random.default_rng(seed), track()
    forecast = forecast_wind(Weather((), 2.5, 15.0), lambda *_: (0.0, 0.0))
    kernel = kernel_of(2.5)
    lively = math.exp(wind_change.PRIOR_LOG_SD * rng.standard_normal())
    air = forecast.at(*places.T) + deviation(replace(kernel, lively=lively), places, rng)
    scale, bias, compass, _ = np.array(wind_state.SENSOR_SD) * rng.standard_normal(4)
    gusts, state = Gusts(Random(seed)), wind_state.start(forecast, kernel, 0.0)
    nees = []
    for i, (psi, place) in enumerate(zip(heading, places, strict=True)):
        along, across, _ = gusts.step(1.0, TAS_MPS, HEIGHT_M, 4.0)
        nose = np.array([math.cos(psi + compass), math.sin(psi + compass)])
        side = np.array([-nose[1], nose[0]])
        ground = ((1.0 + scale) * TAS_MPS + bias) * nose + air[i] + along * nose + across * side
        ground += 0.15 * rng.standard_normal(2)
        state = wind.observe(
            state, wind_state.Sample(place[3], *place[:3], *ground, 0.0, psi, TAS_MPS, 1.0)
        )
        if i in LOOKS:
            mean, cov = wind_state.solve(state, place[3]).moments(*np.append(place[:3], 0)[:, None])
            error = mean[0] - air[i]
            nees.append(float(error @ np.linalg.solve(cov, error)))
    return Flown(nees, state.change.lively / lively, state)


@pytest.fixture(scope="module")
def flown() -> list[Flown]:
    return [fly(seed) for seed in range(FLIGHTS)]


def test_the_error_is_as_large_as_stated(flown: list[Flown]) -> None:
    """Each look within the middle 99.9 % of chance, all together within 0.7 and 1.3.

    Over 96 flights 0.82, 0.88 and 0.92, the strength below found at 1.11 of what it was, and a
    sensor held for changed in one.
    """
    nees = np.array([f.nees for f in flown])
    print("mean NEES / 2 at each look", np.round(nees.mean(axis=0) / 2, 2))
    low, high = chi2.ppf([0.0005, 0.9995], 2 * FLIGHTS)
    assert ((low < nees.sum(axis=0)) & (nees.sum(axis=0) < high)).all()
    assert 0.7 < nees.mean() / 2.0 < 1.3


def test_the_strength_of_its_change_is_found(flown: list[Flown]) -> None:
    ratio = float(np.median([f.lively for f in flown]))
    print(f"liveliness believed over true: median {ratio:.2f}")
    assert 0.7 < ratio < 1.5


def test_no_sensor_is_found_changed(flown: list[Flown]) -> None:
    """Also where the forecast was off by its usual error: that is no change."""
    assert not [f for f in flown if f.state.sensors_s > 0.0 or f.state.kernel.jumps]

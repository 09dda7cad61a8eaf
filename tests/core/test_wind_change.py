"""The strength of the wind's change, learned from changes of known strength."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from supervisor.core.estimate import wind_change
from supervisor.core.estimate.wind_kernel import Kernel
from supervisor.core.estimate.windfield import Evidence

KERNEL = Kernel()


def changes(lively: float, count: int, seed: int) -> wind_change.Change:
    """Independent changes between means over five minutes, drawn from the kernel itself."""
    rng = np.random.default_rng(seed)
    a, b = np.array([0.0, 0.0, 100.0, 0.0]), np.array([6000.0, 0.0, 100.0, 300.0])
    true = Kernel(lively=lively)
    k = true.between(np.stack([a, b]), np.stack([a, b]))
    noise = np.array([0.05, 0.05])
    sd = np.sqrt(2.0 / 3.0 * (k[0, 0] + k[1, 1] - 2.0 * k[0, 1]) + noise)
    change = wind_change.start()
    for _ in range(count):
        change = wind_change.learn(change, KERNEL, a, b, sd * rng.standard_normal(2), noise)
    return change


@pytest.mark.parametrize("lively", [0.25, 1.0, 4.0])
def test_an_hour_of_changes_tells_the_strength_within_a_factor_of_two(lively: float) -> None:
    found = np.median([changes(lively, 12, seed).lively for seed in range(15)])
    assert lively / 2.0 < found < lively * 2.0


@pytest.mark.parametrize("lively", [0.5, 1.0, 4.0])
def test_the_strength_is_learned_from_a_flight_straight_on(lively: float) -> None:
    """Three quarters of an hour of wind drawn from the kernel, by seconds, and white noise."""
    dt_s, speed, found = 1.0, 20.0, []
    keep = np.exp(-dt_s / KERNEL.vary_s - speed * dt_s / KERNEL.vary_m)
    gust_var, gust_s = 0.3, 13.0
    for seed in range(15):
        rng = np.random.default_rng(seed)
        drift = rng.standard_normal((2700, 2))
        drift[1:] *= np.sqrt(1.0 - keep * keep)
        wind = lfilter([1.0], [1.0, -keep], drift, axis=0) * KERNEL.vary_mps * np.sqrt(lively)
        seen = wind + np.sqrt(gust_var * 2.0 * gust_s) * rng.standard_normal((2700, 2))
        change, j = wind_change.start(), np.zeros((6, 6))
        j[0, 0] = j[1, 1] = 1.0 / (gust_var * 2.0 * gust_s)
        for i, row in enumerate(seen):
            y = np.concatenate([j[:2, :2] @ row, np.zeros(4)])
            place = np.array([speed * i, 0.0, 100.0, float(i)])
            change = wind_change.add(
                change, KERNEL, Evidence(place, 1.0, j, y), 0.0, np.zeros(4), np.zeros(2)
            )
        found.append(change.lively)
    assert lively / 1.6 < np.median(found) < lively * 1.6


def test_before_anything_is_seen_the_wind_is_usual() -> None:
    assert 0.8 < wind_change.start().lively < 2.0
    assert wind_change.anything().lively > 3.0


def test_blocks_on_the_same_heading_are_compared_and_a_turn_is_not_a_change() -> None:
    """The wind is steady; a compass error makes it look turned when the heading turns."""
    change = wind_change.start()
    sensors = np.zeros(4)
    for i in range(1500):
        heading = 0.0 if i < 750 else 1.5
        seen = np.array([2.0, 1.0]) if i < 750 else np.array([4.0, -1.0])
        j, y = np.zeros((6, 6)), np.zeros(6)
        j[0, 0] = j[1, 1] = 0.1
        y[:2] = 0.1 * seen
        place = np.array([20.0 * i, 0.0, 100.0, float(i)])
        evidence = Evidence(place, 1.0, j, y)
        change = wind_change.add(change, KERNEL, evidence, heading, sensors, np.zeros(2))
    assert change.lively < wind_change.start().lively

"""Gust strength, and the alarm for what is no gust."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from supervisor.core.estimate.gusts import Gusts, Moment, Residual, watch

GUST_S, NOSE = 13.0, np.array([0.6, 0.8])
HERE = Moment(NOSE, GUST_S, 1.0)


def gust_series(rng: np.random.Generator, sd: float, seconds: int) -> np.ndarray:
    """First-order (Dryden's longitudinal form) noise of given spread, two components."""
    a = np.exp(-1.0 / GUST_S)
    white = rng.standard_normal((seconds, 2)) * sd * np.sqrt(1.0 - a * a)
    return np.asarray(lfilter([1.0], [1.0, -a], white, axis=0))


def fly(rows: np.ndarray, cov: float = 0.05) -> tuple[Gusts, list[int]]:
    gusts, alarms = Gusts(), []
    for i, row in enumerate(rows):
        residual = Residual(row, cov * np.eye(2))
        gusts, _, changed = watch(gusts, residual, residual, HERE)
        if changed:
            alarms.append(i)
    return gusts, alarms


@pytest.mark.parametrize("sd", [0.4, 0.8, 1.6])
def test_the_gusts_spread_is_found_within_a_fifth(sd: float) -> None:
    found = [
        fly(gust_series(np.random.default_rng(seed), sd, 1500))[0].var ** 0.5 for seed in range(12)
    ]
    assert np.mean(found) == pytest.approx(sd, rel=0.2)


@pytest.mark.parametrize("noise", [0.0, 0.4, 0.8])
def test_what_lasts_is_told_from_what_does_not(noise: float) -> None:
    """Sample means of twelve flights; the two variances add up to the residual's own."""
    gust, white = [], []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        rows = gust_series(rng, 0.6, 1500) + noise * rng.standard_normal((1500, 2))
        found = fly(rows)[0]
        gust.append(found.var)
        white.append(0.5 * (found.along.white + found.across.white))
    assert np.sqrt(np.mean(gust)) == pytest.approx(0.6, rel=0.2)
    assert np.sqrt(np.mean(white)) == pytest.approx(noise, abs=0.15)


def test_what_is_along_only_is_found_along_only() -> None:
    """An airspeed that is noisier than the heading: 0.8 m/s more along the nose."""
    along, across = [], []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        rows = gust_series(rng, 0.6, 1500) + 0.8 * rng.standard_normal((1500, 1)) * NOSE
        found = fly(rows)[0]
        along.append(found.along.white)
        across.append(found.across.white)
    assert np.sqrt(np.mean(along)) == pytest.approx(0.8, abs=0.15)
    assert np.sqrt(np.mean(across)) < 0.3


def test_gusts_alone_raise_no_alarm_in_eight_hours() -> None:
    assert fly(gust_series(np.random.default_rng(2), 0.8, 8 * 3600))[1] == []


def test_a_lasting_residual_is_found_within_three_minutes() -> None:
    rows = gust_series(np.random.default_rng(3), 0.8, 1200)
    rows[600:, 0] += 4.0
    _, alarms = fly(rows)
    assert alarms
    assert 600 < alarms[0] < 780


def test_a_single_wild_sample_does_not_count() -> None:
    quiet, wild = (
        Residual(np.zeros(2), 0.1 * np.eye(2)),
        Residual(np.full(2, 30.0), np.eye(2) * 0.1),
    )
    gusts, counts, _ = watch(Gusts(), quiet, quiet, HERE)
    assert counts
    _, counts, changed = watch(gusts, wild, wild, HERE)
    assert not counts
    assert not changed


@pytest.mark.parametrize("of_air", [True, False], ids=["airspeed", "wind"])
def test_an_orbit_tells_a_changed_airspeed_from_a_changed_wind(of_air: bool) -> None:
    """4 m/s along the nose all around, or 4 m/s to the north: 50 s a circle, mean over a minute."""
    gusts = Gusts()
    for i in range(600):
        nose = np.array([np.cos(0.126 * i), np.sin(0.126 * i)])
        away = Residual(4.0 * nose if of_air else np.array([4.0, 0.0]), 100.0 * np.eye(2))
        gusts, _, _ = watch(gusts, away, away, Moment(nose, GUST_S, 1.0))
    on_ground = float(np.hypot(*gusts.foreseen))
    assert (gusts.on_nose > 3.9, on_ground > 3.9) == (of_air, not of_air)
    assert (abs(gusts.on_nose) < 1.0, on_ground < 1.0) == (not of_air, of_air)

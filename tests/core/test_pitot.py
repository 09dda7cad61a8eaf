"""A blocked tube shows height; a free one does not."""

from __future__ import annotations

import math

import numpy as np

from supervisor.core.estimate.pitot import AGREE_S, Pitot, agree, by_drag, refute, watch

RHO0, G = 1.225, 9.80665


def heights(seconds: int) -> np.ndarray:
    """A climb of 60 m, then a cruise that wanders by a metre or two."""
    t = np.arange(seconds)
    return 40.0 + np.minimum(t, 30.0) * 2.0 + 1.5 * np.sin(t / 25.0)


def fly(cas: np.ndarray, height: np.ndarray) -> list[bool]:
    pitot, verdicts = Pitot(), []
    for t, (v, h) in enumerate(zip(cas, height, strict=True)):
        pitot = watch(pitot, float(t), float(v), float(h))
        verdicts.append(pitot.blocked)
    return verdicts


def test_a_tube_blocked_low_down_is_found_during_the_climb() -> None:
    """v = sqrt(2 (p_trapped - p_static) / rho0), hydrostatics: dp = -rho g dh."""
    rng = np.random.default_rng(1)
    h = heights(300)
    q = 0.5 * RHO0 * 21.0**2 + RHO0 * G * (h - h[0])
    blocked = np.sqrt(2.0 * q / RHO0) + rng.normal(0.0, 0.3, 300)
    verdicts = fly(blocked, h)
    assert verdicts[-1]
    assert verdicts.index(True) < 60


def test_a_free_tube_is_not_suspected_in_ten_hours() -> None:
    rng = np.random.default_rng(2)
    seconds = 36000
    t = np.arange(seconds)
    h = 100.0 + 2.0 * np.sin(t / 20.0) + 20.0 * np.sin(t / 400.0)
    # the autopilot trades some speed for height: V dV = - share g dh
    trade = -0.3 * G / 21.0 * 2.0 * np.sin(t / 20.0)
    assert not any(fly(21.0 + trade + rng.normal(0.0, 0.3, seconds), h))


def test_no_airspeed_is_no_evidence() -> None:
    assert watch(Pitot(), 1.0, math.nan, 100.0) == Pitot()


def test_a_refuted_tube_is_believed_again_when_it_agrees_with_the_power_for_a_minute() -> None:
    pitot = refute(Pitot())
    assert not pitot.usable
    for _ in range(int(AGREE_S) - 1):
        pitot = agree(pitot, 21.0, 21.8, 1.0)
    assert not pitot.usable
    assert not agree(pitot, 21.0, 26.0, 1.0).usable  # and then it begins anew
    assert agree(pitot, 21.0, 21.8, 1.0).usable


def test_a_refuted_tube_is_believed_again_when_the_ground_speed_denies_the_power() -> None:
    """Ice: the power tells 25 m/s, the ground speed 21."""
    pitot = refute(Pitot())
    assert by_drag(pitot, -0.16, 0.02).usable
    assert not by_drag(pitot, -0.16, 0.08).usable  # not known well enough yet
    assert not by_drag(pitot, -0.03, 0.02).usable
    assert not by_drag(Pitot(blocked=True), -0.16, 0.02).usable  # the climb has shown it blocked

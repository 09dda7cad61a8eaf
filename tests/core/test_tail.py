"""Quantiles of an ensemble against numpy's, and its tail against the normal law's own."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import pytest

from supervisor.core.forecast.tail import low_quantiles, quantiles, spread

SHARES = (0.05, 0.5, 0.95)


@pytest.mark.parametrize("members", [1, 7, 200, 401])
def test_quantiles_are_numpys(members: int) -> None:
    """Reference: numpy.quantile with its usual linear interpolation."""
    values = np.random.default_rng(members).normal(size=(members, 9)).astype(np.float32)
    expected = np.quantile(values.astype(float), SHARES, axis=0)
    np.testing.assert_allclose(quantiles(values, SHARES), expected, rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("members", [20, 200, 1000])
@pytest.mark.parametrize("share", [0.2, 0.05, 0.01, 0.001])
def test_the_tail_of_normal_scores_is_the_normal_laws(members: int, share: float) -> None:
    """Members that stand at Blom's own scores lie on a straight line: read, or carried on, it gives
    the quantile of the normal law (statistics.NormalDist)."""
    laws = NormalDist(600.0, 90.0), NormalDist(-3.0, 0.5)
    places = (np.arange(1, members + 1) - 0.375) / (members + 0.25)
    values = np.array([[law.inv_cdf(float(p)) for law in laws] for p in places])
    shuffled = np.random.default_rng(1).permutation(values)
    told = low_quantiles(shuffled, (0.3, share))[1]
    expected = [law.inv_cdf(share) for law in laws]
    np.testing.assert_allclose(told, expected, atol=0.01 * 90.0, rtol=0.02)


@pytest.mark.parametrize("share", [0.3, 0.1, 0.02])
def test_within_the_members_it_is_numpys(share: float) -> None:
    """Reference: numpy.quantile with plotting positions 3/8, 3/8, linear in p and not in z."""
    values = np.random.default_rng(3).gamma(4.0, 50.0, size=(400, 5))
    ours = low_quantiles(values, (share,))[0]
    theirs = np.quantile(values, share, axis=0, method="median_unbiased")
    np.testing.assert_allclose(ours, theirs, rtol=0.01)


def test_one_lost_member_of_many_moves_the_tail_little() -> None:
    law = NormalDist(600.0, 90.0)
    values = np.array([[law.inv_cdf((i + 0.5) / 400)] for i in range(400)])
    before = low_quantiles(values, (0.01,))[0, 0]
    values[200] = -120.0
    assert before - 0.2 * 90.0 < low_quantiles(values, (0.01,))[0, 0] < before


def test_members_that_never_fail_stand_at_the_far_end() -> None:
    assert math.isinf(spread(np.array([math.inf] * 197 + [100.0, 200.0, 300.0])).p50)


def test_a_spread_is_of_members() -> None:
    told = spread(np.arange(100.0)[::-1])
    assert (told.p05, told.p50, told.p95) == (5.0, 50.0, 95.0)

"""Mirrored draws: exact means, the stated covariance, and stable under one more column."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from supervisor.core.draws import FREEDOM, gaussian, heavy, mirrored


@pytest.mark.parametrize("members", [1, 2, 9, 400])
def test_every_draw_has_its_opposite(members: int) -> None:
    drawn = mirrored(np.random.default_rng(1), members, 3)
    assert drawn.shape == (members, 3)
    if members % 2 == 0:
        np.testing.assert_array_equal(drawn.mean(axis=0), np.zeros(3))


def test_one_more_column_leaves_the_others() -> None:
    few, more = (mirrored(np.random.default_rng(1), 10, n) for n in (2, 3))
    np.testing.assert_array_equal(few, more[:, :2])


def test_mean_and_covariance() -> None:
    """Against numpy.cov of the samples; one variance is zero, as a thing known exactly."""
    mean = np.array([1.0, -2.0, 3.0])
    cov = np.array([[4.0, 1.2, 0.0], [1.2, 1.0, 0.0], [0.0, 0.0, 0.0]])
    drawn = gaussian(np.random.default_rng(2), mean, cov, 40000)
    np.testing.assert_allclose(drawn.mean(axis=0), mean, atol=1e-9)
    np.testing.assert_allclose(np.cov(drawn.T), cov, atol=0.08)


@pytest.mark.parametrize("members", [100, 400, 2001])
def test_heavy_draws_are_students(members: int) -> None:
    """A normal times the factor has the quantiles of t, against scipy.stats; pairs stay pairs."""
    factor = heavy(np.random.default_rng(3), members)
    assert factor.shape == (members,)
    np.testing.assert_array_equal(
        factor[: members // 2], factor[(members + 1) // 2 :][: members // 2]
    )
    # P(f z < q), averaged over the factors, is the distribution function of t
    for share in (0.01, 0.05, 0.25):
        q = stats.t.ppf(share, FREEDOM)
        assert stats.norm.cdf(q / factor).mean() == pytest.approx(share, rel=0.1)

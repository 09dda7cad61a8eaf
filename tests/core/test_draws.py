"""Mirrored draws: exact means, the stated covariance, and stable under one more column."""

from __future__ import annotations

import numpy as np
import pytest

from supervisor.core.draws import gaussian, mirrored


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

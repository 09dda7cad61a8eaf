"""The filter's two steps against filterpy, an independent implementation, to 1e-9."""

from __future__ import annotations

import filterpy.kalman
import numpy as np
import pytest
from filterpy.common import Q_discrete_white_noise
from hypothesis import given
from hypothesis import strategies as st

from supervisor.core.estimate.kalman import decay, ou_growth, predict, update


def test_a_tracking_filter_equals_filterpys() -> None:
    """Constant velocity, 200 steps of predict and scalar update."""
    rng = np.random.default_rng(4)
    f = np.array([[1.0, 0.5], [0.0, 1.0]])
    q = Q_discrete_white_noise(dim=2, dt=0.5, var=0.3)
    theirs = filterpy.kalman.KalmanFilter(dim_x=2, dim_z=1)
    theirs.F, theirs.Q, theirs.H = f, q, np.array([[1.0, 0.0]])
    theirs.R, theirs.P, theirs.x = np.array([[4.0]]), 50.0 * np.eye(2), np.array([[1.0], [2.0]])
    x, p = np.array([1.0, 2.0]), 50.0 * np.eye(2)
    for z in np.cumsum(rng.standard_normal(200)):
        theirs.predict()
        theirs.update(np.array([[z]]))
        x, p = predict(x, p, f, q)
        seen = update(x, p, z - x[0], np.array([1.0, 0.0]), 4.0)
        x, p = seen.x, seen.p
        np.testing.assert_allclose(x, theirs.x[:, 0], rtol=0, atol=1e-9)
        np.testing.assert_allclose(p, theirs.P, rtol=0, atol=1e-9)
        assert seen.variance == pytest.approx(float(theirs.S[0, 0]), abs=1e-9)


@given(
    seed=st.integers(0, 2**31),
    size=st.integers(1, 8),
    r=st.floats(1e-6, 1e3),
)
def test_an_update_keeps_the_covariance_a_covariance(seed: int, size: int, r: float) -> None:
    """Against Joseph's form (I-KH)P(I-KH)' + KrK', which keeps it by construction."""
    rng = np.random.default_rng(seed)
    root = rng.standard_normal((size, size))
    p, h = root @ root.T + 1e-3 * np.eye(size), rng.standard_normal(size)
    seen = update(np.zeros(size), p, 1.0, h, r)
    k = p @ h / (h @ p @ h + r)
    left = np.eye(size) - np.outer(k, h)
    joseph = left @ p @ left.T + r * np.outer(k, k)
    np.testing.assert_allclose(seen.p, joseph, rtol=0, atol=1e-9 * float(np.trace(p)))
    np.testing.assert_array_equal(seen.p, seen.p.T)


@given(seed=st.integers(0, 2**31), size=st.integers(2, 8), r=st.floats(1e-6, 1e3))
def test_a_considered_state_stays_and_counts(seed: int, size: int, r: float) -> None:
    """Schmidt's filter is Joseph's form with the gain of that state set to nothing."""
    rng = np.random.default_rng(seed)
    root = rng.standard_normal((size, size))
    p, h, x = root @ root.T + 1e-3 * np.eye(size), *rng.standard_normal((2, size))
    kept = int(rng.integers(size))
    seen = update(x, p, 1.0, h, r, kept)
    k = p @ h / (h @ p @ h + r)
    k[kept] = 0.0
    left = np.eye(size) - np.outer(k, h)
    joseph = left @ p @ left.T + r * np.outer(k, k)
    np.testing.assert_allclose(seen.p, joseph, rtol=0, atol=1e-9 * float(np.trace(p)))
    np.testing.assert_allclose(seen.x, x + k, rtol=0, atol=1e-9)


def test_a_long_flight_leaves_the_covariance_symmetric() -> None:
    """Three hours at 10 Hz: what F P F' rounds away from symmetry must not pile up."""
    rng = np.random.default_rng(5)
    f = np.diag(np.linspace(0.9, 1.0, 8)) + np.triu(rng.normal(0.0, 1e-3, (8, 8)), 1)
    x, p, q = np.zeros(8), np.eye(8), 1e-6 * np.eye(8)
    for h in rng.standard_normal((108_000, 8)):
        x, p = predict(x, p, f, q)
        seen = update(x, p, 0.1, h, 0.1)
        x, p = seen.x, seen.p
    assert np.abs(p - p.T).max() < 1e-12 * np.abs(p).max()


def test_a_first_order_process_keeps_its_spread() -> None:
    """a^2 sd^2 + growth = sd^2 (stationary): closed form of Ornstein and Uhlenbeck's process."""
    for dt, tau in ((0.1, 5.0), (30.0, 20.0), (900.0, 1800.0)):
        assert decay(dt, tau) ** 2 * 9.0 + ou_growth(3.0, dt, tau) == pytest.approx(9.0)

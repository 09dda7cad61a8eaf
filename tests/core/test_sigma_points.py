"""The line through a bent function, against filterpy's unscented transform and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from filterpy.kalman import JulierSigmaPoints, unscented_transform
from hypothesis import given
from hypothesis import strategies as st

from supervisor.core.estimate.kalman import update
from supervisor.core.estimate.sigma_points import line

X, Y = 0.7, -0.2
COV = np.array([[0.09, 0.012], [0.012, 0.04]])


def bent(x: float, y: float) -> float:
    return 3.5 + x * x * x - 2.0 * math.exp(y) * (1.0 + 0.3 * x)


def test_it_is_filterpys_transform() -> None:
    """Mean, variance and covariances, with Julier's points at kappa 1."""
    maker = JulierSigmaPoints(2, kappa=1.0)
    points = maker.sigma_points(np.array([X, Y]), COV)
    seen = np.array([[bent(*point)] for point in points])
    mean, variance = unscented_transform(seen, maker.Wm, maker.Wc)
    cross = (maker.Wc * (seen[:, 0] - mean[0])) @ (points - [X, Y])
    # filterpy's root of the covariance may be another one, and so may its points: turned ones
    ours = line(bent, X, Y, *COV[0], COV[1, 1])
    slopes = np.array([ours.by_x, ours.by_y])
    assert ours.mean == pytest.approx(mean[0], rel=2e-3)
    np.testing.assert_allclose(COV @ slopes, cross, rtol=2e-2)
    whole = slopes @ COV @ slopes + ours.residual_var
    assert whole == pytest.approx(variance[0, 0], rel=2e-2)


def test_of_one_bent_direction_it_is_filterpys_to_the_digit() -> None:
    """With one direction known there is one root of the covariance, and points are the same."""
    maker = JulierSigmaPoints(1, kappa=2.0)
    points = maker.sigma_points(np.array([X]), np.array([[0.09]]))[:, 0]
    seen = np.array([[bent(x, Y)] for x in points])
    mean, variance = unscented_transform(seen, maker.Wm, maker.Wc)
    ours = line(bent, X, Y, 0.09, 0.0, 0.0)
    assert ours.mean == pytest.approx(mean[0], abs=1e-9)
    assert ours.by_x**2 * 0.09 + ours.residual_var == pytest.approx(variance[0, 0], abs=1e-9)
    cross = float((maker.Wc * (seen[:, 0] - mean[0])) @ (points - X))
    assert ours.by_x * 0.09 == pytest.approx(cross, abs=1e-9)


def test_of_an_exponential_it_has_the_log_normals_moments() -> None:
    """E exp(y) = exp(m + s^2/2), which is cov(exp(y), y) / s^2 as well; to fourth order in s."""
    sd = 0.2
    ours = line(lambda _, y: math.exp(y), 0.0, 0.3, 0.01, 0.0, sd * sd)
    middle = math.exp(0.3 + 0.5 * sd * sd)
    assert ours.mean == pytest.approx(middle, rel=sd**4)
    assert ours.by_y == pytest.approx(middle, rel=sd**4)
    assert ours.by_x == pytest.approx(0.0, abs=1e-12)
    residual = middle**2 * (math.expm1(sd * sd) - sd * sd)
    assert ours.residual_var == pytest.approx(residual, rel=0.3)


@given(
    st.floats(-5, 5), st.floats(-5, 5), st.floats(1e-3, 1.0), st.floats(1e-3, 1.0),
    st.floats(-0.95, 0.95),
)  # fmt: skip
def test_of_a_line_it_is_that_line(p: float, q: float, sx: float, sy: float, rho: float) -> None:
    ours = line(lambda x, y: 1.0 + p * x + q * y, X, Y, sx * sx, rho * sx * sy, sy * sy)
    assert ours.mean == pytest.approx(1.0 + p * X + q * Y, abs=1e-9)
    assert ours.by_x == pytest.approx(p, abs=1e-6)
    assert ours.by_y == pytest.approx(q, abs=1e-6)
    assert ours.residual_var == pytest.approx(0.0, abs=1e-9)


def test_a_filter_that_takes_the_line_is_consistent_where_the_derivative_is_not() -> None:
    """y = x^2 around 0, where the derivative is nil: the line says that nothing is learned of x,
    and that the measurement is off its mean by as much as x^2 is (2 s^4)."""
    ours = line(lambda x, _: x * x, 0.0, 0.0, 0.25, 0.0, 0.01)
    assert ours.mean == pytest.approx(0.25)
    assert ours.residual_var == pytest.approx(2.0 * 0.25**2)
    cov = np.diag([0.25, 0.01])
    h = np.array([ours.by_x, ours.by_y])
    seen = update(np.zeros(2), cov, 1.0 - ours.mean, h, ours.residual_var)
    assert seen.nis < 6.0  # with the derivative's own mean and variance: infinitely surprising
    np.testing.assert_allclose(seen.p, cov)

"""Our Gauss-Newton against scipy's ``least_squares`` on the same data."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares

from supervisor.calibrate.leastsquares import HUBER_K, Prior, fit, huber_cost, serial_factor

FREE = Prior(np.zeros(3), np.full(3, np.inf))
T = np.linspace(0.0, 4.0, 60)


def curve(x: np.ndarray) -> np.ndarray:
    return x[0] * np.exp(-x[1] * T) + x[2]


def slopes(x: np.ndarray) -> np.ndarray:
    decayed = np.exp(-x[1] * T)
    return np.column_stack([decayed, -x[0] * T * decayed, np.ones_like(T)])


def data(outliers: int, seed: int = 3) -> np.ndarray:
    rng = np.random.default_rng(seed)
    values = curve(np.array([2.0, 0.8, 0.5])) + 0.05 * rng.standard_normal(len(T))
    values[rng.choice(len(T), outliers, replace=False)] += 3.0
    return values


START = np.array([1.0, 1.5, 0.0])


@pytest.mark.parametrize("outliers", [0, 3, 8])
def test_same_minimum_as_scipy_with_hubers_loss(outliers: int) -> None:
    told = data(outliers)
    ours = fit(lambda x: ((curve(x) - told) / 0.05, slopes(x) / 0.05), START, FREE)
    # scipy's huber: rho(z) = z for z <= 1 with z = (f / f_scale)^2: the same loss, times 2
    theirs = least_squares(
        lambda x: (curve(x) - told) / 0.05, START, loss="huber", f_scale=HUBER_K, xtol=1e-12,
        ftol=1e-12, gtol=1e-12,
    )  # fmt: skip
    assert ours.converged
    assert ours.x == pytest.approx(theirs.x, abs=1e-5)
    assert huber_cost(ours.residuals) == pytest.approx(theirs.cost, rel=1e-8)


def test_covariance_is_that_of_the_textbook_on_clean_data() -> None:
    told = data(0)
    huge = 1e6  # no residual is an outlier: plain least squares
    ours = fit(lambda x: ((curve(x) - told) / 0.2, slopes(x) / 0.2), START, FREE, k=huge)
    theirs = least_squares(lambda x: (curve(x) - told) / 0.2, START, xtol=1e-12)
    assert ours.x == pytest.approx(theirs.x, abs=1e-6)
    assert ours.cov == pytest.approx(np.linalg.inv(theirs.jac.T @ theirs.jac), rel=1e-3)


def test_outliers_move_the_answer_less_than_a_plain_fit() -> None:
    told, clean = data(6), data(0)
    robust = fit(lambda x: ((curve(x) - told) / 0.05, slopes(x) / 0.05), START, FREE).x
    plain = least_squares(lambda x: (curve(x) - told) / 0.05, START).x
    wanted = fit(lambda x: ((curve(x) - clean) / 0.05, slopes(x) / 0.05), START, FREE).x
    assert np.abs(robust - wanted).max() < 0.25 * np.abs(plain - wanted).max()


def test_what_data_do_not_tell_stays_at_the_prior() -> None:
    def blind(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return x[:1] - 5.0, np.array([[1.0, 0.0]])

    found = fit(blind, np.zeros(2), Prior(np.array([0.0, 7.0]), np.array([np.inf, 0.3])))
    assert found.x == pytest.approx([5.0, 7.0])
    assert found.cov[1, 1] == pytest.approx(0.09)


def test_residuals_larger_than_stated_widen_the_covariance() -> None:
    told = data(0)
    honest = fit(lambda x: ((curve(x) - told) / 0.05, slopes(x) / 0.05), START, FREE)
    boastful = fit(lambda x: ((curve(x) - told) / 0.01, slopes(x) / 0.01), START, FREE)
    ratio = np.sqrt(np.diag(boastful.cov) / np.diag(honest.cov))
    assert np.all(ratio > 0.7)  # without the widening it would be 0.2


def test_serial_factor_of_an_autoregression() -> None:
    """AR(1) with r = 0.5: the mean's variance is (1 + r) / (1 - r) = 3 times the white one's."""
    rng = np.random.default_rng(0)
    x = np.zeros(20_000)
    for k in range(1, len(x)):
        x[k] = 0.5 * x[k - 1] + rng.standard_normal()
    assert serial_factor(x / x.std(), np.zeros(len(x))) == pytest.approx(3.0, rel=0.1)
    assert serial_factor(rng.standard_normal(20_000), np.zeros(20_000)) == pytest.approx(
        1.0, abs=0.1
    )

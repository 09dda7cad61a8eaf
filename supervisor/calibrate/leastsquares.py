"""Nonlinear least squares that shrugs at outliers: Gauss-Newton with Huber weights.

Minimises  sum rho(r_i) + sum ((x_j - m_j)/s_j)^2 / 2  over x, where rho is Huber's: r^2/2 up to k
and k(|r| - k/2) beyond (Huber 1964). Each step solves the weighted normal equations (iteratively
reweighted least squares) and is halved until the cost falls. Checked against scipy's
``least_squares(loss="huber")`` in the tests.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from supervisor.core.belief import Array

HUBER_K = 1.345  # 95 % efficiency on clean Gaussian data (Huber 1981)
STEPS, HALVINGS, SMALL = 60, 12, 1e-10

# x -> (residuals, Jacobian d residual / d x), both in units of the residuals' own sigma
Residuals = Callable[[Array], tuple[Array, Array]]


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known beforehand of each parameter; ``sd`` inf: nothing."""

    mean: Array
    sd: Array


@dataclass(frozen=True, slots=True)
class Fit:
    """``weights``: 1 for what was believed, below for outliers. ``scale``: residuals' own sigma."""

    x: Array
    cov: Array
    residuals: Array
    weights: Array
    scale: float
    converged: bool


def huber_cost(residuals: Array, k: float = HUBER_K) -> float:
    """sum rho(r)."""
    size = np.abs(residuals)
    return float(np.where(size <= k, 0.5 * size**2, k * (size - 0.5 * k)).sum())


def huber_weights(residuals: Array, k: float = HUBER_K) -> Array:
    """psi(r)/r: 1 inside k, k/|r| outside."""
    weights: Array = np.minimum(1.0, k / np.maximum(np.abs(residuals), 1e-300))
    return weights


def fit(
    function: Residuals, start: Array, prior: Prior, k: float = HUBER_K, enough: float = SMALL
) -> Fit:
    """The parameters at the least cost, with their covariance.

    It ends when a step gains less than ``enough`` of the cost, or when no step gains anything.

    The covariance is the inverse of the weighted normal matrix, widened where the residuals are
    larger than their stated sigma (never narrowed).
    """
    information = np.where(np.isfinite(prior.sd), prior.sd, np.inf) ** -2.0
    x = start.astype(float)
    residuals, jacobian = function(x)
    cost = _cost(residuals, x, prior, information, k)
    converged = False
    for _ in range(STEPS):
        step = _step(residuals, jacobian, x, prior, information, k)
        for _ in range(HALVINGS):
            tried, tried_jacobian = function(x + step)
            tried_cost = _cost(tried, x + step, prior, information, k)
            if tried_cost <= cost:
                break
            step = 0.5 * step
        else:
            converged = True  # nothing near is better
            break
        x, residuals, jacobian = x + step, tried, tried_jacobian
        gain, cost = cost - tried_cost, tried_cost
        if gain <= enough * (1.0 + cost):
            converged = True
            break
    return _finish(x, residuals, jacobian, information, k, converged)


def _cost(residuals: Array, x: Array, prior: Prior, information: Array, k: float) -> float:
    off = np.where(information > 0.0, x - prior.mean, 0.0)
    return huber_cost(residuals, k) + 0.5 * float((information * off**2).sum())


def _step(
    residuals: Array, jacobian: Array, x: Array, prior: Prior, information: Array, k: float
) -> Array:
    """(J' W J + P) dx = -(J' W r + P (x - m))."""
    weights = huber_weights(residuals, k)
    weighted = jacobian * weights[:, None]
    normal = weighted.T @ jacobian + np.diag(information)
    off = np.where(information > 0.0, x - prior.mean, 0.0)
    gradient = weighted.T @ residuals + information * off
    result: Array = -np.linalg.pinv(normal, hermitian=True) @ gradient
    return result


def _finish(
    x: Array, residuals: Array, jacobian: Array, information: Array, k: float, converged: bool
) -> Fit:
    weights = huber_weights(residuals, k)
    # the spread of the believed majority (1.4826 MAD is one sigma of a Gaussian)
    scale = 1.4826 * float(np.median(np.abs(residuals))) if len(residuals) else 1.0
    data = (jacobian * weights[:, None]).T @ jacobian / max(scale, 1.0) ** 2
    cov = np.asarray(np.linalg.pinv(data + np.diag(information), hermitian=True), dtype=float)
    return Fit(x, cov, residuals, weights, scale, converged)


def serial_factor(residuals: Array, groups: Array) -> float:
    """By what variance is larger for neighbours that err alike: (1 + r) / (1 - r), lag one.

    ``groups``: neighbours are only those of the same group.
    """
    if len(residuals) < 8:
        return 1.0
    held = np.clip(residuals, -3.0, 3.0)
    same = groups[1:] == groups[:-1]
    product = float((held[1:] * held[:-1])[same].sum())
    square = float((held[1:] ** 2)[same].sum())
    r = min(max(product / square if square > 0.0 else 0.0, 0.0), 0.9)
    return (1.0 + r) / (1.0 - r)

"""Samples of Gaussians, made so that few members say much.

*Mirrored*: every draw has its opposite among the members, so that means are exact and both tails
alike (antithetic variates; Hammersley and Morton 1956, from memory). *Common*: the same generator
seed at every look, so that a forecast changes only when the belief does (common random numbers);
fresh draws would make an alert come when chance is unkind rather than when it is time.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

FREEDOM = 5
JITTER = 1e-12  # keeps a root real where a variance is exactly zero


def mirrored(rng: np.random.Generator, members: int, count: int = 1) -> Array:
    """(members, count) standard normals; the second half is the first one's opposite.

    Drawn column by column: with one more column the others stay what they were.
    """
    half = rng.standard_normal((count, (members + 1) // 2))
    result: Array = np.concatenate([half, -half], axis=1)[:, :members].T
    return result


def heavy(rng: np.random.Generator, members: int) -> Array:
    """(members,) factors that make normal deviations those of Student's t of ``FREEDOM`` = 5
    degrees: sqrt(5 / chi^2). The same for a draw and its opposite.

    They are the distribution's own quantiles in random order, so that few members have the right
    tail.
    """
    factors = rng.permutation(_factors((members + 1) // 2))
    result: Array = np.concatenate([factors, factors])[:members]
    return result


@lru_cache(maxsize=8)
def _factors(count: int) -> Array:
    """``count`` quantiles of sqrt(5 / chi^2) at even steps of probability.

    For five degrees F(x) = erf(sqrt(x/2)) - sqrt(2x/pi) exp(-x/2) (1 + x/3) (Abramowitz and Stegun
    26.4.4, from memory; checked against scipy).
    """
    x = np.geomspace(1e-3, 60.0, 4000)
    erf = np.array([math.erf(v) for v in np.sqrt(0.5 * x).tolist()])
    below = erf - np.sqrt(2.0 * x / math.pi) * np.exp(-0.5 * x) * (1.0 + x / 3.0)
    chi2 = np.interp((np.arange(count) + 0.5) / count, below, x)
    result: Array = np.sqrt(FREEDOM / chi2)
    return result


def raised(cov: Array, variance: float) -> Array:
    """``cov`` with ``variance`` more on its diagonal."""
    result = cov.copy()
    result.reshape(-1)[:: len(cov) + 1] += variance
    return result


def gaussian(rng: np.random.Generator, mean: Array, cov: Array, members: int) -> Array:
    """(members, len(mean)) samples of N(mean, cov)."""
    return correlated(mirrored(rng, members, len(mean)), mean, cov)


def correlated(normals: Array, mean: Array, cov: Array) -> Array:
    """Standard normals (members, len(mean)) as samples of N(mean, cov).

    By the Cholesky root, which follows the covariance without the sudden turns that eigenvectors
    make when two of their values cross.
    """
    root = np.linalg.cholesky(raised(cov, JITTER))
    result: Array = normals @ root.T + mean
    return result

"""Samples of Gaussians, made so that few members say much.

*Mirrored*: every draw has its opposite among the members, so that means are exact and both tails
alike (antithetic variates; Hammersley and Morton 1956, from memory). *Common*: the same generator
seed at every look, so that a forecast changes only when the belief does (common random numbers);
fresh draws would make an alert come when chance is unkind rather than when it is time.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

JITTER = 1e-12  # keeps a root real where a variance is exactly zero


def mirrored(rng: np.random.Generator, members: int, count: int = 1) -> Array:
    """(members, count) standard normals; the second half is the first one's opposite.

    Drawn column by column: with one more column the others stay what they were.
    """
    half = rng.standard_normal((count, (members + 1) // 2))
    result: Array = np.concatenate([half, -half], axis=1)[:, :members].T
    return result


def gaussian(rng: np.random.Generator, mean: Array, cov: Array, members: int) -> Array:
    """(members, len(mean)) samples of N(mean, cov).

    By the Cholesky root, which follows the covariance without the sudden turns that eigenvectors
    make when two of their values cross.
    """
    root = np.linalg.cholesky(cov + JITTER * np.eye(len(mean)))
    result: Array = mirrored(rng, members, len(mean)) @ root.T + mean
    return result

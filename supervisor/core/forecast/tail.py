"""Quantiles of an ensemble, and its tail beyond what single members can tell."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from statistics import NormalDist
from typing import Any

import numpy as np
from numpy.typing import NDArray

from supervisor.core.conclusions import Spread

Floats = NDArray[np.floating[Any]]

_NORMAL = NormalDist()
_TENTH_Z = _NORMAL.inv_cdf(0.10)


def spread(values: Floats) -> Spread:
    """5th, 50th and 95th percentile; infinities allowed (they stand at the far end)."""
    ordered = np.sort(values.astype(float))
    low, mid, high = (ordered[_rank(share, len(ordered))] for share in (0.05, 0.5, 0.95))
    return Spread(float(low), float(mid), float(high))


def quantiles(values: Floats, shares: tuple[float, ...]) -> NDArray[np.float64]:
    """(shares, points) of (members, points), linear between members, as ``numpy.quantile``.

    One sort along the members in memory: a third of what numpy's selection takes here.
    """
    ordered = np.sort(np.ascontiguousarray(values.T), axis=1).astype(float)
    at = np.array(shares) * (len(values) - 1)
    low = at.astype(int)
    high = np.minimum(low + 1, len(values) - 1)
    below, above = ordered[:, low].T, ordered[:, high].T
    result: NDArray[np.float64] = below + (at - low)[:, None] * (above - below)
    return result


def _rank(share: float, count: int) -> int:
    return min(int(share * count), count - 1)


def low_quantiles(values: Floats, shares: Sequence[float]) -> NDArray[np.float64]:
    """(shares, points) quantiles of (members, points), for ``shares`` up to a half.

    Members stand at normal scores (Blom's plotting positions, z = Phi^-1((i - 3/8) / (n + 1/4));
    G. Blom, Statistical Estimates and Transformed Beta-Variables, 1958, from memory); between them
    the quantile is read along a straight line in z, and below the lowest member along the line
    from the 10 % quantile to that member, carried on.
    """
    count = len(values)
    lowest = min(int(max(*shares, 0.1) * count) + 3, count)
    by_point = np.ascontiguousarray(values.T)
    ordered = np.sort(np.partition(by_point, lowest - 1, axis=1)[:, :lowest], axis=1).astype(float)
    z = _scores(count)[:lowest]
    return np.array([_read(z, ordered, _NORMAL.inv_cdf(share)) for share in shares])


def _read(z: NDArray[np.float64], ordered: NDArray[np.float64], at: float) -> NDArray[np.float64]:
    if len(z) < 3:
        return ordered[:, 0]
    if at < z[0]:
        tenth = _read(z, ordered, max(_TENTH_Z, float(z[1])))
        slope = (tenth - ordered[:, 0]) / max(_TENTH_Z - float(z[0]), 0.1)
        return ordered[:, 0] + slope * (at - float(z[0]))
    right = min(max(int(np.searchsorted(z, at)), 1), len(z) - 1)
    part = (at - z[right - 1]) / (z[right] - z[right - 1])
    between: NDArray[np.float64] = (1.0 - part) * ordered[:, right - 1] + part * ordered[:, right]
    return between


@lru_cache(maxsize=16)
def _scores(count: int) -> NDArray[np.float64]:
    """Normal scores of ``count`` ordered members."""
    shares = (np.arange(1, count + 1) - 0.375) / (count + 0.25)
    return np.array([_NORMAL.inv_cdf(float(p)) for p in shares])

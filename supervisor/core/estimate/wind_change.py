"""How lively the wind is today: the strength of its change, learned from its own changes.

The kernel's fast part has a variance that is multiplied by an unknown ``lively``. Its posterior is
kept on a short grid: each change between two stretches of flight, one after the other and on the
same heading (so that the sensors' errors cancel), is worth a Gaussian likelihood with variance

    2/3 (lively D_v(dt, d) + D_b(dt, d)) + noise of both means,    D = 2 (k(0) - k(dt, d))

where the noise of two means of T seconds, one after the other, is less by 1.5 (1 - 2b)/(1 - b) t/T
than if gusts were white: their ends hang together (from the integrals of exp(-d/t) (1 - b d/t)).

What is compared are means over stretches as long as they are apart: over a time so short that
the wind wanders like a random walk they differ by two thirds of what two moments do (the Allan
variance of a random walk, K^2 T / 3, is half of it: IEEE Std 952, annex C; from memory).
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from supervisor.core.estimate.gusts import BEND
from supervisor.core.estimate.wind_kernel import Kernel
from supervisor.core.estimate.windfield import Evidence

Array = NDArray[np.float64]

GRID: Array = np.array([0.125, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0])
PRIOR_LOG_SD = 0.9  # winds of 0.4 to 2.5 times the usual variance are usual
FORGET = 0.99  # a change of a few hours ago says less about now
BLOCK_S, SAME_HEADING_RAD = 90.0, 0.35
OF_MEANS = 2.0 / 3.0
ENDS: Array = np.array([1.5 * (1.0 - 2.0 * bend) / (1.0 - bend) for bend in BEND])


def _prior() -> Array:
    log = -0.5 * np.square(np.log(GRID) / PRIOR_LOG_SD)
    result: Array = log - np.max(log)
    return result


class Change(NamedTuple):
    """Log-posterior over the grid and its mean, the block being filled and the one before it."""

    log_p: Array
    lively: float
    block: Evidence | None = None
    heading_rad: float = 0.0
    before: Evidence | None = None


def _mean(log_p: Array) -> float:
    """Posterior mean of the factor."""
    weight = np.exp(log_p - np.max(log_p))
    return float(weight @ GRID / weight.sum())


def start() -> Change:
    """Nothing seen: the usual wind."""
    return Change(_prior(), _mean(_prior()))


def anything() -> Change:
    """After a break nothing is known about the strength: all of the grid is as likely."""
    return Change(np.zeros(len(GRID)), _mean(np.zeros(len(GRID))))


def learn(
    change: Change, kernel: Kernel, a: Array, b: Array, difference: Array, noise: Array
) -> Change:
    """(belief, change of wind) -> belief.

    ``a``, ``b``: places (north, east, height, time); ``difference`` (2,): deviation at b less at
    a, in any two directions; ``noise`` (2,): variance of it from the two means' own error.
    """
    unit = replace(kernel, lively=1.0)
    slow = replace(kernel, lively=0.0)
    both = np.stack([a, b])
    k, k_slow = unit.between(both, both), slow.between(both, both)
    total = k[0, 0] + k[1, 1] - 2.0 * k[0, 1]
    d_slow = k_slow[0, 0] + k_slow[1, 1] - 2.0 * k_slow[0, 1]
    var = OF_MEANS * (GRID[:, None] * (total - d_slow) + d_slow) + noise[None, :]
    # a change beyond four sigma of the liveliest wind is a front: it counts as four sigma
    square = np.minimum(np.square(difference)[None, :], 16.0 * var[-1])
    fit = -0.5 * (square / var + np.log(var)).sum(axis=1)
    log_p = FORGET * (change.log_p - _prior()) + _prior() + fit
    log_p = log_p - np.max(log_p)
    return change._replace(log_p=log_p, lively=_mean(log_p))


def add(
    change: Change, kernel: Kernel, sample: Evidence, heading_rad: float, sensors: Array,
    forecast_at: Array, gust_s: float = 0.0,
) -> Change:  # fmt: skip
    """(belief, evidence of one moment) -> belief. ``y`` of the evidence is on the absolute wind.

    ``forecast_at`` (2,) is subtracted, so that what the forecast foresaw is no change. ``gust_s``:
    how long a gust lasts along the flight.
    """
    y = sample.y - sample.j[:, :2] @ forecast_at
    sample = Evidence(sample.place, sample.seconds, sample.j, y)
    block, before = change.block, change.before
    turned = abs(math.remainder(heading_rad - change.heading_rad, math.tau)) > SAME_HEADING_RAD
    latest = block or before
    if turned or latest is None or sample.place[3] - latest.place[3] > BLOCK_S:  # or a gap
        return change._replace(block=sample, heading_rad=heading_rad, before=None)
    if block is None:
        return change._replace(block=sample)
    seconds = block.seconds + sample.seconds
    place = block.place + (sample.place - block.place) * (sample.seconds / seconds)
    block = Evidence(place, seconds, block.j + sample.j, block.y + y)
    if seconds < BLOCK_S:
        return change._replace(block=block)
    if before is not None:
        w_a, cov_a = _wind_of(before, sensors)
        w_b, cov_b = _wind_of(block, sensors)
        c, s = math.cos(heading_rad), math.sin(heading_rad)
        axes = np.array([[c, s], [-s, c]])  # along and across the flight
        noise = np.diag(axes @ (cov_a + cov_b) @ axes.T).copy()
        noise *= 1.0 - ENDS * gust_s / seconds
        change = learn(change, kernel, before.place, place, axes @ (w_b - w_a), noise)
    return change._replace(block=None, before=block)


def _wind_of(block: Evidence, sensors: Array) -> tuple[Array, Array]:
    """A block's own wind (2,) with the sensors' errors as believed, and its covariance."""
    cov: Array = np.asarray(np.linalg.inv(block.j[:2, :2]), dtype=np.float64)
    wind: Array = cov @ (block.y[:2] - block.j[:2, 2:] @ sensors)
    return wind, cov

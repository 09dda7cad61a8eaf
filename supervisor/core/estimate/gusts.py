"""What the believed wind does not explain: gusts when it is quick, a changed sensor when it lasts.

The residual of the wind triangle is split by a slow mean. Its quick part is gust and white noise
of the instruments, told apart by what two samples in a row have in common: gusts last, noise does
not, and the less a sample tells the longer its error lasts. The slow part of another residual, against what was foreseen some minutes ago for
here and now, should be within the error that was foreseen; when it stays beyond four sigma of
that, either a sensor has changed or a front was crossed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

MEAN_S, VARIANCE_S = 60.0, 120.0
MISSED = 1.25  # what a mean over 60 s takes away from gusts that last 13 s: 1 + 13 / 60, rounded up
ODD_SAMPLE_CHI2 = 25.0  # a single sample beyond 5 sigma is left out
ODD_MEAN_CHI2, ODD_S = 16.0, 15.0
FLOOR, WHITE_FLOOR = 0.04, 0.02  # [m^2/s^2]
WILD = 3.0  # sigma: beyond it a step counts as that
UNIT: Array = np.eye(2)


@dataclass(frozen=True, slots=True)
class Gusts:
    """Variance a component [m^2/s^2] of gusts and of white noise; slow means of both residuals, the
    last step away from the first of them, and how long the second has been odd."""

    var: float = 0.64
    white: float = 0.2  # heading and sideslip of 0.02 rad, and an airspeed's 0.2 m/s
    mean: Array = field(default_factory=lambda: np.zeros(2))
    foreseen: Array = field(default_factory=lambda: np.zeros(2))
    step: Array = field(default_factory=lambda: np.zeros(2))
    odd_s: float = 0.0

    def lasting(self, gust_s: float, dt_s: float) -> float:
        """White-equivalent variance of one sample: correlated noise is worth sigma^2 2 tau / dt."""
        return self.var * max(2.0 * gust_s / dt_s, 1.0) + self.white


class Residual(NamedTuple):
    """Measured less expected (2,), and the covariance (2, 2) of the expectation."""

    value: Array
    cov: Array


def watch(
    gusts: Gusts, now: Residual, foreseen: Residual, gust_s: float, dt_s: float
) -> tuple[Gusts, bool, bool]:
    """(belief, residuals) -> belief, whether this sample counts, whether something has changed.

    ``now`` and ``foreseen``: against the newest belief and against the one of some minutes ago;
    ``gust_s``: how long a gust lasts along the flight.
    """
    both = gusts.var + gusts.white
    total = now.cov + both * UNIT
    counts = _chi2(now.value, total) <= ODD_SAMPLE_CHI2
    gain = min(dt_s / MEAN_S, 1.0)
    step = now.value - gusts.mean
    limit = 10.0 * math.sqrt(both)
    mean = gusts.mean + gain * _within(step, limit)
    slow = gusts.foreseen + gain * _within(foreseen.value - gusts.foreseen, limit)
    # variance left in a mean over MEAN_S of noise that lasts gust_s
    left = gusts.var * gust_s / (MEAN_S + gust_s)
    odd = _chi2(slow, foreseen.cov + left * UNIT) > ODD_MEAN_CHI2
    odd_s = gusts.odd_s + dt_s if odd else 0.0
    step = _within(step, WILD * math.sqrt(both))
    lasts = MISSED * 0.5 * float(step @ gusts.step) * math.exp(dt_s / gust_s)
    noise = MISSED * 0.5 * float(step @ step) - lasts
    learn = dt_s / VARIANCE_S
    var = max(gusts.var + learn * (lasts - gusts.var), FLOOR)
    white = max(gusts.white + learn * (noise - gusts.white), WHITE_FLOOR)
    if odd_s >= ODD_S:
        return Gusts(var, white), counts, True
    return Gusts(var, white, mean, slow, step, odd_s), counts, False


def _within(value: Array, limit: float) -> Array:
    return np.minimum(np.maximum(value, -limit), limit)


def _chi2(value: Array, cov: Array) -> float:
    """Two-dimensional v' C^-1 v, written out."""
    (a, b), (_, d) = cov.tolist()
    x, y = value.tolist()
    return float((d * x * x - 2.0 * b * x * y + a * y * y) / (a * d - b * b))

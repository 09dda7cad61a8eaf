"""Statistical linearisation: the line that a bent function is to a Gaussian, and what it leaves.

Where a function bends, its derivative at the mean says too little: what counts is where it lies, on
average, over all that the state may be, and how it goes with it there. Sigma points tell (S.
Julier, J. Uhlmann 1997), here only of the two directions in which the function bends: in all others
it is linear, and what it makes of a Gaussian is exact without them. A filter that takes the line,
its mean and its residual variance for the measurement is a sigma-point filter (T. Lefebvre, H.
Bruyninckx, J. De Schutter 2002; all from memory). Checked against filterpy's transform in
tests/core/test_sigma_points.py.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

ROOT_3 = math.sqrt(3.0)  # kappa = 1: the points of a normal's fourth moment, in one direction
LEAST_SD = 1e-6  # so that a state that is known still has a slope


class Line(NamedTuple):
    """f(x, y) = mean + by_x (x - E x) + by_y (y - E y), off by ``residual_var`` on average."""

    mean: float
    by_x: float
    by_y: float
    residual_var: float


def line(
    f: Callable[[float, float], float],
    x: float, y: float, var_x: float, cov: float, var_y: float,
) -> Line:  # fmt: skip
    """The line through ``f`` over (x, y) with these variances and covariance: five points."""
    # P = L L', L = (a 0; b c); points at the mean and sqrt(3) columns of L to either side
    a = max(math.sqrt(max(var_x, 0.0)), LEAST_SD)
    b = cov / a
    c = max(math.sqrt(max(var_y - b * b, 0.0)), LEAST_SD)
    right, left = f(x + ROOT_3 * a, y + ROOT_3 * b), f(x - ROOT_3 * a, y - ROOT_3 * b)
    above, below = f(x, y + ROOT_3 * c), f(x, y - ROOT_3 * c)
    middle = f(x, y)
    # weights 1/3 for the middle, 1/6 for each of the others
    mean = (2.0 * middle + right + left + above + below) / 6.0
    squares = (right - mean) ** 2 + (left - mean) ** 2 + (above - mean) ** 2 + (below - mean) ** 2
    variance = (2.0 * (middle - mean) ** 2 + squares) / 6.0
    # covariances with the columns, of unit variance each
    by_a, by_c = ROOT_3 / 6.0 * (right - left), ROOT_3 / 6.0 * (above - below)
    by_y = by_c / c
    residual = max(variance - by_a * by_a - by_c * by_c, 0.0)
    return Line(mean, (by_a - b * by_y) / a, by_y, residual)

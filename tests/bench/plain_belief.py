"""Parts of a belief update in plain loops over lists: what the arrays are measured against.

The formulas are those of ``core/estimate/kalman.py`` and ``windfield.py``; nothing is left out and
nothing is made clever.
"""

from __future__ import annotations

import math

from supervisor.core.estimate.forecast_wind import PROFILE_EXPONENT, PROFILE_LOW_M, PROFILE_REF_M
from supervisor.core.estimate.wind_kernel import Kernel

Vector = list[float]
Matrix = list[list[float]]


def product(a: Matrix, b: Matrix) -> Matrix:
    """A B."""
    inner, width = range(len(b)), range(len(b[0]))
    return [[sum(row[k] * b[k][j] for k in inner) for j in width] for row in a]


def kalman_step(
    x: Vector, p: Matrix, f: Matrix, q: Matrix, z: float, h: Vector, r: float
) -> tuple[Vector, Matrix]:
    """x = F x, P = F P F' + Q; then one scalar z with variance r taken in."""
    n = range(len(x))
    x = [sum(f[i][j] * x[j] for j in n) for i in n]
    p = product(product(f, p), [[f[j][i] for j in n] for i in n])
    p = [[p[i][j] + q[i][j] for j in n] for i in n]
    ph = [sum(p[i][j] * h[j] for j in n) for i in n]
    s = sum(h[i] * ph[i] for i in n) + r
    innovation = z - sum(h[i] * x[i] for i in n)
    x = [x[i] + ph[i] / s * innovation for i in n]
    p = [[p[i][j] - ph[i] * ph[j] / s for j in n] for i in n]
    return x, [[0.5 * (p[i][j] + p[j][i]) for j in n] for i in n]


def solve(a: Matrix, b: Matrix) -> Matrix:
    """A^-1 B by Gaussian elimination with row exchange."""
    n = len(a)
    rows = [a[i] + b[i] for i in range(n)]
    for i in range(n):
        best = max(range(i, n), key=lambda k: abs(rows[k][i]))
        rows[i], rows[best] = rows[best], rows[i]
        pivot = rows[i]
        for k in range(i + 1, n):
            factor = rows[k][i] / pivot[i]
            rows[k] = [x - factor * y for x, y in zip(rows[k], pivot, strict=True)]
    for i in range(n - 1, -1, -1):
        pivot = rows[i] = [x / rows[i][i] for x in rows[i]]
        for k in range(i):
            factor = rows[k][i]
            rows[k] = [x - factor * y for x, y in zip(rows[k], pivot, strict=True)]
    return [row[n:] for row in rows]


def covariance(kernel: Kernel, a: Vector, b: Vector) -> float:
    """Of one component of the wind at two points (north, east, height, time)."""
    d_m, dt_s = math.hypot(a[0] - b[0], a[1] - b[1]), abs(a[3] - b[3])
    low_a, low_b = max(a[2], PROFILE_LOW_M), max(b[2], PROFILE_LOW_M)
    both = kernel.bias_mps**2 * math.exp(-dt_s / kernel.bias_s - d_m / kernel.bias_m)
    apart = dt_s / kernel.vary_s + d_m / kernel.vary_m
    apart += abs(math.log(low_a) - math.log(low_b)) / kernel.vary_log_h
    both += kernel.lively * kernel.vary_mps**2 * math.exp(-apart)
    for moment, rise_s, _ in kernel.jumps:
        if a[3] > moment and b[3] > moment:
            come = (1.0 - math.exp((moment - t) / rise_s) for t in (a[3], b[3]))
            both += math.prod(come) * kernel.jump_mps**2 * math.exp(-d_m / kernel.jump_m)
    return both * (low_a / PROFILE_REF_M * (low_b / PROFILE_REF_M)) ** PROFILE_EXPONENT


def field(
    kernel: Kernel, places: Matrix, infos: list[Matrix], tolds: Matrix, sensor_var: Vector
) -> Matrix:
    """(beta, B) side by side of the wind at all places and the sensors' errors; no forecast."""
    m, s = len(places), len(sensor_var)
    size = 2 * m + s
    j, y, prior = zeros(size, size), zeros(size, 1), zeros(size, size)
    for i in range(m):
        at = [i, m + i, *range(2 * m, size)]
        for a, to in enumerate(at):
            y[to][0] += tolds[i][a]
            for b, other in enumerate(at):
                j[to][other] += infos[i][a][b]
        for k in range(m):
            prior[i][k] = prior[m + i][m + k] = covariance(kernel, places[i], places[k])
    for k in range(s):
        prior[2 * m + k][2 * m + k] = sensor_var[k]
    a = product(j, prior)
    for i in range(size):
        a[i][i] += 1.0
    return solve(a, [y[i] + j[i] for i in range(size)])


def zeros(rows: int, columns: int) -> Matrix:
    """A matrix of nothing."""
    return [[0.0] * columns for _ in range(rows)]

"""The two steps of the Kalman filter as pure functions, for small states.

Notation as usual: x state, P covariance, F transition, Q process noise, z measurement, h one row of
the measurement matrix, r its variance. Scalars are taken one at a time: no matrix is inverted, and
what the standard calls "not sent" is simply not applied. Checked against filterpy to 1e-9. Arrays
are multiplied by ``dot``: with matrices this small the calls cost more than the sums in them, and
``@`` costs twice as much as ``dot``.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


class Updated(NamedTuple):
    """The new state and covariance, the innovation and its variance."""

    x: Array
    p: Array
    innovation: float
    variance: float

    @property
    def nis(self) -> float:
        """Normalised innovation squared: chi-square with one degree when the filter is right."""
        return self.innovation * self.innovation / self.variance


_new = tuple.__new__  # makes an Updated in half the time of its own constructor


def predict(x: Array, p: Array, f: Array, q: Array) -> tuple[Array, Array]:
    """One step ahead of a linear model."""
    # x = F x;  P = F P F' + Q
    wider = f.dot(p).dot(f.T)
    wider += q
    return f.dot(x), wider


def update(
    x: Array, p: Array, innovation: float, h: Array, r: float, consider: int | None = None
) -> Updated:
    """Take in one scalar whose innovation z - h(x) is already known (so that h may be non-linear).

    The short form of the covariance update: with scalars and P well scaled it equals Joseph's form
    to rounding, and a symmetric P stays exactly symmetric (tests/core/test_kalman.py). The state
    ``consider`` is not corrected, its uncertainty counts all the same (Schmidt's filter: Joseph's
    form with that gain differs from the short form in that state's own variance only, which stays).
    """
    # S = h P h' + r
    ph = p.dot(h)
    s = float(h.dot(ph)) + r
    # w = P h' / sqrt(S), so that K = w / sqrt(S) and K h P = w w'
    root = math.sqrt(s)
    w = ph / root
    # x = x + K (z - h x);  P = (I - K h) P
    x_new = x + w * (innovation / root)
    column = w[:, None]
    p_new = p - column.dot(column.T)
    if consider is not None:
        x_new[consider], p_new[consider, consider] = x[consider], p[consider, consider]
    return _new(Updated, (x_new, p_new, innovation, s))


def decay(dt_s: float, tau_s: float) -> float:
    """exp(-dt/tau): what is left of a first-order process after ``dt_s``."""
    return math.exp(-dt_s / tau_s)


def ou_growth(sd: float, dt_s: float, tau_s: float) -> float:
    """Variance an Ornstein-Uhlenbeck process of stationary ``sd`` gains in ``dt_s``."""
    # sd^2 (1 - exp(-2 dt / tau))
    return sd * sd * -math.expm1(-2.0 * dt_s / tau_s)

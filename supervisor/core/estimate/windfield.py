"""The wind as a random field: forecast plus deviation, known at nodes along the flown track.

The deviation of each component from the forecast is a Gaussian process over place, height and
time, whose covariance is wind_kernel.py's.

What was measured is kept as information (J = H' R^-1 H and y = H' R^-1 z) about the deviation at
each node and about the sensors' own errors, common to all nodes: so a compass offset that looks
like crosswind on the way out has the opposite sign on the way home, as it must.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from supervisor.core.draws import gaussian, heavy, raised
from supervisor.core.estimate.forecast_wind import ForecastWind
from supervisor.core.estimate.wind_kernel import Kernel

Array = NDArray[np.float64]

# Wind changes more often by much than a normal law of the same variance has it: measured against
# what the field states, 1 in 100 changes over an hour is beyond 2.8 sigma to one side, not 2.33
# (mast data, tests/reference/test_belief_wind_change.py). Student's t of five degrees of freedom,
# made smaller by ``TAIL_SCALE``, has both that and the measured P5..P95.
TAIL_SCALE = 0.83
ALIKE = 1e-6  # a millimetre a second keeps a root real when two points are the same [(m/s)^2]


@dataclass(frozen=True, slots=True)
class Field:
    """The posterior of the field: what forecasts draw from (``WindBelief`` of belief.py).

    ``nodes`` (M, 4): north, east, height, time. ``beta`` and ``b`` are the two results of the one
    solve in :func:`posterior`; ``take_off_s`` counts the forecast's time.
    """

    forecast: ForecastWind
    kernel: Kernel
    nodes: Array
    beta: Array
    b: Array
    now_s: float
    take_off_s: float
    sensor_var: Array  # a priori
    sensor_mean: Array
    sensor_cov: Array
    assumed: bool = False  # no airspeed sensor: what is flown is assumed

    def moments(
        self, north_m: Array, east_m: Array, height_m: Array, ahead_s: Array
    ) -> tuple[Array, Array]:
        """Mean (Q, 2) and covariance (2Q, 2Q; all north, then all east) at Q points."""
        points = self._points(north_m, east_m, height_m, ahead_s)
        cross = self._cross(points)
        return self._mean(points, cross), self._cov(points, cross)

    def means(self, north_m: Array, east_m: Array, height_m: Array, ahead_s: Array) -> Array:
        """See ``WindBelief.means``."""
        points = self._points(north_m, east_m, height_m, ahead_s)
        return self._mean(points, self._cross(points))

    def _points(self, north_m: Array, east_m: Array, height_m: Array, ahead_s: Array) -> Array:
        return np.array([north_m, east_m, height_m, self.now_s + ahead_s]).T

    def _cross(self, points: Array) -> Array:
        """cov(query, node): the sensors' errors are independent of the wind."""
        return self.kernel.between(points, self.nodes)

    def _mean(self, points: Array, cross: Array) -> Array:
        m, after_s = len(self.nodes), points[:, 3] - self.take_off_s
        mean = self.forecast.at(points[:, 0], points[:, 1], points[:, 2], after_s)
        if not m:
            return mean
        mean += np.array([cross @ self.beta[:m], cross @ self.beta[m : 2 * m]]).T
        return mean

    def _cov(self, points: Array, cross: Array) -> Array:
        q, m = len(points), len(self.nodes)
        cov = np.zeros((2 * q, 2 * q))
        cov[:q, :q] = cov[q:, q:] = self.kernel.between(points, points)
        for i, j in ((0, 0), (1, 0), (1, 1)) if m else ():
            block = self.b[i * m : (i + 1) * m, j * m : (j + 1) * m]
            cov[i * q : (i + 1) * q, j * q : (j + 1) * q] -= cross @ block @ cross.T
        cov[:q, q:] = cov[q:, :q].T
        return cov

    def with_sensors(
        self, north_m: Array, east_m: Array, height_m: Array, ahead_s: Array
    ) -> tuple[Array, Array]:
        """Mean (2Q + S,) and covariance of the wind at Q points together with the sensors' errors.

        All north, all east, then the sensors: they hang together, since a flight sees their sum.
        """
        points = self._points(north_m, east_m, height_m, ahead_s)
        cross = self._cross(points)
        mean = self._mean(points, cross)
        q, m, s = len(points), len(self.nodes), len(self.sensor_var)
        joint = np.zeros((2 * q + s, 2 * q + s))
        joint[: 2 * q, : 2 * q] = self._cov(points, cross)
        joint[2 * q :, 2 * q :] = self.sensor_cov
        if m:
            # cov(wind, sensors) = - cov(query, node) B P0, since a priori they are independent
            shared = self.b[: 2 * m, 2 * m :] * self.sensor_var
            block = -np.concatenate([cross @ shared[:m], cross @ shared[m:]])
            joint[: 2 * q, 2 * q :], joint[2 * q :, : 2 * q] = block, block.T
        return np.concatenate([mean[:, 0], mean[:, 1], self.sensor_mean]), joint

    def draw_air(
        self,
        rng: np.random.Generator,
        members: int,
        north_m: Array,
        east_m: Array,
        height_m: Array,
        ahead_s: Array,
        cas_mps: float,
    ) -> tuple[Array, Array, Array]:
        """See ``WindBelief.draw_air``: true over indicated = 1 + scale + bias / V.

        Without a sensor nothing is indicated: what is flown is believed to be flown, and differs
        from that by the unknown part of the assumed airspeed's error.
        """
        mean, cov = self.with_sensors(north_m, east_m, height_m, ahead_s)
        q = len(north_m)
        both = gaussian(rng, mean, raised(cov, ALIKE), members)
        _stretched(rng, both[:, : 2 * q], mean[: 2 * q])
        scale, bias, assumed = (both[:, 2 * q + i] for i in (0, 1, 3))
        factor = 1.0 + (assumed - self.sensor_mean[3] if self.assumed else scale + bias / cas_mps)
        return both[:, :q], both[:, q : 2 * q], factor

    def draw(
        self,
        rng: np.random.Generator,
        members: int,
        north_m: Array,
        east_m: Array,
        height_m: Array,
        ahead_s: Array,
    ) -> tuple[Array, Array]:
        """See ``WindBelief.draw``."""
        mean, cov = self.moments(north_m, east_m, height_m, ahead_s)
        q = len(north_m)
        both = gaussian(rng, mean.T.ravel(), raised(cov, ALIKE), members)
        _stretched(rng, both, mean.T.ravel())
        return both[:, :q], both[:, q:]

    def mean_at(
        self, north_m: float, east_m: float, height_m: float, ahead_s: float
    ) -> tuple[float, float, float]:
        """See ``WindBelief.mean_at``."""
        one = (np.array([v]) for v in (north_m, east_m, height_m, ahead_s))
        mean, cov = self.moments(*one)
        sd = float(np.sqrt(max(0.5 * np.trace(cov), 0.0)))
        return float(mean[0, 0]), float(mean[0, 1]), sd


def _stretched(rng: np.random.Generator, drawn: Array, mean: Array) -> None:
    """Normal draws of wind (members, ...) become those of the heavier tail, in place."""
    drawn -= mean
    drawn *= TAIL_SCALE * heavy(rng, len(drawn))[:, None]
    drawn += mean


class Evidence(NamedTuple):
    """What one stretch of flight says about (wind north, east, sensor errors...).

    ``place`` (north, east, height, time); ``j`` the information matrix, ``y`` the vector.
    """

    place: Array
    seconds: float
    j: Array
    y: Array


def posterior(
    forecast: ForecastWind,
    kernel: Kernel,
    evidence: tuple[Evidence, ...],
    sensor_var: Array,
    now_s: float,
    take_off_s: float,
    assumed: bool = False,
) -> Field:
    """All the evidence put together, exactly: linear and Gaussian."""
    s = len(sensor_var)
    nodes, j, y, prior = _told(forecast, kernel, evidence, sensor_var, take_off_s)
    tail = np.arange(len(y) - s, len(y))
    # posterior mean = C beta, covariance = C - C B C, with
    # beta = (I + J C)^-1 y  and  B = (I + J C)^-1 J: no inverse of a nearly singular C is needed
    solved = np.linalg.solve(np.eye(len(y)) + j @ prior, np.column_stack([y, j]))
    beta = np.asarray(solved[:, 0], dtype=np.float64)
    b = np.asarray(0.5 * (solved[:, 1:] + solved[:, 1:].T), dtype=np.float64)
    sensor_cov: Array = np.diag(sensor_var)
    sensor_cov = sensor_cov - np.outer(sensor_var, sensor_var) * b[np.ix_(tail, tail)]
    sensor_mean: Array = sensor_var * beta[tail]
    return Field(
        forecast,
        kernel,
        nodes,
        beta,
        b,
        now_s,
        take_off_s,
        sensor_var,
        sensor_mean,
        sensor_cov,
        assumed,
    )


def log_evidence(
    forecast: ForecastWind,
    kernel: Kernel,
    evidence: tuple[Evidence, ...],
    sensor_var: Array,
    take_off_s: float,
) -> float:
    """How well wind of this kernel and sensors of these errors explain it all: the logarithm of
    the evidence's likelihood, all unknowns integrated out, but for what does not depend on either,

        log p = 1/2 y' C beta - 1/2 log det(I + J C)

    (Gaussian integral; it holds the price of every freedom that was not needed).
    """
    _, j, y, prior = _told(forecast, kernel, evidence, sensor_var, take_off_s)
    a = np.eye(len(y)) + j @ prior
    beta = np.linalg.solve(a, y)
    return float(0.5 * (y @ (prior @ beta)) - 0.5 * np.linalg.slogdet(a)[1])


def _told(
    forecast: ForecastWind,
    kernel: Kernel,
    evidence: tuple[Evidence, ...],
    sensor_var: Array,
    take_off_s: float,
) -> tuple[Array, Array, Array, Array]:
    """(nodes, J, y, prior covariance C) of winds at the nodes and sensors' errors together."""
    m, s = len(evidence), len(sensor_var)
    nodes = np.array([e.place for e in evidence]).reshape(m, 4)
    mean = forecast.at(nodes[:, 0], nodes[:, 1], nodes[:, 2], nodes[:, 3] - take_off_s)
    j, y = _joint(evidence, mean, s)
    tail = np.arange(2 * m, 2 * m + s)
    prior = np.zeros((2 * m + s, 2 * m + s))
    prior[:m, :m] = prior[m : 2 * m, m : 2 * m] = kernel.between(nodes, nodes)
    prior[tail, tail] = sensor_var
    return nodes, j, y, prior


def _joint(evidence: tuple[Evidence, ...], mean: Array, sensors: int) -> tuple[Array, Array]:
    """All the information (J, y) about (north at all nodes, east at all nodes, sensors' errors)."""
    m = len(evidence)
    size, i = 2 * m + sensors, np.arange(m)
    n, e, tail = i, m + i, slice(2 * m, size)
    j, y = np.zeros((size, size)), np.zeros(size)
    if not m:
        return j, y
    each = np.array([seen.j for seen in evidence])
    # the unknown is the deviation: move the known forecast to the other side
    known = np.array([seen.y for seen in evidence])
    known = known - each[:, :, 0] * mean[:, :1] - each[:, :, 1] * mean[:, 1:]
    for a, at in ((0, n), (1, e)):
        for b, to in ((0, n), (1, e)):
            j[at, to] = each[:, a, b]
        j[at, tail], j[tail, at] = each[:, a, 2:], each[:, 2:, a].T
        y[at] = known[:, a]
    j[tail, tail], y[tail] = each[:, 2:, 2:].sum(axis=0), known[:, 2:].sum(axis=0)
    return j, y

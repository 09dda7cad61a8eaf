"""Fits the airspeed sensor against the ground: true over indicated, and the compass offset.

    v_ground = a V (cos psi, sin psi) + b V (-sin psi, cos psi) + w(t) + gust

linear in a, b and the wind's knots (every ten minutes, a random walk between them); a = s cos o and
b = s sin o. A straight leg alone cannot tell s from the wind; legs in other directions do.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from supervisor.calibrate.leastsquares import Prior, fit, serial_factor
from supervisor.core.belief import Array

KNOT_S, WALK_MPS = 600.0, 1.5  # the wind wanders by about this from one knot to the next
SAMPLE_SD_MPS = 0.8  # gusts, over a block of 20 s
PRIOR_SD = 0.1
STRAIGHT = 0.98  # length of the mean heading vector of a block; below it the aircraft turned
BEND_RAD = math.radians(4.0)  # from one block to the next; above it, too
SHIFT_SD = 0.005  # a wind that turns between the way out and the way back looks like a factor


@dataclass(frozen=True, slots=True)
class AirSamples:
    """Means over blocks of about 20 s on the wing; ``indicated_mps`` is true airspeed as told."""

    t_s: Array
    vn_mps: Array
    ve_mps: Array
    heading_n: Array  # mean of V cos psi
    heading_e: Array
    flight: Array
    speed_mps: Array  # mean of V; in a turn more than the length of the mean vector


@dataclass(frozen=True, slots=True)
class AirspeedFit:
    """True over indicated airspeed, its sigma, and the compass offset [rad]."""

    factor: float
    factor_sd: float
    compass_rad: float


def fit_airspeed(samples: AirSamples) -> AirspeedFit:
    """From all flights together; without samples the prior is returned."""
    knots, smooth = _knots(samples)
    both = np.eye(2)
    wind = np.asarray(np.kron(knots, both), dtype=float)
    walk = np.asarray(np.kron(smooth, both), dtype=float) / WALK_MPS
    air = _by_course(samples, wind, walk)
    rows, size = len(air), 2 + wind.shape[1]
    whole = np.vstack(
        [
            np.column_stack([air, wind]) / SAMPLE_SD_MPS,
            np.column_stack([np.zeros((len(walk), 2)), walk]),
        ]
    )
    told = np.column_stack([samples.vn_mps, samples.ve_mps]).ravel()
    target = np.concatenate([told / SAMPLE_SD_MPS, np.zeros(len(walk))])
    mean, sd = np.zeros(size), np.full(size, 20.0)
    mean[0], sd[:2] = 1.0, PRIOR_SD
    found = fit(lambda x: (whole @ x - target, whole), mean.copy(), Prior(mean, sd))
    widened = serial_factor(found.residuals[:rows:2], samples.flight)
    a, b = float(found.x[0]), float(found.x[1])
    own_sd = min(math.sqrt(float(found.cov[0, 0]) * widened), PRIOR_SD)
    factor_sd = math.hypot(own_sd, SHIFT_SD)
    return AirspeedFit(math.hypot(a, b), factor_sd, math.atan2(b, a))


def _turned(north: Array, east: Array) -> Array:
    """(2 samples, 2) columns of a and b for a velocity of the air."""
    return np.column_stack([_pairs(north, east), _pairs(-east, north)])


def _pairs(north: Array, east: Array) -> Array:
    return np.column_stack([north, east]).ravel()


def _by_course(samples: AirSamples, wind: Array, walk: Array) -> Array:
    """Columns of a and b, of the air's velocity only what course and slow wind explain.

    The autopilot holds airspeed and course: a gust moves airspeed and heading, and hardly the
    velocity over ground. Taken as they are, the air's columns therefore go against the noise, and
    the factor comes out too small. The course is the route's, whatever the gust; so the columns are
    replaced by their regression on it (two-stage least squares; Theil 1953, Basmann 1957). In a
    turn it is the heading that is given, and the course that the wind bends.
    """
    told = _turned(samples.heading_n, samples.heading_e)
    speed = np.maximum(samples.speed_mps, 1.0)
    air_n, air_e = samples.heading_n / speed, samples.heading_e / speed
    over_ground = np.maximum(np.hypot(samples.vn_mps, samples.ve_mps), 1.0)
    straight = (np.hypot(air_n, air_e) > STRAIGHT) & _held(samples)
    course = _turned(samples.vn_mps / over_ground, samples.ve_mps / over_ground)
    legs = np.repeat(straight, 2)[:, None]
    known = np.column_stack([course * legs, _turned(air_n, air_e) * ~legs, wind])
    rows = np.vstack([known, np.column_stack([np.zeros((len(walk), 4)), walk * SAMPLE_SD_MPS])])
    target = np.vstack([told, np.zeros((len(walk), 2))])
    result: Array = known @ np.linalg.lstsq(rows, target, rcond=None)[0]
    return result


def _held(samples: AirSamples) -> NDArray[np.bool_]:
    """Whether a block's course is that of both its neighbours."""
    course = np.arctan2(samples.ve_mps, samples.vn_mps)
    bend = np.abs((np.diff(course) + math.pi) % math.tau - math.pi)
    bend = np.where(np.diff(samples.flight) == 0, bend, 0.0)
    result: NDArray[np.bool_] = np.maximum(np.append(bend, 0.0), np.append(0.0, bend)) < BEND_RAD
    return result


def _knots(samples: AirSamples) -> tuple[Array, Array]:
    """(samples, knots) weights of linear interpolation, and rows of neighbours' differences."""
    columns: list[Array] = []
    smooth: list[tuple[int, int]] = []
    for number in np.unique(samples.flight):
        mine = samples.flight == number
        t = samples.t_s[mine]
        places = np.arange(t.min(), t.max() + KNOT_S, KNOT_S)
        first = len(columns)
        for k in range(len(places)):
            column = np.zeros(len(samples.t_s))
            column[mine] = np.interp(t, places, np.eye(len(places))[k])
            columns.append(column)
        smooth += [(i, i + 1) for i in range(first, first + len(places) - 1)]
    rows = np.zeros((len(smooth), len(columns)))
    for row, (i, j) in enumerate(smooth):
        rows[row, i], rows[row, j] = -1.0, 1.0
    return np.array(columns).T.reshape(len(samples.t_s), len(columns)), rows

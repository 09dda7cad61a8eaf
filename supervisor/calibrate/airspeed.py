"""Fits the airspeed sensor against the ground: true over indicated, and the compass offset.

    v_ground = a V (cos psi, sin psi) + b V (-sin psi, cos psi) + w(t)

linear in a, b and the wind's knots (every ten minutes, a random walk between them); a = s cos o and
b = s sin o. A straight leg alone cannot tell s from the wind; legs in other directions do.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from supervisor.calibrate.leastsquares import Prior, fit, serial_factor
from supervisor.core.belief import Array

KNOT_S, WALK_MPS = 600.0, 1.5  # the wind wanders by about this from one knot to the next
SAMPLE_SD_MPS = 0.8  # gusts, over a block of 20 s
PRIOR_SD = 0.1
SHIFT_SD = 0.012  # a wind that turns between the way out and the way back looks like a factor


@dataclass(frozen=True, slots=True)
class AirSamples:
    """Means over blocks of about 20 s on the wing; ``indicated_mps`` is true airspeed as told."""

    t_s: Array
    vn_mps: Array
    ve_mps: Array
    heading_n: Array  # mean of V cos psi
    heading_e: Array
    flight: Array


@dataclass(frozen=True, slots=True)
class AirspeedFit:
    """True over indicated airspeed, compass offset [rad], and one sigma of each."""

    factor: float
    factor_sd: float
    compass_rad: float
    compass_sd_rad: float


def fit_airspeed(samples: AirSamples) -> AirspeedFit:
    """From all flights together; without samples the prior is returned."""
    knots, smooth = _knots(samples)
    rows = 2 * len(samples.t_s)
    size = 2 + 2 * knots.shape[1]
    design = np.zeros((rows, size))
    design[0::2, 0], design[1::2, 0] = samples.heading_n, samples.heading_e
    design[0::2, 1], design[1::2, 1] = -samples.heading_e, samples.heading_n
    design[0::2, 2 : 2 + knots.shape[1]] = knots
    design[1::2, 2 + knots.shape[1] :] = knots
    told = np.empty(rows)
    told[0::2], told[1::2] = samples.vn_mps, samples.ve_mps
    walk = np.zeros((2 * len(smooth), size))
    walk[: len(smooth), 2 : 2 + knots.shape[1]] = smooth / WALK_MPS
    walk[len(smooth) :, 2 + knots.shape[1] :] = smooth / WALK_MPS
    whole = np.vstack([design / SAMPLE_SD_MPS, walk])
    target = np.concatenate([told / SAMPLE_SD_MPS, np.zeros(len(walk))])
    mean, sd = np.zeros(size), np.full(size, 20.0)
    mean[0], sd[:2] = 1.0, PRIOR_SD
    found = fit(lambda x: (whole @ x - target, whole), mean.copy(), Prior(mean, sd))
    widened = serial_factor(found.residuals[:rows:2], samples.flight)
    a, b = float(found.x[0]), float(found.x[1])
    spread = np.minimum(np.sqrt(np.diag(found.cov)[:2] * widened), PRIOR_SD)
    factor_sd = math.hypot(float(spread[0]), SHIFT_SD)
    return AirspeedFit(math.hypot(a, b), factor_sd, math.atan2(b, a), float(spread[1]))


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

"""Which cell will end the flight: every cell's own capacity and resistance, from its voltage.

A cell of a series string whose capacity is smaller by the fraction d and whose resistance is larger
by the fraction q stands below the mean cell by

    mean V - V = OCV(z) - OCV(1 - (1 - z) / (1 - d)) + (i R0 r + v1 + v2) q

since all cells were full together and have given the same charge. One extended Kalman filter of two
states a cell, all cells at once. The string is empty when its weakest cell is, and the landing
hover ends when that cell's voltage does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Spread between the cells of a sorted pack before anything is measured: common practice, no source.
CAPACITY_SD, RESISTANCE_SD = 0.010, 0.05
CAPACITY_WANDER, RESISTANCE_WANDER = 0.004, 0.03  # per root hour
READING_SD_V, LASTING_S = 0.003, 10.0
# A cell this many sigma below what its spread explains is no longer one of a sorted pack.
ODD_SIGMA, FAULT_CAPACITY_SD, FAULT_RESISTANCE_SD = 5.0, 0.05, 0.25
WANDER = np.array([CAPACITY_WANDER**2, 0.0, RESISTANCE_WANDER**2])
FAULT = np.array([FAULT_CAPACITY_SD**2, 0.0, FAULT_RESISTANCE_SD**2])
PAIRS = ([0, 0, 1], [0, 1, 1])  # of (d, q): where the three covariances of a cell stand
# Where weakness counts: the landing hover, at 12 % charge. Sag in volts per unit of d and of q.
SAG_CAPACITY_V, SAG_RESISTANCE_V = 2.2, 0.35


@dataclass(frozen=True, slots=True)
class CellSpread:
    """Each cell's (d, q), (cells, 2), and its covariance as (var d, cov, var q), (cells, 3)."""

    x: Array
    p: Array


class Weakest(NamedTuple):
    """The weakest cell's d and q, each with 1 sigma; ``cell`` -1 when cells are not told apart."""

    capacity: float
    capacity_sd: float
    resistance: float
    resistance_sd: float
    cell: int


def start(cells: int) -> CellSpread:
    """All alike, within the spread of a sorted pack."""
    prior = [CAPACITY_SD**2, 0.0, RESISTANCE_SD**2]
    return CellSpread(np.zeros((cells, 2)), np.tile(prior, (cells, 1)))


def observe(
    spread: CellSpread, cell_v: Array, charge: float, sag_v: float, ocv_v: Array, dt_s: float
) -> CellSpread:
    """(belief, cell voltages) -> belief.

    ``charge`` and ``sag_v``: the mean cell's charge and voltage lost in its resistances; ``ocv_v``:
    open-circuit voltage on an even grid of charge.
    """
    d, q = spread.x.T
    grid, rest = _even(len(ocv_v)), 1.0 - d
    own = 1.0 - (1.0 - charge) / rest
    low, high = np.interp(own - 0.005, grid, ocv_v), np.interp(own + 0.005, grid, ocv_v)
    # h = (d V / d d, d V / d q)
    h_d = np.maximum(high - low, 0.0) * (100.0 * (1.0 - charge)) / (rest * rest)
    h_q = sag_v
    expected = float(np.interp(charge, grid, ocv_v)) - 0.5 * (low + high) + h_q * q
    surprise = float(cell_v.sum()) / len(cell_v) - cell_v - expected
    p = spread.p + WANDER * (dt_s / 3600.0)
    r = READING_SD_V**2 * max(LASTING_S / max(dt_s, 0.1), 1.0)
    ph, s = _seen(p, h_d, h_q, r)
    odd = surprise > ODD_SIGMA * np.sqrt(s)
    if odd.any():
        p += odd[:, None] * FAULT
        ph, s = _seen(p, h_d, h_q, r)
    # K = P h' / (h P h' + r), cell by cell
    x = spread.x + (ph * (surprise / s)).T
    p -= (ph[PAIRS[0]] * ph[PAIRS[1]] / s).T
    # only differences are seen: their mean is the mean cell's business
    x -= x.sum(axis=0) / len(x)
    return CellSpread(np.minimum(np.maximum(x, -0.5), 0.5), p)


@lru_cache(maxsize=4)
def _even(count: int) -> Array:
    return np.linspace(0.0, 1.0, count)


def _seen(p: Array, h_d: Array, h_q: float, r: float) -> tuple[Array, Array]:
    """P h' (2, cells) and h P h' + r, cell by cell."""
    p_dd, p_dq, p_qq = p.T
    ph_d, ph_q = p_dd * h_d + p_dq * h_q, p_dq * h_d + p_qq * h_q
    return np.array([ph_d, ph_q]), ph_d * h_d + ph_q * h_q + r


def largest_of(count: int) -> float:
    """Expected largest of ``count`` standard normals (a fit, within 0.1 from 3 cells up)."""
    return 0.88 * math.pow(math.log(max(count, 2)), 0.68)


def weakest(spread: CellSpread) -> Weakest:
    """The cell that sags deepest in a late hover.

    Where the measured spread does not yet show it, the largest of what is unknown is added: of
    twelve cells one is weak, known or not.
    """
    sag = spread.x @ np.array([SAG_CAPACITY_V, SAG_RESISTANCE_V])
    index = int(np.argmax(sag))
    sd = np.sqrt(np.maximum(spread.p[index, ::2], 1e-12))
    seen = spread.x.std(axis=0)
    hidden = largest_of(len(spread.x)) * sd * sd / np.hypot(sd, seen)
    d, q = spread.x[index] + np.array([1.0, 0.5]) * hidden
    told = index if bool(np.any(spread.x)) else -1
    return Weakest(max(float(d), 0.0), float(sd[0]), max(float(q), 0.0), float(sd[1]), told)

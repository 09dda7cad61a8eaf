"""Which cell will end the flight: every cell's own capacity and resistance, from its voltage.

A cell of a series string whose capacity is smaller by the fraction d and whose resistance is larger
by the fraction q stands below the mean cell by

    mean V - V = OCV'(z) (1 - z) d + (i R0 r + v1 + v2) q

since all cells were full together and have given the same charge. One two-state Kalman filter a
cell; they share one covariance, because they share one measurement matrix. The string is empty when
its weakest cell is, and the landing hover ends when that cell's voltage does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Spread between the cells of a sorted pack before anything is measured: common practice, no source.
CAPACITY_SD, RESISTANCE_SD = 0.010, 0.05
CAPACITY_WANDER, RESISTANCE_WANDER = 0.003, 0.02  # per root hour
READING_SD_V, LASTING_S = 0.003, 10.0
# A cell this many sigma below what its spread explains is no longer one of a sorted pack.
ODD_SIGMA, FAULT_CAPACITY_SD, FAULT_RESISTANCE_SD = 5.0, 0.05, 0.25
# Where weakness counts: the landing hover, at 12 % charge. Sag in volts per unit of d and of q.
SAG_CAPACITY_V, SAG_RESISTANCE_V = 2.2, 0.35


@dataclass(frozen=True, slots=True)
class CellSpread:
    """Each cell's (d, q), (cells, 2), and their common covariance (2, 2)."""

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
    return CellSpread(np.zeros((cells, 2)), np.diag(np.square([CAPACITY_SD, RESISTANCE_SD])))


def observe(spread: CellSpread, cell_v: Array, h: tuple[float, float], dt_s: float) -> CellSpread:
    """(belief, cell voltages) -> belief. ``h``: volts per unit of d and of q at this moment."""
    row = np.array(h)
    below = float(np.mean(cell_v)) - cell_v
    p = spread.p + np.diag([CAPACITY_WANDER**2, RESISTANCE_WANDER**2]) * (dt_s / 3600.0)
    r = READING_SD_V**2 * max(LASTING_S / max(dt_s, 0.1), 1.0)
    # K = P h' / (h P h' + r), the same for every cell
    surprise = below - spread.x @ row
    if float(np.max(surprise)) > ODD_SIGMA * math.sqrt(float(row @ p @ row) + r):
        p = p + np.diag(np.square([FAULT_CAPACITY_SD, FAULT_RESISTANCE_SD]))
    ph = p @ row
    gain = ph / (float(row @ ph) + r)
    x = spread.x + np.outer(surprise, gain)
    # only differences are seen: their mean is the mean cell's business
    return CellSpread(x - x.mean(axis=0), p - np.outer(gain, ph))


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
    sd = np.sqrt(np.diag(spread.p))
    seen = spread.x.std(axis=0)
    hidden = largest_of(len(spread.x)) * sd * sd / np.hypot(sd, seen)
    d, q = spread.x[index] + np.array([1.0, 0.5]) * hidden
    told = index if bool(np.any(spread.x)) else -1
    return Weakest(max(float(d), 0.0), float(sd[0]), max(float(q), 0.0), float(sd[1]), told)

"""What earlier flights taught, as the next flight's prior; and what this flight taught.

The filters of a flight end as Gaussians, and a Gaussian is what the next flight starts from,
widened by what may have changed in between. Nothing else needs to be kept.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# What may change from one flight to the next, 1 sigma of the logarithm: dirt, propellers, rigging;
# for a pack one cycle's fade, and what a different temperature leaves in the figures.
BETWEEN_SCALES, BETWEEN_AVIONICS, BETWEEN_SLOPE = 0.015, 0.05, 0.01
BETWEEN_RESISTANCE, BETWEEN_CAPACITY, BETWEEN_GAIN, BETWEEN_SLOW = 0.05, 0.006, 0.003, 0.08


@dataclass(frozen=True, slots=True)
class PowerPrior:
    """Logarithms of the scales of hover, climb, cruise, descent, avionics, and the slope of the
    cruise's over airspeed: (6,) and (6, 6), or (5,) and (5, 5) of before there was a slope."""

    log_mean: Array
    log_cov: Array

    @property
    def slope(self) -> float:
        """The slope's mean; 0 where none was told."""
        return float(self.log_mean[5]) if len(self.log_mean) > 5 else 0.0


@dataclass(frozen=True, slots=True)
class PackPrior:
    """Logarithms of the scales of resistance, capacity, current gain and slow relaxation: (4,) and
    (4, 4), or (3,) and (3, 3) of before the last was kept."""

    log_mean: Array
    log_cov: Array


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known of this aircraft and this pack; None: nothing, the flight file decides."""

    power: PowerPrior | None = None
    pack: PackPrior | None = None


@dataclass(frozen=True, slots=True)
class Lessons:
    """What one flight taught, with what the logbook wants beside it.

    ``used_ah``: charge taken from the pack; ``rest_charge``: charge left; ``weakest_cell``: its
    number from 0, -1 when cells are not told apart; ``weak_capacity``/``weak_resistance``: by what
    fraction it is smaller/larger.
    """

    power: PowerPrior
    pack: PackPrior
    airborne_s: float
    used_ah: float
    rest_charge: float
    temperature_c: float
    weakest_cell: int
    weak_capacity: float
    weak_resistance: float


def next_power(posterior: PowerPrior) -> PowerPrior:
    """The posterior of one flight as the prior of the next."""
    between = np.square([BETWEEN_SCALES] * 4 + [BETWEEN_AVIONICS, BETWEEN_SLOPE])
    told = len(posterior.log_mean)
    return PowerPrior(posterior.log_mean, posterior.log_cov + np.diag(between[:told]))


def next_pack(posterior: PackPrior) -> PackPrior:
    """The posterior of one flight as the prior of the next."""
    between = np.square([BETWEEN_RESISTANCE, BETWEEN_CAPACITY, BETWEEN_GAIN, BETWEEN_SLOW])
    told = len(posterior.log_mean)
    return PackPrior(posterior.log_mean, posterior.log_cov + np.diag(between[:told]))

"""A prior in words, as a recording carries it; and what makes one unfit to start a flight from.

A replay must start from what the flight started from, to the last bit: numbers are written as the
shortest text that reads back as the same number, so nothing is lost on the way.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Annotated

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, ValidationError

from supervisor.core.estimate.prior import PackPrior, PowerPrior, Prior
from supervisor.core.plan import Flight
from supervisor.errors import InputError
from supervisor.problems import first_problem

Array = NDArray[np.float64]
Vector = tuple[FiniteFloat, ...]
Matrix = tuple[Vector, ...]
# Scales beyond these belong to another aircraft or another pack, or to a broken sensor. Ours: a
# figure that is wrong by more is to be mended in the flight file. Natural logarithms.
SLOPE = "cruise slope (over e times the speed)"
POWER_SCALES = ("hover", "climb", "cruise", "descent", "avionics", SLOPE)
POWER_MOST = np.log([2.0, 2.0, 2.0, 2.0, 5.0, 2.7])
WITHOUT_SLOPE = POWER_SCALES[:5]  # what versions before it have written
PACK_SCALES = ("resistance", "capacity", "current gain", "slow relaxation")
PACK_LEAST, PACK_MOST = np.log([0.3, 0.4, 0.8, 0.15]), np.log([5.0, 1.3, 1.25, 6.0])
WITHOUT_SLOW = PACK_SCALES[:3]
LIMITS = {
    POWER_SCALES: (-POWER_MOST, POWER_MOST),
    WITHOUT_SLOPE: (-POWER_MOST[:5], POWER_MOST[:5]),
    PACK_SCALES: (PACK_LEAST, PACK_MOST),
    WITHOUT_SLOW: (PACK_LEAST[:3], PACK_MOST[:3]),
}
SD_LEAST, SD_MOST = 1e-5, 1.5
CAPACITY = 1  # its place in a pack's scales


class _Gaussian(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    log_mean: Vector
    log_cov: Matrix


class _Written(BaseModel):
    """``capacity_ah``: what the flight file stated, on which the pack's capacity scale rests."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    capacity_ah: Annotated[FiniteFloat, Field(gt=0.0)]
    power: _Gaussian | None = None
    pack: _Gaussian | None = None


def prior_text(prior: Prior, flight: Flight) -> str:
    """The prior of ``flight`` as JSON; ``""`` when there is none."""
    if prior.power is None and prior.pack is None:
        return ""
    return _Written(
        capacity_ah=flight.pack.capacity_ah,
        power=_written(prior.power) if prior.power else None,
        pack=_written(prior.pack) if prior.pack else None,
    ).model_dump_json()


def prior_of(text: str, flight: Flight, where: str) -> Prior:
    """What :func:`prior_text` wrote, for ``flight``; InputError when it is unfit."""
    if not text:
        return Prior()
    try:
        written = _Written.model_validate_json(text)
    except ValidationError as error:
        raise first_problem(error, where) from None
    power = pack = None
    if written.power is not None:
        power = power_prior(written.power.log_mean, written.power.log_cov, where)
    if written.pack is not None:
        pack = pack_prior(written.pack.log_mean, written.pack.log_cov, where)
        pack = restated(pack, written.capacity_ah, flight)
    return Prior(power, pack)


def _written(part: PowerPrior | PackPrior) -> _Gaussian:
    return _Gaussian(
        log_mean=tuple(part.log_mean.tolist()), log_cov=tuple(map(tuple, part.log_cov.tolist()))
    )


def restated(pack: PackPrior, capacity_ah: float, flight: Flight) -> PackPrior:
    """The same ampere-hours on the capacity that this flight file states."""
    if capacity_ah == flight.pack.capacity_ah:
        return pack
    mean = pack.log_mean.copy()
    mean[CAPACITY] += math.log(capacity_ah / flight.pack.capacity_ah)
    return replace(pack, log_mean=mean)


def power_prior(mean: Vector, cov: Matrix, where: str) -> PowerPrior:
    """The power scales as arrays; InputError when no flight can have taught them."""
    return PowerPrior(*_fit(mean, cov, _power_scales(len(mean)), where))


def pack_prior(mean: Vector, cov: Matrix, where: str) -> PackPrior:
    """The same of a pack's scales."""
    return PackPrior(*_fit(mean, cov, _pack_scales(len(mean)), where))


def unfit(prior: Prior) -> str:
    """Why no flight should start from this; ``""`` when one may."""
    power, pack = prior.power, prior.pack
    wrong = ""
    if power is not None:
        wrong = _wrong(power.log_mean, power.log_cov, _power_scales(len(power.log_mean)))
    if wrong or pack is None:
        return wrong
    return _wrong(pack.log_mean, pack.log_cov, _pack_scales(len(pack.log_mean)))


def _power_scales(told: int) -> tuple[str, ...]:
    return WITHOUT_SLOPE if told == len(WITHOUT_SLOPE) else POWER_SCALES


def _pack_scales(told: int) -> tuple[str, ...]:
    return WITHOUT_SLOW if told == len(WITHOUT_SLOW) else PACK_SCALES


def _fit(mean: Vector, cov: Matrix, names: tuple[str, ...], where: str) -> tuple[Array, Array]:
    size = len(names)
    if len(mean) != size or len(cov) != size or any(len(row) != size for row in cov):
        raise InputError(where, f"log_mean and log_cov are not {size} and {size} x {size} numbers")
    arrays = np.array(mean, dtype=np.float64), np.array(cov, dtype=np.float64)
    wrong = _wrong(*arrays, names)
    if wrong:
        raise InputError(where, wrong)
    return arrays


def _wrong(mean: Array, cov: Array, names: tuple[str, ...]) -> str:
    """Bounds of each scale, and what every covariance must be: finite, symmetric, positive."""
    if not (np.isfinite(mean).all() and np.isfinite(cov).all()):
        return "a learned scale is not a number"
    least, most = LIMITS[names]
    for name, log, low, high in zip(names, mean, least, most, strict=True):
        if not low <= log <= high:
            allowed = f"{math.exp(low):.1f} to {math.exp(high):.1f}"
            return f"the {name} is {math.exp(log):.2f} times what was stated ({allowed} allowed)"
    if not np.allclose(cov, cov.T, rtol=1e-6, atol=1e-12):
        return "the learned covariance is not symmetric"
    spread = np.linalg.eigvalsh(cov)
    if spread[0] < SD_LEAST**2 or spread[-1] > SD_MOST**2:
        return "the learned covariance is no uncertainty that a flight can leave"
    return ""

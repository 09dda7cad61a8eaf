"""What the believed wind does not explain: gusts when it is quick, a changed sensor when it lasts.

How much the residual of the wind triangle differs from itself a moment and some seconds ago (its
structure function) tells gusts from the instruments' white noise, and neither from what lasts:

    1/2 E (x(t) - x(t - d))^2 = gust (1 - rho(d)) + white

with Dryden's correlations, exp(-d/T) along and exp(-d/T) (1 - d/2T) across: gusts across last half
as long, and so a sample tells twice as much of the wind there (MIL-F-8785C). Whether along means
along the flight or along the wind is told both ways; if the wind, a flight meets over all headings
the mean of the two in both directions. The belief stands half way: exp(-d/T) (1 - b d/T), with b of
``BEND``. Gusts along and across the flight are learned apart: the airspeed's noise is along only.

In a turn the ground velocity comes a moment late, and what that makes is none of them: such samples
count and teach little. The slow part of another residual, against what was foreseen some minutes
ago for here and now, should be within the error that was foreseen; when it stays beyond four sigma
of that, either a sensor has changed or a front was crossed.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

MEAN_S, VARIANCE_S = 60.0, 240.0
# A sample beyond 5 sigma is left out; many in a row are no outliers, the belief is.
ODD_SAMPLE_CHI2, ODD_ROW_S = 25.0, 10.0
ODD_MEAN_CHI2, ODD_S = 16.0, 15.0
# So many gusts' lengths apart a difference tells their strength, however long they really last.
HELD_LENGTHS = 2.0
BEND = (0.125, 0.375)  # along and across the flight
FLOOR, WHITE_FLOOR = 0.04, 0.02  # [m^2/s^2]
# How late ground velocity comes after heading (common practice for satellite receivers, no source).
# It makes the same of every turn to one side, an orbit's minutes long: to an orbit it looks like a
# compass that is off.
LATE_S, LATE_LASTS_S = 0.2, 300.0
SHAKEN = 2.5  # [m^2/s^2] after a change: for minutes the belief itself is what is off
WILD, WILD_MPS = 3.0, 10.0  # differences beyond 3 sigma, and errors beyond that, count as those
UNIT: Array = np.eye(2)
NOTHING: Array = np.full(2, math.nan)
NIL: Array = np.zeros(2)


class Noise(NamedTuple):
    """Variances [m^2/s^2] of one component: what lasts as long as gusts, and what does not."""

    gust: float = 0.64
    white: float = 0.2  # heading and sideslip of 0.02 rad, and an airspeed's 0.2 m/s


USUAL = Noise()


class Gusts(NamedTuple):
    """Noise along and across the flight; the residual at the last sample and one held ``held_s``
    ago; the slow mean of what was not foreseen, in north and east and along the nose (in an orbit a
    changed wind has next to none of that, a changed airspeed nothing else); how long it is odd."""

    along: Noise = USUAL
    across: Noise = USUAL
    last: Array = NOTHING
    held: Array = NOTHING
    held_s: float = 0.0
    foreseen: Array = NIL
    on_nose: float = 0.0
    odd_s: float = 0.0
    wild_s: float = 0.0  # how long samples have been left out

    @property
    def var(self) -> float:
        """Variance a component of gusts [m^2/s^2], mean of along and across."""
        return 0.5 * (self.along.gust + self.across.gust)

    def lasting(self, gust_s: float, dt_s: float, late_var: float) -> tuple[float, float]:
        """White-equivalent variance of one sample, along and across the flight.

        Noise is worth its variance times twice the integral of its correlation, over ``dt_s``.
        """
        late = late_var * max(2.0 * LATE_LASTS_S / dt_s, 1.0)
        along, across = (max(2.0 * (1.0 - bend) * gust_s / dt_s, 1.0) for bend in BEND)
        return (
            self.along.gust * along + self.along.white + late,
            self.across.gust * across + self.across.white + late,
        )


class Moment(NamedTuple):
    """How a sample was flown: direction of the nose (2,), how long a gust lasts along the flight,
    time since the last sample, variance of what a turn adds, and how fast the half of the squared
    difference grows because the wind itself wanders [m^2/s^3]."""

    nose: Array
    gust_s: float
    dt_s: float
    late_var: float = 0.0
    wander: float = 0.0


class Residual(NamedTuple):
    """Measured less expected (2,), and the covariance (2, 2) of the expectation."""

    value: Array
    cov: Array


def watch(
    gusts: Gusts, now: Residual, foreseen: Residual, moment: Moment
) -> tuple[Gusts, bool, bool]:
    """(belief, residuals) -> belief, whether this sample counts, whether something has changed.

    ``now`` and ``foreseen``: against the newest belief and against the one of some minutes ago.
    """
    nose, gust_s, dt_s, late_var, _ = moment
    both = 0.5 * (sum(gusts.along) + sum(gusts.across))
    wild = _chi2(now.value, now.cov + (both + late_var) * UNIT) > ODD_SAMPLE_CHI2
    wild_s = gusts.wild_s + dt_s if wild else 0.0
    counts = not wild or wild_s > ODD_ROW_S
    trust = both / (both + late_var)
    gain = trust * min(dt_s / MEAN_S, 1.0)
    away = foreseen.value - gusts.foreseen
    slow = gusts.foreseen + gain * _within(away, WILD_MPS)
    ahead = float(nose @ foreseen.value) - gusts.on_nose
    on_nose = gusts.on_nose + gain * min(max(ahead, -WILD_MPS), WILD_MPS)
    # variance left in a mean over MEAN_S of noise that lasts gust_s
    left = gusts.var * gust_s / (MEAN_S + gust_s)
    odd = _chi2(slow, foreseen.cov + left * UNIT) > ODD_MEAN_CHI2
    odd_s = gusts.odd_s + dt_s if odd else 0.0
    gusts = _learned(gusts, now.value, moment, trust)
    if odd_s >= ODD_S:
        return Gusts(_shaken(gusts.along), _shaken(gusts.across)), counts, True
    gusts = gusts._replace(foreseen=slow, on_nose=on_nose, odd_s=odd_s, wild_s=wild_s)
    return gusts, counts, False


def surprised_by_nothing(gusts: Gusts) -> Gusts:
    """The same noise, and no part of a mean that was against an older belief."""
    return gusts._replace(foreseen=NIL, on_nose=0.0, odd_s=0.0)


def _shaken(noise: Noise) -> Noise:
    return Noise(max(noise.gust, SHAKEN), noise.white)


def _learned(gusts: Gusts, value: Array, moment: Moment, trust: float) -> Gusts:
    """All variances, from the differences to the last residual and to the one that is held."""
    nose, gust_s, dt_s, _, wander = moment
    held_s = gusts.held_s + dt_s
    full = held_s >= HELD_LENGTHS * gust_s
    n, e = nose.tolist()
    near, far = (value - gusts.last).tolist(), (value - gusts.held).tolist()
    learn = trust / VARIANCE_S
    found = []
    for noise, x, y, bend in ((gusts.along, n, e, BEND[0]), (gusts.across, -e, n, BEND[1])):
        gust, white = noise
        square = _half_square(near[0] * x + near[1] * y, gust + white)
        extra = square - gust * _apart(dt_s / gust_s, bend)
        white = max(white + learn * dt_s * (extra - white), WHITE_FLOOR)
        if full:
            square = _half_square(far[0] * x + far[1] * y, gust + white)
            lasts = (square - white - wander * held_s) / _apart(held_s / gust_s, bend)
            gust = max(gust + learn * held_s * (lasts - gust), FLOOR)
        found.append(Noise(gust, white))
    held, held_s = (value, 0.0) if full else (gusts.held, held_s)
    return gusts._replace(along=found[0], across=found[1], last=value, held=held, held_s=held_s)


def _apart(x: float, bend: float) -> float:
    """1 - rho after ``x`` times a gust's length."""
    return 1.0 - math.exp(-x) * (1.0 - bend * x)


def _half_square(difference: float, var: float) -> float:
    """Half its square; ``var`` when there is nothing to compare with."""
    if difference != difference:
        return var
    return min(0.5 * difference * difference, WILD * WILD * var)


def late_var(heading_rad: float, before_rad: float, dt_s: float, tas_mps: float) -> float:
    """Variance a component [m^2/s^2] of ground velocity ``LATE_S`` late, from the turn's rate."""
    turned = math.remainder(heading_rad - before_rad, 2.0 * math.pi)
    if turned != turned:
        return 0.0
    return 0.5 * (LATE_S * tas_mps * turned / dt_s) ** 2


def _within(value: Array, limit: float) -> Array:
    return np.minimum(np.maximum(value, -limit), limit)


def _chi2(value: Array, cov: Array) -> float:
    """Two-dimensional v' C^-1 v, written out."""
    (a, b), (_, d) = cov.tolist()
    x, y = value.tolist()
    return float((d * x * x - 2.0 * b * x * y + a * y * y) / (a * d - b * b))

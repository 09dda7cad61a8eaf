"""How much power fluctuates in each regime, learned from the filter's innovations, and whether it
has changed at once.

A block's own spread is no constant: on the wing it follows the air (in fifty minutes of simulated
flights it grew from 9 to 11 %). It is learned as it goes, from few blocks fast, from many slowly;
and since what was learned is itself unsure, a bit more than it is expected of the next block
(:func:`expected_var`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from supervisor.core.estimate.kalman import Updated

# Relative to a block's mean, in hover, climb, cruise, descent (there: to half of level power. A
# wing near idle has its throttle now open, now shut). What a hover has of its own: hovers.py.
START_NOISE = (0.025, 0.06, 0.06, 0.40)
LEAST_NOISE = (0.015, 0.01, 0.01, 0.02)
MOST_NOISE = (0.30, 0.30, 0.30, 0.50)
# The start counts for as many blocks; of later ones the last twenty, by weight, are remembered. In
# a hover, whose minute may be all there is, a surprise is to be told and not to be got used to.
START_BLOCKS, NOISE_GAIN = (20.0, 4.0, 4.0, 4.0), 0.05
# How much rougher than remembered the air is by now, of the variance: over a flight it grows, and
# what is remembered is ten minutes old. Ours, from 120 simulated flights.
ROUGHER = 0.2


@dataclass(frozen=True, slots=True)
class Regime:
    """Relative variance of a block, how many blocks taught it, and the two change detectors."""

    noise_var: float
    blocks: float
    up: float = 0.0
    down: float = 0.0
    seen_s: float = -math.inf


def untaught() -> tuple[Regime, ...]:
    """Hover, climb, cruise and descent before the first block."""
    return tuple(Regime(sd * sd, n) for sd, n in zip(START_NOISE, START_BLOCKS, strict=True))


def _gain(regime: Regime) -> float:
    return max(NOISE_GAIN, 1.0 / regime.blocks)


def _doubt(regime: Regime) -> float:
    """Expected over remembered variance.

    Innovations over a variance learned with gain g are Student's, with 2 / g - 1 degrees of
    freedom (normal blocks): their mean square is 1 + g to first order.
    """
    return 1.0 + _gain(regime) + ROUGHER


def expected_var(regime: Regime) -> float:
    """Relative variance of the next block, what is not known of it included."""
    return regime.noise_var * _doubt(regime)


def learned(regime: Regime, seen: Updated, r: float, least: float, most: float) -> Regime:
    """A block's own spread, from its innovation less what the state's spread explains.

    ``r``: variance that was expected of the block [W^2], by :func:`expected_var`; ``least`` and
    ``most``: bounds of the relative deviation.
    """
    own = r / _doubt(regime)
    variance = seen.variance - r + own
    share = own / variance
    # a surprise counts as four sigma at most: a change is for the detector, not for the noise
    nis = min(seen.innovation * seen.innovation / variance, 16.0)
    # v += g (nu^2 - S) / share, with the gain of a block worth share^2 (Fisher's information)
    factor = 1.0 + _gain(regime) * share * (nis - 1.0)
    noise_var = min(max(regime.noise_var * factor, least * least), most * most)
    return replace(regime, noise_var=noise_var, blocks=regime.blocks + share * share)


# --- sudden change -------------------------------------------------------------------------------

# Two-sided CUSUM (Page 1954) on standardised innovations of the blocks; allowance k, threshold h.
# By Siegmund's formula ARL = (exp(2 k b) - 2 k b - 1) / (2 k^2), b = h + 1.166, of which two sides
# have half: one false alarm in 26,000 blocks of normal innovations, and a shift of two deviations
# is found in 7 blocks. The cruise innovations of 120 simulated flights (10,500 blocks, mean 0.05,
# kurtosis 3.5), drawn in random order, give one in 11,000: some 90 h of cruise at 30 s each.
ALLOWANCE, THRESHOLD = 0.5, 9.0
# One block that far off needs no second (J. Lucas 1982, combined Shewhart and CUSUM schemes; from
# memory): a hover with a motor gone has found its own level by the next.
AT_ONCE = 6.0


def cusum(up: float, down: float, value: float) -> tuple[float, float]:
    """One step: S+ = max(0, S+ + z - k), S- = max(0, S- - z - k)."""
    return max(0.0, up + value - ALLOWANCE), max(0.0, down - value - ALLOWANCE)


def watched(regime: Regime, seen: Updated) -> tuple[Regime, bool]:
    """Feed the detector; True when it fires, and it then starts anew."""
    z = seen.innovation / math.sqrt(seen.variance)
    up, down = cusum(regime.up, regime.down, z)
    if max(up, down) > THRESHOLD or abs(z) > AT_ONCE:
        return replace(regime, up=0.0, down=0.0), True
    return replace(regime, up=up, down=down), False

"""Is the pack older than it was said to be? Two hypotheses, weighed by what the flight taught.

A pack's resistance and capacity hang together: an old one resists more and holds less. So what a
flight starts from, y = logarithms of the scales of resistance, capacity, current gain and slow
relaxation, has a prior of two parts,

    as told   N(m, P)                              by the flight file, or by the last flight
    aged      N(m + a v, P + s^2 v v' + d^2 u u')  v = (1, -AGED_SHARE, 0, 0), u = (0, 1, 0, 0)

with a, s, d = AGED, AGED_SD, AGED_SHARE_SD a. The filter (pack.py) is run once, with one Gaussian
N(m, B) that is wide enough for both. As everything is Gaussian, what it would have found with
another prior follows from what it found, N(x, S): the information of the wide prior is taken off
and the other's is put on. The same division tells how well each hypothesis foretold the voltages,

    p(voltages | h) ~ integral of N(y; x, S) / N(y; m, B) N(y; m_h, P_h)

(the Savage-Dickey ratio; from memory), and so its weight by Bayes' rule. Nothing is decided: a
weight comes and goes with what is known, and while it is neither 0 nor 1, both means are in the
spread.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# At 80 % of the capacity the resistance is up by half or more (common practice, no source).
AGED_SHARE, AGED_SHARE_SD = 0.40, 0.20  # log of capacity lost, over that of resistance gained
AGED, AGED_SD = 0.33, 0.15  # log of the resistance an aged pack has gained since it was told (ours)
# Of all packs, those older than was said; of those flown before with us, exchanged or spoilt since
# (ours).
ODDS, KNOWN_ODDS = 0.015, 0.003
ALONG: Array = np.array([1.0, -AGED_SHARE, 0.0, 0.0])
AGED_COV: Array = AGED_SD**2 * np.outer(ALONG, ALONG) + np.diag(
    [0.0, (AGED_SHARE_SD * AGED) ** 2, 0.0, 0.0]
)
# Beyond what was told, the filter's own prior: an aged pack's second moment about it.
OPEN: Array = AGED**2 * np.outer(ALONG, ALONG) + AGED_COV


class Told(NamedTuple):
    """What was told of y before the flight: (4,) and (4, 4); the probability that it has aged."""

    mean: Array
    cov: Array
    odds: float


class Weighed(NamedTuple):
    """Mean and covariance over both hypotheses, and the weight of the aged one."""

    x: Array
    p: Array
    aged: float


def weighed(x: Array, p: Array, told: Told, at: list[int]) -> Weighed:
    """What (x, p), found from the wide prior, makes of the two hypotheses.

    ``x`` (n,), ``p`` (n, n): the filter's. ``at``: where y is in it. State 0 is the
    charge; each hypothesis' own is held within 0..1.
    """
    y, s = x[at], p[np.ix_(at, at)]
    wide = np.linalg.inv(told.cov + OPEN)
    found = np.linalg.inv(s)
    gain = p[:, at].dot(found)
    parts: list[tuple[Array, Array]] = []
    logs: list[float] = []
    for share, mean, cov in (
        (1.0 - told.odds, told.mean, told.cov),
        (told.odds, told.mean + AGED * ALONG, told.cov + AGED_COV),
    ):
        own = np.linalg.inv(cov)
        # never singular: the wide prior is wider than each of the two
        s_new = np.linalg.inv(found - wide + own)
        eta = found.dot(y) - wide.dot(told.mean) + own.dot(mean)
        y_new = s_new.dot(eta)
        x_new = x + gain.dot(y_new - y)
        x_new[0] = min(max(x_new[0], 0.0), 1.0)
        parts.append((x_new, p + gain.dot(s_new - s).dot(gain.T)))
        fit = float(eta.dot(y_new) - mean.dot(own).dot(mean))
        size = np.linalg.slogdet(s_new)[1] - np.linalg.slogdet(cov)[1]
        logs.append(math.log(share) + 0.5 * (float(size) + fit))
    aged = 1.0 / (1.0 + math.exp(min(logs[0] - logs[1], 700.0)))
    (x0, p0), (x1, p1) = parts
    apart = x1 - x0
    both = (1.0 - aged) * p0 + aged * p1 + aged * (1.0 - aged) * np.outer(apart, apart)
    return Weighed(x0 + aged * apart, both, aged)

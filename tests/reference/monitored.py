"""What a monitor of one cell tells each second, as the pack's filter takes it."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from supervisor.core.estimate.pack import PackSample


def samples(t_s: np.ndarray, volts: np.ndarray, amps: np.ndarray) -> Iterator[PackSample]:
    """A report for each time but the first, with the mean current since the one before."""
    for k in range(1, len(t_s)):
        mean_a = 0.5 * float(amps[k - 1] + amps[k])
        yield PackSample(float(t_s[k]), float(volts[k]), (), mean_a, float(amps[k]), math.nan)

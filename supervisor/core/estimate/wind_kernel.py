"""How wind may differ from its forecast, and from itself elsewhere and later: a covariance.

    k(a, b) = g_a g_b [ s_b^2 exp(-dt/T_b - d/L_b) + s_v^2 exp(-dt/T_v - d/L_v - |ln(h_a/h_b)|/H) ]

a bias of the forecast that changes over hours, and a part that changes over tens of minutes; ``d``
is horizontal distance, ``g = (h/100 m)^a`` the power-law profile. Both parts are exponential, so a
flight through them meets an Ornstein-Uhlenbeck process (a Kalman filter gives the same answer on a
straight track: tests/core/test_windfield.py), and way flown ages a memory as time does. Fronts come
on top.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from supervisor.core.estimate.forecast_wind import PROFILE_LOW_M, profile

Array = NDArray[np.float64]


JUMPS_KEPT = 3


class Jump(NamedTuple):
    """A change that no usual wind makes: when it began [s], in what time it comes, and when it was
    found."""

    since_s: float
    rise_s: float = 300.0
    found_s: float = -math.inf


@dataclass(frozen=True, slots=True)
class Kernel:
    """How far the wind is from its forecast, and how far apart in time and space it stays alike.

    Defaults fit the mean square change of measured 10-minute wind over 10 minutes to 3 hours (mast
    data of the package brightwind) and, for the slow part's length, hourly reanalysis wind 42 and
    55 km apart (same package); the fast part's length is its time at 8 m/s (Taylor's hypothesis).
    ``lively`` multiplies the fast part's variance: it is what a flight learns (wind_change.py).
    ``jumps``: when the wind changed faster than either part allows, as behind a front. All wind
    after one, far around, comes to have a common part that wind before it has not, within some
    times ``rise_s``: a front is not a line, and who flies on with it meets it for long. Spread and
    time are ours (behind fronts several metres a second are usual, and a passage takes minutes:
    common practice, no source).
    """

    bias_mps: float = 2.2
    bias_s: float = 6.0 * 3600.0
    bias_m: float = 400e3
    vary_mps: float = 1.04
    vary_s: float = 47.0 * 60.0
    vary_m: float = 25e3
    vary_log_h: float = 8.0
    lively: float = 1.0
    jumps: tuple[Jump, ...] = ()
    jump_mps: float = 4.0
    jump_m: float = 400e3

    def with_jump(self, jump: Jump) -> Kernel:
        """The same and one jump more; the oldest of many is dropped."""
        return replace(self, jumps=(*self.jumps, jump)[-JUMPS_KEPT:])

    def wander(self, speed_mps: float) -> float:
        """How fast the half of a change's square grows at first, for one who flies on, in the usual
        wind: not in the one that is believed, which is learned from what this leaves [m^2/s^3].
        """
        bias = self.bias_mps**2 * (1.0 / self.bias_s + speed_mps / self.bias_m)
        return bias + self.vary_mps**2 * (1.0 / self.vary_s + speed_mps / self.vary_m)

    def between(self, a: Array, b: Array) -> Array:
        """(len(a), len(b)) covariances of points (north, east, height, time) in columns."""
        d_m = np.hypot(a[:, None, 0] - b[:, 0], a[:, None, 1] - b[:, 1])
        dt_s = np.abs(a[:, None, 3] - b[:, 3])
        log_a, profile_a = _layers(a)
        log_b, profile_b = (log_a, profile_a) if b is a else _layers(b)
        d_log = np.abs(log_a[:, None] - log_b)
        both: Array = self.bias_mps**2 * np.exp(-(dt_s / self.bias_s + d_m / self.bias_m))
        apart = dt_s / self.vary_s + d_m / self.vary_m + d_log / self.vary_log_h
        both += self.lively * self.vary_mps**2 * np.exp(-apart)
        for jump in self.jumps:
            come = _come(a, jump)[:, None] * _come(b, jump)
            both += self.jump_mps**2 * come * np.exp(-d_m / self.jump_m)
        both *= profile_a[:, None] * profile_b
        return both


def _come(points: Array, jump: Jump) -> Array:
    """What share of a jump has come by each point's time."""
    gone_s = np.maximum(points[:, 3] - jump.since_s, 0.0)
    share: Array = 1.0 - np.exp(-gone_s / jump.rise_s)
    return share


def _layers(points: Array) -> tuple[Array, Array]:
    """(logarithm of the height, profile there) of points (north, east, height, time)."""
    return np.log(np.maximum(points[:, 2], PROFILE_LOW_M)), profile(points[:, 2])


def kernel_of(wind_sd_mps: float) -> Kernel:
    """The kernel whose two parts together have the spread that the forecast is trusted with."""
    vary = min(Kernel().vary_mps, 0.7 * wind_sd_mps)
    return Kernel(bias_mps=math.sqrt(max(wind_sd_mps**2 - vary**2, 0.01)), vary_mps=vary)

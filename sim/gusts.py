"""Dryden turbulence at low altitude, discretised exactly.

MIL-F-8785C, below 1000 ft (lengths in feet there): L_w = h, L_u = L_v = h/(0.177 + 0.000823 h)^1.2,
sigma_w = 0.1 W20, sigma_u = sigma_v = sigma_w/(0.177 + 0.000823 h)^0.4, with W20 the mean wind at
20 ft. Shaping filters over tau = L/V: along 1/(1 + tau s); across and vertical
(1 + sqrt(3) tau s)/(1 + tau s)^2. The states are unit-variance and are stepped with their exact
transition and covariance, so variance and spectrum do not depend on the step.
"""

from __future__ import annotations

import math
from random import Random

FOOT_M = 0.3048
_ROOT3 = math.sqrt(3.0)
_MIX = 1.0 - _ROOT3


def scales(height_m: float, wind_20ft_mps: float) -> tuple[float, float, float, float]:
    """(L_u [m], L_w [m], sigma_u [m/s], sigma_w [m/s]); valid 10 ft to 1000 ft, held outside."""
    feet = min(max(height_m / FOOT_M, 10.0), 1000.0)
    base = 0.177 + 0.000823 * feet
    sigma_w = 0.1 * wind_20ft_mps
    return feet / base**1.2 * FOOT_M, feet * FOOT_M, sigma_w / base**0.4, sigma_w


def second_order(dt_s: float, tau_s: float) -> tuple[float, float, float, float, float]:
    """Exact step of the second-order filter: (decay, coupling, Cholesky l11, l21, l22).

    States x1, x2 with impulse responses e^(-at) and a t e^(-at), a = 1/tau, driven by white noise
    of intensity tau, so that y = (sqrt3 x1 + (1 - sqrt3) x2)/tau has unit variance; here the states
    are already divided by tau.
    """
    a = dt_s / tau_s
    decay = math.exp(-a)
    e2 = decay * decay
    q11 = 0.5 * (1.0 - e2)
    q12 = 0.25 * (1.0 - e2 * (1.0 + 2.0 * a))
    q22 = 0.25 * (1.0 - e2 * (1.0 + 2.0 * a + 2.0 * a * a))
    l11 = math.sqrt(q11)
    l21 = q12 / l11
    return decay, a * decay, l11, l21, math.sqrt(max(q22 - l21 * l21, 0.0))


def _stationary(random: Random) -> tuple[float, float]:
    """Second-order states as they are after a long time: variances 1/2 and 1/4, covariance 1/4."""
    first = random.gauss(0.0, 1.0)
    return math.sqrt(0.5) * first, 0.25 / math.sqrt(0.5) * first + math.sqrt(0.125) * random.gauss(
        0.0, 1.0
    )


class Gusts:
    """Turbulence met by an aircraft moving at airspeed V; along, across [m/s] and down [m/s]."""

    __slots__ = ("_coef", "_key", "_u", "_v1", "_v2", "_w1", "_w2", "random")

    def __init__(self, random: Random) -> None:
        self.random = random
        self._u = random.gauss(0.0, 1.0)
        self._v1, self._v2 = _stationary(random)
        self._w1, self._w2 = _stationary(random)
        self._key = (0.0, -1, -1)
        self._coef: tuple[float, ...] = ()

    def copy(self, random: Random) -> Gusts:
        """The same turbulence now, with its own future ``random``."""
        twin = object.__new__(Gusts)
        for name in Gusts.__slots__:
            setattr(twin, name, getattr(self, name))
        twin.random = random
        return twin

    def _prepare(self, dt_s: float, tas_mps: float, length_u: float, length_w: float) -> None:
        u = math.exp(-dt_s * tas_mps / length_u)
        v = second_order(dt_s, length_u / tas_mps)
        w = second_order(dt_s, length_w / tas_mps)
        self._coef = (u, math.sqrt(1.0 - u * u), *v, *w)

    def step(
        self, dt_s: float, tas_mps: float, height_m: float, wind_20ft_mps: float
    ) -> tuple[float, float, float]:
        """Advance by ``dt_s`` and return the gust (along the mean wind, across it, down) [m/s]."""
        length_u, length_w, sigma_u, sigma_w = scales(height_m, wind_20ft_mps)
        # The filters follow airspeed and height in steps of 1 m/s and 5 m: coefficients are costly.
        key = (dt_s, int(tas_mps), int(height_m * 0.2))
        if key != self._key:
            self._key = key
            self._prepare(dt_s, max(tas_mps, 2.0), length_u, length_w)
        eu, su, ev, cv, v11, v21, v22, ew, cw, w11, w21, w22 = self._coef
        gauss = self.random.gauss
        self._u = self._u * eu + su * gauss(0.0, 1.0)
        n1, n2 = gauss(0.0, 1.0), gauss(0.0, 1.0)
        self._v2 = self._v2 * ev + self._v1 * cv + v21 * n1 + v22 * n2
        self._v1 = self._v1 * ev + v11 * n1
        n1, n2 = gauss(0.0, 1.0), gauss(0.0, 1.0)
        self._w2 = self._w2 * ew + self._w1 * cw + w21 * n1 + w22 * n2
        self._w1 = self._w1 * ew + w11 * n1
        return (
            sigma_u * self._u,
            sigma_u * (_ROOT3 * self._v1 + _MIX * self._v2),
            sigma_w * (_ROOT3 * self._w1 + _MIX * self._w2),
        )

"""The true air: mean wind by height, place and time, lee of high ground, gusts, temperature.

Vectors blow toward (north, east, down), metres per second. Mean profile: V(z) = V_r (z/z_r)^alpha
(alpha 1/7 neutral over land, 0.2 in IEC 61400-1, about 0.1 over water).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from random import Random

from sim.geodesy import offset_m
from sim.gusts import Gusts
from sim.scenario import Front, Ridge, Weather

_TOP_M = 400.0  # the power law is held above this height
_BOTTOM_M = 2.0
_W20_M = 6.096  # 20 ft


def toward(from_deg: float, speed_mps: float) -> tuple[float, float]:
    """(north, east) of a wind that blows FROM ``from_deg``."""
    angle = math.radians(from_deg)
    return -speed_mps * math.cos(angle), -speed_mps * math.sin(angle)


class Air:
    """The weather of one flight; holds what is random in it and what is still to come."""

    __slots__ = (
        "_crests",
        "_drift_e",
        "_drift_n",
        "_fronts",
        "_gusts",
        "_mean_e",
        "_mean_n",
        "_mean_until_s",
        "_random",
        "_rows",
        "weather",
    )

    def __init__(
        self, weather: Weather, home: tuple[float, float], draws: Random, future: Random
    ) -> None:
        self.weather = weather
        factor, turn = draws.uniform(*weather.speed_factor), draws.uniform(*weather.turn_deg)
        delay = draws.uniform(*weather.delay_s)
        self._rows = tuple(
            (row.after_s + (delay if row.after_s > 0.0 else 0.0),
             *toward(row.from_deg + turn, row.speed_mps * factor))
            for row in weather.rows
        )  # fmt: skip
        self._fronts = tuple(
            replace(front, reaches_home_s=front.reaches_home_s + delay) for front in weather.fronts
        )
        self._crests = tuple(_crest(ridge, *home) for ridge in weather.ridges)
        self._random = future
        self._gusts = Gusts(future)
        self._drift_n = future.gauss(0.0, 0.5 * weather.drift_sd_mps)
        self._drift_e = future.gauss(0.0, 0.5 * weather.drift_sd_mps)
        self._mean_n = self._mean_e = 0.0
        self._mean_until_s = -1.0

    def copy(self, fresh_seed: int | None) -> Air:
        """An independent copy; ``fresh_seed`` draws gusts and drift anew from here on."""
        twin = object.__new__(Air)
        for name in Air.__slots__:
            setattr(twin, name, getattr(self, name))
        twin._random = Random(fresh_seed)
        if fresh_seed is None:
            twin._random.setstate(self._random.getstate())
        twin._gusts = self._gusts.copy(twin._random)
        return twin

    def _row_wind(self, t_s: float) -> tuple[float, float]:
        rows = self._rows
        before = rows[0]
        for row in rows:
            if row[0] > t_s:
                share = (t_s - before[0]) / max(row[0] - before[0], 1e-9)
                share = min(max(share, 0.0), 1.0)
                return (
                    before[1] + share * (row[1] - before[1]),
                    before[2] + share * (row[2] - before[2]),
                )
            before = row
        return before[1], before[2]

    def reference_wind(self, t_s: float, north_m: float, east_m: float) -> tuple[float, float]:
        """Mean wind (north, east) at the reference height: rows, drift, gradient and fronts."""
        n, e = self._row_wind(t_s)
        for front in self._fronts:
            behind = _behind(front, t_s, north_m, east_m)
            fn, fe = toward(front.wind_from_deg, front.wind_mps)
            n, e = n + behind * (fn - n), e + behind * (fe - e)
        by_north, by_east = self.weather.gradient_per_km
        scale = max(1.0 + 1e-3 * (by_north * north_m + by_east * east_m), 0.0)
        return scale * n + self._drift_n, scale * e + self._drift_e

    def behind_front(self, t_s: float, north_m: float, east_m: float) -> float:
        """How much of the air here is behind a front: 0 none is near .. 1 it has passed."""
        return max((_behind(front, t_s, north_m, east_m) for front in self._fronts), default=0.0)

    def _walk(self, interval_s: float) -> None:
        """Ornstein-Uhlenbeck step of the drift, exact: x <- a x + sd sqrt(1 - a^2) N."""
        if self.weather.drift_sd_mps <= 0.0:
            return
        a = math.exp(-interval_s / self.weather.drift_time_s)
        noise = self.weather.drift_sd_mps * math.sqrt(1.0 - a * a)
        self._drift_n = a * self._drift_n + noise * self._random.gauss(0.0, 1.0)
        self._drift_e = a * self._drift_e + noise * self._random.gauss(0.0, 1.0)

    def step(
        self,
        t_s: float,
        dt_s: float,
        north_m: float,
        east_m: float,
        above_ground_m: float,
        height_m: float,
        tas_mps: float,
    ) -> tuple[float, float, float]:
        """Wind (north, east, down) now, after advancing what is random by ``dt_s``.

        ``above_ground_m`` drives profile and gusts, ``height_m`` (above home) the lee of ridges.
        """
        if t_s >= self._mean_until_s:  # the mean changes slowly: every 2 s is plenty
            self._walk(2.0)
            self._mean_n, self._mean_e = self.reference_wind(t_s, north_m, east_m)
            self._mean_until_s = t_s + 2.0
        weather = self.weather
        z = min(max(above_ground_m, _BOTTOM_M), _TOP_M)
        profile = (z / weather.reference_m) ** weather.exponent
        n, e = self._mean_n * profile, self._mean_e * profile
        if weather.veer_deg_per_100m:
            n, e = _turned(n, e, math.radians(weather.veer_deg_per_100m) * (z / 100.0 - 1.0))
        speed = math.hypot(n, e)
        down, rough = 0.0, weather.gust_factor
        for crest in self._crests:
            n, e, sink, gust = crest.spoil(n, e, north_m, east_m, height_m)
            down, rough = down + sink, rough * gust
        low = math.hypot(self._mean_n, self._mean_e)
        w20 = low * (_W20_M / weather.reference_m) ** weather.exponent * rough
        along, across, gust_down = self._gusts.step(dt_s, tas_mps, z, w20)
        if speed > 1e-6:
            cn, ce = n / speed, e / speed
        else:
            cn, ce = 1.0, 0.0
        return n + along * cn - across * ce, e + along * ce + across * cn, down + gust_down


def _turned(n: float, e: float, angle: float) -> tuple[float, float]:
    c, s = math.cos(angle), math.sin(angle)
    return n * c - e * s, n * s + e * c


def _behind(front: Front, t_s: float, north_m: float, east_m: float) -> float:
    """0 well ahead of the front .. 1 well behind it."""
    angle = math.radians(front.from_deg)
    toward_m = -(north_m * math.cos(angle) + east_m * math.sin(angle))
    behind_m = (t_s - front.reaches_home_s) * front.moves_mps - toward_m
    return 0.5 * (1.0 + math.tanh(2.0 * behind_m / front.width_m))


@dataclass(frozen=True, slots=True)
class _Crest:
    """A ridge on the map around home, with its directions worked out."""

    ridge: Ridge
    north_m: float
    east_m: float
    along_n: float
    along_e: float

    def spoil(
        self, n: float, e: float, north_m: float, east_m: float, height_m: float
    ) -> tuple[float, float, float, float]:
        """Wind (north, east), sink and gust factor near the ridge.

        Our own shape, in proportion to what is observed: the wake reaches about ten ridge heights
        downwind and one and a half upward; air rises ahead of the crest and sinks behind it; in the
        wake the wind is sheltered and rough.
        """
        ridge, h = self.ridge, self.ridge.height_m
        cross = self.along_n * e - self.along_e * n  # wind through the crest line
        dn, de = north_m - self.north_m, east_m - self.east_m
        lateral = dn * self.along_n + de * self.along_e
        behind = (self.along_n * de - self.along_e * dn) * math.copysign(1.0, cross)
        if abs(lateral) > 1.5 * ridge.half_length_m or not -3.0 * h < behind < 12.0 * h:
            return n, e, 0.0, 1.0
        weight = 1.0 / (1.0 + (lateral / ridge.half_length_m) ** 6)
        weight /= 1.0 + (max(height_m, 0.0) / (1.5 * h)) ** 4
        s = behind / h
        sink = ridge.sink_mps_per_mps * abs(cross) * weight * 0.5 * s * math.exp(0.5 - s * s / 8.0)
        wake = weight * math.exp(-s / 6.0) * min(1.0, max(0.0, s + 0.5))
        kept = 1.0 - ridge.shelter * wake
        return n * kept, e * kept, sink, 1.0 + (ridge.gust_factor - 1.0) * wake


def _crest(ridge: Ridge, home_lat: float, home_lon: float) -> _Crest:
    north, east, _ = offset_m(
        home_lat, home_lon, math.radians(ridge.lat_deg), math.radians(ridge.lon_deg)
    )
    axis = math.radians(ridge.axis_deg)
    return _Crest(ridge, north, east, math.cos(axis), math.sin(axis))

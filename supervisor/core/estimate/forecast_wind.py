"""The flight file's wind, at any place, height and time: what was known before the flight."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from supervisor.core.plan import Weather, WindRow

Array = NDArray[np.float64]

# Neutral onshore profile exponent 1/7 (references: power law of the wind profile).
PROFILE_EXPONENT, PROFILE_REF_M, PROFILE_LOW_M = 1.0 / 7.0, 100.0, 5.0


def profile(height_m: Array) -> Array:
    """Wind at a height relative to 100 m [-]: (h/100)^(1/7), the ground layer held at 5 m."""
    result: Array = (np.maximum(height_m, PROFILE_LOW_M) / PROFILE_REF_M) ** PROFILE_EXPONENT
    return result


@dataclass(frozen=True, slots=True)
class Series:
    """Forecast of one height at one place (None: everywhere): times after take-off, components."""

    place: tuple[float, float] | None
    height_m: float
    after_s: Array
    n_mps: Array
    e_mps: Array


@dataclass(frozen=True, slots=True)
class Column:
    """All heights of one place, lowest first; ``levels_m`` not below the profile's own layer."""

    place: tuple[float, float] | None
    series: tuple[Series, ...]
    levels_m: Array

    @classmethod
    def at(cls, place: tuple[float, float] | None, series: Iterable[Series]) -> Column:
        """Those of ``series`` that belong to ``place``."""
        own = sorted((s for s in series if s.place == place), key=lambda s: s.height_m)
        return cls(place, tuple(own), np.array([max(s.height_m, PROFILE_LOW_M) for s in own]))


@dataclass(frozen=True, slots=True)
class ForecastWind:
    """The flight file's wind rows, ready to be asked at many points."""

    series: tuple[Series, ...]
    columns: tuple[Column, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        places = dict.fromkeys(s.place for s in self.series)
        columns = tuple(Column.at(place, self.series) for place in places)
        object.__setattr__(self, "columns", columns)

    def at(self, north_m: Array, east_m: Array, height_m: Array, after_s: Array) -> Array:
        """(Q, 2) forecast wind [m/s]: linear in time, by profile in height, by distance in place.

        Between two heights linear in the logarithm of height; beyond them by the power law. Between
        places weighted by inverse squared distance.
        """
        if [column.place for column in self.columns] == [None]:  # nothing to weigh
            return _wind(self.columns[0], height_m, after_s)
        total = np.zeros((len(north_m), 2))
        weight = np.zeros(len(north_m))
        for column in self.columns:
            w = _weight(column.place, north_m, east_m)
            total += w[:, None] * _wind(column, height_m, after_s)
            weight += w
        result: Array = total / weight[:, None] if self.series else total
        return result


def _weight(place: tuple[float, float] | None, north_m: Array, east_m: Array) -> Array:
    """Inverse squared distance [1/m^2], levelled off within 1 km; one for "everywhere"."""
    if place is None:
        return np.ones(len(north_m))
    result: Array = 1.0 / (np.square(north_m - place[0]) + np.square(east_m - place[1]) + 1e6)
    return result


def _wind(column: Column, height_m: Array, after_s: Array) -> Array:
    """Wind of one place: each height in time, then between the heights."""
    levels = column.levels_m
    winds = [
        np.array([np.interp(after_s, s.after_s, s.n_mps), np.interp(after_s, s.after_s, s.e_mps)]).T
        for s in column.series
    ]
    if len(levels) == 1:
        only: Array = winds[0] * (profile(height_m) / profile(levels))[:, None]
        return only
    inside = np.clip(height_m, levels[0], levels[-1])
    position = np.interp(np.log(inside), np.log(levels), np.arange(len(levels), dtype=float))
    lower = np.minimum(position.astype(int), len(levels) - 1)
    upper = np.minimum(lower + 1, len(levels) - 1)
    share = (position - lower)[:, None]
    rows = np.arange(len(height_m))
    stack = np.stack(winds)
    wind = stack[lower, rows] * (1.0 - share) + stack[upper, rows] * share
    result: Array = wind * (profile(height_m) / profile(inside))[:, None]
    return result


ToMap = Callable[[float, float], tuple[float, float]]


def forecast_wind(weather: Weather, to_map: ToMap) -> ForecastWind:
    """The rows of ``weather``, grouped by place and height; ``to_map`` as in geodesy.LocalMap."""
    groups: dict[tuple[tuple[float, float] | None, float], list[WindRow]] = {}
    for row in weather.wind:
        everywhere = row.lat_rad != row.lat_rad
        place = None if everywhere else to_map(row.lat_rad, row.lon_rad)
        groups.setdefault((place, row.height_m), []).append(row)
    series = []
    for (place, height_m), rows in groups.items():
        rows.sort(key=lambda r: r.after_s)
        after, n, e = np.array([(r.after_s, r.n_mps, r.e_mps) for r in rows]).T
        series.append(Series(place, height_m, after, n, e))
    return ForecastWind(tuple(series))

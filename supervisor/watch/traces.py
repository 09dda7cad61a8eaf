"""What is drawn over time: the margin and the track, as rows that grow and stay small."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

from supervisor.messages import History, Status, Track

# A trace of this many rows has the older three quarters thinned to half.
MOST_POINTS = 2400
# What the aircraft tells of the past fills gaps that are wider than this on either side.
GAP_S = 40.0


@dataclass(frozen=True, slots=True)
class Point:
    """One moment of the margin strip; energies above the reserve if turned then [Wh]."""

    t_s: float
    p05_wh: float
    p50_wh: float
    p95_wh: float
    safe_min: float | None
    level: str


@dataclass(frozen=True, slots=True)
class Fix:
    """One position of the track."""

    t_s: float
    lat_deg: float
    lon_deg: float
    height_m: float


Row = TypeVar("Row", Point, Fix)


def with_point(history: tuple[Point, ...], status: Status) -> tuple[Point, ...]:
    """The margin with what this status says of it."""
    numbers = status.numbers
    if numbers is None:
        return history
    p05, p50, p95 = numbers.above_reserve_wh
    if p05 is None or p50 is None or p95 is None or (history and status.t <= history[-1].t_s):
        return history
    point = Point(status.t, p05, p50, p95, numbers.turn_back_safe_min, status.level)
    return _thinned((*history, point))


def _thinned(rows: tuple[Row, ...]) -> tuple[Row, ...]:
    if len(rows) < MOST_POINTS:
        return rows
    cut = 3 * MOST_POINTS // 4
    return rows[:cut:2] + rows[cut:]


def with_fix(track: tuple[Fix, ...], status: Status) -> tuple[Fix, ...]:
    """The track with where this status is."""
    where = status.where
    if where is None or (track and status.t <= track[-1].t_s):
        return track
    fix = Fix(status.t, where.lat_deg, where.lon_deg, where.height_m)
    return _thinned((*track, fix))


def woven(track: tuple[Fix, ...], fixes: list[Fix]) -> tuple[Fix, ...]:
    """Recent positions in between the known ones."""
    known = {fix.t_s for fix in track}
    return _merged(track, [fix for fix in fixes if fix.t_s not in known])


def filled_in(known: tuple[Row, ...], told: list[Row]) -> tuple[Row, ...]:
    """``known`` with those of ``told`` that lie in its gaps."""
    times = [row.t_s for row in known]
    return _merged(known, [row for row in told if not _near(times, row.t_s)])


def _merged(known: tuple[Row, ...], fresh: list[Row]) -> tuple[Row, ...]:
    if not fresh:
        return known
    rows = list(known)
    rows += fresh
    rows.sort(key=lambda row: row.t_s)
    return _thinned(tuple(rows))


def _near(times: Sequence[float], t_s: float) -> bool:
    at = bisect_left(times, t_s - GAP_S)
    return at < len(times) and times[at] <= t_s + GAP_S


def unpacked(message: Track) -> list[Fix]:
    """The positions of a track message: each row is counted from the one before it."""
    t_s = message.t0
    lat_deg, lon_deg, height_m = message.origin
    fixes = []
    for dt, dlat, dlon, dheight in message.points:
        t_s += dt
        lat_deg += dlat * 1e-5
        lon_deg += dlon * 1e-5
        height_m += dheight
        fixes.append(Fix(t_s, lat_deg, lon_deg, height_m))
    return fixes


def told_before(message: History) -> list[tuple[Point, Fix]]:
    """What a history tells: each row is counted from the one before it."""
    now, told = [0] * 7, []
    for row in message.points:
        now = [a + b for a, b in zip(now, row, strict=True)]
        t, low, middle, high, lat, lon, height = now
        told.append(
            (
                Point(float(t), float(low), float(middle), float(high), None, ""),
                Fix(float(t), lat * 1e-4, lon * 1e-4, float(height)),
            )
        )
    return told

"""The compact track: recent positions as small whole numbers, straight stretches left out.

A position is kept when the straight line from the last kept one, at its speed, no longer
predicts it. Rows are differences: ``[dt_s, dlat, dlon, dheight_m]`` with latitude and longitude
in 1e-5 degrees (1.1 m of latitude), each from the row before.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from supervisor.messages import Track

UNIT_DEG = 1e-5
M_PER_DEG = 111_320.0  # of latitude; good to 0.6 %, enough to say what is a bend
SPAN_S = 300.0  # a track message covers at most this; statuses tell where it is between
OFF_LINE_M = 15.0
LONGEST_ROW_S = 30.0


@dataclass(frozen=True, slots=True)
class Fix:
    """One position."""

    t: float
    lat_deg: float
    lon_deg: float
    height_m: float


def _off_line_m(a: Fix, b: Fix, c: Fix) -> float:
    """How far ``b`` lies from where the straight flight from ``a`` to ``c`` has it at its time."""
    part = (b.t - a.t) / (c.t - a.t)
    north = (b.lat_deg - a.lat_deg - part * (c.lat_deg - a.lat_deg)) * M_PER_DEG
    east = (b.lon_deg - a.lon_deg - part * (c.lon_deg - a.lon_deg)) * M_PER_DEG
    up = b.height_m - a.height_m - part * (c.height_m - a.height_m)
    return math.hypot(north, east * math.cos(math.radians(b.lat_deg)), up)


@dataclass(slots=True)
class TrackCoder:
    """Collects positions; gives rows now and then."""

    kept: list[Fix] = field(default_factory=list)
    between: list[Fix] = field(default_factory=list)

    def add(self, fix: Fix) -> bool:
        """Take a position; True when a message is due."""
        if not self.kept:
            self.kept.append(fix)
            return False
        start = self.kept[-1]
        if fix.t - (self.between[-1] if self.between else start).t < 1.0:
            return False
        bent = any(_off_line_m(start, b, fix) > OFF_LINE_M for b in self.between)
        if self.between and (bent or fix.t - start.t > LONGEST_ROW_S):
            self.kept.append(self.between[-1])
            self.between.clear()
        self.between.append(fix)
        return fix.t - self.kept[0].t >= SPAN_S

    def take(self, aircraft: str, flight: str) -> Track | None:
        """The message for what was collected; the next one begins where this one ends."""
        rows = self.kept + self.between[-1:]
        if len(rows) < 2:
            return None
        self.kept, self.between = [rows[-1]], []
        return encode(aircraft, flight, rows)


def _whole(fix: Fix) -> tuple[int, int, int, int]:
    return (
        round(fix.t),
        round(fix.lat_deg / UNIT_DEG),
        round(fix.lon_deg / UNIT_DEG),
        round(fix.height_m),
    )


def encode(aircraft: str, flight: str, fixes: list[Fix]) -> Track:
    """Rows of differences between *rounded* positions, so that errors do not add up."""
    whole = [_whole(fix) for fix in fixes]
    first = whole[0]
    points = [
        (b[0] - a[0], b[1] - a[1], b[2] - a[2], b[3] - a[3])
        for a, b in zip([first, *whole[:-1]], whole, strict=True)
    ]
    origin = (round(first[1] * UNIT_DEG, 5), round(first[2] * UNIT_DEG, 5), float(first[3]))
    return Track(
        aircraft=aircraft,
        flight=flight,
        t=round(fixes[-1].t, 3),
        t0=float(first[0]),
        origin=origin,
        points=points,
    )


def decode(track: Track) -> list[Fix]:
    """The positions of a track message, oldest first."""
    t = round(track.t0)
    lat, lon = (round(value / UNIT_DEG) for value in track.origin[:2])
    height = round(track.origin[2])
    fixes = []
    for dt, dlat, dlon, dheight in track.points:
        t, lat, lon, height = t + dt, lat + dlat, lon + dlon, height + dheight
        fixes.append(Fix(float(t), round(lat * UNIT_DEG, 5), round(lon * UNIT_DEG, 5), height))
    return fixes

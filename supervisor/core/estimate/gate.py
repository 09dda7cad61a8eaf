"""What cannot be is not believed: bounds for every field used, and jumps between two reports.

The decoder has already turned the standard's "unknown" markers into NaN. What still arrives out of
bounds is a fault on board or a unit taken for another (centi-amperes for amperes: a hundred
times too much; millivolts for volts: a thousand). An impossible field is dropped; an observation
that is worthless without it is dropped whole. Older than its own stream is dropped too, so that
observations may come in any order.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from operator import attrgetter
from typing import Any

from supervisor.core import events as ev
from supervisor.core.plan import Pack

NAN = math.nan
PI_BOUND = 2.0 * math.pi + 1e-6  # headings come as 0..2 pi or -pi..pi


@dataclass(frozen=True, slots=True)
class Field:
    """One field: the range that a small electric aircraft can be in, and whether it is vital."""

    name: str
    low: float
    high: float
    vital: bool = False


def _speed(name: str, vital: bool = False) -> Field:
    return Field(name, -120.0, 120.0, vital)  # m/s: a third of the speed of sound


# Bounds are physical or of the standard's own encoding, widened; heights after ISO 2533's range.
FIELDS: dict[type, tuple[Field, ...]] = {
    ev.Position: (
        Field("lat_rad", -math.pi / 2, math.pi / 2, vital=True),
        Field("lon_rad", -math.pi, math.pi, vital=True),
        Field("alt_m", -500.0, 11000.0, vital=True),
        Field("height_m", -2000.0, 11000.0, vital=True),
        _speed("vn_mps", vital=True),
        _speed("ve_mps", vital=True),
        _speed("vd_mps", vital=True),
        Field("heading_rad", -PI_BOUND, PI_BOUND),
    ),
    ev.AirData: (
        Field("cas_mps", 0.0, 120.0),
        Field("groundspeed_mps", 0.0, 200.0),
        Field("heading_rad", -PI_BOUND, PI_BOUND),
        Field("throttle", 0.0, 1.0),
        _speed("climb_mps"),
    ),
    ev.Attitude: (
        Field("roll_rad", -PI_BOUND, PI_BOUND),
        Field("pitch_rad", -PI_BOUND, PI_BOUND),
        Field("yaw_rad", -PI_BOUND, PI_BOUND),
    ),
    ev.AirPressure: (
        Field("pressure_pa", 20000.0, 110000.0, vital=True),
        Field("temperature_c", -60.0, 90.0),
    ),
    ev.WindReport: (
        Field("wind_n_mps", -60.0, 60.0, vital=True),
        Field("wind_e_mps", -60.0, 60.0, vital=True),
        Field("accuracy_mps", 0.0, 100.0),
    ),
    ev.GpsQuality: (Field("h_acc_m", 0.0, 1e5),),
    ev.HomeFix: (
        Field("lat_rad", -math.pi / 2, math.pi / 2, vital=True),
        Field("lon_rad", -math.pi, math.pi, vital=True),
        Field("alt_m", -500.0, 11000.0, vital=True),
    ),
}


def pack_fields(pack: Pack) -> tuple[Field, ...]:
    """Bounds for this pack: no cell outside 0.5 V to twice full, no current beyond 40 C.

    A voltage above full is a fault of the monitor that lasts, which pack_monitor.py looks for.
    """
    top_v = pack.series * 2.0 * pack.cell.max_v
    return (
        Field("pack_v", pack.series * 0.5, top_v),
        Field("current_a", -5.0 * pack.capacity_ah, 40.0 * pack.capacity_ah),
        Field("consumed_ah", 0.0, 20.0 * pack.capacity_ah),
        Field("temperature_c", -50.0, 110.0),
        Field("remaining", 0.0, 1.0),
    )


Checker = Callable[[Any], "Any | None"]
TIME = Field("t_s", -1.0, 1e10, vital=True)


def checker(fields: tuple[Field, ...]) -> Checker:
    """A function that returns the observation, cleaned, or None when a vital field is impossible.

    Possible values pass with nothing but comparisons: this runs for every message.
    """
    checked = (*fields, TIME)
    values_of = attrgetter(*(f.name for f in checked))
    bounds = tuple((f.low, f.high, f.vital) for f in checked)

    def check(obs: Any) -> Any | None:
        for value, (low, high, vital) in zip(values_of(obs), bounds, strict=True):
            # NaN (value != value) means "not sent": refused only where the field is vital
            if not low <= value <= high and (vital or value == value):
                return _repaired(obs, checked)
        return obs

    return check


def _repaired(obs: Any, fields: tuple[Field, ...]) -> Any | None:
    """The observation without its impossible fields; None when one of them is vital."""
    bad = {}
    for f in fields:
        value = getattr(obs, f.name)
        if not f.low <= value <= f.high:
            if f.vital:
                return None
            bad[f.name] = NAN
    return replace(obs, **bad)


def clean_cells(cells: tuple[float, ...], pack: Pack) -> tuple[float, ...]:
    """The cell voltages when they are all possible and as many as the pack has; else none."""
    top_v = pack.cell.max_v + 0.3
    if len(cells) == pack.series and all(0.5 <= v <= top_v for v in cells):
        return cells
    return ()


MAX_STEP_MPS = 120.0
JUMP_SLACK_M = 150.0
JUMPS_BELIEVED = 5  # after as many that agree with each other, the jump was real


@dataclass(frozen=True, slots=True)
class Track:
    """The last believed position on the map, and a candidate after a jump."""

    t_s: float
    north_m: float
    east_m: float
    odd_north_m: float = NAN
    odd_east_m: float = NAN
    odd_count: int = 0


def _near(dt_s: float, dn_m: float, de_m: float) -> bool:
    return math.hypot(dn_m, de_m) <= MAX_STEP_MPS * max(dt_s, 0.0) + JUMP_SLACK_M


def follow(track: Track | None, t_s: float, north_m: float, east_m: float) -> tuple[Track, bool]:
    """The new track, and whether this position is believed.

    A position farther than ``MAX_STEP_MPS`` allows is held back until ``JUMPS_BELIEVED`` in a row
    agree with each other: then the earlier ones were wrong.
    """
    if track is None or _near(t_s - track.t_s, north_m - track.north_m, east_m - track.east_m):
        return Track(t_s, north_m, east_m), True
    agrees = _near(1.0, north_m - track.odd_north_m, east_m - track.odd_east_m)
    count = track.odd_count + 1 if agrees else 1
    if count >= JUMPS_BELIEVED:
        return Track(t_s, north_m, east_m), True
    return replace(track, odd_north_m=north_m, odd_east_m=east_m, odd_count=count), False

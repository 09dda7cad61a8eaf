"""Hand-made true states: a telemetry test needs no physics."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from sim.state import AircraftState, Phase

CRUISING = AircraftState(
    t_s=0.0,
    phase=Phase.CRUISE,
    lat_deg=44.2,
    lon_deg=-28.5,
    height_m=100.0,
    above_ground_m=100.0,
    alt_m=108.0,
    vn_mps=0.0,
    ve_mps=25.0,
    vd_mps=0.0,
    heading_rad=math.radians(90.0),
    roll_rad=0.0,
    pitch_rad=0.03,
    tas_mps=21.1,
    cas_mps=21.0,
    throttle=0.4,
    power_w=360.0,
    current_a=8.0,
    pack_v=45.0,
    cell_v=tuple(3.75 + 0.001 * i for i in range(12)),
    soc=0.6,
    energy_left_wh=500.0,
    pack_temp_c=18.3,
    wind_n_mps=0.0,
    wind_e_mps=4.0,
    wind_d_mps=0.0,
    air_temp_c=13.5,
    pressure_pa=100_000.0,
    density_kgpm3=1.213,
    mass_kg=12.2,
    mission_seq=3,
    returning=False,
)


def flown(
    seconds: float, start: AircraftState = CRUISING, step_s: float = 0.5, **changes: Any
) -> list[AircraftState]:
    """A straight flight eastward from ``start``, one state a step, the first one included."""
    start = replace(start, **changes)
    metres_per_degree = 111_320.0 * math.cos(math.radians(start.lat_deg))
    out = []
    for i in range(round(seconds / step_s) + 1):
        t = i * step_s
        lon = start.lon_deg + start.ve_mps * t / metres_per_degree
        out.append(replace(start, t_s=start.t_s + t, lon_deg=lon))
    return out

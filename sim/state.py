"""The true state of the simulated aircraft at one moment; what sensors then spoil."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Phase(Enum):
    """What the simulated aircraft is doing."""

    GROUND = "ground"
    HOVER_CLIMB = "hover-climb"
    TRANSITION = "transition"
    CLIMB = "climb"
    CRUISE = "cruise"
    LOITER = "loiter"
    DESCENT = "descent"
    BACK_TRANSITION = "back-transition"
    HOVER_LANDING = "hover-landing"
    LANDED = "landed"
    LOST = "lost"


@dataclass(frozen=True, slots=True)
class AircraftState:
    """Truth at one moment. Angles in radians, unless ``_deg``; velocities over ground, NED.

    ``height_m`` is above home, ``alt_m`` above mean sea level. ``energy_left_wh`` is the
    open-circuit energy of the remaining charge (integral of OCV over charge down to empty,
    at the true capacity). ``wind_*`` blows toward.
    """

    t_s: float
    phase: Phase
    lat_deg: float
    lon_deg: float
    height_m: float
    above_ground_m: float
    alt_m: float
    vn_mps: float
    ve_mps: float
    vd_mps: float
    heading_rad: float
    roll_rad: float
    pitch_rad: float
    tas_mps: float
    cas_mps: float
    throttle: float
    power_w: float
    current_a: float
    pack_v: float
    cell_v: tuple[float, ...]
    soc: float
    energy_left_wh: float
    pack_temp_c: float
    wind_n_mps: float
    wind_e_mps: float
    wind_d_mps: float
    air_temp_c: float
    pressure_pa: float
    density_kgpm3: float
    mass_kg: float
    mission_seq: int
    returning: bool

"""What goes into the core: frozen values, each with its time (what comes out: ``conclusions.py``).

``t_s`` is seconds on the receiver's own monotonic clock since the first frame; it is the only
time the core knows. Units are SI, angles radians, and **NaN means "not sent"**: the decoder turns
every "unknown" marker of the standard (INT16_MAX, UINT16_MAX, -1 ...) into NaN, so that the core
never meets one. Velocities are over ground; wind blows *toward*.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, IntEnum


@dataclass(frozen=True, slots=True)
class Heartbeat:
    """HEARTBEAT of the aircraft's autopilot (other components are filtered out before)."""

    t_s: float
    armed: bool
    system_status: int


@dataclass(frozen=True, slots=True)
class Position:
    """GLOBAL_POSITION_INT: ``alt_m`` above mean sea level, ``height_m`` above home; NED."""

    t_s: float
    lat_rad: float
    lon_rad: float
    alt_m: float
    height_m: float
    vn_mps: float
    ve_mps: float
    vd_mps: float
    heading_rad: float


@dataclass(frozen=True, slots=True)
class GpsQuality:
    """GPS_RAW_INT: ``fix_type`` >= 3 is a 3-D fix; ``h_acc_m`` 1-sigma or NaN."""

    t_s: float
    fix_type: int
    satellites: int
    h_acc_m: float


@dataclass(frozen=True, slots=True)
class AirData:
    """VFR_HUD. ``cas_mps`` is calibrated airspeed; ``throttle`` 0..1."""

    t_s: float
    cas_mps: float
    groundspeed_mps: float
    heading_rad: float
    throttle: float
    climb_mps: float


@dataclass(frozen=True, slots=True)
class Attitude:
    """ATTITUDE."""

    t_s: float
    roll_rad: float
    pitch_rad: float
    yaw_rad: float


@dataclass(frozen=True, slots=True)
class AirPressure:
    """SCALED_PRESSURE: static pressure and (sensor) temperature."""

    t_s: float
    pressure_pa: float
    temperature_c: float


@dataclass(frozen=True, slots=True)
class PackReport:
    """BATTERY_STATUS or SYS_STATUS. ``cell_v`` is empty when only the total is known."""

    t_s: float
    pack_v: float
    cell_v: tuple[float, ...]
    current_a: float
    consumed_ah: float
    temperature_c: float
    remaining: float  # the monitor's own guess 0..1; never trusted, only shown


@dataclass(frozen=True, slots=True)
class WindReport:
    """WIND_COV: the autopilot's own estimate, blowing toward; accuracies are 1 sigma."""

    t_s: float
    wind_n_mps: float
    wind_e_mps: float
    accuracy_mps: float


class Lift(IntEnum):
    """MAV_VTOL_STATE: what carries the aircraft."""

    UNKNOWN = 0
    TO_WING = 1
    TO_ROTORS = 2
    ROTORS = 3
    WING = 4


class Landed(IntEnum):
    """MAV_LANDED_STATE."""

    UNKNOWN = 0
    ON_GROUND = 1
    IN_AIR = 2
    TAKE_OFF = 3
    LANDING = 4


@dataclass(frozen=True, slots=True)
class FlightState:
    """EXTENDED_SYS_STATE."""

    t_s: float
    lift: Lift
    landed: Landed


@dataclass(frozen=True, slots=True)
class MissionProgress:
    """MISSION_CURRENT: index of the item being flown."""

    t_s: float
    seq: int


@dataclass(frozen=True, slots=True)
class HomeFix:
    """HOME_POSITION: where the autopilot would return to."""

    t_s: float
    lat_rad: float
    lon_rad: float
    alt_m: float


@dataclass(frozen=True, slots=True)
class ClockFix:
    """SYSTEM_TIME: ``unix_s`` is NaN before the autopilot knows the date."""

    t_s: float
    unix_s: float
    boot_s: float


@dataclass(frozen=True, slots=True)
class LinkQuality:
    """RADIO_STATUS or CELLULAR_STATUS: 0..1, NaN unknown."""

    t_s: float
    quality: float


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """A person (already authenticated at the edge) acknowledged advisory ``seq``."""

    t_s: float
    seq: int
    by: str


class Wish(Enum):
    """What a person wants of the optional return request, for this flight."""

    ARM = "arm"
    STOP = "stop"


@dataclass(frozen=True, slots=True)
class ReturnWish:
    """A person (authenticated by signature at the edge) armed or stopped the return request."""

    t_s: float
    wish: Wish
    by: str


Observation = (
    Heartbeat
    | Position
    | GpsQuality
    | AirData
    | Attitude
    | AirPressure
    | PackReport
    | WindReport
    | FlightState
    | MissionProgress
    | HomeFix
    | ClockFix
    | LinkQuality
    | Acknowledged
    | ReturnWish
)

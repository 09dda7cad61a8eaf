"""What the aircraft last said, believable values only, and what follows from them at once.

Every stream is gated (gate.py) and remembered; nothing here is estimated.
"""

from __future__ import annotations

import math
from typing import Any, TypeVar

from supervisor.core import events as ev
from supervisor.core.atmosphere import day_offset_k, density_kgpm3
from supervisor.core.constants import LAPSE_KPM, R_AIR_JPKGK, T0_K
from supervisor.core.estimate import gate
from supervisor.core.events import Observation
from supervisor.core.plan import Flight

NAN = math.nan
FRESH_S = 3.0  # a value older than this is not used in a formula together with newer ones
REFUSED_S = 30.0  # how long an impossible value is worth a doubt

T = TypeVar("T")


class Senses:
    """The last clean observation of each kind."""

    def __init__(self, flight: Flight) -> None:
        self._flight = flight
        home_m = flight.home.elevation_m
        self.day_offset_k = day_offset_k(flight.weather.temperature_c, home_m)
        self._gates = {kind: gate.checker(fields) for kind, fields in gate.FIELDS.items()}
        self._gates[ev.PackReport] = gate.checker(gate.pack_fields(flight.pack))
        self._last: dict[type, Any] = {}
        self._refused: dict[str, float] = {}

    def take(self, obs: Observation) -> Any:
        """``obs`` without what is impossible in it; None when nothing is left, or it is older than
        its stream."""
        kind = type(obs)
        check = self._gates.get(kind)
        clean = check(obs) if check else obs
        if clean is not obs:
            self._refused[kind.__name__] = obs.t_s
        last = self._last.get(kind)
        if clean is None or not clean.t_s >= (last.t_s if last is not None else -math.inf):
            return None
        self._last[kind] = clean
        return clean

    def last(self, kind: type[T]) -> T | None:
        """However old."""
        return self._last.get(kind)

    def last_t_s(self, kind: type) -> float:
        """When the last believable observation of ``kind`` came; -inf when none did."""
        last = self._last.get(kind)
        return last.t_s if last is not None else -math.inf

    def fresh(self, kind: type[T], t_s: float) -> T | None:
        """The last one, unless it is too old to go with what came at ``t_s``."""
        last = self._last.get(kind)
        return last if last is not None and t_s - last.t_s <= FRESH_S else None

    def refuse(self, kind: type, t_s: float) -> None:
        """What came at ``t_s`` was found impossible after all."""
        self._refused[kind.__name__] = t_s

    def refused(self, t_s: float) -> bool:
        """Whether impossible values came lately."""
        return any(t_s - when < REFUSED_S for when in self._refused.values())

    def heading_rad(self, fix: ev.Position) -> float:
        """Compass heading from whichever message carries it; NaN when none does."""
        if fix.heading_rad == fix.heading_rad:
            return fix.heading_rad
        air = self.fresh(ev.AirData, fix.t_s)
        if air and air.heading_rad == air.heading_rad:
            return air.heading_rad
        attitude = self.fresh(ev.Attitude, fix.t_s)
        return attitude.yaw_rad if attitude else NAN

    def load_factor(self, t_s: float) -> float:
        """Lift over weight [-] in the bank flown."""
        attitude = self.fresh(ev.Attitude, t_s)
        bank = attitude.roll_rad if attitude else 0.0
        return 1.0 / max(math.cos(bank), 0.5) if bank == bank else 1.0

    def density_kgpm3(self, fix: ev.Position) -> float:
        """Air density: by measured pressure when there is one, at the day's temperature."""
        pressure = self.fresh(ev.AirPressure, fix.t_s)
        if pressure is None:
            return density_kgpm3(fix.alt_m, self.day_offset_k)
        kelvin = T0_K - LAPSE_KPM * fix.alt_m + self.day_offset_k
        return pressure.pressure_pa / (R_AIR_JPKGK * kelvin)

    def air_c(self, fix: ev.Position | None) -> float:
        """Air temperature [degC] at ``fix``, at home when it is None."""
        alt = fix.alt_m if fix else self._flight.home.elevation_m
        return T0_K - 273.15 - LAPSE_KPM * alt + self.day_offset_k

    def has_fix(self, t_s: float) -> bool:
        """Whether the velocity comes from satellites; dead reckoning tells no wind."""
        quality = self.fresh(ev.GpsQuality, t_s)
        return quality is None or quality.fix_type >= 3

    def cas_mps(self, t_s: float) -> float:
        """Calibrated airspeed shown; NaN when none is, or less than half the stall: on the wing
        that is no airspeed."""
        air = self.fresh(ev.AirData, t_s)
        slow = 0.5 * self._flight.aircraft.stall_mps
        return air.cas_mps if air is not None and air.cas_mps > slow else NAN

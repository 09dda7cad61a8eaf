"""The ensemble: members drawn from the belief, each a complete guess at the truth, and their power.

Arrays are (members, 1), ready to stand against (points,) arrays. Members carry together what is
not known now (wind, scales, mass, pack) and what nobody can know yet (gusts on the power drawn, how
long the landing will take, how exactly the airspeed is held).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from supervisor.core.atmosphere import density_kgpm3, tas_per_cas
from supervisor.core.belief import Belief
from supervisor.core.cells import temperature_factor
from supervisor.core.constants import G0_MPS2, T0_K
from supervisor.core.cruise_scale import speed_factor
from supervisor.core.draws import mirrored
from supervisor.core.forecast.discharge import u_of_charge
from supervisor.core.plan import Flight
from supervisor.core.power import hover_w, induced_w, parasite_w, pusher_w

Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True, slots=True)
class Unforeseen:
    """Spread (1 sigma, relative) of what only the rest of the flight can tell.

    How long a landing takes, and the airspeed really held: ours, for autopilots on a day without
    trouble; the campaign's calibration judges them. How long a landing takes in the middle is no
    doubt of the forecast's own: see ``ReturnPlan.landing_s``.
    """

    landing_time_sd: float = 0.08
    airspeed_sd: float = 0.01


USUAL = Unforeseen()
GUST_TIME_S = 60.0  # how long a lull or a draught lasts: averages over longer legs shrink by it


@dataclass(frozen=True, slots=True)
class Members:
    """(members, 1) each. Resistances: ``resistance`` is the factor at ``temperature_c``."""

    u: Floats
    v1_v: Floats
    v2_v: Floats
    resistance: Floats
    slow_ohm: Floats  # the slow relaxation's resistance, which ``resistance`` multiplies
    temperature_c: Floats
    per_ah: Floats  # 1 / (3600 s/h * one cell's capacity [Ah])
    to_wh: Floats  # pack energy [Wh] per u
    weak_v: Floats
    weak_r: Floats
    weak_lost: Floats
    empty_u: Floats  # u of the mean cell when the weakest is empty: the string gives no more
    hover: Floats
    climb: Floats
    cruise: Floats  # at the cruise airspeed that the flight file states
    descent: Floats
    avionics_w: Floats
    slope: Floats  # of ln cruise over ln airspeed
    mass_kg: Floats
    landing: Floats  # factor on the landing's duration
    airspeed: Floats  # factor on the indicated airspeed asked for
    true_cas: Floats  # true over indicated airspeed: moves the aircraft, not the power learned
    gust_w: Floats  # 1 sigma of the power drawn for a while
    gust_home: Floats  # standard normal: how gusty the way home turns out

    def some(self, batch: slice) -> Members:
        """Only the members of ``batch``."""
        return Members(*(getattr(self, name)[batch] for name in self.__slots__))


def draw(
    flight: Flight,
    belief: Belief,
    rng: np.random.Generator,
    count: int,
    dtype: Any,
    unforeseen: Unforeseen = USUAL,
) -> Members:
    """``count`` members of ``belief``."""
    power, pack = belief.power.draw(rng, count), belief.pack.draw(rng, count)
    spec = flight.pack
    factor = pack.resistance * temperature_factor(spec.cell, pack.temperature_c)

    # Scales were learned from the monitor's current: what it reads too low, they are too low.
    gain = pack.current_gain
    chance = mirrored(rng, count, 3).T

    def column(values: Floats) -> Floats:
        return np.asarray(values, dtype=dtype)[:, None]

    return Members(
        u=column(u_of_charge(spec.cell, pack.charge)),
        v1_v=column(pack.v1_v),
        v2_v=column(pack.v2_v),
        resistance=column(factor),
        slow_ohm=column(spec.cell.r2_ohm * pack.slow),
        temperature_c=column(pack.temperature_c),
        per_ah=column(spec.parallel / (3600.0 * pack.capacity_ah)),
        to_wh=column(pack.capacity_ah * spec.series),
        weak_v=column(pack.weak_v),
        weak_r=column(pack.weak_r),
        weak_lost=column(pack.weak_lost),
        empty_u=column(u_of_charge(spec.cell, pack.weak_lost)),
        hover=column(gain * power.hover),
        climb=column(gain * power.climb),
        cruise=column(gain * power.cruise),
        descent=column(gain * power.descent),
        avionics_w=column(gain * power.avionics_w),
        slope=column(power.slope),
        mass_kg=column(power.mass_kg),
        landing=column(np.exp(unforeseen.landing_time_sd * chance[0])),
        airspeed=column(1.0 + unforeseen.airspeed_sd * chance[1]),
        true_cas=np.ones((count, 1), dtype),
        gust_w=column(np.full(count, belief.power.gust_w_sd)),
        gust_home=column(chance[2]),
    )


@dataclass(frozen=True, slots=True)
class Air:
    """Density [kg/m^3] and true over calibrated airspeed at some heights; (points,) arrays."""

    density: Floats
    tas_per_cas: Floats
    temperature_c: Floats


def air_at(flight: Flight, belief: Belief, height_m: Floats, dtype: Any) -> Air:
    """The air at heights above home, on this day."""
    offset = belief.day_offset_k
    altitudes = [flight.home.elevation_m + float(h) for h in height_m]
    density = [density_kgpm3(a, offset) for a in altitudes]
    celsius = [T0_K - 273.15 - 0.0065 * a + offset for a in altitudes]
    return Air(
        np.array(density, dtype=dtype),
        np.array([tas_per_cas(d) for d in density], dtype=dtype),
        np.array(celsius, dtype=dtype),
    )


class Wing:
    """All members on the wing at one airspeed: what climbs and turns at it have in common.

    ``asked_mps``: calibrated airspeed, (points,); each member holds it as exactly as it does.
    """

    def __init__(
        self, flight: Flight, members: Members, air: Air, asked_mps: Floats, dropped_kg: Floats
    ) -> None:
        self.craft, self.members = flight.aircraft, members
        self.density = air.density
        self.tas_mps = asked_mps * members.airspeed * air.tas_per_cas
        self.weight_n = (members.mass_kg - dropped_kg) * G0_MPS2
        self.parasite_w = parasite_w(self.craft, self.density, self.tas_mps)
        flown_mps = once(asked_mps) * members.airspeed
        self.cruise: Floats = members.cruise * speed_factor(self.craft, members.slope, flown_mps)

    def drag_w(self, load_factor: Floats | float = 1.0) -> Floats:
        """Shaft power [W] in level flight or in a turn."""
        lift_n = self.weight_n * load_factor
        result: Floats = self.parasite_w + induced_w(self.craft, lift_n, self.density, self.tas_mps)
        return result

    def power_w(self, drag_w: Floats, climb_mps: Floats) -> Floats:
        """Electrical power of the whole aircraft [W], (members, points)."""
        bare = pusher_w(self.craft, drag_w + self.weight_n * climb_mps)
        result: Floats = bare * self._scale(climb_mps) + self.members.avionics_w
        return result

    def _scale(self, climb_mps: Floats) -> Floats:
        """By regime, in cruise at each member's own speed; (members, 1) if all points are alike."""
        up, down = once(climb_mps > 0.05), once(climb_mps < -0.05)
        if len(up) == 1 and up[0]:
            return self.members.climb
        if len(down) == 1 and down[0]:
            return self.members.descent
        if len(up) == len(down) == 1:
            return self.cruise
        return np.where(up, self.members.climb, np.where(down, self.members.descent, self.cruise))


def once(by_point: NDArray[Any]) -> NDArray[Any]:
    """(1,) where all points are alike: what follows from it is then worked out once a member."""
    if len(by_point) == 1:
        return by_point
    return by_point[:1] if (by_point == by_point[0]).all() else by_point


def hover_power_w(
    flight: Flight, members: Members, density: Floats, climb_mps: Floats, dropped_kg: Floats
) -> Floats:
    """Electrical power of the whole aircraft on the rotors [W], (members, points)."""
    mass = members.mass_kg - dropped_kg
    bare = hover_w(flight.aircraft, mass, density, climb_mps)
    result: Floats = np.asarray(bare) * members.hover + members.avionics_w
    return result


def turn_s(bank_rad: float, tas_mps: Floats, turn_rad: Floats) -> Floats:
    """Time [s] for a coordinated turn: rate = g tan(bank) / V."""
    result: Floats = turn_rad * tas_mps / (G0_MPS2 * math.tan(bank_rad))
    return result

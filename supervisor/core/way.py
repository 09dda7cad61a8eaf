"""Fly every member from every point of the plan to one site: turn, climb, cruise, descend, land.

Flown as the autopilot is set to do it (flight file) and as it was seen to do it (habits): at once
towards the site, climbing or descending to the return height on the way, down again at the end,
and the last part on the rotors. Arrays are (members, points) unless said otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from supervisor.core.ahead import Ahead, ground_speed_mps
from supervisor.core.discharge import CellTables, Floats, cooling, drain, loaded_v, relaxed, thaw
from supervisor.core.legs import Habits, Ways
from supervisor.core.members import (
    GUST_TIME_S,
    Air,
    Members,
    hover_power_w,
    turn_s,
    wing_power_w,
)
from supervisor.core.plan import Flight
from supervisor.core.wind_nodes import Spread

CIRCUIT_S = 60.0  # on the wing between a missed landing and the next try; ours


@dataclass(frozen=True, slots=True)
class Departures:
    """The points as places to turn at, (points,) each.

    ``lift_s``: time on the rotors first. ``fly``: 0 where it stands or lands at home already, so
    that there is nothing left to fly; ``land``: share of the landing hover that is still to come.
    """

    height_m: NDArray[np.float64]
    dropped_kg: Floats
    lift_s: NDArray[np.float64]
    fly: NDArray[np.float64]
    land: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Destination:
    """One site: ways to it, the air on the way (at ``cruise_m``) and at its ground."""

    ways: Ways
    winds: list[Spread]
    cruise_m: float
    ground_m: float
    cruise_air: Air
    ground_air: Air


@dataclass(frozen=True, slots=True)
class Times:
    """Seconds of each phase."""

    lift: Floats
    turn: Floats
    climb: Floats
    cruise: Floats
    descent: Floats
    landing: Floats


@dataclass(frozen=True, slots=True)
class Powers:
    """Electrical watts of each phase."""

    lift: Floats
    turn: Floats
    climb: Floats
    cruise: Floats
    descent: Floats
    landing: Floats


@dataclass(frozen=True, slots=True)
class Landings:
    """What becomes of turning at every point.

    ``lowest_v``: weakest cell under load anywhere up to touch-down; ``hover_v``: in the landing
    hover alone. ``parts_wh``: energy taken from the cells by each phase from point 0, (members,).
    """

    seconds: Floats
    u: Floats
    lowest_v: Floats
    hover_v: Floats
    head_mps: Floats
    parts_wh: dict[str, Floats]


def fly_ways(
    flight: Flight,
    table: CellTables,
    members: Members,
    ahead: Ahead,
    points: Departures,
    to: Destination,
    wind: tuple[Floats, Floats],
    habits: Habits,
) -> Landings:
    """All members from all points to one site."""
    cas = flight.return_plan.airspeed_mps * habits.cas_factor * members.airspeed
    tas = cas * to.cruise_air.tas_per_cas
    fly_s, head = _time_on_ways(tas, to.ways, to.winds, wind)
    times = _times(flight, members, points, to, habits, tas, fly_s)
    powers = _powers(flight, members, points, to, habits, cas, times)
    return _Discharge(flight, table, members, ahead, to).run(times, powers, head)


def _time_on_ways(
    tas: Floats, ways: Ways, spreads: list[Spread], wind: tuple[Floats, Floats]
) -> tuple[Floats, Floats]:
    """(seconds on the way, its mean head wind [m/s])."""
    dtype = tas.dtype
    seconds = np.zeros(1, dtype)
    drift = np.zeros(1, dtype)
    for p, spread in enumerate(spreads):
        length = ways.length_m[p].astype(dtype)
        along, across = spread.along_across(wind, ways.north[p], ways.east[p], dtype)
        seconds = seconds + length / ground_speed_mps(tas, along, across)
        drift = drift + length * along
    return seconds, -drift / np.maximum(ways.total_m, 1.0).astype(dtype)


def _times(
    flight: Flight,
    members: Members,
    points: Departures,
    to: Destination,
    habits: Habits,
    tas: Floats,
    fly_s: Floats,
) -> Times:
    craft, rounds = flight.aircraft, flight.policy.missed_landings
    dtype = fly_s.dtype
    rise = to.cruise_m - points.height_m
    climb_s = np.where(rise > 0.0, rise / habits.climb_mps, -rise / habits.descent_mps)
    drop_m = max(to.cruise_m - to.ground_m - craft.transition_height_m, 0.0)
    descent_s = np.full(1, drop_m / habits.descent_mps, dtype)
    climb_s, fly = climb_s.astype(dtype), points.fly.astype(dtype)
    # A go-around climbs back on the rotors at about landing power, flies a circuit, tries again.
    again_s = rounds * (habits.landing_hover_s + craft.transition_height_m / craft.hover_climb_mps)
    return Times(
        lift=points.lift_s.astype(dtype) * fly,
        turn=turn_s(craft.bank_rad, tas, to.ways.turn_rad.astype(dtype)) * fly,
        climb=climb_s * fly,
        cruise=(np.maximum(fly_s - climb_s - descent_s, 0.0) + rounds * CIRCUIT_S) * fly,
        descent=descent_s * fly,
        landing=members.landing * (habits.landing_hover_s + again_s) * points.land.astype(dtype),
    )


def _powers(
    flight: Flight,
    members: Members,
    points: Departures,
    to: Destination,
    habits: Habits,
    cas: Floats,
    times: Times,
) -> Powers:
    dtype = cas.dtype
    bank = 1.0 / float(np.cos(flight.aircraft.bank_rad))
    rising = points.height_m < to.cruise_m
    rate = np.where(rising, habits.climb_mps, -habits.descent_mps).astype(dtype)
    level, sink = np.zeros(1, dtype), np.full(1, -habits.descent_mps, dtype)
    lift = np.full(1, flight.aircraft.hover_climb_mps, dtype)
    gone, air, ground = points.dropped_kg, to.cruise_air, to.ground_air.density

    cruise = wing_power_w(flight, members, air, cas, level, gone)
    lull = members.gust_w * np.sqrt(GUST_TIME_S / (GUST_TIME_S + times.cruise))
    return Powers(
        lift=hover_power_w(flight, members, ground, lift, gone),
        turn=wing_power_w(flight, members, air, cas, level, gone, bank),
        climb=wing_power_w(flight, members, air, cas, rate, gone),
        cruise=np.maximum(cruise + lull * members.gust_home, members.avionics_w),
        descent=wing_power_w(flight, members, air, cas, sink, gone),
        landing=hover_power_w(flight, members, ground, level, gone),
    )


class _Discharge:
    """Takes the phases out of the pack one after another, and watches the weakest cell."""

    def __init__(
        self, flight: Flight, table: CellTables, members: Members, ahead: Ahead, to: Destination
    ) -> None:
        self.table, self.members, self.to = table, members, to
        self.cells = float(flight.pack.series * flight.pack.parallel)
        self.warmth = ahead.warmth_k
        self.factor = self._resistance()
        self.u, self.v1, self.v2 = ahead.u, ahead.v1_v, ahead.v2_v
        self.lowest = ahead.lowest_v
        self.parts: dict[str, Floats] = {}

    def run(self, times: Times, powers: Powers, head: Floats) -> Landings:
        """The whole way."""
        if np.any(times.lift > 0.0):
            self._take("climb", powers.lift, times.lift)
            self._look(powers.lift, times.lift > 0.0)
        if np.any(times.climb > 1.0):
            self._take("climb", powers.climb, times.climb)
            self._look(powers.climb, times.climb > 1.0)
        self._cruise(times, powers)
        self._take("landing", powers.landing, times.landing)
        hover_v = self._look(powers.landing)
        seconds = times.lift + times.climb + times.turn + times.cruise + times.descent
        return Landings(seconds + times.landing, self.u, self.lowest, hover_v, head, self.parts)

    def _cruise(self, times: Times, powers: Powers) -> None:
        """Turn, cruise and descent as one stretch of their mean power, then told apart again."""
        joules = {
            "turn": powers.turn * times.turn,
            "cruise": powers.cruise * times.cruise,
            "descent": powers.descent * times.descent,
        }
        seconds = times.turn + times.cruise + times.descent
        whole = joules["turn"] + joules["cruise"] + joules["descent"]
        before = self.u
        current = self._drain(whole / np.maximum(seconds, 1e-3), seconds)
        taken = (before[:, 0] - self.u[:, 0]) * self.members.to_wh[:, 0]
        for name, part in joules.items():
            share = np.broadcast_to(part, whole.shape)[:, 0] / np.maximum(whole[:, 0], 1e-6)
            self._note(name, taken * share)
        self._warm(current, seconds)

    def _take(self, name: str, power_w: Floats, seconds: Floats) -> None:
        before = self.u
        self._drain(power_w, seconds)
        self._note(name, (before[:, 0] - self.u[:, 0]) * self.members.to_wh[:, 0])

    def _drain(self, power_w: Floats, seconds: Floats) -> Floats:
        done = drain(
            self.table, self.u, self.v1, self.v2, self.factor,
            self.members.per_ah, power_w / self.cells, seconds,
        )  # fmt: skip
        self.u, self.v1, self.v2 = done.u, done.v1, done.v2
        return done.current_a

    def _note(self, name: str, taken_wh: Floats) -> None:
        self.parts[name] = self.parts.get(name, np.zeros(1, taken_wh.dtype)) + taken_wh

    def _look(self, power_w: Floats, where: Any = True) -> Floats:
        """Weakest cell's voltage under ``power_w`` now, remembered as the lowest ``where`` true."""
        volts = loaded_v(
            self.table, self.u, self.v1, self.v2, self.factor,
            power_w / self.cells, self.members.weak_v, self.members.weak_r,
        )  # fmt: skip
        self.lowest = np.where(where, np.minimum(self.lowest, volts), self.lowest)
        return volts

    def _warm(self, current: Floats, seconds: Floats) -> None:
        """Warmth settles over the way towards what its current sustains."""
        cell = self.table.cell
        ohmic = float(np.median(self.table.r0)) + cell.r1_ohm + cell.r2_ohm
        air_k = self.to.cruise_air.temperature_c - self.members.temperature_c
        settled = cooling(cell, current, ohmic * self.factor) + air_k
        keep = relaxed(seconds, cell.heat_capacity_jpk / cell.cooling_wpk).keep
        self.warmth = settled + (self.warmth - settled) * keep
        self.factor = self._resistance()

    def _resistance(self) -> Floats:
        return self.members.resistance * thaw(
            self.table.cell, self.members.temperature_c, self.warmth
        )

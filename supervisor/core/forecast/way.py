"""Fly every member from every point of the plan to one site: turn, climb, cruise, descend, land.

Flown as the autopilot is set to do it (flight file) and as it was seen to do it (habits): at once
towards the site, climbing or descending to the return height on the way, down again at the end,
and the last part on the rotors. Arrays are (members, points) unless said otherwise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from supervisor.core.forecast.ahead import Ahead, ground_speed_mps
from supervisor.core.forecast.discharge import (
    CellTables,
    Charge,
    Floats,
    cooling,
    drain,
    expected,
    loaded_v,
    relaxed,
    thaw,
)
from supervisor.core.forecast.legs import Habits
from supervisor.core.forecast.members import (
    GUST_TIME_S,
    Air,
    Members,
    Wing,
    hover_power_w,
    once,
    turn_s,
)
from supervisor.core.forecast.way_geometry import Ways
from supervisor.core.forecast.wind_nodes import Spread
from supervisor.core.plan import Flight

CIRCUIT_S = 60.0  # on the wing between a missed landing and the next try; ours
HOTTEST_K = 60.0  # more a cell does not warm in one climb or hover and still gives current; ours


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

    def total_s(self) -> Floats:
        """Expected duration from each point, (points,)."""
        on_wing = self.turn + self.climb + self.descent + expected(self.cruise)
        total: Floats = self.lift + on_wing + expected(self.landing)
        return total


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
    hover alone. ``seconds`` and ``head_mps`` are expectations, (points,); ``parts_wh``: energy
    taken from the cells by each phase from point 0, (members,).
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
    to: list[tuple[Departures, Destination]],
    wind: tuple[Floats, Floats],
    habits: Habits,
) -> list[Landings]:
    """All members to every site, each from as many points, the first ones, as it has departures."""
    discharge = _Discharge(flight, table, members)
    left: dict[tuple[int, float], _Pack] = {}
    result: list[Landings] = []
    asked = np.full(1, flight.return_plan.airspeed_mps * habits.cas_factor, members.airspeed.dtype)
    for points, site in to:
        tas = asked * members.airspeed * members.true_cas * site.cruise_air.tas_per_cas
        fly_s, head = _time_on_ways(tas, site.ways, site.winds, wind)
        times = _times(flight, members, points, site, habits, tas, fly_s)
        powers = _powers(flight, members, points, site, habits, asked, times)
        # Sites of the same return height share the climb to it.
        start = (id(points), site.cruise_m)
        if start not in left:
            left[start] = discharge.leave(ahead.first(len(points.height_m)), times, powers)
        pack, hover_v = discharge.arrive(left[start], times, powers, site.cruise_air.temperature_c)
        result.append(
            Landings(times.total_s(), pack.charge.u, pack.lowest_v, hover_v, head, pack.parts_wh)
        )
    return result


def _time_on_ways(
    tas: Floats, ways: Ways, spreads: list[Spread], wind: tuple[Floats, Floats]
) -> tuple[Floats, Floats]:
    """(seconds on the way, its expected head wind [m/s] (points,))."""
    dtype = tas.dtype
    seconds = np.zeros(1, dtype)
    head = np.zeros(ways.length_m.shape[1])
    for p, spread in enumerate(spreads):
        length = ways.length_m[p].astype(dtype)
        along, across = spread.along_across(wind, ways.north[p], ways.east[p], dtype)
        head -= ways.length_m[p] * expected(along)
        across = ground_speed_mps(tas, along, across)
        seconds = seconds + np.divide(length, across, out=across)
    return seconds, head / np.maximum(ways.total_m, 1.0)


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
        turn=turn_s(craft.bank_rad, expected(tas), to.ways.turn_rad.astype(dtype)) * fly,
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
    asked: Floats,
    times: Times,
) -> Powers:
    dtype = asked.dtype
    bank = 1.0 / math.cos(flight.aircraft.bank_rad)
    rising = points.height_m < to.cruise_m
    rate = once(np.where(rising, habits.climb_mps, -habits.descent_mps).astype(dtype))
    level, sink = np.zeros(1, dtype), np.full(1, -habits.descent_mps, dtype)
    lift = np.full(1, flight.aircraft.hover_climb_mps, dtype)
    gone = once(points.dropped_kg.astype(dtype))
    air, ground = to.cruise_air, to.ground_air.density

    wing = Wing(flight, members, air, asked, gone)
    straight, turning = wing.drag_w(), wing.drag_w(bank)
    cruise = wing.power_w(straight, level)
    lull = members.gust_w * np.sqrt(GUST_TIME_S / (GUST_TIME_S + expected(times.cruise)))
    return Powers(
        lift=hover_power_w(flight, members, ground, lift, gone) if times.lift.any() else level,
        turn=wing.power_w(turning, level),
        climb=wing.power_w(straight, rate),
        cruise=np.maximum(cruise + lull * members.gust_home, members.avionics_w),
        descent=wing.power_w(straight, sink),
        landing=hover_power_w(flight, members, ground, level, gone),
    )


@dataclass(frozen=True, slots=True)
class _Pack:
    """The members' cells on their way, and what has been seen of them so far."""

    charge: Charge
    warmth_k: Floats
    lowest_v: Floats
    parts_wh: dict[str, Floats]


class _Discharge:
    """Takes the phases of a way out of the pack one after another, and watches the weakest cell."""

    def __init__(self, flight: Flight, table: CellTables, members: Members) -> None:
        self.table, self.members = table, members
        self.cells = float(flight.pack.series * flight.pack.parallel)

    def leave(self, ahead: Ahead, times: Times, powers: Powers) -> _Pack:
        """Up on the rotors where it stands on them, and to the return height: same for any site."""
        pack = _Pack(ahead.charge, ahead.warmth_k, ahead.lowest_v, {})
        for power_w, seconds in ((powers.lift, times.lift), (powers.climb, times.climb)):
            if (seconds > 1.0).any():
                pack = self._take(pack, "climb", power_w * seconds, seconds)
                pack = replace(
                    pack,
                    lowest_v=np.where(
                        seconds > 1.0,
                        np.minimum(pack.lowest_v, self._loaded(pack, power_w)),
                        pack.lowest_v,
                    ),
                )
        return pack

    def arrive(
        self, pack: _Pack, times: Times, powers: Powers, air_c: Floats
    ) -> tuple[_Pack, Floats]:
        """Turn, cruise, descend and land; (pack, weakest cell at the end of the landing hover).

        Turn, cruise and descent are one stretch of their mean power, told apart for the ledger.
        """
        parts = {
            "turn": powers.turn * times.turn,
            "cruise": powers.cruise * times.cruise,
            "descent": powers.descent * times.descent,
        }
        seconds = times.cruise + (times.turn + times.descent)
        energy = parts["turn"] + parts["descent"]
        energy = parts["cruise"] + energy
        before = pack
        pack = self._take(pack, "", energy, seconds, air_c)
        taken = pack.parts_wh.pop("")
        shares = {
            name: taken * part[:, 0] / np.maximum(energy[:, 0], 1.0) for name, part in parts.items()
        }
        pack = replace(pack, parts_wh={**before.parts_wh, **shares})
        pack = self._take(pack, "landing", powers.landing * times.landing, times.landing)
        hover_v = self._loaded(pack, powers.landing)
        return replace(pack, lowest_v=np.minimum(pack.lowest_v, hover_v)), hover_v

    def _take(
        self,
        pack: _Pack,
        name: str,
        energy_j: Floats,
        seconds: Floats,
        air_c: Floats | None = None,
    ) -> _Pack:
        factor = self._resistance(pack)
        m = self.members
        charge, current = drain(
            self.table, pack.charge, factor, m.slow_ohm, m.per_ah, energy_j / self.cells, seconds
        )
        taken = (pack.charge.u[:, 0] - charge.u[:, 0]) * m.to_wh[:, 0]
        parts = {**pack.parts_wh, name: pack.parts_wh.get(name, 0.0) + taken}
        if air_c is None:
            warmth = self._heated(pack.warmth_k, factor, current, seconds)
        else:
            warmth = self._warmer(pack.warmth_k, factor, current, seconds, air_c)
        return _Pack(charge, warmth, pack.lowest_v, parts)

    def _loaded(self, pack: _Pack, power_w: Floats) -> Floats:
        m = self.members
        factor = self._resistance(pack)
        return loaded_v(
            self.table, pack.charge, factor, power_w / self.cells, m.weak_v, m.weak_r, m.weak_lost
        )

    def _heated(self, warmth: Floats, factor: Floats, current: Floats, seconds: Floats) -> Floats:
        """A hover or a climb is too short to shed its heat: I^2 R t / C, R what answers at once.

        Held at ``HOTTEST_K`` for powers that no pack gives: a voltage has long said so then.
        """
        cell = self.table.cell
        per_ohm = seconds * ((self.table.usual_r0 + cell.r1_ohm) / cell.heat_capacity_jpk)
        result: Floats = warmth + np.minimum(current * current * factor * per_ohm, HOTTEST_K)
        return result

    def _warmer(
        self, warmth: Floats, factor: Floats, current: Floats, seconds: Floats, air_c: Floats
    ) -> Floats:
        """Warmth settles over the way towards what its current sustains."""
        cell = self.table.cell
        ohmic = self.members.slow_ohm + (self.table.usual_r0 + cell.r1_ohm)
        keep = relaxed(expected(seconds), cell.heat_capacity_jpk / cell.cooling_wpk).keep
        settled = cooling(cell, current, ohmic * factor)
        settled += air_c - self.members.temperature_c
        settled *= 1.0 - keep
        settled += keep * warmth
        return settled

    def _resistance(self, pack: _Pack) -> Floats:
        m = self.members
        return m.resistance * thaw(self.table.cell, m.temperature_c, pack.warmth_k)


def joined_landings(parts: list[Landings]) -> Landings:
    """Batches of members, one after another; expectations averaged by their number."""
    if len(parts) == 1:
        return parts[0]
    sizes = [len(p.u) for p in parts]

    def mean(values: list[Floats]) -> Floats:
        result: Floats = np.average(values, axis=0, weights=sizes)
        return result

    return Landings(
        mean([p.seconds for p in parts]),
        np.concatenate([p.u for p in parts]),
        np.concatenate([p.lowest_v for p in parts]),
        np.concatenate([p.hover_v for p in parts]),
        mean([p.head_mps for p in parts]),
        {
            name: np.concatenate([np.broadcast_to(p.parts_wh[name], len(p.u)) for p in parts])
            for name in parts[0].parts_wh
        },
    )

"""Fly every member on along the plan.

Shapes: M members, K points (point 0 is now, point k the end of stretch k - 1), arrays (M, K).
Energies per cell as ``u`` (see ``discharge.py``). Times in seconds from now.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from supervisor.core.forecast.discharge import (
    LOSS_GUESS,
    CellTables,
    Charge,
    cooling,
    current_a,
    loaded_v,
    relaxed,
    thaw,
)
from supervisor.core.forecast.legs import Kind, Stretch
from supervisor.core.forecast.members import (
    GUST_TIME_S,
    Air,
    Members,
    Wing,
    hover_power_w,
)
from supervisor.core.plan import Flight

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]

SLOWEST_MPS = 1.0  # ground speed under which a leg counts as impossible rather than endless
AMPLE_V = 9.0  # stands for "no voltage question here"


@dataclass(frozen=True, slots=True)
class Ahead:
    """The members at every point of the plan, (members, points)."""

    t_s: Floats
    charge: Charge
    warmth_k: Floats  # cell temperature less the member's temperature now
    lowest_v: Floats  # lowest voltage of the weakest cell under load on the way to here
    ground_mps: Floats  # (points - 1) of each stretch

    def first(self, count: int) -> Ahead:
        """The first ``count`` points only."""
        c = self.charge
        return Ahead(
            self.t_s[:, :count],
            Charge(c.u[:, :count], c.v1[:, :count], c.v2[:, :count]),
            self.warmth_k[:, :count],
            self.lowest_v[:, :count],
            self.ground_mps[:, : count - 1],
        )


def joined_ahead(parts: list[Ahead]) -> Ahead:
    """Batches of members, one after another."""
    if len(parts) == 1:
        return parts[0]
    charges = [part.charge for part in parts]
    return Ahead(
        np.concatenate([p.t_s for p in parts]),
        Charge(
            np.concatenate([c.u for c in charges]),
            np.concatenate([c.v1 for c in charges]),
            np.concatenate([c.v2 for c in charges]),
        ),
        np.concatenate([p.warmth_k for p in parts]),
        np.concatenate([p.lowest_v for p in parts]),
        np.concatenate([p.ground_mps for p in parts]),
    )


def ground_speed_mps(tas: Floats, along: Floats, across: Floats) -> Floats:
    """Wind triangle: sqrt(V^2 - across^2) + along, held above ``SLOWEST_MPS``."""
    speed = across * across
    np.subtract(tas * tas, speed, out=speed)
    np.maximum(speed, 0.0, out=speed)
    np.sqrt(speed, out=speed)
    speed += along
    np.maximum(speed, SLOWEST_MPS, out=speed)
    return speed


@dataclass(frozen=True, slots=True)
class Columns:
    """A list of stretches as (stretches,) arrays."""

    kind: NDArray[np.int8]
    length_m: Floats
    north: Floats
    east: Floats
    cas_mps: Floats
    climb_mps: Floats
    dwell_s: Floats
    dropped_kg: Floats
    mid_height_m: Floats

    @classmethod
    def of(cls, stretches: list[Stretch], dtype: Any) -> Columns:
        """Gathered once a forecast."""
        rows = np.array(
            [
                (
                    s.length_m,
                    s.end[0] - s.start[0],
                    s.end[1] - s.start[1],
                    s.cas_mps,
                    s.climb_mps,
                    s.dwell_s,
                    s.dropped_kg,
                    0.5 * (s.start_height_m + s.end_height_m),
                )
                for s in stretches
            ]
        ).reshape(-1, 8)
        unit = rows[:, 1:3] / np.maximum(rows[:, :1], 1e-9)
        kind = np.array([s.kind for s in stretches], dtype=np.int8)
        length, cas, climb, dwell, drop, height = rows[:, (0, 3, 4, 5, 6, 7)].astype(dtype).T
        return cls(kind, length, unit[:, 0], unit[:, 1], cas, climb, dwell, drop, height)


def _stretch_power_w(flight: Flight, members: Members, air: Air, legs: Columns) -> Floats:
    """(M, S) electrical power on every stretch."""
    bank = flight.aircraft.bank_rad
    load = np.where(legs.kind == Kind.CIRCLE, 1.0 / np.cos(bank), 1.0).astype(air.density.dtype)
    cas = np.where(legs.cas_mps > 1.0, legs.cas_mps, flight.aircraft.cruise_mps)
    cas = cas.astype(air.density.dtype)
    wing = Wing(flight, members, air, cas, legs.dropped_kg)
    power = wing.power_w(wing.drag_w(load), legs.climb_mps)
    hover = np.flatnonzero(legs.kind == Kind.HOVER)
    if len(hover):
        power[:, hover] = hover_power_w(
            flight, members, air.density[hover], legs.climb_mps[hover], legs.dropped_kg[hover]
        )
    power[:, legs.kind == Kind.GROUND] = members.avionics_w
    return power


def _stretch_seconds(
    members: Members, air: Air, legs: Columns, wind: tuple[Floats, Floats]
) -> tuple[Floats, Floats]:
    """(M, S) durations, and ground speeds where it moves."""
    tas = legs.cas_mps * air.tas_per_cas * (members.airspeed * members.true_cas)
    ground = ground_speed_mps(tas, *wind)
    moving = legs.kind == Kind.WING
    landing = (legs.kind == Kind.HOVER) & (legs.climb_mps <= 0.0)
    dwell = np.where(landing, legs.dwell_s * members.landing, legs.dwell_s)
    return np.where(moving, legs.length_m / ground, dwell), ground


def fly_plan(
    flight: Flight,
    table: CellTables,
    members: Members,
    air: Air,
    legs: Columns,
    wind: tuple[Floats, Floats],
    gusts: Floats,
) -> Ahead:
    """Along the plan. ``gusts`` (M, S): standard normals, one a stretch."""
    seconds, ground = _stretch_seconds(members, air, legs, wind)
    power = _stretch_power_w(flight, members, air, legs)
    lull = members.gust_w * np.sqrt(GUST_TIME_S / (GUST_TIME_S + seconds))
    power = np.maximum(power + lull * gusts, members.avionics_w)
    cells = float(flight.pack.series * flight.pack.parallel)
    p_cell = power / cells
    cell = table.cell

    # First guess of the current everywhere, relaxations settled; it carries v1, v2 and warmth.
    used = p_cell * seconds * members.per_ah * LOSS_GUESS
    u_mid = members.u - np.cumsum(used, axis=1) + 0.5 * used
    ocv, r0 = table.at(u_mid)
    settled = (r0 + (members.slow_ohm + cell.r1_ohm)) * members.resistance
    guess = current_a(ocv, settled, p_cell)
    warmth = _settle(
        np.zeros_like(members.u),
        cooling(cell, guess, settled) + (air.temperature_c - members.temperature_c),
        relaxed(seconds, cell.heat_capacity_jpk / cell.cooling_wpk).keep,
    )
    factor = members.resistance * thaw(cell, members.temperature_c, warmth)
    one, two = relaxed(seconds, cell.tau1_s), relaxed(seconds, cell.tau2_s)
    r1, r2 = factor[:, 1:] * cell.r1_ohm, factor[:, 1:] * members.slow_ohm
    v1 = _settle(members.v1_v, guess * r1, one.keep)
    v2 = _settle(members.v2_v, guess * r2, two.keep)

    source = ocv - one.mean * v1[:, :-1] - two.mean * v2[:, :-1]
    total = r0 * factor[:, 1:] + (1.0 - one.mean) * r1 + (1.0 - two.mean) * r2
    current = current_a(source, total, p_cell)
    u = np.empty_like(v1)
    u[:, :1] = members.u
    u[:, 1:] = members.u - np.cumsum(ocv * current * seconds * members.per_ah, axis=1)
    t = np.zeros_like(v1)
    np.cumsum(seconds, axis=1, out=t[:, 1:])
    charge = Charge(u, v1, v2)
    lowest = _lowest_on_rotors(table, members, legs, charge, factor, p_cell)
    return Ahead(t, charge, warmth, lowest, ground)


def _settle(start: Floats, target: Floats, keep: Floats) -> Floats:
    """x[k+1] = target[k] + (x[k] - target[k]) keep[k], along the points; start is (M, 1).

    Made point by point, then brought into the order in memory of all the others: left as it is made
    it would cost twenty times what that takes in everything that meets it.
    """
    count, steps = target.shape
    x = np.empty((steps + 1, count), dtype=target.dtype)
    x[0] = start[:, 0]
    np.multiply(target.T, 1.0 - keep.T, out=x[1:])
    for before, after, share in zip(x[:-1], x[1:], keep.T.copy(), strict=True):
        after += before * share
    return x.T.copy()


def _lowest_on_rotors(
    table: CellTables,
    members: Members,
    legs: Columns,
    charge: Charge,
    factor: Floats,
    p_cell: Floats,
) -> Floats:
    """Running minimum of the weakest cell's voltage at the end of every stretch on the rotors."""
    hover = np.flatnonzero(legs.kind == Kind.HOVER)
    if not len(hover):
        return np.full_like(members.u, AMPLE_V)
    lowest = np.full_like(charge.u, AMPLE_V)
    end = hover + 1
    there = Charge(charge.u[:, end], charge.v1[:, end], charge.v2[:, end])
    lowest[:, end] = loaded_v(
        table,
        there,
        factor[:, end],
        p_cell[:, hover],
        members.weak_v,
        members.weak_r,
        members.weak_lost,
    )
    return np.minimum.accumulate(lowest, axis=1)

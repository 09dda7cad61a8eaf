"""How a pack empties over a stretch of constant power, in closed form, for many members at once.

The state is the open-circuit energy left per ampere-hour of a cell, ``u`` [Wh/Ah]: the integral of
OCV over charge. It falls at OCV times current, so its difference over a stretch is the energy
delivered plus what the resistances ate, and the pack's energy left is ``u * capacity * series``.

Over a stretch of ``t`` seconds at constant power both relaxations follow a constant current I,

    v(t) = I R + (v0 - I R) exp(-t/tau),   mean v = I R (1 - a) + v0 a,   a = (1 - exp(-t/tau)) tau/t

so that I solves the circuit's quadratic with source E = OCV - a1 v1 - a2 v2 and resistance
R0 + (1 - a1) R1 + (1 - a2) R2, OCV and R0 taken at the middle of the stretch. One midpoint step
over an hour of cruise is within 0.1 % of fine steps (tests/core/test_discharge.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from supervisor.core.cells import energy_grid_wh
from supervisor.core.constants import KELVIN
from supervisor.core.plan import Cell

Floats = NDArray[np.floating[Any]]

NODES = 512  # of the tables over u: 8 mWh/Ah apart
LOSS_GUESS = 1.03  # open-circuit over delivered energy, to find the middle of a stretch


@dataclass(frozen=True, slots=True)
class CellTables:
    """OCV [V] and R0 [ohm at 25 degC] over u, at equal steps, with slopes for interpolation."""

    cell: Cell
    step: float
    ocv: Floats
    ocv_slope: Floats
    r0: Floats
    r0_slope: Floats

    def at(self, u: Floats) -> tuple[Floats, Floats]:
        """(OCV, R0) at ``u``; held at full, and at empty."""
        x = np.clip(u, 0.0, self.step * (NODES - 1.001)) * np.asarray(1.0 / self.step, u.dtype)
        index = x.astype(np.int32)
        x -= index
        return (
            self.ocv[index] + x * self.ocv_slope[index],
            self.r0[index] + x * self.r0_slope[index],
        )


def tables(cell: Cell, dtype: Any) -> CellTables:
    """Tables of ``cell``."""
    grid, below = energy_grid_wh(cell)
    # A fine charge grid, because u is a curved function of charge between the knots of OCV.
    charge = np.linspace(0.0, 1.0, 4001)
    ocv = np.interp(charge, grid, cell.ocv_v)
    u = np.concatenate([[0.0], np.cumsum(0.5 * (ocv[1:] + ocv[:-1]) * np.diff(charge))])
    u *= below[-1] / u[-1]
    nodes = np.linspace(0.0, u[-1], NODES)
    at_node = np.interp(nodes, u, charge)
    ocv_n = np.interp(at_node, grid, cell.ocv_v)
    r0_n = np.interp(at_node, grid, cell.r0_ohm)
    return CellTables(
        cell,
        float(nodes[1]),
        ocv_n.astype(dtype),
        np.append(np.diff(ocv_n), 0.0).astype(dtype),
        r0_n.astype(dtype),
        np.append(np.diff(r0_n), 0.0).astype(dtype),
    )


def u_of_charge(cell: Cell, charge: Floats) -> Floats:
    """Energy left per Ah [Wh/Ah] at ``charge`` 0..1, as ``cells.pack_energy_wh`` counts it."""
    grid, below = energy_grid_wh(cell)
    return np.interp(charge, grid, below)


@dataclass(frozen=True, slots=True)
class Relaxed:
    """What a stretch's length does to one relaxation: ``keep`` = exp(-t/tau), ``mean`` = a."""

    keep: Floats
    mean: Floats


def relaxed(t_s: Floats, tau_s: float) -> Relaxed:
    """For a stretch of ``t_s``; a tends to 1 as the stretch tends to nothing."""
    x = np.maximum(t_s, 1e-3) * np.asarray(1.0 / tau_s, t_s.dtype)
    keep = np.exp(-x)
    return Relaxed(keep, (1.0 - keep) / x)


@dataclass(frozen=True, slots=True)
class Drain:
    """What a stretch took, per cell: current [A], u after it, relaxations after it."""

    current_a: Floats
    u: Floats
    v1: Floats
    v2: Floats


def drain(
    table: CellTables,
    u: Floats,
    v1: Floats,
    v2: Floats,
    resistance: Floats,
    per_ah: Floats,
    power_w: Floats,
    t_s: Floats,
) -> Drain:
    """After ``t_s`` at ``power_w`` per cell. ``resistance``: factor on all three resistances
    (scale and temperature together); ``per_ah``: 1 / (3600 s/h times the cell's capacity [Ah])."""
    cell = table.cell
    one, two = relaxed(t_s, cell.tau1_s), relaxed(t_s, cell.tau2_s)
    ocv, r0 = table.at(u - (0.5 * LOSS_GUESS) * power_w * t_s * per_ah)
    r1, r2 = resistance * cell.r1_ohm, resistance * cell.r2_ohm
    source = ocv - one.mean * v1 - two.mean * v2
    total = r0 * resistance + (1.0 - one.mean) * r1 + (1.0 - two.mean) * r2
    current = current_a(source, total, power_w)
    return Drain(
        current,
        u - ocv * current * t_s * per_ah,
        current * r1 + (v1 - current * r1) * one.keep,
        current * r2 + (v2 - current * r2) * two.keep,
    )


def current_a(source_v: Floats, resistance_ohm: Floats, power_w: Floats) -> Floats:
    """I = 2 P / (E + sqrt(E^2 - 4 R P)): the smaller root, in the form that keeps its digits when
    R is small; at the maximum-power point when P is more than the cell can give."""
    root = source_v * source_v - 4.0 * resistance_ohm * power_w
    capped = np.minimum(power_w, source_v * source_v / (4.0 * resistance_ohm))
    result: Floats = 2.0 * capped / (source_v + np.sqrt(np.maximum(root, 0.0)))
    return result


def loaded_v(
    table: CellTables,
    u: Floats,
    v1: Floats,
    v2: Floats,
    resistance: Floats,
    power_w: Floats,
    weak_v: Floats,
    weak_r: Floats,
) -> Floats:
    """Terminal voltage [V] of the weakest cell under ``power_w`` per cell at this moment.

    The string's current is set by the mean cell; the weakest one stands ``weak_v`` lower at rest
    and drops ``weak_r`` times as much under load.
    """
    ocv, r0 = table.at(u)
    r0 = r0 * resistance
    current = current_a(ocv - v1 - v2, r0, power_w)
    result: Floats = ocv - weak_v - weak_r * (v1 + v2 + current * r0)
    return result


def cooling(cell: Cell, current_a: Floats, resistance_ohm: Floats) -> Floats:
    """How far above the air [K] a cell settles at this current: I^2 R / cooling."""
    result: Floats = current_a * current_a * resistance_ohm / cell.cooling_wpk
    return result


def thaw(cell: Cell, base_c: Floats, rise_k: Floats) -> Floats:
    """Factor on resistance when a cell at ``base_c`` warms by ``rise_k``: second order of the law."""
    slope = -cell.resistance_temperature_k / ((base_c + KELVIN) * (base_c + KELVIN))
    x = slope * rise_k
    result: Floats = 1.0 + x + 0.5 * x * x
    return result

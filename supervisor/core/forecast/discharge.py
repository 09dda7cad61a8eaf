"""How a pack empties over a stretch of constant power, in closed form, for many members at once.

The state is the open-circuit energy left per ampere-hour of a cell, ``u`` [Wh/Ah]: the integral of
OCV over charge. It falls at OCV times current, so its difference over a stretch is the energy
delivered plus what the resistances ate, and the pack's energy left is ``u * capacity * series``.

Over a stretch of ``t`` seconds at constant power both relaxations follow a constant current I,

    v(t) = I R + (v0 - I R) exp(-t/tau),  mean v = I R (1 - a) + v0 a,  a = (1 - exp(-t/tau)) tau/t

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

NODES = 4096  # of the tables over u: 0.9 mWh/Ah apart, where OCV changes by about 0.3 mV
DEAD_V = 2.0  # twice one volt: below it a cell is nothing but a resistor
LOSS_GUESS = 1.03  # open-circuit over delivered energy, to find the middle of a stretch


def expected(by_member: NDArray[Any], dtype: Any = None) -> NDArray[Any]:
    """Mean over the members: ``mean(axis=0)`` to the last bit, at half of its overhead."""
    result: NDArray[Any] = np.add.reduce(by_member, dtype=dtype) / len(by_member)
    return result


@dataclass(frozen=True, slots=True)
class CellTables:
    """OCV [V] and R0 [ohm at 25 degC] over u, at equal steps; the nearest node answers."""

    cell: Cell
    per_step: float
    ocv: Floats
    r0: Floats
    charge: Floats  # 0..1 over u
    ocv_by_charge: Floats
    r0_by_charge: Floats
    usual_r0: float  # the middle one: for heat, where the charge hardly matters

    def at(self, u: Floats) -> tuple[Floats, Floats]:
        """(OCV, R0) at ``u``; held at full, and at empty."""
        index = (u * self.per_step).astype(np.intp)
        return self.ocv.take(index, mode="clip"), self.r0.take(index, mode="clip")

    def weak_at(self, u: Floats, lost: Floats) -> tuple[Floats, Floats]:
        """(OCV, R0) of a cell smaller by ``lost`` when the mean cell has ``u``."""
        whole = self.charge.take((u * self.per_step).astype(np.intp), mode="clip")
        weak = (whole - lost) / (1.0 - lost)
        index = (weak * (NODES - 1) + 0.5).astype(np.intp)
        return (
            self.ocv_by_charge.take(index, mode="clip"),
            self.r0_by_charge.take(index, mode="clip"),
        )


def tables(cell: Cell, dtype: Any) -> CellTables:
    """Tables of ``cell``."""
    grid, below = energy_grid_wh(cell)
    # A fine charge grid, because u is a curved function of charge between the knots of OCV.
    charge = np.linspace(0.0, 1.0, 4 * NODES + 1)
    ocv = np.interp(charge, grid, cell.ocv_v)
    u = np.concatenate([[0.0], np.cumsum(0.5 * (ocv[1:] + ocv[:-1]) * np.diff(charge))])
    u *= below[-1] / u[-1]
    middles = (np.arange(NODES) + 0.5) * (u[-1] / NODES)
    at_node = np.interp(middles, u, charge)
    r0 = np.interp(at_node, grid, cell.r0_ohm).astype(dtype)
    return CellTables(
        cell,
        NODES / float(u[-1]),
        np.interp(at_node, grid, cell.ocv_v).astype(dtype),
        r0,
        at_node.astype(dtype),
        np.interp(np.linspace(0.0, 1.0, NODES), grid, cell.ocv_v).astype(dtype),
        np.interp(np.linspace(0.0, 1.0, NODES), grid, cell.r0_ohm).astype(dtype),
        float(np.median(r0)),
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
class Charge:
    """The state of a cell, for all members: u [Wh/Ah] and both relaxations [V]."""

    u: Floats
    v1: Floats
    v2: Floats


def drain(
    table: CellTables,
    cell: Charge,
    resistance: Floats,
    slow_ohm: Floats,
    per_ah: Floats,
    energy_j: Floats,
    t_s: Floats,
) -> tuple[Charge, Floats]:
    """(state after ``energy_j`` was taken from a cell in ``t_s``, the current [A] of it).

    ``resistance``: factor on all three resistances (scale and temperature together); ``slow_ohm``:
    the slow relaxation's, which is not the table's alone (it is learned in flight); ``per_ah``:
    1 / (3600 s/h times the cell's capacity [Ah]). The relaxations take the members' mean duration:
    what a few per cent of it do to an exponential is far below a millivolt.
    """
    spec = table.cell
    mean_s = expected(t_s) if t_s.shape[0] > 1 and t_s.ndim > 1 else t_s
    one, two = relaxed(mean_s, spec.tau1_s), relaxed(mean_s, spec.tau2_s)
    drawn = energy_j * per_ah
    ocv, r0 = table.at(cell.u - (0.5 * LOSS_GUESS) * drawn)
    source = ocv - one.mean * cell.v1
    source -= two.mean * cell.v2
    r0 += (1.0 - one.mean) * spec.r1_ohm
    r0 += (1.0 - two.mean) * slow_ohm
    r0 = r0 * resistance
    current = current_a(source, r0, energy_j / np.maximum(t_s, 1e-3))
    ocv *= current
    ocv *= t_s * per_ah
    drop = current * resistance
    v1 = drop * (spec.r1_ohm * (1.0 - one.keep))
    v1 += one.keep * cell.v1
    v2 = np.multiply(drop, (1.0 - two.keep) * slow_ohm, out=drop)
    v2 += two.keep * cell.v2
    return Charge(cell.u - ocv, v1, v2), current


def current_a(source_v: Floats, resistance_ohm: Floats, power_w: Floats) -> Floats:
    """I = 2 P / (E + sqrt(E^2 - 4 R P)): the smaller root, in the form that keeps its digits when
    R is small. When P is more than the cell can give the root is taken as zero: the voltage under
    that current is then below E/2, which no policy's lowest voltage allows. Long after empty, where
    the relaxations alone exceed the OCV, the divisor is held at ``DEAD_V``: more time drawn from a
    dead pack must make it emptier, never fuller."""
    root = resistance_ohm * power_w
    root *= -4.0
    root += source_v * source_v
    np.maximum(root, 0.0, out=root)
    np.sqrt(root, out=root)
    root += source_v
    np.maximum(root, DEAD_V, out=root)
    np.divide(2.0 * power_w, root, out=root)
    return root


def loaded_v(
    table: CellTables,
    cell: Charge,
    resistance: Floats,
    power_w: Floats,
    weak_v: Floats,
    weak_r: Floats,
    weak_lost: Floats | None = None,
) -> Floats:
    """Terminal voltage [V] of the weakest cell under ``power_w`` per cell at this moment.

    The string's current is set by the mean cell; the weakest one is emptier by ``weak_lost`` of
    its capacity, stands ``weak_v`` lower at rest and drops ``weak_r`` times as much under load.
    """
    ocv, r0 = table.at(cell.u)
    slow = cell.v1 + cell.v2
    current = current_a(ocv - slow, r0 * resistance, power_w)
    if weak_lost is not None:
        ocv, r0 = table.weak_at(cell.u, weak_lost)
    current *= r0
    current *= resistance
    current += slow
    current *= weak_r
    ocv -= weak_v
    return ocv - current


def cooling(cell: Cell, current_a: Floats, resistance_ohm: Floats) -> Floats:
    """How far above the air [K] a cell settles at this current: I^2 R / cooling."""
    result: Floats = current_a * current_a * resistance_ohm / cell.cooling_wpk
    return result


def thaw(cell: Cell, base_c: Floats, rise_k: Floats) -> Floats:
    """Factor on resistance when a cell at ``base_c`` warms by ``rise_k``, to second order."""
    slope = -cell.resistance_temperature_k / ((base_c + KELVIN) * (base_c + KELVIN))
    x = slope * rise_k
    # 1 + x + x^2 / 2
    result: Floats = 0.5 * x
    result *= x
    x += 1.0
    result += x
    return result

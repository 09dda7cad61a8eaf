"""The pack as it really is: cell groups in series, each its own, the weakest deciding.

Per group: own capacity, own resistance factor, own charge. Common to all: current, temperature and
the two relaxation voltages of a cell of factor one (relaxation is linear in current, so a group's
is the common one times its factor). Terminal: sum(OCV_i - f_i (v1 + v2)) - I sum(f_i R0_i).
Discharge current positive; v and R per cell, I/parallel per cell.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from random import Random
from typing import NamedTuple

from sim.cells import KNOTS, Cell, fine, warmth

REFRESH = 2e-4  # of the capacity
CUT_OFF_AFTER_S = 2.0  # a monitor opens the pack when a group stays below cut-off this long


@dataclass(frozen=True, slots=True)
class PackBuild:
    """What a pack is made of, in truth; factors on the cell type's new values."""

    cell: Cell
    series: int
    parallel: int
    capacity_ah: float  # mean over the groups, whole pack
    resistance: float
    age: float  # 0 new .. 1 end of life: 20 % capacity gone, resistance + 60 %
    capacity_sd: float
    resistance_sd: float
    cold_sensitivity: float = 1.0  # factor on the cell's temperature exponents
    cooling_wpk: float = 0.9  # of the whole pack in its bay; grows with airspeed
    case_jpk: float = 300.0
    wiring_ohm: float = 0.004

    @property
    def heat_jpk(self) -> float:
        """Heat capacity of the whole pack [J/K]."""
        return self.series * self.parallel * self.cell.heat_jpk + self.case_jpk


@dataclass(slots=True)
class PackLedger:
    """Where the open-circuit energy went [Wh]."""

    delivered_wh: float = 0.0
    ohmic_wh: float = 0.0
    relaxation_wh: float = 0.0

    @property
    def total_wh(self) -> float:
        """All of it."""
        return self.delivered_wh + self.ohmic_wh + self.relaxation_wh


class Pack:
    """State of one pack in flight.

    What depends on charge and temperature is looked up anew when the charge has moved by a little
    (REFRESH); between, the open-circuit voltage follows its slope.
    """

    __slots__ = (
        "_below_s", "_fresh", "_tables", "_used_ah", "build", "capacity_ah", "current_a", "cut_off",
        "energy_left_wh", "factor", "full", "ledger", "lowest_cell_v", "lowest_ever_v",
        "temperature_c", "v1", "v2", "voltage_v",
    )  # fmt: skip

    def __init__(
        self, build: PackBuild, charge: float, temperature_c: float, random: Random
    ) -> None:
        self.build = build
        fade = (1.0 - 0.2 * build.age) * build.capacity_ah
        self.capacity_ah = [
            fade * math.exp(random.gauss(0.0, build.capacity_sd)) for _ in range(build.series)
        ]
        rise = build.resistance * (1.0 + 0.6 * build.age)
        self.factor = [
            rise * math.exp(random.gauss(0.0, build.resistance_sd)) for _ in range(build.series)
        ]
        self.full = [charge] * build.series  # charge of each group before any was used
        self._used_ah = 0.0
        self._tables = _tables(build.cell)
        self.temperature_c = temperature_c
        self.v1 = self.v2 = self.current_a = 0.0
        self._below_s = 0.0
        self.cut_off = False
        self.ledger = PackLedger()
        self.energy_left_wh = self.stored_wh()
        self._fresh = self._look_up()
        self.voltage_v = self._fresh.open_v
        self.lowest_cell_v = min(self.cell_v)
        self.lowest_ever_v = math.inf

    def copy(self) -> Pack:
        """An independent copy; what never changes in flight is shared."""
        twin = object.__new__(Pack)
        for name in Pack.__slots__:
            setattr(twin, name, getattr(self, name))
        twin.ledger = replace(self.ledger)
        return twin

    def weaken_group(self, index: int, capacity: float, resistance: float) -> None:
        """Before the first load: factors on one group's capacity and resistance."""
        self.capacity_ah[index] *= capacity
        self.factor[index] *= resistance
        self.energy_left_wh = self.stored_wh()
        self._fresh = self._look_up()

    @property
    def charge(self) -> list[float]:
        """Charge of each group, 0..1 of its own capacity."""
        used = self._used_ah
        return [c - used / q for c, q in zip(self.full, self.capacity_ah, strict=True)]

    @property
    def soc(self) -> float:
        """Charge of the string: that of its emptiest group."""
        return min(self.charge)

    @property
    def cell_v(self) -> list[float]:
        """Terminal voltage of each group [V]."""
        fresh, v12, current = self._fresh, self.v1 + self.v2, self.current_a
        return [
            e - f * v12 - current * r
            for e, f, r in zip(fresh.group_v, self.factor, fresh.group_ohm, strict=True)
        ]

    def stored_wh(self) -> float:
        """Open-circuit energy [Wh] that the string can give until its weakest group is empty."""
        below, charge = self._tables.below_wh, self.charge
        out_ah = min(c * q for c, q in zip(charge, self.capacity_ah, strict=True))
        return sum(
            q * (_at(below, c) - _at(below, c - out_ah / q))
            for c, q in zip(charge, self.capacity_ah, strict=True)
        )

    def _look_up(self) -> _Fresh:
        """Everything that depends on charge and temperature, now."""
        build, tables, charge = self.build, self._tables, self.charge
        cell, cold, t = build.cell, build.cold_sensitivity, self.temperature_c
        per_cell = warmth(cold * cell.k0_k, t) / build.parallel
        group_v = [_at(tables.ocv_v, c) for c in charge]
        group_ohm = [
            f * _at(tables.r0_ohm, c) * per_cell for c, f in zip(charge, self.factor, strict=True)
        ]
        v12 = self.v1 + self.v2
        loaded = [
            e - f * v12 - self.current_a * r
            for e, f, r in zip(group_v, self.factor, group_ohm, strict=True)
        ]
        open_v, middle = sum(group_v), charge[0]
        lower = sum(_at(tables.ocv_v, c - 1e-3) for c in charge)
        return _Fresh(
            at_ah=self._used_ah,
            until_ah=self._used_ah + REFRESH * build.capacity_ah,
            group_v=group_v,
            group_ohm=group_ohm,
            weakest=loaded.index(min(loaded)),
            open_v=open_v,
            slope_vpah=(open_v - lower) / (1e-3 * self.capacity_ah[0]),
            ohm=sum(group_ohm) + build.wiring_ohm,
            factors=sum(self.factor),
            r1_ohm=_at(tables.r1_ohm, middle) * warmth(cold * cell.k1_k, t) / build.parallel,
            r2_ohm=_at(tables.r2_ohm, middle) * warmth(cold * cell.k2_k, t) / build.parallel,
        )

    def step(self, power_w: float, dt_s: float, air_c: float, tas_mps: float) -> float:
        """Deliver ``power_w`` [W] for ``dt_s`` [s]; returns the power really delivered [W].

        I is the smaller root of P = I (E - I R); when P > E^2/(4R) the pack collapses to its
        maximum-power current, which the cut-off then ends.
        """
        if self._used_ah >= self._fresh.until_ah:
            self._fresh = self._look_up()
        fresh, v12 = self._fresh, self.v1 + self.v2
        fallen_v = fresh.slope_vpah * (self._used_ah - fresh.at_ah)
        open_v = fresh.open_v - fallen_v
        e, r = open_v - v12 * fresh.factors, fresh.ohm
        root = e * e - 4.0 * r * power_w
        current = (e - math.sqrt(root)) / (2.0 * r) if root > 0.0 else e / (2.0 * r)
        if self.cut_off:
            current = 0.0
        self.current_a, self.voltage_v = current, e - current * r
        weak = fresh.weakest
        self.lowest_cell_v = low = (
            fresh.group_v[weak]
            - fallen_v / len(self.factor)
            - self.factor[weak] * v12
            - current * fresh.group_ohm[weak]
        )
        if low < self.lowest_ever_v:
            self.lowest_ever_v = low
        self._relax(current, dt_s)
        self._account(current, open_v, v12 * fresh.factors, dt_s)
        self._warm(current * (current * r + v12 * fresh.factors), dt_s, air_c, tas_mps)
        self._guard(low, dt_s)
        return self.voltage_v * current

    def _relax(self, current: float, dt_s: float) -> None:
        """Both relaxation voltages, exactly for a constant current: v <- v a + I R (1 - a)."""
        cell, fresh = self.build.cell, self._fresh
        a1, a2 = math.exp(-dt_s / cell.tau1_s), math.exp(-dt_s / cell.tau2_s)
        self.v1 = self.v1 * a1 + current * fresh.r1_ohm * (1.0 - a1)
        self.v2 = self.v2 * a2 + current * fresh.r2_ohm * (1.0 - a2)

    def _account(self, current: float, open_v: float, relaxation_v: float, dt_s: float) -> None:
        """Charge and energy ledger over one step."""
        out_ah = current * dt_s / 3600.0
        self._used_ah += out_ah
        self.energy_left_wh -= open_v * out_ah
        ledger = self.ledger
        ledger.delivered_wh += self.voltage_v * out_ah
        ledger.ohmic_wh += current * self._fresh.ohm * out_ah
        ledger.relaxation_wh += relaxation_v * out_ah

    def _warm(self, heat_w: float, dt_s: float, air_c: float, tas_mps: float) -> None:
        """One lumped temperature: own heat in, cooling by the air in the bay out."""
        build = self.build
        cooling_w = build.cooling_wpk * (1.0 + 0.03 * tas_mps) * (self.temperature_c - air_c)
        self.temperature_c += (heat_w - cooling_w) * dt_s / build.heat_jpk

    def _guard(self, lowest_v: float, dt_s: float) -> None:
        """The monitor's cut-off under load."""
        self._below_s = self._below_s + dt_s if lowest_v < self.build.cell.cutoff_v else 0.0
        if self._below_s > CUT_OFF_AFTER_S:
            self.cut_off = True


def _at(table: tuple[float, ...], charge: float) -> float:
    """Linear between the knots of a fine table; below empty along the last slope."""
    x = charge * KNOTS
    i = int(x) if x > 0.0 else 0
    return table[i] + (x - i) * (table[i + 1] - table[i])


class _Tables(NamedTuple):
    """Fine tables of one cell type over charge."""

    ocv_v: tuple[float, ...]
    below_wh: tuple[float, ...]
    r0_ohm: tuple[float, ...]
    r1_ohm: tuple[float, ...]
    r2_ohm: tuple[float, ...]


class _Fresh(NamedTuple):
    """What was looked up last; sums and factors over all groups of the string."""

    at_ah: float
    until_ah: float
    group_v: list[float]
    group_ohm: list[float]
    weakest: int
    open_v: float
    slope_vpah: float
    ohm: float
    factors: float
    r1_ohm: float
    r2_ohm: float


@lru_cache(maxsize=8)
def _tables(cell: Cell) -> _Tables:
    ocv = cell.fine_ocv_v
    ohms = (fine(cell.knots, values) for values in (cell.r0_ohm, cell.r1_ohm, cell.r2_ohm))
    return _Tables(ocv, _energy_table(ocv), *ohms)


def _energy_table(ocv: tuple[float, ...]) -> tuple[float, ...]:
    """Open-circuit energy [Wh] below each knot for 1 Ah of capacity; the trapezoid is exact."""
    total, table = 0.0, [0.0]
    for i in range(KNOTS):
        total += 0.5 * (ocv[i] + ocv[i + 1]) / KNOTS
        table.append(total)
    table.append(total)
    return tuple(table)

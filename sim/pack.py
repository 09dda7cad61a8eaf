"""The pack as it really is: cell groups in series, each its own, the weakest deciding.

Per group: own capacity, own resistance factor, own charge. Common to all: current, temperature and
the two relaxation voltages of a cell of factor one (relaxation is linear in current, so a group's
is the common one times its factor). Terminal: sum(OCV_i - f_i (v1 + v2)) - I sum(f_i R0_i).
Discharge current positive; v and R per cell, I/parallel per cell.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from random import Random

from sim.cells import KNOTS, Cell, fine, warmth

_CUT_OFF_AFTER_S = 2.0  # a monitor opens the pack when a group stays below cut-off this long


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
    """State of one pack in flight."""

    __slots__ = (
        "_below_s", "_e_tab", "_ocv", "_r0", "_r1", "_r2", "build", "capacity_ah",
        "cell_v", "charge", "current_a", "cut_off", "energy_left_wh", "factor", "ledger",
        "lowest_cell_v", "lowest_ever_v", "temperature_c", "v1", "v2", "voltage_v",
    )  # fmt: skip

    def __init__(
        self, build: PackBuild, charge: float, temperature_c: float, random: Random
    ) -> None:
        cell = build.cell
        self.build = build
        fade = (1.0 - 0.2 * build.age) * build.capacity_ah
        self.capacity_ah = [
            fade * math.exp(random.gauss(0.0, build.capacity_sd)) for _ in range(build.series)
        ]
        rise = build.resistance * (1.0 + 0.6 * build.age)
        self.factor = [
            rise * math.exp(random.gauss(0.0, build.resistance_sd)) for _ in range(build.series)
        ]
        self.charge = [charge] * build.series
        self._ocv, self._e_tab, self._r0, self._r1, self._r2 = _tables(cell)
        self.v1 = self.v2 = 0.0
        self.temperature_c = temperature_c
        self._below_s = 0.0
        self.cut_off = False
        self.ledger = PackLedger()
        self.energy_left_wh = self.stored_wh()
        self.current_a = 0.0
        self.cell_v = [self._ocv[0]] * build.series
        self.voltage_v = self.lowest_cell_v = 0.0
        self.lowest_ever_v = math.inf
        self.rest()

    def copy(self) -> Pack:
        """An independent copy; tables are shared."""
        twin = object.__new__(Pack)
        for name in Pack.__slots__:
            setattr(twin, name, getattr(self, name))
        twin.charge = self.charge[:]
        twin.capacity_ah = self.capacity_ah[:]
        twin.factor = self.factor[:]
        twin.ledger = PackLedger(
            self.ledger.delivered_wh, self.ledger.ohmic_wh, self.ledger.relaxation_wh
        )
        return twin

    def rest(self) -> None:
        """Set voltages to open circuit, as before the first load."""
        self.cell_v = [self._look(self._ocv, c) for c in self.charge]
        self.voltage_v = sum(self.cell_v)
        self.lowest_cell_v = min(self.cell_v)

    def weaken_group(self, index: int, capacity: float, resistance: float) -> None:
        """Make one group weak: factors on its capacity (charge in ampere-hours is lost with it)."""
        self.capacity_ah[index] *= capacity
        self.factor[index] *= resistance
        self.energy_left_wh = self.stored_wh()

    @staticmethod
    def _look(table: tuple[float, ...], charge: float) -> float:
        x = charge * KNOTS
        if x <= 0.0:
            # below empty the voltage falls steeply: 1 % of charge costs 0.6 V
            return table[0] + min(x / KNOTS * 60.0, 0.0)
        i = int(x)
        return table[i] + (x - i) * (table[i + 1] - table[i])

    def stored_wh(self) -> float:
        """Open-circuit energy [Wh] that the string can give until its weakest group is empty."""
        out_ah = min(c * q for c, q in zip(self.charge, self.capacity_ah, strict=True))
        return sum(
            q * (self._look(self._e_tab, c) - self._look(self._e_tab, c - out_ah / q))
            for c, q in zip(self.charge, self.capacity_ah, strict=True)
        )

    @property
    def mean_charge(self) -> float:
        """Charge of the string: the weakest group's ampere-hours over its own capacity."""
        return min(self.charge)

    def step(self, power_w: float, dt_s: float, air_c: float, tas_mps: float) -> float:
        """Deliver ``power_w`` [W] for ``dt_s`` [s]; returns the power really delivered [W].

        I is the smaller root of P = I (E - I R); when P > E^2/(4R) the pack collapses to its
        maximum-power current, which the cut-off then ends.
        """
        build = self.build
        cell = build.cell
        ocv, r0, cold = self._ocv, self._r0, build.cold_sensitivity
        k0, k1, k2 = (
            warmth(cold * cell.k0_k, self.temperature_c),
            warmth(cold * cell.k1_k, self.temperature_c),
            warmth(cold * cell.k2_k, self.temperature_c),
        )
        inverse_p = 1.0 / build.parallel
        v12 = self.v1 + self.v2
        scale = k0 * inverse_p
        sources: list[float] = []
        ohms: list[float] = []
        for c, f in zip(self.charge, self.factor, strict=True):
            x = c * KNOTS
            if x <= 0.0:
                open_v, ohm = ocv[0] + x * (60.0 / KNOTS), r0[0]
            else:
                i = int(x)
                share = x - i
                open_v = ocv[i] + share * (ocv[i + 1] - ocv[i])
                ohm = r0[i] + share * (r0[i + 1] - r0[i])
            sources.append(open_v)
            ohms.append(f * ohm * scale)
        open_v = sum(sources)
        total_f = sum(self.factor)
        e = open_v - v12 * total_f
        r = sum(ohms) + build.wiring_ohm
        root = e * e - 4.0 * r * power_w
        current = (e - math.sqrt(root)) / (2.0 * r) if root > 0.0 else e / (2.0 * r)
        if self.cut_off:
            current = 0.0
        self.current_a = current
        self.voltage_v = e - current * r
        self.cell_v = volts = [
            s - f * v12 - current * o for s, f, o in zip(sources, self.factor, ohms, strict=True)
        ]
        self.lowest_cell_v = low = min(volts)
        if low < self.lowest_ever_v:
            self.lowest_ever_v = low
        self._relax(current * inverse_p, k1, k2, dt_s)
        self._account(current, open_v, r, v12 * total_f, dt_s, air_c, tas_mps)
        self._guard(low, dt_s)
        return self.voltage_v * current

    def _relax(self, cell_a: float, k1: float, k2: float, dt_s: float) -> None:
        """Both relaxation voltages, exactly for a constant current: v <- v a + I R (1 - a)."""
        cell = self.build.cell
        middle = self.charge[0]
        a1, a2 = math.exp(-dt_s / cell.tau1_s), math.exp(-dt_s / cell.tau2_s)
        r1, r2 = self._look(self._r1, middle), self._look(self._r2, middle)
        self.v1 = self.v1 * a1 + cell_a * r1 * k1 * (1.0 - a1)
        self.v2 = self.v2 * a2 + cell_a * r2 * k2 * (1.0 - a2)

    def _account(
        self,
        current: float,
        open_v: float,
        r: float,
        relaxation_v: float,
        dt_s: float,
        air_c: float,
        tas_mps: float,
    ) -> None:
        """Charge, energy ledger and temperature over one step."""
        hours = dt_s / 3600.0
        out_ah = current * hours
        self.charge = [c - out_ah / q for c, q in zip(self.charge, self.capacity_ah, strict=True)]
        self.energy_left_wh -= open_v * out_ah
        ledger = self.ledger
        ledger.delivered_wh += self.voltage_v * out_ah
        ledger.ohmic_wh += current * r * out_ah
        ledger.relaxation_wh += relaxation_v * out_ah
        build = self.build
        heat_w = current * (current * r + relaxation_v)
        cooling_w = build.cooling_wpk * (1.0 + 0.03 * tas_mps) * (self.temperature_c - air_c)
        mass_jpk = build.series * build.parallel * build.cell.heat_jpk + build.case_jpk
        self.temperature_c += (heat_w - cooling_w) * dt_s / mass_jpk

    def _guard(self, lowest_v: float, dt_s: float) -> None:
        """The monitor's cut-off under load."""
        self._below_s = self._below_s + dt_s if lowest_v < self.build.cell.cutoff_v else 0.0
        if self._below_s > _CUT_OFF_AFTER_S:
            self.cut_off = True


@cache
def _tables(cell: Cell) -> tuple[tuple[float, ...], ...]:
    """Fine tables of one cell type: open-circuit voltage, energy below, the resistances."""
    ocv = cell.fine_ocv_v
    ohms = (fine(cell.knots, values) for values in (cell.r0_ohm, cell.r1_ohm, cell.r2_ohm))
    return (ocv, _energy_table(ocv), *ohms)


def _energy_table(ocv: tuple[float, ...]) -> tuple[float, ...]:
    """Open-circuit energy [Wh] below each knot for 1 Ah of capacity; the trapezoid is exact."""
    total, table = 0.0, [0.0]
    for i in range(KNOTS):
        total += 0.5 * (ocv[i] + ocv[i + 1]) / KNOTS
        table.append(total)
    table.append(total)
    return tuple(table)

"""The forecast's members flown in plain loops over floats: the same formulas, no arrays.

Written for reading beside ``supervisor/core/forecast/ahead.py`` and ``way.py``. Only the lookup
tables of the cell are taken over; powers, wind triangle, relaxations, currents and warmth are done
here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from supervisor.core.forecast.ahead import AMPLE_V
from supervisor.core.forecast.discharge import DEAD_V, LOSS_GUESS, NODES, tables
from supervisor.core.forecast.legs import Kind
from supervisor.core.forecast.members import GUST_TIME_S
from supervisor.core.forecast.run import Run
from supervisor.core.forecast.way import HOTTEST_K

G, KELVIN = 9.80665, 273.15


@dataclass
class Cell:
    """State of one member's cell; ``low``: lowest voltage of the weakest cell under load so far."""

    u: float
    v1: float
    v2: float
    warm: float
    low: float = AMPLE_V


class Loops:
    """All members of a run, one by one. ``winds``: (along, across) lists as the run drew them."""

    def __init__(self, run: Run) -> None:
        self.run, self.flight = run, run.flight
        self.table = tables(run.flight.pack.cell, run.members.u.dtype)
        self.craft, self.cell = self.flight.aircraft, self.flight.pack.cell
        self.count = len(run.members.u)
        self.cells = self.flight.pack.series * self.flight.pack.parallel

    def m(self, name: str, i: int) -> float:
        return float(getattr(self.run.members, name)[i, 0])

    # --- the cell -----------------------------------------------------------------------------

    def look(self, u: float) -> tuple[float, float]:
        k = min(max(int(u * self.table.per_step), 0), NODES - 1)
        return float(self.table.ocv[k]), float(self.table.r0[k])

    def factor(self, i: int, warm: float) -> float:
        base = self.m("temperature_c", i) + KELVIN
        x = -self.cell.resistance_temperature_k / (base * base) * warm
        return self.m("resistance", i) * (1.0 + x + 0.5 * x * x)

    @staticmethod
    def current(source: float, ohm: float, watt: float) -> float:
        root = math.sqrt(max(source * source - 4.0 * ohm * watt, 0.0))
        return 2.0 * watt / max(source + root, DEAD_V)

    @staticmethod
    def relaxed(t: float, tau: float) -> tuple[float, float]:
        x = max(t, 1e-3) / tau
        return math.exp(-x), (1.0 - math.exp(-x)) / x

    def drain(self, i: int, c: Cell, joule: float, t: float, mean_t: float) -> tuple[Cell, float]:
        """One stretch; returns the cell after it and its current."""
        joule /= self.cells
        f, per_ah = self.factor(i, c.warm), self.m("per_ah", i)
        slow_ohm = self.m("slow_ohm", i)
        keep1, a1 = self.relaxed(mean_t, self.cell.tau1_s)
        keep2, a2 = self.relaxed(mean_t, self.cell.tau2_s)
        ocv, r0 = self.look(c.u - 0.5 * LOSS_GUESS * joule * per_ah)
        ohm = (r0 + (1 - a1) * self.cell.r1_ohm + (1 - a2) * slow_ohm) * f
        amp = self.current(ocv - a1 * c.v1 - a2 * c.v2, ohm, joule / max(t, 1e-3))
        return Cell(
            c.u - ocv * amp * t * per_ah,
            keep1 * c.v1 + (1 - keep1) * amp * f * self.cell.r1_ohm,
            keep2 * c.v2 + (1 - keep2) * amp * f * slow_ohm,
            c.warm,
            c.low,
        ), amp

    def loaded(self, i: int, c: Cell, watt: float) -> float:
        """Weakest cell's voltage under pack power ``watt``."""
        ocv, r0 = self.look(c.u)
        f = self.factor(i, c.warm)
        amp = self.current(ocv - c.v1 - c.v2, r0 * f, watt / self.cells)
        k = min(max(int(c.u * self.table.per_step), 0), NODES - 1)
        lost = self.m("weak_lost", i)
        weak = (float(self.table.charge[k]) - lost) / (1.0 - lost)
        q = min(max(int(weak * (NODES - 1) + 0.5), 0), NODES - 1)
        ocv, r0 = float(self.table.ocv_by_charge[q]), float(self.table.r0_by_charge[q])
        drop = (c.v1 + c.v2 + amp * r0 * f) * self.m("weak_r", i)
        return ocv - self.m("weak_v", i) - drop

    # --- power --------------------------------------------------------------------------------

    def wing_w(
        self, i: int, rho: float, cas: float, k_tas: float, climb: float, gone: float, load: float
    ) -> float:
        craft, v = self.craft, cas * k_tas
        weight = (self.m("mass_kg", i) - gone) * G
        parasite = 0.5 * rho * v**3 * craft.wing_area_m2 * craft.cd0
        induced = 2.0 * craft.k * (weight * load) ** 2 / (rho * v * craft.wing_area_m2)
        shaft = max(parasite + induced + weight * climb, 0.0)
        name = "climb" if climb > 0.05 else "descent" if climb < -0.05 else "cruise"
        scale = self.m(name, i)
        if name == "cruise":
            scale *= (cas / craft.cruise_mps) ** self.m("slope", i)
        return shaft / craft.cruise_efficiency * scale + self.m("avionics_w", i)

    def hover_w(self, i: int, rho: float, climb: float, gone: float) -> float:
        weight = (self.m("mass_kg", i) - gone) * G
        inflow = math.sqrt(weight / (2.0 * rho * self.craft.disk_area_m2))
        half = max(climb, 0.0) / inflow / 2.0
        ideal = weight * inflow * (half + math.sqrt(half * half + 1.0))
        return ideal / self.craft.hover_efficiency * self.m("hover", i) + self.m("avionics_w", i)

    @staticmethod
    def ground(tas: float, along: float, across: float) -> float:
        return max(math.sqrt(max(tas * tas - across * across, 0.0)) + along, 1.0)

    # --- the plan -----------------------------------------------------------------------------

    def plan(self, air: Any, wind: Any, gusts: Any) -> list[tuple[list[Cell], list[float]]]:
        """For every member its cells and times at every point."""
        return [self._plan_of(i, air, wind, gusts) for i in range(self.count)]

    def _plan_of(self, i: int, air: Any, wind: Any, gusts: Any) -> Any:
        cell = self.cell
        c = Cell(self.m("u", i), self.m("v1_v", i), self.m("v2_v", i), 0.0)
        cells, times, guessed_u = [c], [0.0], c.u
        for k, s in enumerate(self.run.course.stretches):
            rho, k_tas = float(air.density[k]), float(air.tas_per_cas[k])
            cas = (s.cas_mps if s.cas_mps > 1.0 else self.craft.cruise_mps) * self.m("airspeed", i)
            if s.kind is Kind.WING:
                tas = s.cas_mps * k_tas * self.m("airspeed", i) * self.m("true_cas", i)
                t = s.length_m / self.ground(tas, float(wind[0][i, k]), float(wind[1][i, k]))
            else:
                down = s.kind is Kind.HOVER and s.climb_mps <= 0.0
                t = s.dwell_s * (self.m("landing", i) if down else 1.0)
            load = 1.0 / math.cos(self.craft.bank_rad) if s.kind is Kind.CIRCLE else 1.0
            watt = self.wing_w(i, rho, cas, k_tas, s.climb_mps, s.dropped_kg, load)
            if s.kind is Kind.HOVER:
                watt = self.hover_w(i, rho, s.climb_mps, s.dropped_kg)
            if s.kind is Kind.GROUND:
                watt = self.m("avionics_w", i)
            lull = self.m("gust_w", i) * math.sqrt(GUST_TIME_S / (GUST_TIME_S + t))
            watt = max(watt + lull * float(gusts[i, k]), self.m("avionics_w", i)) / self.cells
            per_ah = self.m("per_ah", i)
            used = watt * t * per_ah * LOSS_GUESS
            ocv, r0 = self.look(guessed_u - 0.5 * used)
            guessed_u -= used
            slow_ohm = self.m("slow_ohm", i)
            settled = (r0 + cell.r1_ohm + slow_ohm) * self.m("resistance", i)
            guess = self.current(ocv, settled, watt)
            aim = guess * guess * settled / cell.cooling_wpk
            aim += float(air.temperature_c[k]) - self.m("temperature_c", i)
            keep, _ = self.relaxed(t, cell.heat_capacity_jpk / cell.cooling_wpk)
            warm = aim * (1 - keep) + c.warm * keep
            f = self.factor(i, warm)
            keep1, a1 = self.relaxed(t, cell.tau1_s)
            keep2, a2 = self.relaxed(t, cell.tau2_s)
            ohm = (r0 + (1 - a1) * cell.r1_ohm + (1 - a2) * slow_ohm) * f
            amp = self.current(ocv - a1 * c.v1 - a2 * c.v2, ohm, watt)
            v1 = guess * f * cell.r1_ohm * (1 - keep1) + c.v1 * keep1
            v2 = guess * f * slow_ohm * (1 - keep2) + c.v2 * keep2
            c = Cell(c.u - ocv * amp * t * per_ah, v1, v2, warm, c.low)
            if s.kind is Kind.HOVER:
                c.low = min(c.low, self.loaded(i, c, watt * self.cells))
            cells.append(c)
            times.append(times[-1] + t)
        return cells, times

    # --- the way home -------------------------------------------------------------------------

    def landings(
        self, cells: list[list[Cell]], to: Any, wind: Any, site: int = 0
    ) -> list[list[tuple[float, float, float]]]:
        """(u, hover voltage, lowest voltage) of every landing at home or an alternate.

        ``wind``: (along, across) of each piece.
        """
        points = len(self.run.course.departures[site].height_m)
        result: list[list[tuple[float, float, float]]] = [[] for _ in range(self.count)]
        for k in range(points):
            for i, fate in enumerate(self._from_point(k, [c[k] for c in cells], to, wind, site)):
                result[i].append(fate)
        return result

    def _from_point(
        self, k: int, cells: list[Cell], to: Any, wind: Any, site: int
    ) -> list[tuple[float, float, float]]:
        plan, habits, craft = self.flight.return_plan, self.run.habits, self.craft
        points = self.run.course.departures[site]
        rho, k_tas = float(to.cruise_air.density[0]), float(to.cruise_air.tas_per_cas[0])
        low_rho = float(to.ground_air.density[0])
        gone = float(points.dropped_kg[k if len(points.dropped_kg) > 1 else 0])
        fly, land = float(points.fly[k]), float(points.land[k])
        cas = [
            plan.airspeed_mps * habits.cas_factor * self.m("airspeed", i) for i in range(self.count)
        ]
        tas = [v * self.m("true_cas", i) * k_tas for i, v in enumerate(cas)]
        rise = to.cruise_m - float(points.height_m[k])
        climb_s = (rise / habits.climb_mps if rise > 0 else -rise / habits.descent_mps) * fly
        down_m = max(to.cruise_m - to.ground_m - craft.transition_height_m, 0.0)
        down_s = down_m / habits.descent_mps
        way = [
            sum(
                float(to.ways.length_m[p, k]) / self.ground(tas[i], float(a[i, k]), float(c[i, k]))
                for p, (a, c) in enumerate(wind)
            )
            for i in range(self.count)
        ]
        cruise_s = [max(w - climb_s - down_s, 0.0) * fly for w in way]
        down_s *= fly
        mean_tas = sum(tas) / self.count
        turn_s = float(to.ways.turn_rad[k]) * mean_tas / (G * math.tan(craft.bank_rad)) * fly
        mean_cruise = sum(cruise_s) / self.count
        lull = math.sqrt(GUST_TIME_S / (GUST_TIME_S + mean_cruise))
        lift_s = float(points.lift_s[k]) * fly
        land_s = [self.m("landing", i) * habits.landing_hover_s * land for i in range(self.count)]
        mean_land = sum(land_s) / self.count
        long_s = [turn_s + c + down_s for c in cruise_s]
        mean_long = sum(long_s) / self.count
        fates = []
        for i, c in enumerate(cells):
            if self.any_lift:
                watt = self.hover_w(i, low_rho, craft.hover_climb_mps, gone)
                before = self.factor(i, c.warm)
                c, amp = self.drain(i, c, watt * lift_s, lift_s, lift_s)
                c.warm += self._heat(amp, before, lift_s)
                c.low = min(c.low, self.loaded(i, c, watt)) if lift_s > 1.0 else c.low
            if self.any_climb(to):
                rate = habits.climb_mps if rise > 0 else -habits.descent_mps
                watt = self.wing_w(i, rho, cas[i], k_tas, rate, gone, 1.0)
                before = self.factor(i, c.warm)
                c, amp = self.drain(i, c, watt * climb_s, climb_s, climb_s)
                c.warm += self._heat(amp, before, climb_s)
                c.low = min(c.low, self.loaded(i, c, watt)) if climb_s > 1.0 else c.low
            level = self.wing_w(i, rho, cas[i], k_tas, 0.0, gone, 1.0)
            level += self.m("gust_w", i) * lull * self.m("gust_home", i)
            level = max(level, self.m("avionics_w", i))
            bank = self.wing_w(i, rho, cas[i], k_tas, 0.0, gone, 1.0 / math.cos(craft.bank_rad))
            sink = self.wing_w(i, rho, cas[i], k_tas, -habits.descent_mps, gone, 1.0)
            joule = bank * turn_s + level * cruise_s[i] + sink * down_s
            before = self.factor(i, c.warm)
            c, amp = self.drain(i, c, joule, long_s[i], mean_long)
            c.warm = self._warmer(i, c.warm, before, amp, mean_long, to)
            hover = self.hover_w(i, low_rho, 0.0, gone)
            before = self.factor(i, c.warm)
            c, amp = self.drain(i, c, hover * land_s[i], land_s[i], mean_land)
            c.warm += self._heat(amp, before, land_s[i])
            volts = self.loaded(i, c, hover)
            fates.append((c.u, volts, min(c.low, volts)))
        return fates

    def _heat(self, amp: float, f: float, t: float) -> float:
        r0 = sorted(float(r) for r in self.table.r0)
        ohm = 0.5 * (r0[NODES // 2 - 1] + r0[NODES // 2]) + self.cell.r1_ohm
        return min(amp * amp * ohm * f * t / self.cell.heat_capacity_jpk, HOTTEST_K)

    def _warmer(self, i: int, warm: float, f: float, amp: float, t: float, to: Any) -> float:
        cell = self.cell
        r0 = sorted(float(r) for r in self.table.r0)
        ohm = 0.5 * (r0[NODES // 2 - 1] + r0[NODES // 2]) + cell.r1_ohm + self.m("slow_ohm", i)
        aim = amp * amp * ohm * f / cell.cooling_wpk
        aim += float(to.cruise_air.temperature_c[0]) - self.m("temperature_c", i)
        keep, _ = self.relaxed(t, cell.heat_capacity_jpk / cell.cooling_wpk)
        return aim * (1 - keep) + warm * keep

    @property
    def any_lift(self) -> bool:
        points = self.run.course.departures[0]
        return bool((points.lift_s * points.fly > 1.0).any())

    def any_climb(self, to: Any) -> bool:
        points, habits = self.run.course.departures[0], self.run.habits
        rise = to.cruise_m - points.height_m
        seconds = abs(rise) / min(habits.climb_mps, habits.descent_mps)
        return bool((seconds > 1.0).any())

"""What the pack monitor says, made fit for the filter: mean current, silence, frozen values.

A monitor that repeats its last report to the digit while the aircraft flies is frozen: real ones
flicker in the last digit. A counter of consumed charge gives the true mean current between two
reports; a counter that jumps back or ahead was reset and is not used for that interval. A voltage
above a full pack's is of another number of cells, or of a monitor that is scaled wrongly; it is as
wrong later in the flight, where it would pass for a fuller pack, and so is not believed again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from supervisor.core.estimate.gate import clean_cells
from supervisor.core.estimate.pack import PackSample
from supervisor.core.events import PackReport
from supervisor.core.plan import Pack

NAN = math.nan
FROZEN_S = 12.0  # identical for this long in the air
ABOVE_V, ABOVE_REPORTS = 0.10, 5  # a cell above full (2.4 % of scale); as many in a row: a fault
COUNTER_GAP_S = 4.0  # the counter is asked only over gaps: it is coarse over short ones


@dataclass(frozen=True, slots=True)
class MonitorState:
    """The last report, and since when its values have not changed."""

    report: PackReport | None = None
    same_since_s: float = math.inf
    frozen: bool = False
    resets: int = 0
    above: int = 0  # reports in a row of a voltage above a full pack's

    @property
    def above_full(self) -> bool:
        """Whether the voltage was found to be no voltage of this pack."""
        return self.above >= ABOVE_REPORTS


def _same(a: PackReport, b: PackReport) -> bool:
    def equal(x: float, y: float) -> bool:
        return x == y or (x != x and y != y)

    return (
        equal(a.pack_v, b.pack_v)
        and equal(a.current_a, b.current_a)
        and equal(a.consumed_ah, b.consumed_ah)
        and a.cell_v == b.cell_v
    )


def read(
    state: MonitorState, report: PackReport, pack: Pack, airborne: bool
) -> tuple[MonitorState, PackSample | None]:
    """(belief, report) -> belief, and what the filter may use of it: None while frozen."""
    before = state.report
    same = before is not None and _same(before, report)
    since = min(state.same_since_s, before.t_s) if before and same else math.inf
    frozen = airborne and same and report.t_s - since >= FROZEN_S
    mean_a, reset = _mean_current_a(before, report, pack)
    voltage, cells = _mean_cell_v(report, pack)
    beyond, above = voltage > pack.cell.max_v + ABOVE_V, state.above
    if not (frozen or state.above_full):
        above = above + 1 if beyond else 0
    state = MonitorState(report, since, frozen, state.resets + reset, above)
    if frozen:
        return state, None
    if beyond or state.above_full:
        voltage, cells = NAN, ()
    sample = PackSample(report.t_s, voltage, cells, mean_a, report.current_a, report.temperature_c)
    return state, sample


def _mean_cell_v(report: PackReport, pack: Pack) -> tuple[float, tuple[float, ...]]:
    """Mean cell voltage, NaN where none is told or believed; and the single ones where they are."""
    cells = clean_cells(report.cell_v, pack)
    voltage = sum(cells) / len(cells) if cells else report.pack_v / pack.series
    # cells and total must be of the same pack: a tenth apart, neither says anything
    if cells and report.pack_v == report.pack_v:
        total = report.pack_v / pack.series
        if abs(voltage - total) > 0.1 * total:
            return NAN, ()
    return voltage, cells


def _mean_current_a(before: PackReport | None, now: PackReport, pack: Pack) -> tuple[float, int]:
    """Mean current [A] since the last report, and 1 when the counter was reset in between."""
    if before is None:
        return now.current_a, 0
    dt_s = now.t_s - before.t_s
    used_ah = now.consumed_ah - before.consumed_ah
    reset = int(used_ah < -1e-6)
    plausible = 0.0 <= used_ah <= 40.0 * pack.capacity_ah * max(dt_s, 1.0) / 3600.0
    no_current = now.current_a != now.current_a
    if plausible and dt_s > 0.0 and (dt_s > COUNTER_GAP_S or no_current):
        return used_ah * 3600.0 / dt_s, reset
    if no_current or before.current_a != before.current_a:
        return now.current_a, reset
    return 0.5 * (before.current_a + now.current_a), reset

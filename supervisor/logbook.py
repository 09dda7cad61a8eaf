"""A pack's logbook: what its flights say about its age, and whether the next sortie is on.

Rows come from ``learned.py``, one a flight: capacity and resistance as estimated then, with their
spread. The estimates are filtered from flight to flight, so neighbours are alike, and the trend's
interval is a rough one.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import Enum

import numpy as np

from supervisor.core.belief import Array
from supervisor.core.plan import Flight
from supervisor.learned import PackLearned, PackRow

# End of life is commonly put at 80 % of the first capacity; the rest is ours: at 92 % a budget made
# with the old figure is off by more than a usual contingency (5 %) and its sensor's error.
RETIRE_CAPACITY, DERATE_CAPACITY = 0.80, 0.92
RETIRE_RESISTANCE, DERATE_RESISTANCE = 1.6, 1.3  # of its first flights'
RETIRE_WEAK, DERATE_WEAK = 0.10, 0.05  # by how much the weakest cell is smaller than the mean
FIRST_ROWS, LEAST_ROWS = 3, 4
COLD_C, HOT_C = 10.0, 45.0  # a pack outside this is not itself


class State(Enum):
    """What to do with the pack."""

    FIT = "fit"
    DERATE = "derate"
    RETIRE = "retire"


@dataclass(frozen=True, slots=True)
class Trend:
    """Relative change a cycle, with one sigma; NaN while there are too few flights."""

    per_cycle: float
    sd: float


@dataclass(frozen=True, slots=True)
class Health:
    """A pack as its logbook shows it. Shares are of its first flights'."""

    pack_id: str
    flights: int
    cycles: float
    capacity_ah: float
    capacity_sd_ah: float
    capacity_share: float
    resistance_share: float
    weakest_cell: int
    weak_capacity: float
    used_ah: float  # in the last flight, and what it left
    rest_charge: float
    lowest_cell_v: float | None  # in the last flight; with what was wanted at least
    min_cell_v: float | None
    capacity_trend: Trend
    resistance_trend: Trend
    cycles_left: float  # until RETIRE_CAPACITY, inf when it does not fade
    state: State
    reasons: tuple[str, ...]

    @property
    def sagged(self) -> bool:
        """Whether a cell fell below the voltage wanted in the last flight."""
        lowest, least = self.lowest_cell_v, self.min_cell_v
        return lowest is not None and least is not None and lowest < least


def health(kept: PackLearned) -> Health:
    """From the kept rows; at least one is needed."""
    rows = kept.logbook
    last, first = rows[-1], rows[:FIRST_ROWS]
    cycles = cycles_of(kept)
    capacity = np.array([r.capacity_ah for r in rows])
    resistance = np.array([r.resistance for r in rows])
    capacity_trend = trend(cycles, capacity, np.array([r.capacity_sd_ah for r in rows]))
    share = last.capacity_ah / _mean([r.capacity_ah for r in first])
    risen = last.resistance / _mean([r.resistance for r in first])
    state, reasons = _after_the_last(*_judge(share, risen, last), last)
    return Health(
        pack_id=kept.pack_id,
        flights=len(rows),
        cycles=kept.cycles,
        capacity_ah=last.capacity_ah,
        capacity_sd_ah=last.capacity_sd_ah,
        capacity_share=share,
        resistance_share=risen,
        weakest_cell=last.weakest_cell + 1,
        weak_capacity=last.weak_capacity,
        used_ah=last.used_ah,
        rest_charge=last.rest_charge,
        lowest_cell_v=last.lowest_cell_v,
        min_cell_v=last.min_cell_v,
        capacity_trend=capacity_trend,
        resistance_trend=trend(cycles, resistance, np.array([r.resistance_sd for r in rows])),
        cycles_left=_left(share, capacity_trend),
        state=state,
        reasons=tuple(reasons),
    )


def cycles_of(kept: PackLearned) -> Array:
    """Equivalent full cycles at the end of each row; rows may have been dropped before them."""
    each = np.array([r.used_ah / max(r.capacity_ah, 1e-9) for r in kept.logbook])
    result: Array = kept.cycles - each.sum() + np.cumsum(each)
    return result


def trend(cycles: Array, values: Array, sd: Array) -> Trend:
    """Weighted straight line through log values: slope a cycle and its sigma."""
    spread = float(np.ptp(cycles)) if len(cycles) else 0.0
    if len(cycles) < LEAST_ROWS or spread < 1.0:
        return Trend(math.nan, math.nan)
    weight = np.square(values / np.maximum(sd, 1e-3 * values))
    x = cycles - float((weight * cycles).sum() / weight.sum())
    y = np.log(values)
    y = y - float((weight * y).sum() / weight.sum())
    sxx = float((weight * x * x).sum())
    slope = float((weight * x * y).sum()) / sxx
    off = float((weight * np.square(y - slope * x)).sum()) / (len(x) - 2)
    return Trend(slope, math.sqrt(max(off, 1.0) / sxx))


def _mean(values: list[float]) -> float:
    return sum(values) / len(values)


def _left(share: float, fading: Trend) -> float:
    """Cycles until the capacity is at its limit, when it fades by more than two sigma."""
    if not fading.per_cycle < -2.0 * fading.sd:
        return math.inf
    return max(math.log(share / RETIRE_CAPACITY) / -fading.per_cycle, 0.0)


def _judge(share: float, risen: float, last: PackRow) -> tuple[State, list[str]]:
    weak = last.weak_capacity if last.weakest_cell >= 0 else 0.0
    marks = (
        (share, RETIRE_CAPACITY, DERATE_CAPACITY, -1.0,
         f"capacity {100 * share:.0f} % of its first flights'"),
        (risen, RETIRE_RESISTANCE, DERATE_RESISTANCE, 1.0,
         f"resistance {risen:.2f} times its first flights'"),
        (weak, RETIRE_WEAK, DERATE_WEAK, 1.0,
         f"cell {last.weakest_cell + 1} is {100 * weak:.0f} % smaller than the mean"),
    )  # fmt: skip
    state, reasons = State.FIT, []
    for value, retire, derate, sign, words in marks:
        if sign * value >= sign * retire:
            state = State.RETIRE
            reasons.append(words)
        elif sign * value >= sign * derate:
            state = State.DERATE if state is State.FIT else state
            reasons.append(words)
    return state, reasons


def _after_the_last(state: State, reasons: list[str], last: PackRow) -> tuple[State, list[str]]:
    """A pack whose cell fell too low is not fit for the same flight again, however young it is."""
    if last.lowest_cell_v is None or last.min_cell_v is None:
        return state, reasons
    if last.lowest_cell_v >= last.min_cell_v:
        return state, reasons
    words = "a cell fell below the voltage wanted: find out why before it flies as far again"
    return State.DERATE if state is State.FIT else state, [*reasons, words]


# --- the next sortie -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Judged:
    """What the budget says of one charge and temperature, in its own words.

    ``against``: why not; ``conditions``: under which it is a go; ``turn_back``: until when.
    """

    go: bool
    verdict: str
    completion: float
    turn_back: str = ""
    conditions: tuple[str, ...] = ()
    against: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Next:
    """Whether the next sortie is on, with this charge and temperature."""

    go: bool
    verdict: str
    completion: float
    turn_back: str
    conditions: tuple[str, ...]
    against: tuple[str, ...]
    least_charge: float  # that makes it a go, 0..1; NaN when none does
    cautions: tuple[str, ...]


Judge = Callable[[Flight], Judged]


def next_sortie(
    flight: Flight, charge: float, temperature_c: float, judge: Judge, steps: int = 5
) -> Next:
    """``judge`` is the budget; the least charge is found to 100 % / 2**steps by halving."""

    def at(share: float) -> Judged:
        pack = replace(flight.pack, initial_charge=share, temperature_c=temperature_c)
        return judge(replace(flight, pack=pack))

    asked = at(charge)
    least = charge if asked.go else math.nan
    if not asked.go and charge < 1.0 and at(1.0).go:
        low, least = charge, 1.0
        for _ in range(steps):
            middle = 0.5 * (low + least)
            low, least = (low, middle) if at(middle).go else (middle, least)
    return Next(
        asked.go,
        asked.verdict,
        asked.completion,
        asked.turn_back,
        asked.conditions,
        asked.against,
        least,
        tuple(_temperature(temperature_c)),
    )


def _temperature(pack_c: float) -> list[str]:
    if pack_c < COLD_C:
        return [f"The pack is at {pack_c:.0f} °C: warm it, its voltage falls in the hover."]
    if pack_c > HOT_C:
        return [f"The pack is at {pack_c:.0f} °C: let it cool before it is charged or flown."]
    return []

"""What a debrief says: plain values, SI, energies in Wh; printed by the modules beside."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from supervisor.core.plan import Flight
from supervisor.debrief.causes import Causes
from supervisor.debrief.flown import Flown
from supervisor.debrief.planned import PlannedFlight
from supervisor.held import Held


@dataclass(frozen=True, slots=True)
class Line:
    """One phase of one leg: electrical energy and time, planned and flown."""

    leg: str
    phase: str
    planned_wh: float
    flown_wh: float
    planned_s: float
    flown_s: float


@dataclass(frozen=True, slots=True)
class Foreseen:
    """Landing energy as predicted at ``t_s``.

    ``kind``: "now" if it turned at that moment; "then" if it turned when later it did turn; "home"
    on the way home. The last two are about what then happened and can be judged by it.
    """

    t_s: float
    p05_wh: float
    p50_wh: float
    p95_wh: float
    kind: Literal["now", "then", "home"]


@dataclass(frozen=True, slots=True)
class Quality:
    """Of the forecasts that can be judged: share inside P5..P95, mean error, mean width."""

    count: int
    inside: float
    bias_wh: float
    width_wh: float


@dataclass(frozen=True, slots=True)
class Event:
    """One advisory: raised, until when, acknowledged by whom and how long after (NaN: never)."""

    t_s: float
    condition: str
    level: str
    sentence: str
    ended_s: float
    acked_by: str
    acked_after_s: float
    repeats: int


@dataclass(frozen=True, slots=True)
class WindBand:
    """Wind met in a band of heights, and the forecast for the same places and times."""

    low_m: float
    high_m: float
    seconds: float
    met_from_deg: float
    met_mps: float
    told_from_deg: float
    told_mps: float
    off_mps: float  # length of the mean vector difference


@dataclass(frozen=True, slots=True)
class PackHealth:
    """Resistance is relative to a new cell; ``*_sd`` one sigma; cells count from 1, 0 unknown."""

    resistance: float
    resistance_sd: float
    capacity_ah: float
    capacity_sd_ah: float
    stated_ah: float
    weakest_cell: int
    weak_capacity: float
    lowest_cell_v: float
    lowest_cell_at_s: float
    start_c: float
    highest_c: float
    end_c: float
    hover_wh: float
    hover_peak_w: float
    delivered_wh: float
    heat_wh: float


@dataclass(frozen=True, slots=True)
class TurnBack:
    """The decision and what it left over. NaN where it did not turn before the plan's end.

    ``safe_left_s``: how much longer it could have gone on. Once it has been warned that is counted
    from the warning and the policy's reaction, which the warning leaves room for: a prompt pilot
    is on time. Before, as the forecast then saw it, until a warning was to come.
    ``warned_s``: how long after the warning it turned; NaN of none.
    """

    turn_s: float
    safe_left_s: float
    warned_s: float
    predicted_wh: float
    distance_home_m: float
    above_reserve_wh: float


@dataclass(frozen=True, slots=True)
class Debrief:
    """Everything. Energies at landing are open-circuit, of the ledger at the terminals."""

    flight: Flight
    plan: PlannedFlight
    flown: Flown
    replayed: bool
    start_wh: float
    landing: Held
    lines: tuple[Line, ...]
    causes: Causes
    legs: tuple[str, ...]
    foreseen: tuple[Foreseen, ...]
    quality: Quality
    events: tuple[Event, ...]
    winds: tuple[WindBand, ...]
    pack: PackHealth
    turn_back: TurnBack
    cautions: tuple[str, ...]

    @property
    def landing_wh(self) -> float:
        """What was left, the median."""
        return self.landing.middle_wh

    @property
    def difference_wh(self) -> float:
        """Planned less flown landing energy: what the causes add up to."""
        return self.plan.landing_wh - self.landing_wh

    @property
    def above_reserve_wh(self) -> float:
        """Landing energy less the final reserve."""
        return self.landing_wh - self.flight.policy.final_reserve_wh

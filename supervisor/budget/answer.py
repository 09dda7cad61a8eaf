"""What a budget says: plain values, SI, energies in Wh, radians; printed by the modules beside."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from supervisor.core.belief import Array
from supervisor.core.conclusions import FourNumbers, Spread
from supervisor.core.estimate.prior import Prior
from supervisor.core.plan import Flight


class Verdict(Enum):
    """The answer."""

    GO = "go"
    CONDITIONS = "go-with-conditions"
    NO_GO = "no-go"


class Weight(Enum):
    """How much a finding counts: a fault forbids, a caution asks, a note tells."""

    FAULT = "fault"
    CAUTION = "caution"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Finding:
    """One check that did not pass, with its numbers in the sentence."""

    weight: Weight
    what: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Row:
    """One phase of one leg; charge and voltage at its end, the latter under its load."""

    leg: str
    phase: str
    seconds: float
    distance_m: float
    ground_mps: float
    used_wh: float
    left_wh: float
    charge: float
    cell_v: float
    end_s: float


@dataclass(frozen=True, slots=True)
class SiteFrom:
    """A landing site as seen from one route point; ``covered``: with the reserve, on paper."""

    site: str
    seconds: float
    distance_m: float
    needed_wh: float
    landing_wh: float
    covered: bool


@dataclass(frozen=True, slots=True)
class TurnHere:
    """The return from one route point. ``spread_wh`` of the energy left at touch-down."""

    waypoint: str
    after_s: float
    along_m: float
    distance_home_m: float
    energy_wh: float
    seconds: float
    needed_wh: float
    landing_wh: float
    hover_v: float
    head_mps: float
    chance: float
    alternates: tuple[SiteFrom, ...]


@dataclass(frozen=True, slots=True)
class PointOnPlan:
    """A turn-back point or an equal-time point."""

    after_s: float
    along_m: float
    lat_rad: float
    lon_rad: float
    distance_home_m: float
    leg: str


@dataclass(frozen=True, slots=True)
class Chances:
    """Of the whole plan: lands at all, lands with the reserve, voltage held, and all of it."""

    lands: float
    reserve: float
    voltage: float
    completion: float
    landing_wh: Spread
    hover_v: Spread


@dataclass(frozen=True, slots=True)
class Variant:
    """The plan with one thing changed: a sensitivity, or a measure that helps.

    ``kept_wh``: what it must land with, the alternate's leg included, which changes with it.
    """

    name: str
    landing_wh: float
    gain_wh: float
    kept_wh: float
    hover_v: float
    completion: float
    turn_back_safe_s: float


@dataclass(frozen=True, slots=True)
class Performance:
    """The aircraft at take-off mass in level flight at the return height, in still air.

    Powers are electrical, of the whole aircraft. ``endurance_s`` and ``range_m`` spend what the
    pack holds above the final reserve on cruise alone: t = E/P, R = V t.
    """

    density_home_kgpm3: float
    density_return_kgpm3: float
    hover_w: float
    cruise_w: float
    cruise_tas_mps: float
    least_power_cas_mps: float
    best_range_cas_mps: float
    endurance_s: float
    range_m: float


@dataclass(frozen=True, slots=True)
class Track:
    """The flight along time for pictures: points of the sortie, home leg included.

    ``needed_wh`` (out only): what turning there must leave room for, all reserves included.
    """

    t_s: Array
    along_m: Array
    energy_wh: Array
    charge: Array
    cell_v: Array
    north_m: Array
    east_m: Array
    height_m: Array
    needed_wh: Array
    home_from: int  # index at which the home leg starts


@dataclass(frozen=True, slots=True)
class Budget:
    """Everything."""

    flight: Flight
    prior: Prior
    verdict: Verdict
    reasons: tuple[str, ...]
    conditions: tuple[str, ...]
    ledger_wh: tuple[tuple[str, float], ...]
    rows: tuple[Row, ...]
    turns: tuple[TurnHere, ...]
    turn_back_paper: PointOnPlan | None
    turn_back_safe: PointOnPlan | None
    equal_time: PointOnPlan | None
    empty_at: PointOnPlan | None
    chances: Chances
    numbers: FourNumbers
    landing_wh: float
    hover_v: float
    duration_s: float
    distance_m: float
    sensitivity: tuple[Variant, ...]
    measures: tuple[Variant, ...]
    findings: tuple[Finding, ...]
    performance: Performance
    track: Track

    @property
    def equal_time_beyond(self) -> bool:
        """Whether the pack is empty before the point is reached at which on and home take alike."""
        if self.equal_time is None or self.empty_at is None:
            return False
        return self.empty_at.after_s <= self.equal_time.after_s

    @property
    def today_wh(self) -> float:
        """What the pack holds at take-off: as charged, as cold, as aged as it is known to be."""
        return float(self.track.energy_wh[0])

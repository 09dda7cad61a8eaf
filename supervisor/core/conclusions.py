"""What comes out of the core: frozen values, each with its time.

``t_s``, units, angles and NaN are as in ``events.py``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from typing import Literal

from supervisor.core.events import Position


class Phase(Enum):
    """What the aircraft is doing, from telemetry alone."""

    UNKNOWN = "unknown"
    GROUND = "ground"
    HOVER_CLIMB = "hover-climb"
    TRANSITION = "transition"
    CLIMB = "climb"
    CRUISE = "cruise"
    LOITER = "loiter"
    DESCENT = "descent"
    HOVER_LANDING = "hover-landing"


class Level(Enum):
    """Alert levels, after 14 CFR 25.1322(a)."""

    NORMAL = "normal"
    ADVISORY = "advisory"
    CAUTION = "caution"
    WARNING = "warning"

    @property
    def rank(self) -> int:
        """0 for normal up to 3 for warning."""
        return _RANK[self]


_RANK = {Level.NORMAL: 0, Level.ADVISORY: 1, Level.CAUTION: 2, Level.WARNING: 3}


@dataclass(frozen=True, slots=True)
class Spread:
    """5th, 50th and 95th percentile of one quantity."""

    p05: float
    p50: float
    p95: float


@dataclass(frozen=True, slots=True)
class FourNumbers:
    """The answer, each a distribution.

    ``landing_energy_wh``: energy left at touch-down if the aircraft turned back now.
    ``above_reserve_wh``: the same less the final reserve.
    ``turn_back_s``: time from now until the aircraft must turn (inf: not within the plan).
    ``turn_back_safe_s``: the same at the policy's confidence: the figure to act on.
    ``completion``: probability that the whole plan can be flown and landed with the reserve.
    ``hover_cell_v``: lowest cell voltage in the landing hover; ``hover_holds`` its chance.
    ``covered``: probability that turning back now lands with the reserve and the voltage held.
    """

    landing_energy_wh: Spread
    above_reserve_wh: Spread
    turn_back_s: Spread
    turn_back_safe_s: float
    completion: float
    hover_cell_v: Spread
    hover_holds: float
    covered: float


@dataclass(frozen=True, slots=True)
class Advisory:
    """One published message about one condition. ``level`` NORMAL says that it has ended."""

    seq: int
    t_s: float
    condition: str
    level: Level
    sentence: str
    numbers: FourNumbers | None
    why_wh: tuple[tuple[str, float], ...]  # what ate the margin since take-off, in Wh


@dataclass(frozen=True, slots=True)
class FlightEnd:
    """The flight is over: where, in words, and with what energy [Wh], by open-circuit voltage."""

    place: str
    energy_wh: Spread
    above_reserve_wh: Spread


@dataclass(frozen=True, slots=True)
class PlaceAhead:
    """The turn-back point: where on the plan, and how far along it from here."""

    lat_rad: float
    lon_rad: float
    along_m: float
    distance_home_m: float


@dataclass(frozen=True, slots=True)
class WindNow:
    """Wind at the aircraft, blowing toward, and its head component on the home leg."""

    n_mps: float
    e_mps: float
    sd_mps: float
    headwind_home_mps: float


@dataclass(frozen=True, slots=True)
class PackNow:
    """Charge 0..1, energy above empty, and what the monitor reports."""

    charge: float
    charge_sd: float
    energy_wh: float
    pack_v: float
    weakest_cell_v: float
    current_a: float
    temperature_c: float


@dataclass(frozen=True, slots=True)
class SiteChance:
    """One alternate: chance that a diversion started now lands there with reserve and voltage."""

    name: str
    covered: float
    landing_energy_wh: Spread


@dataclass(frozen=True, slots=True)
class ActiveCondition:
    """A condition that holds now."""

    seq: int
    condition: str
    level: Level
    since_t_s: float
    acked_by: str


ReturnState = Literal["", "unarmed", "armed", "counting", "stopped", "asked"]


@dataclass(frozen=True, slots=True)
class Status:
    """Everything believed and foreseen at one moment.

    ``ledger_wh``: home leg if turned now, expected, by phase and reserve term, in flying order:
    turn, climb, cruise, descent, landing, contingency, alternate, final-reserve, extra.
    ``planned_wh``: the same as the budget planned it for this point of the route.
    ``advice``: named figures beyond the four numbers (best return airspeed ... ).
    ``ahead``: (seconds from now, P5, P50, P95 Wh above the reserve if turned then).
    ``footprint_m``: see core/forecast/footprint.py.
    ``ledger_sd_wh``: one sigma of each term of ``ledger_wh`` that has one.
    ``return_request``: see core/decide/return_watch.py; ``return_by`` is who armed or stopped it.
    ``next_look_s``: seconds until the next look, unless something comes before.
    ``landed``: the flight is over; nothing is foreseen any more.
    """

    t_s: float
    unix_s: float
    phase: Phase
    level: Level
    sentence: str
    position: Position | None
    airspeed_mps: float
    numbers: FourNumbers | None
    turn_back_place: PlaceAhead | None
    ledger_wh: tuple[tuple[str, float], ...]
    planned_wh: tuple[tuple[str, float], ...]
    why_wh: tuple[tuple[str, float], ...]
    wind: WindNow | None
    pack: PackNow | None
    alternates: tuple[SiteChance, ...]
    active: tuple[ActiveCondition, ...]
    advice: tuple[tuple[str, float], ...]
    telemetry_age_s: float
    homeward: bool = False
    ahead: tuple[tuple[float, float, float, float], ...] = ()
    footprint_m: tuple[float, ...] = ()
    ledger_sd_wh: tuple[tuple[str, float], ...] = ()
    return_request: ReturnState = ""
    return_by: str = ""
    next_look_s: float = math.nan
    landed: FlightEnd | None = None


@dataclass(frozen=True, slots=True)
class Text:
    """A line to mirror on the local link as STATUSTEXT; ``severity`` is MAV_SEVERITY."""

    severity: int
    text: str


@dataclass(frozen=True, slots=True)
class ReturnAsked:
    """Ask the autopilot, now and once, for its own return. The policy and a person allowed it."""

    t_s: float

"""What a flight is expected to say: a file for CI, judged against a replay.

::

    schema = 1
    [[must]]                        # must come, at this level or above, within these minutes
    condition = "turn-back-soon"
    level = "caution"
    from_min = 30.0
    by_min = 55.0
    [[never]]                       # must not come at this level or above
    condition = "home-not-covered"
    level = "warning"
    [landing]
    landed = true
    above_reserve_wh = 0.0          # energy left less the final reserve, at least
    lowest_cell_v = 2.9             # measured under load, anywhere in the flight, at least
    [limits]
    advisories = 12                 # at most, endings not counted
    [probability.late_rate]         # for many flights: named figures of a campaign
    at_most = 0.01

Minutes count from take-off. Pure: no files, no clock; ``load_expected`` alone reads the file.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from supervisor import messages
from supervisor.core.decide.rules import RULES
from supervisor.errors import InputError
from supervisor.fileerrors import explain, one_of
from supervisor.held import held, on_ground

RANK: dict[str, int] = {"normal": 0, "advisory": 1, "caution": 2, "warning": 3}
Raised = Literal["advisory", "caution", "warning"]
Condition = Annotated[str, one_of([rule.condition for rule in RULES], "condition")]
GROUND = ("ground", "unknown")


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Must(_Part):
    """An advisory that has to come."""

    condition: Condition
    level: Raised = "advisory"
    from_min: float = -math.inf
    by_min: float = math.inf

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.from_min > self.by_min:
            raise ValueError("from_min is after by_min")
        return self


class Never(_Part):
    """An advisory that must not come at this level or above."""

    condition: Condition
    level: Raised = "advisory"


class Landing(_Part):
    """How the flight has to end."""

    landed: bool = True
    above_reserve_wh: float | None = None
    lowest_cell_v: float | None = None


class Limits(_Part):
    """How much may be said."""

    advisories: Annotated[int, Field(ge=0)] | None = None


class Bounds(_Part):
    """Of one named figure of a campaign."""

    at_least: float = -math.inf
    at_most: float = math.inf


class Expected(_Part):
    """The whole file."""

    schema_version: Literal[1] = Field(alias="schema")
    must: tuple[Must, ...] = ()
    never: tuple[Never, ...] = ()
    landing: Landing | None = None
    limits: Limits = Limits()
    probability: dict[str, Bounds] = {}


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one flight came to, as far as expectations ask. NaN where not known."""

    advisories: tuple[messages.Advisory, ...]
    take_off_s: float
    landed: bool
    above_reserve_wh: float
    lowest_cell_v: float


@dataclass(frozen=True, slots=True)
class Check:
    """One expectation and what came of it."""

    name: str
    met: bool
    found: str


def load_expected(path: Path) -> Expected:
    """The file; InputError names the key."""
    try:
        return Expected.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except OSError as error:
        raise InputError(str(path), f"cannot be read: {error.strerror}") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(str(path), f"is not TOML: {error}") from None
    except ValidationError as error:
        raise explain(error, str(path), Expected) from None


class Watcher:
    """Gathers an :class:`Outcome` from messages in the order in which they come."""

    def __init__(self, final_reserve_wh: float) -> None:
        self._reserve_wh = final_reserve_wh
        self._advisories: list[messages.Advisory] = []
        self._take_off_s = self._energy_wh = math.nan
        self._on_ground = True

    def hear(self, message: messages.Advisory | messages.Status) -> None:
        """Take one message in."""
        if isinstance(message, messages.Advisory):
            self._advisories.append(message)
            return
        if message.phase != "unknown":
            self._on_ground = on_ground(message)
        if self._take_off_s != self._take_off_s and message.phase not in GROUND:
            self._take_off_s = message.t
        if (now := held(message)) is not None:
            self._energy_wh = now.middle_wh

    def outcome(self, lowest_cell_v: float = math.nan) -> Outcome:
        """What it has come to; the lowest cell voltage is measured elsewhere."""
        flew = self._take_off_s == self._take_off_s
        return Outcome(
            tuple(self._advisories),
            self._take_off_s if flew else 0.0,
            flew and self._on_ground,
            self._energy_wh - self._reserve_wh,
            lowest_cell_v,
        )


def judge(expected: Expected, outcome: Outcome) -> list[Check]:
    """Every expectation about one flight, in the file's order."""
    checks = [_must(row, outcome) for row in expected.must]
    checks += [_never(row, outcome) for row in expected.never]
    if expected.landing is not None:
        checks += _landing(expected.landing, outcome)
    most = expected.limits.advisories
    if most is not None:
        said = sum(a.level != "normal" for a in outcome.advisories)
        checks.append(Check(f"at most {most} advisories", said <= most, f"{said} came"))
    return checks


def judge_figures(expected: Expected, figures: Mapping[str, float]) -> list[Check]:
    """The expectations about probabilities; ``figures`` are a campaign's, by name."""
    checks = []
    for name, bounds in expected.probability.items():
        value = figures.get(name, math.nan)
        met = bounds.at_least <= value <= bounds.at_most  # an unknown figure (NaN) is not met
        found = f"{value:.4g}" if value == value else "no such figure"
        checks.append(Check(f"{name} {_range(bounds.at_least, bounds.at_most)}", met, found))
    return checks


def flat(table: Mapping[str, Any], before: str = "") -> dict[str, float]:
    """The numbers of a nested table by dotted names: ``coverage.landing.inside``."""
    found: dict[str, float] = {}
    for key, value in table.items():
        name = f"{before}{key}"
        if isinstance(value, Mapping):
            found |= flat(value, f"{name}.")
        elif isinstance(value, int | float):
            found[name] = float(value)
    return found


def all_met(checks: Iterable[Check]) -> bool:
    """Whether the gate opens."""
    return all(check.met for check in checks)


def _minutes(outcome: Outcome, advisory: messages.Advisory) -> float:
    return (advisory.t - outcome.take_off_s) / 60.0


def _raised(outcome: Outcome, condition: str, level: str) -> list[messages.Advisory]:
    return [
        a for a in outcome.advisories if a.condition == condition and RANK[a.level] >= RANK[level]
    ]


def _must(row: Must, outcome: Outcome) -> Check:
    times = [_minutes(outcome, a) for a in _raised(outcome, row.condition, row.level)]
    name = f"{row.condition} ({row.level}) {_window(row)}".rstrip()
    met = any(row.from_min <= t <= row.by_min for t in times)
    # an alert that came too early counts as that, not as absent
    return Check(name, met, _came(times))


def _never(row: Never, outcome: Outcome) -> Check:
    times = [_minutes(outcome, a) for a in _raised(outcome, row.condition, row.level)]
    return Check(f"never {row.condition} ({row.level})", not times, _came(times))


def _came(times_min: list[float]) -> str:
    if not times_min:
        return "did not come"
    first = ", ".join(f"{t:.1f}" for t in times_min[:3])
    return f"came at {first} min" + (" ..." if len(times_min) > 3 else "")


def _landing(landing: Landing, outcome: Outcome) -> list[Check]:
    found = "landed" if outcome.landed else "did not land within the recording"
    wanted = "landed" if landing.landed else "not landed"
    checks = [Check(wanted, outcome.landed is landing.landed, found)]
    rows = (
        ("above the reserve", landing.above_reserve_wh, outcome.above_reserve_wh, "Wh", ".0f"),
        ("lowest cell", landing.lowest_cell_v, outcome.lowest_cell_v, "V", ".3f"),
    )
    for what, least, value, unit, form in rows:
        if least is not None:
            found = f"{value:{form}} {unit}" if value == value else "not known"
            checks.append(Check(f"{what} at least {least:g} {unit}", value >= least, found))
    return checks


def _window(row: Must) -> str:
    words = [f"from {row.from_min:g} min"] if math.isfinite(row.from_min) else []
    words += [f"by {row.by_min:g} min"] if math.isfinite(row.by_min) else []
    return " ".join(words)


def _range(low: float, high: float) -> str:
    words = [f"at least {low:g}"] if math.isfinite(low) else []
    words += [f"at most {high:g}"] if math.isfinite(high) else []
    return " ".join(words)

"""What was learned, kept: one small file an aircraft, one a pack, written at the end of a flight.

``aircraft-<id>.json`` holds the power scales with their uncertainty, ``pack-<id>.json``
the pack's scales and its logbook (a row a flight). A file is replaced in one step, so that a power
cut leaves the old or the new one, never half of one.

**Schemas.** An older file is brought forward by :data:`MIGRATIONS` as it is read. Of a later one
(after a roll-back) all is taken that this version knows; before it is written over it is copied
beside, under its schema's number, and so is a file that cannot be read. Nothing is lost either way.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Annotated, Any, TypeVar

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, ValidationError

from supervisor.core.estimate.prior import (
    Lessons,
    PackPrior,
    PowerPrior,
    Prior,
    next_pack,
    next_power,
)
from supervisor.core.plan import Aircraft, Cell, Flight
from supervisor.errors import InputError
from supervisor.priors import Matrix, Vector, pack_prior, power_prior, restated, unfit
from supervisor.problems import first_problem

SCHEMA = 4
# From a schema to the next. 2 names the figures that the scales rest on; before, nobody knows. 3
# tells the slope of the cruise scale, and 4 the pack's slow relaxation, beside the scales that
# older versions read.
MIGRATIONS: dict[int, Callable[[dict[str, Any]], dict[str, Any]]] = {
    1: lambda data: data | {"figures": {}},
    2: lambda data: data,
    3: lambda data: data,
}
LOGBOOK_ROWS = 500  # about two years of daily flights; older rows are dropped
SAME = 1e-6  # relative: a figure that differs by more was written anew
T = TypeVar("T", bound="_Kept")
Figures = dict[str, FiniteFloat]


class _Kept(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    schema_version: int = SCHEMA


class AircraftLearned(_Kept):
    """Logarithms of the scales of hover, climb, cruise, descent, avionics on the flight file's
    ``figures``, with their covariance; how many flights they rest on.

    ``slope``: of the cruise scale over airspeed; ``slope_cov``: with the five, and its variance;
    empty where none was told.
    """

    aircraft_id: str
    flights: Annotated[int, Field(ge=1)]
    updated_unix_s: FiniteFloat
    figures: Figures
    log_mean: Annotated[Vector, Field(min_length=5, max_length=5)]
    log_cov: Annotated[Matrix, Field(min_length=5, max_length=5)]
    slope: FiniteFloat = 0.0
    slope_cov: Annotated[Vector, Field(max_length=6)] = ()

    def scales(self) -> tuple[Vector, Matrix]:
        """Mean and covariance of all that was told."""
        return _joined(self.log_mean, self.log_cov, self.slope, self.slope_cov)


class PackRow(BaseModel):
    """One flight in the pack's logbook."""

    model_config = ConfigDict(frozen=True, extra="ignore")  # a later version may say more

    unix_s: FiniteFloat
    flight: str
    airborne_s: FiniteFloat
    used_ah: FiniteFloat
    rest_charge: FiniteFloat
    capacity_ah: FiniteFloat
    capacity_sd_ah: FiniteFloat
    resistance: FiniteFloat
    resistance_sd: FiniteFloat
    temperature_c: FiniteFloat
    weakest_cell: int
    weak_capacity: FiniteFloat
    weak_resistance: FiniteFloat
    lowest_cell_v: FiniteFloat | None = None  # measured; with what the flight file wanted at least
    min_cell_v: FiniteFloat | None = None


class PackLearned(_Kept):
    """Logarithms of resistance, capacity and current gain on the figures of ``capacity_ah`` and a
    new cell of ``figures``, with their covariance; equivalent full cycles; the logbook.

    ``slow``: of the slow relaxation; ``slow_cov``: with the three, and its variance; empty where
    none was told.
    """

    pack_id: str
    figures: Figures
    capacity_ah: FiniteFloat
    cycles: FiniteFloat
    log_mean: Annotated[Vector, Field(min_length=3, max_length=3)]
    log_cov: Annotated[Matrix, Field(min_length=3, max_length=3)]
    logbook: tuple[PackRow, ...]
    slow: FiniteFloat = 0.0
    slow_cov: Annotated[Vector, Field(max_length=4)] = ()

    def scales(self) -> tuple[Vector, Matrix]:
        """Mean and covariance of all that was told."""
        return _joined(self.log_mean, self.log_cov, self.slow, self.slow_cov)


def _joined(mean: Vector, cov: Matrix, last: float, last_cov: Vector) -> tuple[Vector, Matrix]:
    """A scale that was told beside the others, at their end; without it where there is none."""
    if not last_cov:
        return mean, cov
    rows = zip(cov, last_cov, strict=False)
    return (*mean, last), (*((*row, c) for row, c in rows), last_cov)


def aircraft_path(folder: Path, aircraft_id: str) -> Path:
    """Where an aircraft's file stands."""
    return folder / f"aircraft-{_safe(aircraft_id)}.json"


def pack_path(folder: Path, pack_id: str) -> Path:
    """Where a pack's file stands."""
    return folder / f"pack-{_safe(pack_id)}.json"


def _safe(name: str) -> str:
    if not name or not all(c.isalnum() or c in "-_" for c in name):
        raise InputError("id", f"{name!r} cannot name a file", allowed="letters, digits, - and _")
    return name


def load_aircraft(folder: Path, aircraft_id: str) -> AircraftLearned | None:
    """What is kept of an aircraft; None before its first flight."""
    return _load(AircraftLearned, aircraft_path(folder, aircraft_id))


def load_pack(folder: Path, pack_id: str) -> PackLearned | None:
    """What is kept of a pack; None before its first flight."""
    return _load(PackLearned, pack_path(folder, pack_id))


def _load(kind: type[T], path: Path) -> T | None:
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(str(path), f"cannot be read: {error}") from None
    try:
        return kind.model_validate(_current(json.loads(text), kind))
    except ValidationError as error:
        raise first_problem(error, str(path)) from None
    except (ValueError, RecursionError) as error:
        raise InputError(str(path), f"is no file of ours: {error}") from None


def _current(data: Any, kind: type[T]) -> dict[str, Any]:
    """The file's contents in this version's schema."""
    version = data.get("schema_version") if isinstance(data, dict) else None
    if not isinstance(version, int) or version < 1:
        raise ValueError("it names no schema_version")
    if version > SCHEMA:
        data = {key: value for key, value in data.items() if key in kind.model_fields}
    for step in range(version, SCHEMA):
        data = MIGRATIONS[step](data)
    return {**data, "schema_version": SCHEMA}


# --- before a flight ---------------------------------------------------------------------------


def prior_for(folder: Path, flight: Flight) -> Prior:
    """What earlier flights of this aircraft and this pack say before ``flight``.

    Scales on other figures than this flight file's say nothing: they are left out. InputError
    when a file is spoilt, or holds what no flight can have taught.
    """
    return Prior(_power_prior(folder, flight), _pack_prior(folder, flight))


def _power_prior(folder: Path, flight: Flight) -> PowerPrior | None:
    kept = load_aircraft(folder, flight.aircraft.aircraft_id)
    if kept is None or not _same(kept.figures, aircraft_figures(flight.aircraft)):
        return None
    where = str(aircraft_path(folder, kept.aircraft_id))
    return next_power(power_prior(*kept.scales(), where))


def _pack_prior(folder: Path, flight: Flight) -> PackPrior | None:
    kept = load_pack(folder, flight.pack.pack_id)
    if kept is None or not _same(kept.figures, cell_figures(flight.pack.cell)):
        return None
    where = str(pack_path(folder, kept.pack_id))
    taught = pack_prior(*kept.scales(), where)
    return next_pack(restated(taught, kept.capacity_ah, flight))


def aircraft_figures(aircraft: Aircraft) -> Figures:
    """The builder's figures of which the scales are multiples."""
    names = ("wing_area_m2", "disk_area_m2", "hover_efficiency", "cd0", "k", "cruise_efficiency",
             "avionics_w")  # fmt: skip
    return {name: float(getattr(aircraft, name)) for name in names}


def cell_figures(cell: Cell) -> Figures:
    """The same of a pack: how a new cell of its kind behaves."""
    names = ("r1_ohm", "tau1_s", "r2_ohm", "tau2_s", "resistance_temperature_k")
    means = {"r0_ohm": cell.r0_ohm, "ocv_v": cell.ocv_v}
    return {name: float(getattr(cell, name)) for name in names} | {
        name: sum(values) / len(values) for name, values in means.items()
    }


def _same(kept: Mapping[str, float], now: Mapping[str, float]) -> bool:
    """Whether no figure was written anew since; what is not known counts as unchanged."""
    return all(
        math.isclose(kept.get(name, value), value, rel_tol=SAME) for name, value in now.items()
    )


# --- after a flight ----------------------------------------------------------------------------


def keep(
    folder: Path,
    flight: Flight,
    lessons: Lessons,
    unix_s: float,
    lowest_cell_v: float = math.inf,
) -> None:
    """Take a flight's lessons into both files; InputError when no flight should start from them.

    ``lowest_cell_v``: measured anywhere in the flight, for the logbook; not finite: not known.
    """
    wrong = unfit(Prior(lessons.power, lessons.pack))
    if wrong:
        raise InputError(f"lessons of {flight.name}", wrong)
    folder.mkdir(parents=True, exist_ok=True)
    try:
        aircraft = _aircraft_after(folder, flight, lessons, unix_s)
        row = _row(flight, lessons, unix_s, lowest_cell_v)
        pack = _pack_after(folder, flight, lessons, row)
    except ValidationError as error:  # a figure that is none (NaN) beside good scales
        raise first_problem(error, f"lessons of {flight.name}") from None
    for path, kept in (
        (aircraft_path(folder, aircraft.aircraft_id), aircraft),
        (pack_path(folder, pack.pack_id), pack),
    ):
        write_atomically(path, kept.model_dump_json(indent=1))


def _aircraft_after(
    folder: Path, flight: Flight, lessons: Lessons, unix_s: float
) -> AircraftLearned:
    path = aircraft_path(folder, flight.aircraft.aircraft_id)
    before = _before(AircraftLearned, path)
    mean, cov = lessons.power.log_mean.tolist(), lessons.power.log_cov.tolist()
    return AircraftLearned(
        aircraft_id=flight.aircraft.aircraft_id,
        flights=before.flights + 1 if before else 1,
        updated_unix_s=unix_s,
        figures=aircraft_figures(flight.aircraft),
        log_mean=tuple(mean[:5]),
        log_cov=tuple(tuple(row[:5]) for row in cov[:5]),
        slope=mean[5],
        slope_cov=tuple(cov[5]),
    )


def _pack_after(folder: Path, flight: Flight, lessons: Lessons, row: PackRow) -> PackLearned:
    path = pack_path(folder, flight.pack.pack_id)
    before = _before(PackLearned, path)
    mean, cov = lessons.pack.log_mean.tolist(), lessons.pack.log_cov.tolist()
    return PackLearned(
        pack_id=flight.pack.pack_id,
        figures=cell_figures(flight.pack.cell),
        capacity_ah=flight.pack.capacity_ah,
        cycles=(before.cycles if before else 0.0) + lessons.used_ah / row.capacity_ah,
        log_mean=tuple(mean[:3]),
        log_cov=tuple(tuple(r[:3]) for r in cov[:3]),
        slow=mean[3],
        slow_cov=tuple(cov[3]),
        logbook=(*(before.logbook if before else ()), row)[-LOGBOOK_ROWS:],
    )


def _row(flight: Flight, lessons: Lessons, unix_s: float, lowest_cell_v: float) -> PackRow:
    mean, sd = lessons.pack.log_mean, np.sqrt(np.diag(lessons.pack.log_cov))
    capacity_ah = flight.pack.capacity_ah * math.exp(mean[1])
    return PackRow(
        unix_s=unix_s,
        flight=flight.name,
        airborne_s=lessons.airborne_s,
        used_ah=lessons.used_ah,
        rest_charge=lessons.rest_charge,
        capacity_ah=capacity_ah,
        capacity_sd_ah=capacity_ah * float(sd[1]),
        resistance=math.exp(mean[0]),
        resistance_sd=math.exp(mean[0]) * float(sd[0]),
        temperature_c=lessons.temperature_c,
        weakest_cell=lessons.weakest_cell,
        weak_capacity=lessons.weak_capacity,
        weak_resistance=lessons.weak_resistance,
        lowest_cell_v=lowest_cell_v if math.isfinite(lowest_cell_v) else None,
        min_cell_v=flight.policy.min_cell_v,
    )


def _before(kind: type[T], path: Path) -> T | None:
    """What the file holds that is about to be written over; set aside if it is not ours alone."""
    with suppress(OSError, ValueError, AttributeError):
        later = json.loads(path.read_bytes()).get("schema_version", 0)
        if later > SCHEMA:
            _copy(path, path.with_name(f"{path.name}.schema-{later}"))
    try:
        return _load(kind, path)
    except InputError:
        if path.exists():
            _copy(path, path.with_name(f"{path.name}.spoilt"))
        return None


def _copy(path: Path, beside: Path) -> None:
    write_atomically(beside, path.read_bytes())


def write_atomically(path: Path, contents: str | bytes) -> None:
    """Replace ``path`` in one step: written beside it, on the disk, then renamed."""
    data = contents.encode() if isinstance(contents, str) else contents
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with beside.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)  # the new name, too, must survive a power cut
    finally:
        os.close(folder)

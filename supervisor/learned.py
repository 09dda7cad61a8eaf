"""What was learned, kept: one small file an aircraft, one a pack, written at the end of a flight.

``aircraft-<id>.json`` holds the power scales with their uncertainty, ``pack-<id>.json``
the pack's scales and its logbook (a row a flight). A file is replaced in one step, so that a power
cut leaves the old or the new one, never half of one.
"""

from __future__ import annotations

import math
import os
from pathlib import Path
from typing import Annotated, TypeVar

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
from supervisor.core.plan import Flight
from supervisor.errors import InputError
from supervisor.problems import first_problem

SCHEMA = 1
LOGBOOK_ROWS = 500  # about two years of daily flights; older rows are dropped
T = TypeVar("T", bound=BaseModel)
Vector = tuple[FiniteFloat, ...]
Matrix = tuple[Vector, ...]


class _Kept(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class AircraftLearned(_Kept):
    """Logarithms of the scales of hover, climb, cruise, descent, avionics on the flight file's
    figures, with their covariance; how many flights they rest on."""

    schema_version: int = SCHEMA
    aircraft_id: str
    flights: Annotated[int, Field(ge=1)]
    updated_unix_s: FiniteFloat
    log_mean: Annotated[Vector, Field(min_length=5, max_length=5)]
    log_cov: Annotated[Matrix, Field(min_length=5, max_length=5)]


class PackRow(_Kept):
    """One flight in the pack's logbook."""

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


class PackLearned(_Kept):
    """Logarithms of resistance, capacity and current gain on the figures of ``capacity_ah`` and a
    new cell, with their covariance; equivalent full cycles; the logbook."""

    schema_version: int = SCHEMA
    pack_id: str
    capacity_ah: FiniteFloat
    cycles: FiniteFloat
    log_mean: Annotated[Vector, Field(min_length=3, max_length=3)]
    log_cov: Annotated[Matrix, Field(min_length=3, max_length=3)]
    logbook: tuple[PackRow, ...]


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
    try:
        return kind.model_validate_json(text)
    except ValidationError as error:
        raise first_problem(error, str(path)) from None


def prior_for(folder: Path, flight: Flight) -> Prior:
    """What earlier flights of this aircraft and this pack say before ``flight``."""
    aircraft = load_aircraft(folder, flight.aircraft.aircraft_id)
    pack = load_pack(folder, flight.pack.pack_id)
    return Prior(
        power=next_power(PowerPrior(_vector(aircraft.log_mean), _vector(aircraft.log_cov)))
        if aircraft
        else None,
        pack=_pack_prior(pack, flight) if pack else None,
    )


def _pack_prior(kept: PackLearned, flight: Flight) -> PackPrior:
    """The scales, moved to the capacity that this flight file states."""
    mean = _vector(kept.log_mean)
    mean[1] += math.log(kept.capacity_ah / flight.pack.capacity_ah)
    return next_pack(PackPrior(mean, _vector(kept.log_cov)))


def _vector(values: Vector | Matrix) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    return np.array(values, dtype=np.float64)


def keep(folder: Path, flight: Flight, lessons: Lessons, unix_s: float) -> None:
    """Take a flight's lessons into both files."""
    folder.mkdir(parents=True, exist_ok=True)
    _keep_aircraft(folder, flight, lessons, unix_s)
    _keep_pack(folder, flight, lessons, unix_s)


def _keep_aircraft(folder: Path, flight: Flight, lessons: Lessons, unix_s: float) -> None:
    before = load_aircraft(folder, flight.aircraft.aircraft_id)
    kept = AircraftLearned(
        aircraft_id=flight.aircraft.aircraft_id,
        flights=before.flights + 1 if before else 1,
        updated_unix_s=unix_s,
        log_mean=tuple(lessons.power.log_mean.tolist()),
        log_cov=tuple(tuple(row) for row in lessons.power.log_cov.tolist()),
    )
    write_atomically(aircraft_path(folder, kept.aircraft_id), kept.model_dump_json(indent=1))


def _keep_pack(folder: Path, flight: Flight, lessons: Lessons, unix_s: float) -> None:
    before = load_pack(folder, flight.pack.pack_id)
    mean, sd = lessons.pack.log_mean, np.sqrt(np.diag(lessons.pack.log_cov))
    capacity_ah = flight.pack.capacity_ah * math.exp(mean[1])
    row = PackRow(
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
    )
    kept = PackLearned(
        pack_id=flight.pack.pack_id,
        capacity_ah=flight.pack.capacity_ah,
        cycles=(before.cycles if before else 0.0) + lessons.used_ah / capacity_ah,
        log_mean=tuple(mean.tolist()),
        log_cov=tuple(tuple(r) for r in lessons.pack.log_cov.tolist()),
        logbook=(*(before.logbook if before else ()), row)[-LOGBOOK_ROWS:],
    )
    write_atomically(pack_path(folder, kept.pack_id), kept.model_dump_json(indent=1))


def write_atomically(path: Path, text: str) -> None:
    """Replace ``path`` in one step: written beside it, on the disk, then renamed."""
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with beside.open("w", encoding="utf-8") as file:
            file.write(text)
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

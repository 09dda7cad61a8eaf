"""A recording as a table: a row every so many seconds, every value as last heard; CSV, Parquet."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from supervisor.core import events as ev
from supervisor.core.events import Observation
from supervisor.errors import InputError

KINDS: tuple[type, ...] = (
    ev.Position, ev.AirData, ev.Attitude, ev.AirPressure, ev.PackReport, ev.WindReport,
    ev.FlightState, ev.MissionProgress, ev.Heartbeat, ev.GpsQuality, ev.LinkQuality, ev.ClockFix,
)  # fmt: skip
PREFIX = {ev.AirData: "air_", ev.PackReport: "pack_", ev.WindReport: "report_"}
MAX_AGE_S = 10.0  # a value older than this is an empty field


def rows(observations: Iterable[Observation], every_s: float) -> Iterator[dict[str, Any]]:
    """One dictionary a row; the same keys in every row, angles in degrees, None for unknown."""
    last: dict[type, Any] = {}
    cells = 0
    due_s: float | None = None
    for obs in observations:
        last[type(obs)] = obs
        if isinstance(obs, ev.PackReport):
            cells = max(cells, len(obs.cell_v))
        due_s = obs.t_s if due_s is None else due_s
        if obs.t_s >= due_s:
            yield _row(last, obs.t_s, cells)
            due_s += every_s * max(math.floor((obs.t_s - due_s) / every_s) + 1, 1)


def _row(last: dict[type, Any], t_s: float, cells: int) -> dict[str, Any]:
    row: dict[str, Any] = {"t_s": round(t_s, 3)}
    for kind in KINDS:
        found = last.get(kind)
        fresh = found is not None and t_s - found.t_s <= MAX_AGE_S
        for field in kind.__slots__:  # type: ignore[attr-defined]
            if field in ("t_s", "cell_v"):
                continue
            name, value = _named(kind, field, getattr(found, field) if fresh else None)
            row[name] = value
    pack = last.get(ev.PackReport)
    for k in range(cells):
        row[f"cell_{k + 1}_v"] = pack.cell_v[k] if pack and k < len(pack.cell_v) else None
    return row


def _named(kind: type, field: str, value: Any) -> tuple[str, Any]:
    prefix = PREFIX.get(kind, "")
    field = field if field.startswith(prefix) else prefix + field
    if isinstance(value, float):
        if not math.isfinite(value):
            value = None
        elif field.endswith("_rad"):
            value = round(math.degrees(value), 7)
        else:
            value = round(value, 6)
    elif isinstance(value, ev.Lift | ev.Landed):
        value = value.name.lower()
    return (field[: -len("_rad")] + "_deg" if field.endswith("_rad") else field), value


def write_csv(path: Path, table: Iterable[dict[str, Any]]) -> int:
    """Returns how many rows."""
    everything = list(table)
    keys = list(everything[-1]) if everything else ["t_s"]
    try:
        with path.open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, keys, restval="")
            writer.writeheader()
            writer.writerows(everything)
    except OSError as error:
        raise InputError(str(path), f"cannot be written: {error.strerror}") from None
    return len(everything)


def write_parquet(path: Path, table: Iterable[dict[str, Any]]) -> int:
    """The same columns; needs pyarrow."""
    try:
        import pyarrow
        from pyarrow import parquet
    except ImportError:
        raise InputError(str(path), "needs pyarrow", allowed="pip install pyarrow") from None
    everything = list(table)
    keys = list(everything[-1]) if everything else ["t_s"]
    columns = {key: [row.get(key) for row in everything] for key in keys}
    try:
        parquet.write_table(pyarrow.table(columns), path)
    except OSError as error:
        raise InputError(str(path), f"cannot be written: {error}") from None
    return len(everything)

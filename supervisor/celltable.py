"""Cell types: the built-in table (``cells.toml``) and the builder's own discharge curve (CSV)."""

from __future__ import annotations

import csv
import difflib
import itertools
import tomllib
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from supervisor.core.plan import Cell
from supervisor.errors import InputError

TABLE = Path(__file__).with_name("cells.toml")
CURVE_COLUMNS = ("charge_percent or used_ah", "voltage_v", "resistance_mohm (optional)")


@cache
def built_in() -> dict[str, Cell]:
    """Every cell of the table, by name."""
    rows = tomllib.loads(TABLE.read_text(encoding="utf-8"))
    return {name: _cell(name, row) for name, row in rows.items()}


def _cell(name: str, row: dict[str, Any]) -> Cell:
    return Cell(
        name=name,
        capacity_ah=row["capacity_ah"],
        charge_grid=tuple(row["charge"]),
        ocv_v=tuple(row["ocv_v"]),
        r0_ohm=tuple(r / 1000.0 for r in row["r0_mohm"]),
        r1_ohm=row["r1_mohm"] / 1000.0,
        tau1_s=row["tau1_s"],
        r2_ohm=row["r2_mohm"] / 1000.0,
        tau2_s=row["tau2_s"],
        resistance_temperature_k=row["resistance_temperature_k"],
        cold_capacity_per_k=row["cold_capacity_per_k"],
        heat_capacity_jpk=row["heat_capacity_jpk"],
        cooling_wpk=row["cooling_wpk"],
        max_v=row["max_v"],
        source=row["source"],
    )


def find_cell(name: str, where: str) -> Cell:
    """The built-in cell ``name``; InputError names the nearest ones."""
    table = built_in()
    if name in table:
        return table[name]
    near = difflib.get_close_matches(name, table, n=1, cutoff=0.4)
    hint = f"; did you mean {near[0]!r}?" if near else ""
    raise InputError(
        where, f"pack.cell = {name!r} is not in the table{hint}", allowed=", ".join(sorted(table))
    )


def scaled(cell: Cell, capacity_ah: float) -> Cell:
    """A cell of the same class and another size: twice the cell has half the resistance."""
    size = capacity_ah / cell.capacity_ah
    return replace(
        cell,
        capacity_ah=capacity_ah,
        r0_ohm=tuple(r / size for r in cell.r0_ohm),
        r1_ohm=cell.r1_ohm / size,
        r2_ohm=cell.r2_ohm / size,
        heat_capacity_jpk=cell.heat_capacity_jpk * size,
        cooling_wpk=cell.cooling_wpk * size,
    )


def with_curve(cell: Cell, path: Path, current_a: float, capacity_ah: float) -> Cell:
    """``cell`` with the builder's own curve in place of the table's.

    The file has a header and one row a point, for one cell: ``charge_percent`` (100 is full) or
    ``used_ah`` (0 is full), ``voltage_v``, and if known ``resistance_mohm``. ``current_a`` is the
    cell's current while the curve was taken (0: at rest); the drop over the sustained resistance
    is added back, so that the curve becomes an open-circuit one.
    """
    points = _read_points(path, capacity_ah)
    grid = tuple(p[0] for p in points)
    r0 = tuple(_interpolate(cell, c) if r is None else r for c, _, r in points)
    rise_ohm = tuple(r + cell.r1_ohm + cell.r2_ohm for r in r0)
    volts = tuple(v + current_a * r for (_, v, _), r in zip(points, rise_ohm, strict=True))
    if any(b <= a for a, b in itertools.pairwise(volts)):
        raise InputError(str(path), "the voltage does not rise with the charge everywhere")
    return replace(
        cell,
        name=path.stem,
        charge_grid=grid,
        ocv_v=volts,
        r0_ohm=r0,
        max_v=max(cell.max_v, volts[-1]),
        source=f"own curve {path.name}; the rest as {cell.name}: {cell.source}",
    )


def _interpolate(cell: Cell, charge: float) -> float:
    grid, ohm = cell.charge_grid, cell.r0_ohm
    for i in range(len(grid) - 1):
        if charge <= grid[i + 1]:
            share = (charge - grid[i]) / (grid[i + 1] - grid[i])
            return ohm[i] + share * (ohm[i + 1] - ohm[i])
    return ohm[-1]


def _read_points(path: Path, capacity_ah: float) -> list[tuple[float, float, float | None]]:
    try:
        with path.open(newline="", encoding="utf-8-sig") as handle:
            rows = list(csv.DictReader(handle, skipinitialspace=True))
    except OSError as error:
        raise InputError(str(path), f"cannot be read: {error.strerror}") from None
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(str(path), f"is not a CSV text: {error}") from None
    head = list(rows[0]) if rows else []
    if rows and not ({"voltage_v"} < set(head) and {"charge_percent", "used_ah"} & set(head)):
        told = ", ".join(str(name) for name in head)
        why = " (separated by commas?)" if len(head) == 1 else ""
        raise InputError(f"{path} line 1", f"columns {told}{why}", allowed=", ".join(CURVE_COLUMNS))
    points = sorted(_point(path, i + 2, row, capacity_ah) for i, row in enumerate(rows))
    if len(points) < 4:
        raise InputError(str(path), f"{len(points)} points", allowed="4 or more")
    charges = [p[0] for p in points]
    if len(set(charges)) != len(charges):
        raise InputError(str(path), "two points have the same charge")
    if charges[0] > 0.12 or charges[-1] < 0.95:
        fraction = " (fractions, not percent?)" if charges[-1] <= 0.011 else ""
        raise InputError(
            str(path),
            f"the curve runs from {charges[0]:.0%} to {charges[-1]:.0%} of charge{fraction}",
            allowed="from 12 % or less to 95 % or more",
        )
    return points


def _point(
    path: Path, line: int, row: dict[str, str], capacity_ah: float
) -> tuple[float, float, float | None]:
    where = f"{path} line {line}"
    if None in row:
        raise InputError(where, "more columns than the header has (a decimal comma?)")
    try:
        if "charge_percent" in row:
            charge = float(row["charge_percent"]) / 100.0
        else:
            charge = 1.0 - float(row["used_ah"]) / capacity_ah
        volts = float(row["voltage_v"])
        milliohm = row.get("resistance_mohm")
        ohm = float(milliohm) / 1000.0 if milliohm else None
    except (TypeError, ValueError):
        raise InputError(where, "not a number", allowed=", ".join(CURVE_COLUMNS)) from None
    if not -0.02 <= charge <= 1.02:
        used = row.get("used_ah")
        told = f"used_ah = {used} of {capacity_ah:g} Ah (mAh?)" if used else f"charge {charge:.0%}"
        raise InputError(where, told, allowed="0..100 % of the charge")
    if not 1.0 <= volts <= 5.0:
        raise InputError(where, f"voltage_v = {volts:g}", allowed="1..5 V: of one cell, not a pack")
    return min(max(charge, 0.0), 1.0), volts, ohm

"""All rows, and the table that shows them."""

from __future__ import annotations

import importlib
import platform
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from os import cpu_count, getloadavg
from pathlib import Path

from tests.bench.row import Form, Growth, Row

# Modules bench_NAME.py with a function rows(form). What the bridge delivers under faults needs
# root and half an hour: bench_bridge.py is a command of its own.
BENCHES = (
    "intake",
    "recording",
    "update",
    "forecast",
    "replay",
    "flight",
    "campaign",
    "status",
    "start",
    "budget",
    "daemon",
    "watch",
)


def measured(names: Iterable[str], form: Form) -> Iterator[Row]:
    """The rows of these benches, each as soon as it is there."""
    for name in names:
        yield from importlib.import_module(f"tests.bench.bench_{name}").rows(form)


def machine() -> dict[str, str]:
    """Where and when; figures mean nothing without."""
    model = platform.processor() or platform.machine()
    for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
        if line.startswith("model name"):
            model = line.split(":", 1)[1].strip()
            break
    return {
        "date": datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC"),
        "processor": f"{model}, {cpu_count()} cores, {platform.machine()}",
        "python": platform.python_version(),
        "load": f"{getloadavg()[0]:.1f}",
    }


HEAD = f"{'':50} {'ours':>10} {'reference':>10} {'':7} {'ratio':>7}  {'aim':>11}  growth"


def line(row: Row) -> str:
    """One row of the table, and below it what it is measured against."""
    first = (
        f"{row.name:50} {short(row.ours):>10} {short(row.reference):>10} {row.unit:7} "
        f"{short(row.ratio):>7}  {_aim(row):>11}  {_growth(row.growth)}"
    )
    below = f"    against {row.against}" + (f"; {row.note}" if row.note else "")
    return f"{first.rstrip()}\n{below}"


def _aim(row: Row) -> str:
    if row.aim is None:
        return ""
    sign = "≥" if row.aim.of == "ratio" else "≤"
    told = f"{sign} {short(row.aim.bound)}" + ("×" if row.aim.of == "ratio" else "")
    return f"{told} {'yes' if row.reached else 'NO'}"


def _growth(growth: Growth | None) -> str:
    if growth is None:
        return ""
    sizes = ", ".join(short(size) for size in growth.sizes)
    return f"{growth.of} {sizes}: ^{growth.exponent:.2f}"


def short(value: float) -> str:
    """Three figures, without exponents for a person."""
    if value >= 1000.0 or float(value).is_integer():
        return f"{value:,.0f}"
    digits = 0 if value >= 100.0 else 1 if value >= 10.0 else 2 if value >= 1.0 else 3
    return f"{value:.{digits}f}"

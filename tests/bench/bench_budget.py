"""What ``homeleg budget`` costs as a command, beside an interpreter that imports what it must.

Run: ``python tests/bench/bench_budget.py`` prints the rows as JSON. The pairs are run in turn, so
that a busy machine slows both; the medians and their ratio are told.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
FLIGHT = ROOT / "sim/scenarios/estuary/flight.toml"
RUNS = 7

BARE = [sys.executable, "-c", "import numpy, pydantic, click"]
BUDGET = [sys.executable, "-m", "supervisor", "budget", str(FLIGHT)]
REPORT = [*BUDGET, "--html", os.devnull]


def _seconds(command: list[str]) -> float:
    start = time.perf_counter()
    subprocess.run(command, cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def rows() -> list[dict[str, Any]]:
    """Wall-clock time, and its ratio to the bare interpreter's in the same minute."""
    taken: dict[str, list[float]] = {"bare": [], "budget": [], "report": []}
    for _ in range(RUNS):
        for name, command in (("bare", BARE), ("budget", BUDGET), ("report", REPORT)):
            taken[name].append(_seconds(command))
    bare, budget, report = (statistics.median(taken[name]) for name in taken)
    return [
        {"subject": "import of numpy, pydantic, click", "value": bare, "unit": "s"},
        {"subject": "homeleg budget", "value": budget, "unit": "s"},
        {"subject": "homeleg budget --html", "value": report, "unit": "s"},
        {"subject": "budget over bare import", "value": budget / bare, "unit": "ratio"},
    ]


if __name__ == "__main__":
    print(json.dumps(rows(), indent=2))

"""``homeleg budget`` as a command, beside an interpreter that imports what it must."""

from __future__ import annotations

import os
import tempfile
import tomllib
from itertools import pairwise
from pathlib import Path
from typing import Any

from tests.bench.feed import FLIGHT
from tests.bench.row import Form, Row, growth, python, ran_in_turns

BARE = python("-c", "import numpy, pydantic, click")
BUDGET = python("-m", "supervisor", "budget")
TIMES = (1, 4, 16)  # how often each leg of the route is divided


def rows(form: Form) -> list[Row]:
    """The commands take turns, so that a busy machine slows all; sizes are points of the route."""
    with tempfile.TemporaryDirectory() as place:
        each = form.pick(TIMES[:1], TIMES)
        paths = [Path(place) / f"{times}.toml" for times in each]
        points = [_divided(path, times) for path, times in zip(paths, each, strict=True)]
        commands = [[*BUDGET, path] for path in paths]
        report = [*BUDGET, paths[0], "--html", os.devnull]
        bare, printed, *budgets = ran_in_turns(BARE, report, *commands, rounds=form.pick(1, 3))
    against = "an interpreter that imports numpy, pydantic and click"
    grown = growth("points of the route", points, [run.cpu_s for run in budgets])
    return [
        Row("homeleg budget", budgets[0].cpu_s, "CPU s", bare.cpu_s, against, growth=grown),
        Row("homeleg budget --html", printed.cpu_s, "CPU s", bare.cpu_s, against),
    ]


def _divided(path: Path, times: int) -> int:
    """The demo's flight file with points between its points; returns how many there are."""
    text = FLIGHT.read_text(encoding="utf-8")
    route = tomllib.loads(text)["route"]["waypoints"]
    found: list[dict[str, Any]] = [route[0]]
    for before, after in pairwise(route):
        found += [_between(before, after, part / times) for part in range(1, times)]
        found.append(after)
    lines = [f"  {{ {', '.join(f'{k} = {v!r}' for k, v in p.items())} }}," for p in found]
    begin = text.index("waypoints = [")
    end = text.index("\n]", begin) + 2
    path.write_text(f"{text[:begin]}waypoints = [\n{chr(10).join(lines)}\n]{text[end:]}", "utf-8")
    return len(found)


def _between(before: dict[str, Any], after: dict[str, Any], share: float) -> dict[str, Any]:
    keys = ("lat_deg", "lon_deg", "height_m")
    return {key: before[key] + share * (after[key] - before[key]) for key in keys}

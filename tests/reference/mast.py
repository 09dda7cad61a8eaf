"""Measured wind: twenty-two months of 10-minute means of a mast (80 m anemometers, 78 m vane).

They come with the PyPI package brightwind (MIT); ``SPEC`` is None where it is not installed.
"""

from __future__ import annotations

import csv
import importlib.util
import math
from datetime import datetime
from pathlib import Path

import numpy as np

SPEC = importlib.util.find_spec("brightwind")
STEP_S = 600.0


def measured() -> np.ndarray:
    """(N, 2) wind toward north and east on an even 10-minute grid, NaN in gaps."""
    assert SPEC is not None
    assert SPEC.submodule_search_locations
    folder = Path(SPEC.submodule_search_locations[0])
    stamps, speeds, directions = [], [], []
    with (folder / "demo_datasets" / "demo_data.csv").open(encoding="utf-8-sig") as file:
        for row in csv.DictReader(file):
            stamps.append(datetime.fromisoformat(row["Timestamp"]).timestamp())
            # two anemometers: the greater is not in the mast's wake
            speeds.append(max(_number(row["Spd80mN"]), _number(row["Spd80mS"])))
            directions.append(math.radians(_number(row["Dir78mS"])))
    slot = np.round((np.array(stamps) - stamps[0]) / STEP_S).astype(int)
    grid = np.full((slot[-1] + 1, 2), np.nan)
    speed, angle = np.array(speeds), np.array(directions)
    grid[slot] = -np.column_stack([speed * np.cos(angle), speed * np.sin(angle)])
    return grid


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan

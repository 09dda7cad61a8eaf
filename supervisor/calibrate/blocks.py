"""Blocks of steady flight that say something about the aircraft."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from supervisor.core.belief import Array
from supervisor.debrief.flown import Block, Flown

WING_S, LEAST_WING_S, LEAST_HOVER_S = 30.0, 15.0, 6.0
HOVERS = ("take-off", "landing")
LEVEL = ("cruise", "loiter", "climb")


@dataclass(frozen=True, slots=True)
class Steady:
    """Columns, one row a block. ``run``: numbers the uninterrupted stretches of one phase."""

    hover: Array  # 1 on the rotors, 0 on the wing
    power_w: Array
    density: Array
    tas_mps: Array
    climb_mps: Array
    load: Array
    seconds: Array
    run: Array
    flight: Array
    t_s: Array
    wind_mps: Array  # through which it hovers

    def only(self, keep: NDArray[np.bool_]) -> Steady:
        """The rows where ``keep`` is true."""
        return Steady(*(getattr(self, name)[keep] for name in Steady.__slots__))


def steady_blocks(flights: list[Flown]) -> Steady:
    """Of all flights: half minutes on the wing without descent, and each hover."""
    rows, run = [], 0
    for number, flown in enumerate(flights):
        flying = [b for b in flown.blocks if b.t_s >= flown.take_off_s and b.seconds > 0.0]
        for phase, group in groupby(flying, key=lambda b: b.phase):
            run += 1
            if phase in LEVEL:
                rows += [_row(part, 0.0, run, number) for part in _parts(list(group)[1:])]
            elif phase in HOVERS:
                blocks = list(group)
                # the ends belong half to the transition, or to the ground's cushion
                if phase == "landing" and len(blocks) > 2:
                    blocks = blocks[1:]
                blocks = blocks[:-1] or blocks
                if sum(b.seconds for b in blocks) >= LEAST_HOVER_S:
                    rows.append(_row(blocks, 1.0, run, number))
    kept = [r for r in rows if np.all(np.isfinite(r)) or r[0] == 1.0]
    columns = np.array(kept, dtype=float).reshape(len(kept), 11).T
    return Steady(*columns)


def _parts(blocks: list[Block]) -> list[list[Block]]:
    """Cut into parts of about WING_S; what is shorter than LEAST_WING_S is left out."""
    parts: list[list[Block]] = [[]]
    for block in blocks:
        parts[-1].append(block)
        if sum(b.seconds for b in parts[-1]) >= WING_S:
            parts.append([])
    return [p for p in parts if sum(b.seconds for b in p) >= LEAST_WING_S]


def _row(blocks: list[Block], hover: float, run: int, number: int) -> tuple[float, ...]:
    seconds = sum(b.seconds for b in blocks)

    def mean(name: str) -> float:
        return float(sum(getattr(b, name) * b.seconds for b in blocks)) / seconds

    return (
        hover,
        3600.0 * sum(b.energy_wh for b in blocks) / seconds,
        mean("density"),
        0.0 if hover else mean("tas_mps"),
        mean("climb_mps"),
        mean("load_factor"),
        seconds,
        float(run),
        float(number),
        blocks[0].t_s,
        mean_wind(blocks),
    )


def mean_wind(blocks: list[Block]) -> float:
    """Mean speed of the wind in these blocks [m/s]; 0 where it is not known."""
    speeds = [math.hypot(b.wind_n_mps, b.wind_e_mps) for b in blocks]
    known = [v for v in speeds if v == v]
    return sum(known) / len(known) if known else 0.0

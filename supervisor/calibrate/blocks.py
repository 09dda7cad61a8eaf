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
LEAST_READINGS = 5  # in a block, before their spread says anything


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
    unrest: Array  # ripple of the power within the block, see ripple(); 0 in a hover
    surge: Array  # ripple of the airspeed; 0 in a hover

    def only(self, keep: NDArray[np.bool_]) -> Steady:
        """The rows where ``keep`` is true."""
        return Steady(*(getattr(self, name)[keep] for name in Steady.__slots__))


def steady_blocks(flights: list[Flown]) -> Steady:
    """Of all flights: half minutes on the wing without descent, and each hover."""
    rows, run = [], 0
    for number, flown in enumerate(flights):
        series = _series(flown)
        flying = [b for b in flown.blocks if b.t_s >= flown.take_off_s and b.seconds > 0.0]
        for phase, group in groupby(flying, key=lambda b: b.phase):
            run += 1
            if phase in LEVEL:
                parts = _parts(list(group)[1:])
                rows += [(*_row(p, 0.0, run, number), *_ripples(series, p)) for p in parts]
            elif phase in HOVERS:
                blocks = list(group)
                # the ends belong half to the transition, or to the ground's cushion
                if phase == "landing" and len(blocks) > 2:
                    blocks = blocks[1:]
                blocks = blocks[:-1] or blocks
                if sum(b.seconds for b in blocks) >= LEAST_HOVER_S:
                    rows.append((*_row(blocks, 1.0, run, number), 0.0, 0.0))
    kept = [r for r in rows if np.all(np.isfinite(r)) or r[0] == 1.0]
    columns = np.array(kept, dtype=float).reshape(len(kept), len(Steady.__slots__)).T
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


def _series(flown: Flown) -> list[tuple[Array, Array]]:
    """Times and values of power [W] and true airspeed [m/s]."""
    air = np.array([(m.t_s, math.hypot(m.air_n_mps, m.air_e_mps)) for m in flown.motion])
    t_s, tas_mps = air.reshape(-1, 2).T
    return [(flown.pack.t_s, flown.pack.power_w), (t_s, tas_mps)]


def _ripples(series: list[tuple[Array, Array]], blocks: list[Block]) -> tuple[float, ...]:
    end_s = blocks[-1].t_s + blocks[-1].seconds
    return tuple(ripple(t, values, blocks[0].t_s, end_s) for t, values in series)


def ripple(t_s: Array, values: Array, from_s: float, to_s: float) -> float:
    """Variance over the square of the mean of what was read in this time [-]; 0 if too little."""
    first, end = np.searchsorted(t_s, (from_s, to_s))
    read = values[first:end]
    if len(read) < LEAST_READINGS or read.mean() <= 0.0:
        return 0.0
    return float(read.var(ddof=1) / read.mean() ** 2)


def mean_wind(blocks: list[Block]) -> float:
    """Mean speed of the wind in these blocks [m/s]; 0 where it is not known."""
    speeds = [math.hypot(b.wind_n_mps, b.wind_e_mps) for b in blocks]
    known = [v for v in speeds if v == v]
    return sum(known) / len(known) if known else 0.0

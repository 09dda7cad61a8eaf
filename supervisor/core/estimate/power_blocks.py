"""Samples of power, averaged to the blocks from which the power filter learns.

Speed, climb and power are averaged over five to thirty seconds first: a gust moves the climb rate
and not the power, and a filter that took each second for itself would learn from that.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from supervisor.core.conclusions import Phase
from supervisor.core.constants import G0_MPS2

HOVER, CLIMB, CRUISE, DESCENT = range(4)
REGIME: dict[Phase, int] = {
    Phase.HOVER_CLIMB: HOVER,
    Phase.HOVER_LANDING: HOVER,
    Phase.CLIMB: CLIMB,
    Phase.CRUISE: CRUISE,
    Phase.LOITER: CRUISE,
    Phase.DESCENT: DESCENT,
}

# Blocks: on the wing as long as a lull lasts, so that blocks are nearly independent.
BLOCK_S = {HOVER: 5.0, CLIMB: 20.0, CRUISE: 30.0, DESCENT: 20.0}
SAMPLE_S = 0.9
# A hover is steady while neither its climb nor its way through the air changes by more than this:
# what changes is the transition, whose power is another, though the phase is still a hover's.
STEADY_CLIMB_MPS, STEADY_AIR_MPS = 0.7, 1.5


class PowerSample(NamedTuple):
    """Measured power and the motion that goes with it; ``tas_mps`` in a hover is the wind's, known
    to ``air_sd_mps`` a component."""

    t_s: float
    phase: Phase
    power_w: float
    density: float
    tas_mps: float
    climb_mps: float
    load_factor: float = 1.0
    air_sd_mps: float = 0.0


Block = tuple[PowerSample, ...]


def grown(block: Block, sample: PowerSample) -> tuple[Block, Block]:
    """(block, sample) -> the block being averaged, and the one that is full by now, if any."""
    if sample.phase not in REGIME:
        return (), ()
    if block and sample.t_s - block[-1].t_s < SAMPLE_S:
        return block, ()
    block = (sample,) if block and _broken(block, sample) else (*block, sample)
    if sample.t_s - block[0].t_s < BLOCK_S[REGIME[sample.phase]] or len(block) < 5:
        return block, ()
    return (), block


def _broken(block: Block, sample: PowerSample) -> bool:
    """Whether a block cannot go on with this sample: another phase, a gap, or a hover that ends."""
    first = block[0]
    if sample.phase is not first.phase or sample.t_s - block[-1].t_s > 5.0:
        return True
    return REGIME[sample.phase] == HOVER and (
        abs(sample.climb_mps - first.climb_mps) > STEADY_CLIMB_MPS
        or abs(sample.tas_mps - first.tas_mps) > STEADY_AIR_MPS
    )


def mean(block: Block) -> PowerSample:
    """One sample for all; the climb is that of the energy: dh/dt + V/g dV/dt."""
    first, last = block[0], block[-1]
    power, density, tas, climb, load, air_sd = np.mean([b[2:] for b in block], axis=0).tolist()
    gained = 0.5 * (last.tas_mps + block[-2].tas_mps - first.tas_mps - block[1].tas_mps)
    rate = gained / (last.t_s - first.t_s)
    if REGIME[last.phase] != HOVER:
        climb += tas * rate / G0_MPS2
    return PowerSample(last.t_s, last.phase, power, density, tas, climb, load, air_sd)

"""What the aircraft is doing, from telemetry alone: one table of rules.

The rules look at a few smoothed signs: height, climb, airspeed against the stall, power against the
hover, and how far the aircraft got in the last minute. EXTENDED_SYS_STATE decides wing or rotors
when it is sent, and is not needed. A new phase must persist before it is believed.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from supervisor.core.conclusions import Phase
from supervisor.core.events import Landed, Lift


@dataclass(frozen=True, slots=True)
class Signs:
    """What is looked at; NaN where not known. ``power_ratio`` is electrical power over hover's.

    ``airspeed_ratio``: calibrated airspeed over the stall's. ``progress``: way made good over way
    flown in the last minute, 1 on a straight leg, 0 on a full circle.
    """

    armed: bool
    height_m: float
    climb_mps: float
    groundspeed_mps: float
    airspeed_ratio: float
    power_ratio: float
    progress: float
    lift: Lift = Lift.UNKNOWN
    landed: Landed = Landed.UNKNOWN


# Thresholds are ours. A wing carries from 0.85 of the stall speed wings-level up (below it the
# lift is shared); cruise takes about a quarter of hover power, so half is a clear line between.
WING_RATIO, ROTOR_RATIO = 0.85, 0.55
WING_POWER, IDLE_POWER = 0.62, 0.12
CLIMB_MPS, LOITER_PROGRESS = 0.8, 0.45
BLIND_WING_MPS = 10.0  # over the ground, when neither airspeed nor power is known


def on_ground(s: Signs) -> bool:
    """Standing still, low, with the motors off or idle."""
    if s.landed is Landed.ON_GROUND:
        return True
    if not s.armed:
        return True
    still = s.groundspeed_mps < 2.0 and abs(s.climb_mps) < 0.4
    return still and s.power_ratio < IDLE_POWER  # no current known: NaN, not on the ground


def on_wing(s: Signs) -> bool:
    """The wing carries."""
    if s.lift in (Lift.WING, Lift.ROTORS):
        return s.lift is Lift.WING
    if s.airspeed_ratio == s.airspeed_ratio and s.airspeed_ratio > WING_RATIO:
        return not s.power_ratio > WING_POWER
    if s.power_ratio == s.power_ratio:
        return s.power_ratio < WING_POWER and s.groundspeed_mps > 6.0
    return s.groundspeed_mps > BLIND_WING_MPS


def on_rotors(s: Signs) -> bool:
    """The rotors carry, without much way through the air."""
    if s.lift in (Lift.WING, Lift.ROTORS):
        return s.lift is Lift.ROTORS and not s.groundspeed_mps > 12.0
    if s.power_ratio == s.power_ratio:
        slow = s.airspeed_ratio < ROTOR_RATIO or s.groundspeed_mps < 5.0
        return s.power_ratio > WING_POWER and slow
    return s.groundspeed_mps < 5.0


def climbing(s: Signs) -> bool:
    """Going up."""
    return s.climb_mps > CLIMB_MPS


def descending(s: Signs) -> bool:
    """Going down."""
    return s.climb_mps < -CLIMB_MPS


def circling(s: Signs) -> bool:
    """Flying without getting anywhere."""
    return s.progress < LOITER_PROGRESS


Sign = Callable[[Signs], bool]


def _always(_: Signs) -> bool:
    return True


# The first row whose signs all hold gives the phase. The order matters: ground before all, rotors
# before wing, vertical motion before what is level.
TABLE: tuple[tuple[tuple[Sign, ...], Phase], ...] = (
    ((on_ground,), Phase.GROUND),
    ((on_rotors, climbing), Phase.HOVER_CLIMB),
    ((on_rotors,), Phase.HOVER_LANDING),
    ((on_wing, climbing), Phase.CLIMB),
    ((on_wing, descending), Phase.DESCENT),
    ((on_wing, circling), Phase.LOITER),
    ((on_wing,), Phase.CRUISE),
    ((_always,), Phase.TRANSITION),
)

# How long [s] a new phase must be seen; a landing shows at once, a loiter only after a while.
HOLD_S: dict[Phase, float] = {
    Phase.GROUND: 3.0,
    Phase.HOVER_CLIMB: 1.0,
    Phase.TRANSITION: 1.0,
    Phase.CLIMB: 3.0,
    Phase.DESCENT: 3.0,
    Phase.HOVER_LANDING: 2.0,
    Phase.CRUISE: 3.0,
    Phase.LOITER: 8.0,
    Phase.UNKNOWN: 0.0,
}


def classify(signs: Signs) -> Phase:
    """The phase that the signs show at this moment."""
    return next(phase for wanted, phase in TABLE if all(sign(signs) for sign in wanted))


@dataclass(frozen=True, slots=True)
class PhaseState:
    """The phase believed, since when, and the one that asks to follow it."""

    phase: Phase = Phase.UNKNOWN
    since_s: float = -math.inf
    next_phase: Phase = Phase.UNKNOWN
    next_since_s: float = -math.inf


def advance(state: PhaseState, t_s: float, signs: Signs) -> PhaseState:
    """(belief, input) -> belief: a phase seen for its hold time becomes the phase."""
    seen = classify(signs)
    if seen is state.phase:
        return state if state.next_phase is seen else replace(state, next_phase=seen)
    if seen is not state.next_phase:
        state = replace(state, next_phase=seen, next_since_s=t_s)
    if state.phase is Phase.UNKNOWN or t_s - state.next_since_s >= HOLD_S[seen]:
        return PhaseState(seen, t_s, seen, t_s)
    return state


WING_BORNE = frozenset({Phase.CLIMB, Phase.CRUISE, Phase.LOITER, Phase.DESCENT})
ROTOR_BORNE = frozenset({Phase.HOVER_CLIMB, Phase.HOVER_LANDING})

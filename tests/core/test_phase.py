"""Phases from signs alone; the truth of whole flights is in tests/reference/test_belief_flights."""

from __future__ import annotations

from dataclasses import replace

import pytest

from supervisor.core.conclusions import Phase
from supervisor.core.estimate.phase import HOLD_S, TABLE, PhaseState, Signs, advance, classify
from supervisor.core.events import Landed, Lift

NAN = float("nan")
CRUISE = Signs(True, 100.0, 0.0, 21.0, 1.5, 0.25, 1.0)
GROUND = Signs(False, 0.0, 0.0, 0.0, 0.05, 0.02, 1.0)


@pytest.mark.parametrize(
    ("signs", "phase"),
    [
        (GROUND, Phase.GROUND),
        (replace(GROUND, armed=True), Phase.GROUND),
        (Signs(True, 10.0, 2.5, 0.5, 0.1, 1.05, 1.0), Phase.HOVER_CLIMB),
        (Signs(True, 30.0, -1.0, 0.5, 0.1, 0.95, 1.0), Phase.HOVER_LANDING),
        (Signs(True, 30.0, 0.0, 0.5, 0.1, 1.0, 1.0), Phase.HOVER_LANDING),
        (Signs(True, 40.0, 0.3, 11.0, 0.75, 0.9, 1.0), Phase.TRANSITION),
        (replace(CRUISE, climb_mps=2.5, power_ratio=0.5), Phase.CLIMB),
        (CRUISE, Phase.CRUISE),
        (replace(CRUISE, progress=0.1), Phase.LOITER),
        (replace(CRUISE, climb_mps=-2.5, power_ratio=0.05), Phase.DESCENT),
        # a gliding descent draws nothing and is not the ground
        (replace(CRUISE, climb_mps=-2.5, power_ratio=0.0), Phase.DESCENT),
        # a strong wind: over the ground it stands, through the air it flies
        (replace(CRUISE, groundspeed_mps=3.0), Phase.CRUISE),
        # without airspeed: power and way over the ground
        (replace(CRUISE, airspeed_ratio=NAN), Phase.CRUISE),
        # without current: airspeed
        (replace(CRUISE, power_ratio=NAN), Phase.CRUISE),
        (Signs(True, 20.0, -1.0, 0.5, 0.1, NAN, 1.0), Phase.HOVER_LANDING),
        # what the standard's own state says goes before
        (replace(CRUISE, airspeed_ratio=NAN, power_ratio=NAN, lift=Lift.WING), Phase.CRUISE),
        (replace(CRUISE, landed=Landed.ON_GROUND), Phase.GROUND),
    ],
)
def test_signs_give_the_phase(signs: Signs, phase: Phase) -> None:
    assert classify(signs) is phase


def test_the_table_knows_every_phase() -> None:
    assert {phase for _, phase in TABLE} == set(Phase) - {Phase.UNKNOWN}
    assert set(HOLD_S) == set(Phase)


def test_a_moment_is_not_a_phase_and_persistence_is() -> None:
    state = advance(PhaseState(), 0.0, CRUISE)
    assert state.phase is Phase.CRUISE  # the first look is believed
    gust = replace(CRUISE, climb_mps=1.5)
    state = advance(state, 1.0, gust)
    state = advance(state, 2.0, CRUISE)
    state = advance(state, 3.5, gust)
    state = advance(state, 5.0, gust)
    assert state.phase is Phase.CRUISE
    state = advance(state, 3.5 + HOLD_S[Phase.CLIMB], gust)
    assert state.phase is Phase.CLIMB

"""Habits and progress."""

from __future__ import annotations

import math

import pytest

from supervisor.core.conclusions import Phase
from supervisor.core.estimate.flown import Habits, Progress, changed, progressed, watch


def test_a_straight_leg_progresses_and_a_circle_does_not() -> None:
    straight, circle = Progress(), Progress()
    assert straight.ratio() == 1.0
    for t in range(120):
        straight = progressed(straight, float(t), 21.0 * t, 0.0)
        angle = math.tau * t / 60.0  # one turn a minute
        circle = progressed(circle, float(t), 200.0 * math.cos(angle), 200.0 * math.sin(angle))
    assert straight.ratio() == pytest.approx(1.0)
    assert circle.ratio() < 0.3
    assert len(circle.points) < 20


def test_habits_follow_what_is_flown_and_only_when_steady() -> None:
    habits = Habits()
    habits = watch(habits, Phase.CRUISE, 5.0, 30.0, 0.0, 1.0)
    assert math.isnan(habits.belief().cruise_cas_mps)
    for _ in range(600):
        habits = watch(habits, Phase.CRUISE, 60.0, 22.0, 0.1, 1.0)
        habits = watch(habits, Phase.CLIMB, 60.0, 20.0, 2.6, 1.0)
        habits = watch(habits, Phase.DESCENT, 60.0, 21.0, -2.2, 1.0)
    told = habits.belief()
    assert told.cruise_cas_mps == pytest.approx(22.0)
    assert told.climb_mps == pytest.approx(2.6)
    assert told.descent_mps == pytest.approx(2.2)


def test_the_landing_is_timed_from_hover_to_ground() -> None:
    habits = changed(Habits(), Phase.TRANSITION, Phase.HOVER_LANDING, 100.0)
    habits = changed(habits, Phase.HOVER_LANDING, Phase.GROUND, 172.0)
    assert habits.belief().landing_hover_s == pytest.approx(72.0)

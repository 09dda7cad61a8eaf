"""Homeward: told from motion alone."""

from __future__ import annotations

import math

from supervisor.core.decide.homeward import PERSIST_S, Homeward, watch


def fly(state: Homeward, velocity: tuple[float, float], seconds: int, **kw: object) -> Homeward:
    """Watch ``seconds`` looks at one second's distance, 20 km north of home."""
    place = kw.get("place", (20_000.0, 0.0))
    point = kw.get("point", (40_000.0, 0.0))
    start = kw.get("start", 0)
    for second in range(seconds):
        state = watch(state, float(start + second), place, velocity, point)  # type: ignore[arg-type, operator]
    return state


def test_turning_back_is_seen_after_the_persistence() -> None:
    assert not fly(Homeward(), (-21.0, 0.0), int(PERSIST_S)).yes
    assert fly(Homeward(), (-21.0, 0.0), int(PERSIST_S) + 1).yes


def test_outbound_and_crosswind_legs_are_not_homeward() -> None:
    assert not fly(Homeward(), (21.0, 0.0), 300).yes
    assert not fly(Homeward(), (0.0, 21.0), 300).yes


def test_a_plan_that_leads_home_is_the_plan() -> None:
    assert not fly(Homeward(), (-21.0, 0.0), 300, point=(0.0, 0.0)).yes


def test_a_short_swing_towards_home_does_not_count() -> None:
    state = fly(Homeward(), (-21.0, 0.0), 15)
    state = fly(state, (21.0, 0.0), 1, start=15)
    assert math.isnan(state.since_s)
    assert not fly(state, (-21.0, 0.0), 15, start=16).yes


def test_flying_away_again_ends_it() -> None:
    state = fly(Homeward(), (-21.0, 0.0), 30)
    assert state.yes
    assert not fly(state, (21.0, 0.0), 30, start=30).yes


def test_over_home_there_is_no_direction() -> None:
    assert not fly(Homeward(), (-21.0, 0.0), 300, place=(100.0, 0.0)).yes

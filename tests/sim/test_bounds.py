"""T* found with a handful of branches is the T* of a walk along the whole plan."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from sim.bounds import Limits, Timeline, perfect_knowledge_s, predicted_quantile
from sim.flight import Flight
from sim.scenario import load
from sim.truth import Outcome, fly_home

LIMITS = Limits(reserve_wh=92.0, min_cell_v=2.9)
CAREFUL = Limits(reserve_wh=350.0, min_cell_v=2.9)  # so much kept that the round is too long


def test_margin_is_good_exactly_when_the_outcome_is() -> None:
    good = Outcome(0.0, 1.0, True, 100.0, 95.0, 3.0)
    low, weak = Outcome(0.0, 1.0, True, 100.0, 90.0, 3.0), Outcome(0.0, 1.0, True, 100.0, 95.0, 2.8)
    lost = Outcome(0.0, 30.0, False, 100.0, 200.0, 3.0)
    assert LIMITS.margin_wh(good) == pytest.approx(3.0)
    for bad in (low, weak, lost):
        assert LIMITS.margin_wh(bad, bad.distance_km) < 0.0
        assert not bad.good(92.0, 2.9)


@pytest.fixture(scope="module")
def flown() -> tuple[Timeline, float]:
    timeline, flight = Timeline(CAREFUL), Flight(load("estuary"), 11)
    timeline.keep(flight)
    while flight.t_s < 1500.0:
        flight.step()
        timeline.keep(flight)
    star = timeline.latest_s(flight.t_s)
    assert star is not None
    assert math.isfinite(star)
    return timeline, star


def test_turning_before_t_star_lands_well_and_after_it_does_not(
    flown: tuple[Timeline, float],
) -> None:
    timeline, star = flown
    assert len(timeline.margins) <= 14
    for early_s, good in ((60.0, True), (-60.0, False)):
        fresh = Flight(load("estuary"), 11)
        fresh.advance(star - early_s)
        assert fly_home(fresh).good(CAREFUL.reserve_wh, CAREFUL.min_cell_v) is good


def test_perfect_knowledge_turns_a_little_earlier(flown: tuple[Timeline, float]) -> None:
    timeline, star = flown
    strict = perfect_knowledge_s(timeline, star, 0.01, 4, 1)
    lax = perfect_knowledge_s(timeline, star, 0.20, 4, 1)
    assert 0.6 * star < strict < lax < 1.15 * star


@pytest.mark.parametrize("count", [12, 16, 30])
@pytest.mark.parametrize("share", [0.01, 0.05, 0.2])
def test_the_predicted_quantile_is_students(share: float, count: int) -> None:
    theirs = stats.t.ppf(share, count - 1) * math.sqrt(1.0 + 1.0 / count)
    assert predicted_quantile(share, count) == pytest.approx(theirs, rel=0.005)

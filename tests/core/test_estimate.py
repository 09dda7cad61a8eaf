"""The assembly: any order, any rubbish, silence; what is doubted is said in words."""

from __future__ import annotations

import math
import random
from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from supervisor.core import events as ev
from supervisor.core.belief import Belief
from supervisor.core.conclusions import Phase
from supervisor.core.estimate.estimator import Estimator
from tests.core.flights import NAN, air, cruise, flight, position, report


def fed(observations: list[ev.Observation]) -> Estimator:
    estimator = Estimator(flight())
    for obs in observations:
        estimator.observe(obs)
    return estimator


def believed(estimator: Estimator, t_s: float) -> Belief:
    belief = estimator.belief(t_s)
    assert belief is not None
    return belief


def finite(belief: Belief) -> bool:
    numbers = [
        belief.pack.mean, belief.pack.cov, belief.power.log_mean, belief.power.log_cov,
        np.array(belief.wind.mean_at(0.0, 0.0, 100.0, 600.0)),
    ]  # fmt: skip
    return all(np.isfinite(n).all() for n in numbers)


def test_nothing_is_believed_before_a_position() -> None:
    assert Estimator(flight()).belief(0.0) is None
    assert fed([air(0.0), report(0.0)]).belief(1.0) is None
    assert fed([position(0.0)]).belief(0.0) is not None


def test_a_steady_cruise_is_seen_as_one() -> None:
    estimator = fed(cruise(0.0, 300))
    belief = believed(estimator, 300.0)
    assert estimator.airborne
    assert belief.phase is Phase.CRUISE
    assert belief.east_m == pytest.approx(21.0 * 299.0, rel=0.005)
    assert belief.habits.cruise_cas_mps == pytest.approx(21.0)
    assert belief.doubts == ()
    n, e, sd = belief.wind.mean_at(belief.north_m, belief.east_m, 100.0, 0.0)
    # still air: TAS 21.1 at 100 m against 21 over the ground, with the forecast's west wind behind
    assert math.hypot(n, e) < 2.0 * sd


def test_the_order_of_streams_does_not_matter_and_old_news_is_dropped() -> None:
    tidy = cruise(0.0, 120)
    mixed = sorted(tidy, key=lambda o: (o.t_s, random.Random(id(o)).random()))
    late = replace(position(0.0), t_s=50.0)
    a, b = believed(fed(tidy), 120.0), believed(fed([*mixed, late]), 120.0)
    np.testing.assert_allclose(b.pack.mean, a.pack.mean, atol=0.01)
    assert b.phase is a.phase
    assert b.position.t_s == a.position.t_s


def test_asking_changes_nothing() -> None:
    quiet, asked = Estimator(flight()), Estimator(flight())
    for obs in cruise(0.0, 200):
        quiet.observe(obs)
        asked.observe(obs)
        asked.belief(obs.t_s)
    a, b = believed(quiet, 230.0), believed(asked, 230.0)
    np.testing.assert_array_equal(a.pack.mean, b.pack.mean)
    assert a.wind.mean_at(0, 0, 50, 60) == b.wind.mean_at(0, 0, 50, 60)


def test_the_same_observations_give_the_same_belief() -> None:
    a, b = (believed(fed(cruise(0.0, 100)), 100.0) for _ in range(2))
    rng = [np.random.default_rng(1) for _ in range(2)]
    np.testing.assert_array_equal(a.pack.draw(rng[0], 9).charge, b.pack.draw(rng[1], 9).charge)


KINDS = [
    position(0.0), air(0.0), report(0.0), ev.Attitude(0.0, 0.0, 0.0, 0.0),
    ev.AirPressure(0.0, 1e5, 15.0), ev.WindReport(0.0, 1.0, 1.0, 1.0),
    ev.GpsQuality(0.0, 3, 9, 1.0),
]  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_rubbish_never_breaks_the_belief(data: st.DataObject) -> None:
    """Any float in any field of any observation, between good ones."""
    estimator = fed(cruise(0.0, 20))
    for step in range(data.draw(st.integers(1, 12))):
        good = data.draw(st.sampled_from(KINDS))
        names = [f.name for f in fields(good) if isinstance(getattr(good, f.name), float)]
        spoilt = {n: data.draw(st.floats()) for n in data.draw(st.sets(st.sampled_from(names)))}
        estimator.observe(replace(good, **({"t_s": 20.0 + step} | spoilt)))
    assert finite(believed(estimator, 40.0))


def test_doubts_are_said_and_end() -> None:
    estimator = fed(cruise(0.0, 100))
    assert "the battery monitor is silent" in believed(estimator, 110.0).doubts
    frozen = report(100.0)
    for i in range(60):
        t = 100.0 + i
        estimator.observe(replace(frozen, t_s=t))
        estimator.observe(position(t, 21.0 * t))
        estimator.observe(air(t, NAN))
    doubts = believed(estimator, 160.0).doubts
    assert "the battery monitor is frozen" in doubts
    assert "no usable airspeed: wind from turns only" in doubts
    estimator.observe(replace(report(160.0), current_a=1e6))
    assert "impossible values were refused" in believed(estimator, 161.0).doubts
    for obs in cruise(161.0, 60):
        if isinstance(obs, ev.Position):
            obs = position(obs.t_s, 21.0 * obs.t_s)
        estimator.observe(obs)
    assert believed(estimator, 221.0).doubts == ()


def test_a_jump_of_the_position_is_not_followed() -> None:
    estimator = fed(cruise(0.0, 60))
    estimator.observe(position(60.0, 80e3))
    belief = believed(estimator, 60.0)
    assert belief.east_m < 2000.0
    assert "impossible values were refused" in belief.doubts


def test_without_a_pack_monitor_the_bounds_are_those_of_the_flight_file() -> None:
    silent = [obs for obs in cruise(0.0, 100) if not isinstance(obs, ev.PackReport)]
    belief = believed(fed(silent), 100.0)
    assert finite(belief)
    assert "the battery monitor is silent" in belief.doubts
    assert math.sqrt(belief.pack.cov[0, 0]) >= 0.03

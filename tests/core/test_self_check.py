"""The forecast's own check: misses in stated spreads, when it is unsure, how far it widens."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from supervisor.core.forecast.self_check import HORIZONS_S, LIMITS, WIDEST, SelfCheck, due, note


def missed(found_wh: float) -> SelfCheck:
    """Foreseen 100 Wh with a spread of 20 at every horizon; found ``found_wh`` each time."""
    check = note(SelfCheck(), 0.0, dict.fromkeys(HORIZONS_S, (100.0, 20.0)))
    for horizon in HORIZONS_S:
        check = due(check, horizon, found_wh)
    return check


def test_nothing_is_said_before_anything_came_due() -> None:
    check = due(note(SelfCheck(), 0.0, {600.0: (100.0, 20.0)}), 599.0, 0.0)
    assert math.isnan(check.rms)
    assert not check.unsure
    assert check.widen == (1.0, 1.0)
    assert check.sentence == ""


def test_a_miss_within_the_spread_changes_nothing() -> None:
    assert missed(85.0).rms == pytest.approx(0.75)
    assert missed(85.0).widen == (1.0, 1.0)


def test_a_miss_beyond_it_widens_and_says_so() -> None:
    check = missed(44.0)
    assert check.rms == pytest.approx(2.8)
    assert check.unsure
    # by hand: sqrt((8 + 2 x 2.8^2) / (8 + 2))
    assert check.widen == pytest.approx((1.5389, 1.0), abs=1e-4)
    assert check.sentence == "much less margin than foreseen 20 min ago (2.8 spreads)"


def test_more_margin_than_foreseen_widens_upwards_only() -> None:
    check = missed(160.0)
    assert check.unsure
    assert check.widen == pytest.approx((1.0, math.sqrt((8.0 + 2 * 9.0) / 10.0)))
    assert "much more margin" in check.sentence


def test_the_limits_are_those_of_one_in_a_thousand() -> None:
    """Against scipy's chi-square; one miss alone needs the most."""
    for count, limit in enumerate(LIMITS, start=1):
        assert stats.chi2.sf(count * limit**2, count) == pytest.approx(1e-3, rel=0.03)
    once = due(note(SelfCheck(), 0.0, {600.0: (100.0, 20.0)}), 600.0, 44.0)
    assert once.rms == pytest.approx(2.8)
    assert not once.unsure


def test_it_never_widens_without_end() -> None:
    assert missed(-500.0).widen == (WIDEST, 1.0)


def test_old_misses_are_forgiven() -> None:
    check = missed(40.0)
    assert check.unsure
    assert not due(check, HORIZONS_S[-1] + 601.0, 40.0).unsure


def test_predictions_are_noted_once_a_minute() -> None:
    check = note(SelfCheck(), 0.0, {600.0: (1.0, 1.0)})
    assert len(note(check, 30.0, {600.0: (1.0, 1.0)}).open) == 1
    assert len(note(check, 60.0, {600.0: (1.0, 1.0)}).open) == 2

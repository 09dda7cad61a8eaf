"""Pacing: speak when there is news, keep the budget whatever happens."""

from __future__ import annotations

import itertools

import pytest
from examples import status
from hypothesis import given, settings
from hypothesis import strategies as st

from supervisor.edge.rates import (
    CALM_S,
    CHANGING_S,
    POOR_S,
    Budget,
    Gist,
    StatusPacer,
)


def gaps(pacer: StatusPacer, budget: Budget, level: str, cost: float, until: int) -> list[float]:
    """Offer a status every second; seconds between those that went."""
    sent: list[float] = []
    for second in range(until):
        kind = "caution" if level == "flicker" and second % 2 else "normal"
        offered = status(0.0, level=kind)
        if pacer.due_s(float(second), offered) == 0.0:
            pacer.sent(float(second), offered, cost)
            budget.spend(float(second), cost)
            sent.append(float(second))
    return [b - a for a, b in itertools.pairwise(sent)]


def test_calm_and_news() -> None:
    budget = Budget(1e9)
    assert set(gaps(StatusPacer(budget), budget, "calm", 600.0, 300)) == {CALM_S}
    budget = Budget(1e9)
    found = gaps(StatusPacer(budget), budget, "flicker", 600.0, 300)
    assert min(found) >= CHANGING_S
    assert sum(found) / len(found) <= CHANGING_S + 1.0


def test_a_poor_link_gets_few() -> None:
    budget = Budget(1e9)
    pacer = StatusPacer(budget)
    pacer.poor = True
    assert set(gaps(pacer, budget, "calm", 600.0, 600)) == {POOR_S}
    assert pacer.next_within_s(600.0) > POOR_S


@pytest.mark.parametrize("kb", [100.0, 300.0])
def test_the_budget_is_kept_under_constant_news(kb: float) -> None:
    """Two hours of flicker at 800 bytes a status; the bucket may be emptied once."""
    budget = Budget(kb * 1000.0)
    spent = 800.0 * (1 + len(gaps(StatusPacer(budget), budget, "flicker", 800.0, 7200)))
    floor = 800.0 * 7200 / POOR_S  # one in 30 s always goes
    assert spent <= max(2 * kb * 1000.0 + budget.capacity, floor) + 800.0


def test_silence_never_lasts_longer_than_half_a_minute() -> None:
    budget = Budget(1000.0)  # far too small
    assert max(gaps(StatusPacer(budget), budget, "calm", 900.0, 900)) <= POOR_S


@settings(max_examples=50)
@given(st.lists(st.tuples(st.floats(0.1, 60.0), st.floats(1.0, 5000.0)), max_size=60))
def test_budget_never_gives_more_than_it_gets(steps: list[tuple[float, float]]) -> None:
    budget = Budget(3600.0)  # a byte a second
    now = given_away = 0.0
    for wait, count in steps:
        now += wait
        if budget.wait_s(now, count) == 0.0:
            budget.spend(now, min(count, budget.capacity))
            given_away += min(count, budget.capacity)
    assert given_away <= budget.capacity + now + 1e-6


def test_what_counts_as_news() -> None:
    calm = Gist.of(status(100.0))
    assert not calm.differs(Gist.of(status(101.0)))
    assert calm.differs(Gist.of(status(100.0, level="caution")))


def test_a_new_connection_gets_a_whole_status_first_and_one_every_two_minutes() -> None:
    pacer = StatusPacer(Budget(1e9))
    pacer.begin()
    whole: list[bool] = []
    for n in range(25):
        now_s = 10.0 * n
        whole.append(pacer.whole_due(now_s))
        pacer.sent(now_s, status(0.0), 500.0, whole=whole[-1])
    assert [n for n, due in enumerate(whole) if due] == [0, 12, 24]
    pacer.begin()
    assert pacer.whole_due(241.0)

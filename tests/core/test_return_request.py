"""The optional return request does nothing in every combination but one: the whole table."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import pytest

from supervisor.core.conclusions import Phase
from supervisor.core.decide.return_request import BARS, Facts, Memory, Step, bar, step
from supervisor.core.plan import ReturnRequest

RULES = ReturnRequest(after_s=120.0, countdown_s=60.0)
NOW_S = 5000.0
OLD_S, YOUNG_S = NOW_S - 200.0, NOW_S - 119.0
RUNNING, RUN_OUT = NOW_S - 59.0, NOW_S - 60.0
GOOD = Facts(
    t_s=NOW_S,
    armed=True,
    stopped=False,
    warned_s=OLD_S,
    acknowledged=False,
    phase=Phase.CRUISE,
    homeward=False,
    trusted=True,
)
FLYING_ON = {Phase.CLIMB, Phase.CRUISE, Phase.LOITER}
YES_NO = (True, False)


def everything() -> list[tuple[ReturnRequest | None, Memory, Facts]]:
    """Every combination of what the table looks at."""
    memories = [
        Memory(spent, since_s) for spent in YES_NO for since_s in (math.nan, RUNNING, RUN_OUT)
    ]
    facts = [
        Facts(NOW_S, armed, stopped, warned_s, acknowledged, phase, homeward, trusted)
        for armed, stopped, warned_s, acknowledged, phase, homeward, trusted in itertools.product(
            YES_NO, YES_NO, (OLD_S, YOUNG_S, math.nan), YES_NO, Phase, YES_NO, YES_NO
        )
    ]
    return list(itertools.product((RULES, None), memories, facts))


def test_it_asks_in_exactly_the_combinations_that_the_policy_means() -> None:
    cases = everything()
    assert len(cases) == 2 * 6 * 2 * 2 * 3 * 2 * len(Phase) * 2 * 2
    asking = [case for case in cases if step(*case)[1] is Step.ASK]
    # One for each of the three phases of flying on: all else is fixed.
    wanted = [(RULES, Memory(False, RUN_OUT), replace(GOOD, phase=p)) for p in Phase]
    assert asking == [case for case in wanted if case[2].phase in FLYING_ON]


def test_no_countdown_begins_or_goes_on_where_it_may_not_ask() -> None:
    for rules, memory, facts in everything():
        after, due = step(rules, memory, facts)
        allowed = rules is not None and not memory.spent
        allowed = allowed and replace(facts, phase=Phase.CRUISE) == GOOD
        allowed = allowed and facts.phase in FLYING_ON
        if not allowed:
            assert due in (Step.NOTHING, Step.CANCEL)
            assert not after.counting
            assert bar(rules, memory, facts)
        else:
            assert due is (
                Step.ANNOUNCE if not memory.counting
                else Step.ASK if memory.counting_since_s == RUN_OUT else Step.NOTHING
            )  # fmt: skip
        assert (due is Step.CANCEL) == (not allowed and memory.counting)


def test_once_spent_it_stays_spent() -> None:
    for rules, memory, facts in everything():
        after, due = step(rules, memory, facts)
        if memory.spent or due is Step.ASK or (rules and facts.stopped):
            assert after.spent
            assert step(rules, after, GOOD)[1] is not Step.ASK


def test_it_is_announced_first_and_the_countdown_runs_whole() -> None:
    memory, steps = Memory(), []
    for second in range(200):
        memory, due = step(RULES, memory, replace(GOOD, t_s=NOW_S + second))
        if due is not Step.NOTHING:
            steps.append((second, due))
    assert steps == [(0, Step.ANNOUNCE), (60, Step.ASK)]


@pytest.mark.parametrize(("why", "_bar"), BARS)
def test_every_bar_can_come_down(why: str, _bar: object) -> None:
    reasons = {bar(RULES, Memory(), facts) for rules, _, facts in everything() if rules}
    assert why in reasons

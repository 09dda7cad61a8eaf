"""The core's one door: what goes out with an advisory."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from supervisor.core.conclusions import Advisory, Level, Status, Text
from supervisor.core.decide.rules import Change
from supervisor.core.monitor import Monitor
from tests.bench.bench_update import HZ, observations
from tests.core.flights import flight
from tests.core.test_decide import CALM


# MAV_SEVERITY (MAVLink common): 0 emergency, 1 alert, 4 warning.
@pytest.mark.parametrize(
    ("level", "reminder", "severity"),
    [
        (Level.WARNING, False, [1]),
        (Level.WARNING, True, [0]),
        (Level.CAUTION, False, []),
        (Level.CAUTION, True, [4]),
        (Level.ADVISORY, False, []),
    ],
)
def test_what_nobody_acknowledges_is_escalated(
    level: Level, reminder: bool, severity: list[int]
) -> None:
    monitor = Monitor(flight(), members=20, points=5, explain=False)
    before = level if reminder else Level.NORMAL
    change = Change(1, "turn-back-soon", level, before, reminder, int(reminder), 4.0)
    out = monitor._say(change, replace(CALM, t_s=64.0, turn_back_safe_s=200.0))
    (advisory,) = [o for o in out if isinstance(o, Advisory)]
    assert advisory.sentence.startswith("Not acknowledged for 60 s: ") is reminder
    assert [o.severity for o in out if isinstance(o, Text)] == severity


def _statuses(after_each: Callable[[Monitor], None]) -> list[Status]:
    monitor, said = Monitor(flight(), members=20, points=5), list[Status]()
    for observation in observations(0.0, 70, every=HZ):
        new = [out for out in monitor.handle(observation) if isinstance(out, Status)]
        if new:
            after_each(monitor)
        said += new
    return said


def test_reasons_are_the_same_whether_worked_out_after_a_look_or_before_the_next() -> None:
    """The daemon does it after each look, a replay never: both must publish the same."""
    at_once, never = _statuses(Monitor.reflect), _statuses(lambda _: None)
    assert repr(at_once) == repr(never)  # not ==: unknown is NaN
    assert not at_once[0].why_wh, "the first look waited for them"
    assert len({status.why_wh for status in at_once}) > 2, "they were never renewed"

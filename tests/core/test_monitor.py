"""The core's one door: what goes out with an advisory."""

from __future__ import annotations

from dataclasses import replace

import pytest

from supervisor.core.decide.rules import Change
from supervisor.core.events import Advisory, Level, Text
from supervisor.core.monitor import Monitor
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

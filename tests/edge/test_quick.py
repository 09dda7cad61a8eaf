"""What a quick maker makes is the frozen value itself."""

from __future__ import annotations

import copy
import pickle
from dataclasses import FrozenInstanceError, fields

import pytest

from supervisor.core import events
from supervisor.edge.quick import maker

KINDS = [
    events.Position,
    events.PackReport,
    events.Heartbeat,
    events.FlightState,
    events.WindReport,
]


@pytest.mark.parametrize("kind", KINDS)
def test_it_is_the_same_in_every_respect(kind: type) -> None:
    values = [float(number) for number in range(len(fields(kind)))]
    quick, slow = maker(kind)(*values), kind(*values)
    assert type(quick) is kind
    assert (quick, hash(quick), repr(quick)) == (slow, hash(slow), repr(slow))
    assert pickle.loads(pickle.dumps(quick)) == copy.copy(quick) == slow
    with pytest.raises(FrozenInstanceError):
        quick.t_s = 1.0
    with pytest.raises((AttributeError, TypeError)):
        quick.other = 1.0


def test_it_takes_all_fields_and_no_more() -> None:
    with pytest.raises(TypeError):
        maker(events.Heartbeat)(1.0, True)
    with pytest.raises(TypeError):
        maker(events.Heartbeat)(1.0, True, 4, 5)

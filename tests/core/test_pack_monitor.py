"""Frozen, silent, reset: the monitor's own faults."""

from __future__ import annotations

from dataclasses import replace

import pytest

from supervisor.core.estimate.pack_monitor import ABOVE_REPORTS, FROZEN_S, MonitorState, read
from supervisor.core.events import PackReport
from tests.core.flights import NAN, flight, report

PACK = flight().pack


def counted(t_s: float, consumed_ah: float, current_a: float = NAN) -> PackReport:
    return replace(report(t_s), consumed_ah=consumed_ah, current_a=current_a)


def test_a_frozen_monitor_is_not_used_until_it_moves_again() -> None:
    state, used = MonitorState(), []
    for i in range(40):
        state, sample = read(state, report(float(i)), PACK, airborne=True)
        used.append(sample is not None)
    assert used == [i < FROZEN_S for i in range(40)]
    assert state.frozen
    state, sample = read(state, report(40.0, cell_v=3.99), PACK, airborne=True)
    assert sample is not None
    assert not state.frozen


def test_on_the_ground_nothing_moves_and_that_is_no_fault() -> None:
    state = MonitorState()
    for i in range(100):
        state, sample = read(state, report(float(i)), PACK, airborne=False)
        assert sample is not None


def test_the_counter_gives_the_current_when_none_is_sent() -> None:
    state, _ = read(MonitorState(), counted(0.0, 1.000), PACK, airborne=True)
    _, sample = read(state, counted(3.6, 1.010), PACK, airborne=True)
    assert sample is not None
    assert sample.current_a == pytest.approx(10.0)  # 0.010 Ah in 0.001 h


def test_the_counter_bridges_a_gap_and_its_reset_is_not_a_current() -> None:
    state, _ = read(MonitorState(), counted(0.0, 5.0, 9.0), PACK, airborne=True)
    gap, sample = read(state, counted(360.0, 6.0, 30.0), PACK, airborne=True)
    assert sample is not None
    assert sample.current_a == pytest.approx(10.0)
    gap, sample = read(gap, counted(370.0, 0.02, 12.0), PACK, airborne=True)
    assert sample is not None
    assert sample.current_a == pytest.approx(21.0)  # mean of both ends, not the counter
    assert gap.resets == 1


def test_cells_and_total_that_disagree_say_nothing() -> None:
    _, sample = read(MonitorState(), replace(report(0.0), pack_v=24.0), PACK, airborne=True)
    assert sample is not None
    assert sample.voltage_v != sample.voltage_v
    assert sample.cell_v == ()


def volts_used(cell_volts: list[float]) -> list[float]:
    """What the filter is given of these."""
    state, used = MonitorState(), []
    for i, cell_v in enumerate(cell_volts):
        state, sample = read(state, report(float(i), cell_v=cell_v), PACK, airborne=True)
        assert sample is not None
        used.append(sample.voltage_v)
    return used


def test_a_voltage_above_full_is_not_believed_when_it_has_fallen_either() -> None:
    """Thirteen cells told as twelve: at 3.7 V each they would pass for twelve at 4.01 V."""
    told = [c * 13 / 12 for c in [4.15] * ABOVE_REPORTS + [3.9, 3.8, 3.7]]
    assert all(v != v for v in volts_used(told))


def test_a_few_voltages_above_full_are_spikes() -> None:
    told = [4.1, 4.4, 4.4, 4.09, *[4.4, 4.08] * 10]
    assert [v for v in volts_used(told) if v == v] == pytest.approx([4.1, 4.09, *[4.08] * 10])

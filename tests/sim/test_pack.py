"""The pack: circuit algebra, weakest group, cut-off, cold, age, heat."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from random import Random

import pytest

from sim.cells import CELLS, NMC_21700_5AH, fine, warmth
from sim.pack import Pack, PackBuild

BUILD = PackBuild(NMC_21700_5AH, 12, 4, 19.6, 1.0, 0.0, 0.0, 0.0)


def _pack(charge: float = 1.0, temperature_c: float = 25.0, **more: float) -> Pack:
    return Pack(replace(BUILD, **more), charge, temperature_c, Random(1))  # type: ignore[arg-type]


def test_first_instant_is_the_circuit_by_hand() -> None:
    """Full, 25 degC, rested: I is the smaller root of P = I (E - I R), V = E - I R.

    E = 12 x 4.2 = 50.4 V; R = 12 x 24.8/4 mohm + 4 mohm wiring = 78.4 mohm; 1560 W:
    I = (50.4 - sqrt(50.4^2 - 4 x 0.0784 x 1560))/(2 x 0.0784) = 32.60 A; V = 47.844 V.
    """
    pack = _pack()
    pack.step(1560.0, 0.1, 25.0, 0.0)
    assert pack.current_a == pytest.approx(32.60, abs=0.01)
    assert pack.voltage_v == pytest.approx(47.844, abs=0.002)
    assert pack.voltage_v * pack.current_a == pytest.approx(1560.0)


def test_full_pack_holds_the_curve_times_the_capacity() -> None:
    """Mean open-circuit voltage of the LG M50 table (Chen et al. 2020) over charge: 3.727 V."""
    grid, volts = NMC_21700_5AH.charge, NMC_21700_5AH.ocv_v
    by_hand = sum(
        0.5 * (volts[i] + volts[i + 1]) * (grid[i + 1] - grid[i]) for i in range(len(grid) - 1)
    )
    assert by_hand == pytest.approx(3.727, abs=0.01)
    assert _pack().stored_wh() == pytest.approx(12 * 19.6 * by_hand, rel=1e-3)


def test_chen_open_circuit_points() -> None:
    """LG M50 after Chen et al. 2020, computed from the electrode fits by another hand."""
    table = fine(NMC_21700_5AH.charge, NMC_21700_5AH.ocv_v)
    points = {0.05: 3.109, 0.1: 3.296, 0.2: 3.485, 0.5: 3.751, 0.8: 4.042, 0.9: 4.097, 1.0: 4.2}
    for charge, volts in points.items():
        assert table[round(charge * 400)] == pytest.approx(volts, abs=0.002)


def test_relaxation_comes_back_after_the_load() -> None:
    pack = _pack(0.6)
    for _ in range(600):
        pack.step(1500.0, 0.1, 25.0, 0.0)
    pack.step(0.0, 0.1, 25.0, 0.0)
    at_once = pack.voltage_v
    for _ in range(600):
        pack.step(0.0, 1.0, 25.0, 0.0)
    assert pack.voltage_v - at_once > 12 * 0.05
    for _ in range(6000):
        pack.step(0.0, 1.0, 25.0, 0.0)
    table = fine(NMC_21700_5AH.charge, NMC_21700_5AH.ocv_v)
    assert pack.voltage_v / 12 == pytest.approx(table[round(pack.soc * 400)], abs=0.003)


def test_weakest_group_decides() -> None:
    pack = _pack(0.5)
    whole = pack.stored_wh()
    pack.weaken_group(4, 0.8, 1.5)
    assert pack.stored_wh() < 0.83 * whole
    while not pack.cut_off:
        pack.step(360.0, 1.0, 25.0, 0.0)
    assert pack.cell_v.index(min(pack.cell_v)) == 4
    assert sorted(pack.charge)[1] > 0.05  # the others still had some


def test_cut_off_waits_for_two_seconds_then_stays_open() -> None:
    pack = _pack(0.03)
    seconds = 0.0
    while not pack.cut_off and seconds < 60.0:
        pack.step(1500.0, 0.1, 25.0, 0.0)
        seconds += 0.1
    assert 2.0 <= seconds < 30.0
    assert pack.step(100.0, 0.1, 25.0, 0.0) == 0.0
    assert pack.current_a == 0.0


def test_more_than_the_pack_can_give_is_not_given() -> None:
    """Maximum power of a source is E^2/(4R); beyond it the current is E/(2R)."""
    pack = _pack(0.2)
    got = pack.step(20_000.0, 0.1, 25.0, 0.0)
    assert 3000.0 < got < 20_000.0
    assert pack.voltage_v == pytest.approx(pack.current_a * 12 * 0.0212 / 4, rel=0.1)


def test_cold_and_age_take_their_part() -> None:
    warm, cold, old = _pack(0.5), _pack(0.5, 0.0), _pack(0.5, age=1.0)
    for pack in (warm, cold, old):
        pack.step(1500.0, 0.1, 25.0, 0.0)
    assert cold.lowest_cell_v < warm.lowest_cell_v - 0.05
    assert old.lowest_cell_v < warm.lowest_cell_v - 0.08
    assert old.stored_wh() == pytest.approx(0.8 * warm.stored_wh(), rel=1e-3)
    assert warmth(2500.0, 25.0) == 1.0
    assert warmth(2500.0, 0.0) == pytest.approx(math.exp(2500 * (1 / 273.15 - 1 / 298.15)))


def test_heat_warms_and_air_cools() -> None:
    """Adiabatic check: 5 min of hover leave I^2 R + relaxation heat in 48 x 48.9 + 300 J/K."""
    pack = _pack(0.9, cooling_wpk=0.0)
    for _ in range(3000):
        pack.step(1500.0, 0.1, 25.0, 0.0)
    heat_j = 3600.0 * (pack.ledger.ohmic_wh + pack.ledger.relaxation_wh)
    assert pack.temperature_c - 25.0 == pytest.approx(heat_j / (48 * 48.9 + 300.0), rel=1e-3)
    cooled = _pack(0.9, 40.0)
    for _ in range(3600):
        cooled.step(25.0, 1.0, 10.0, 21.0)
    assert 10.0 < cooled.temperature_c < 20.0


def test_all_cells_fall_with_charge() -> None:
    for cell in CELLS.values():
        table = cell.fine_ocv_v
        assert all(a < b for a, b in pairwise(table[:-1]))
        assert cell.energy_wh_per_ah == pytest.approx(3.75, abs=0.15)

"""The weakest cell, from voltages made by the circuit's own formula and noise."""

from __future__ import annotations

import numpy as np
import pytest

from supervisor.core.estimate import weak_cell
from tests.core.flights import flight

GRID = np.linspace(0.0, 1.0, 401)
CELL = flight().pack.cell
OCV = np.interp(GRID, CELL.charge_grid, CELL.ocv_v)


def discharge(
    lost: np.ndarray, extra: np.ndarray, until: float, rng: np.random.Generator
) -> weak_cell.CellSpread:
    """From full to ``until`` at 1 Hz, 80 mV of sag, 2 mV of noise."""
    spread = weak_cell.start(len(lost))
    for z in np.arange(0.99, until, -1.0 / 7200.0):
        each = 1.0 - (1.0 - z) / (1.0 - lost)
        volts = np.interp(each, GRID, OCV) - 0.08 * (1.0 + extra)
        volts += rng.normal(0.0, 0.002, len(lost))
        spread = weak_cell.observe(spread, volts, z, 0.08, OCV, 1.0)
    return spread


def test_a_cell_that_lost_a_tenth_is_named_and_measured() -> None:
    lost = np.zeros(12)
    lost[7] = 0.10
    spread = discharge(lost, np.zeros(12), 0.5, np.random.default_rng(1))
    weak = weak_cell.weakest(spread)
    assert weak.cell == 7
    assert weak.capacity == pytest.approx(0.10 * 11 / 12, abs=0.02)


def test_a_high_resistance_is_told_from_a_small_capacity() -> None:
    extra = np.zeros(12)
    extra[3] = 0.5
    spread = discharge(np.zeros(12), extra, 0.4, np.random.default_rng(2))
    weak = weak_cell.weakest(spread)
    assert weak.cell == 3
    assert weak.resistance == pytest.approx(0.5 * 11 / 12, abs=0.08)
    assert weak.capacity < 0.02


def test_of_twelve_unknown_cells_one_is_taken_for_weak() -> None:
    """Expected largest of 12 normals: 1.63 (Harter 1961's table; recomputed by quadrature)."""
    z = np.linspace(-8, 8, 40001)
    from scipy.stats import norm

    for count in (3, 6, 12, 14):
        density = count * norm.pdf(z) * norm.cdf(z) ** (count - 1)
        exact = float(np.trapezoid(z * density, z))
        assert weak_cell.largest_of(count) == pytest.approx(exact, abs=0.1)
    unknown = weak_cell.weakest(weak_cell.start(12))
    assert unknown.cell == -1
    assert unknown.capacity == pytest.approx(1.63 * weak_cell.CAPACITY_SD, rel=0.02)


def test_spread_of_a_sorted_pack_is_found_with_honest_bounds() -> None:
    hits = total = 0
    for seed in range(12):
        rng = np.random.default_rng(50 + seed)
        lost, extra = rng.normal(0, 0.01, 12), rng.normal(0, 0.05, 12)
        spread = discharge(lost, extra, 0.5, rng)
        off = (spread.x[:, 0] - (lost - lost.mean())) / np.sqrt(spread.p[:, 0])
        hits += int(np.sum(np.abs(off) < 1.645))
        total += 12
    assert hits / total > 0.80

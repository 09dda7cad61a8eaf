"""A cell unlike its type: its own voltage between full and empty, and the flights that have it."""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path
from random import Random

import numpy as np
import pytest

from sim.cells import CELLS, NMC_21700_5AH, unlike
from sim.flight import Flight
from sim.scenario import FOLDER, ScenarioError, load, read_scenario
from sim.truth import final_reserve_wh


@pytest.mark.parametrize("name", CELLS)
def test_full_and_empty_are_the_types_and_it_rises_between(name: str) -> None:
    for seed in range(50):
        cell = unlike(CELLS[name], 0.012, 1.5, Random(seed))
        assert cell.ocv_v[0] == CELLS[name].ocv_v[0]
        assert cell.ocv_v[-1] == pytest.approx(CELLS[name].ocv_v[-1], abs=1e-12)
        assert all(a < b for a, b in pairwise(cell.ocv_v))


def test_it_lies_off_by_as_much_as_asked() -> None:
    cells = [unlike(NMC_21700_5AH, 0.010, 1.0, Random(seed)) for seed in range(400)]
    off = np.array([c.fine_ocv_v for c in cells]) - np.array(NMC_21700_5AH.fine_ocv_v)
    # few are refused for not rising, so the rms is a little less than asked
    assert math.sqrt(np.mean(off**2)) == pytest.approx(0.010, rel=0.08)
    assert abs(off.mean()) < 0.001


def test_nothing_off_is_the_type() -> None:
    assert unlike(NMC_21700_5AH, 0.0, 1.0, Random(1)) == NMC_21700_5AH
    assert Flight(load("beacons"), 3).pack.build.cell == NMC_21700_5AH


def test_the_scenario_flies_them_and_only_the_truth_knows() -> None:
    usual, other = Flight(load("beacons"), 3), Flight(load("unlike-cells"), 3)
    told, true = usual.pack.build.cell, other.pack.build.cell
    assert true.ocv_v != told.ocv_v
    assert true.r2_ohm != told.r2_ohm
    assert other.draw == usual.draw  # all else of the two flights is the same
    assert final_reserve_wh(other) == pytest.approx(final_reserve_wh(usual))


def test_an_unknown_key_is_refused(tmp_path: Path) -> None:
    text = (FOLDER / "unlike-cells" / "scenario.toml").read_text(encoding="utf-8")
    text = text.replace("../beacons", str(FOLDER / "beacons"))
    path = tmp_path / "scenario.toml"
    path.write_text(text.replace("slow_resistance", "slow_ohm"), encoding="utf-8")
    with pytest.raises(ScenarioError, match="slow_ohm"):
        read_scenario(path)

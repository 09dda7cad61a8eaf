"""A pack's logbook: trend, hint, and the next sortie."""

from __future__ import annotations

import json
import math
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.stats import linregress

from sim.scenario import FOLDER
from supervisor.cli.logbook import command
from supervisor.core.plan import Flight
from supervisor.debrief.answer import Debrief
from supervisor.flightfile import load_flight
from supervisor.learned import PackLearned, PackRow, keep, load_pack, pack_path
from supervisor.logbook import Judged, State, cycles_of, health, next_sortie, trend

LONGER = FOLDER / "estuary" / "flight.toml"
EXAMPLE = Path(__file__).parents[2] / "deploy" / "ci-example" / "flight.toml"


def row(**other: float) -> PackRow:
    figures: dict[str, float] = {
        "unix_s": 1.7e9, "airborne_s": 3600.0, "used_ah": 15.0, "rest_charge": 0.2,
        "capacity_ah": 20.0, "capacity_sd_ah": 0.3, "resistance": 1.0, "resistance_sd": 0.05,
        "temperature_c": 20.0, "weakest_cell": 3, "weak_capacity": 0.01, "weak_resistance": 0.02,
    }  # fmt: skip
    return PackRow.model_validate(figures | {"flight": "round"} | other)


def book(*rows: PackRow) -> PackLearned:
    cycles = sum(r.used_ah / r.capacity_ah for r in rows)
    return PackLearned(
        pack_id="P07", capacity_ah=20.0, cycles=cycles, figures={}, log_mean=(0.0,) * 3,
        log_cov=((0.01, 0.0, 0.0),) * 3, logbook=rows,
    )  # fmt: skip


def fading(per_flight: float, flights: int) -> PackLearned:
    return book(*(row(capacity_ah=20.0 * (1.0 - per_flight * k)) for k in range(flights)))


@pytest.mark.parametrize(
    ("change", "state"),
    [
        ({}, State.FIT),
        ({"capacity_ah": 18.0}, State.DERATE),
        ({"capacity_ah": 15.9}, State.RETIRE),
        ({"resistance": 1.35}, State.DERATE),
        ({"resistance": 1.7}, State.RETIRE),
        ({"weak_capacity": 0.07}, State.DERATE),
        ({"weak_capacity": 0.12}, State.RETIRE),
        ({"weak_capacity": 0.12, "weakest_cell": -1}, State.FIT),  # cells are not told apart
        ({"capacity_ah": 15.9, "resistance": 1.35}, State.RETIRE),
        ({"lowest_cell_v": 2.95, "min_cell_v": 2.9}, State.FIT),
        ({"lowest_cell_v": 2.85, "min_cell_v": 2.9}, State.DERATE),  # in the last flight
        ({"lowest_cell_v": 2.85, "min_cell_v": 2.9, "capacity_ah": 15.9}, State.RETIRE),
    ],
)
def test_hint(change: dict[str, float], state: State) -> None:
    found = health(book(row(), row(), row(), row(**change)))
    assert found.state is state
    assert bool(found.reasons) is (state is not State.FIT)


def test_trend_is_the_weighted_line_of_scipy() -> None:
    """With equal relative spreads the weighted line is the ordinary one: scipy's linregress."""
    rng = np.random.default_rng(2)
    cycles = np.cumsum(rng.uniform(0.5, 1.0, 30))
    values = 20.0 * np.exp(-0.002 * cycles) * np.exp(0.01 * rng.standard_normal(30))
    ours = trend(cycles, values, 0.001 * values)
    theirs = linregress(cycles, np.log(values))
    assert ours.per_cycle == pytest.approx(theirs.slope, rel=1e-9)
    assert ours.sd == pytest.approx(theirs.stderr, rel=1e-6)


def test_few_flights_have_no_trend() -> None:
    assert math.isnan(health(fading(0.01, 3)).capacity_trend.per_cycle)


def test_cycles_left_at_the_pace_of_the_trend() -> None:
    """0.2 % a flight of 0.75 cycles: 20 % are gone after about 100 flights, 75 cycles."""
    found = health(fading(0.002, 40))
    assert found.cycles_left + found.cycles == pytest.approx(0.75 * 105, rel=0.12)


def test_a_pack_that_does_not_fade_lasts() -> None:
    assert math.isinf(health(fading(0.0, 10)).cycles_left)


def test_cycles_count_from_where_dropped_rows_ended() -> None:
    kept = book(row(), row()).model_copy(update={"cycles": 100.0})
    assert cycles_of(kept) == pytest.approx([99.25, 100.0])


FLIGHT = load_flight(FOLDER / "estuary" / "flight.toml")


def on_from(least: float) -> object:
    return lambda f: Judged(f.pack.initial_charge >= least, "x", f.pack.initial_charge)


def test_least_charge_is_found_by_halving() -> None:
    found = next_sortie(FLIGHT, 0.5, 20.0, on_from(0.83), steps=8)  # type: ignore[arg-type]
    assert not found.go
    assert found.least_charge == pytest.approx(0.83, abs=0.003)
    assert found.least_charge >= 0.83


def test_a_sortie_that_no_charge_allows() -> None:
    found = next_sortie(FLIGHT, 0.5, 20.0, lambda _: Judged(False, "no-go", 0.0))
    assert math.isnan(found.least_charge)


def test_charge_and_temperature_reach_the_budget() -> None:
    seen: list[Flight] = []

    def judge(flight: Flight) -> Judged:
        seen.append(flight)
        return Judged(True, "go", 1.0)

    found = next_sortie(FLIGHT, 0.9, 4.0, judge)
    assert (seen[0].pack.initial_charge, seen[0].pack.temperature_c) == (0.9, 4.0)
    assert found.go
    assert "warm it" in found.cautions[0]


@pytest.fixture
def folder(debrief: Debrief, tmp_path: Path) -> Path:
    """What one recorded flight taught, kept."""
    lowest_v = debrief.flown.pack.least_cell_v
    keep(tmp_path, debrief.flight, debrief.flown.lessons, time.time(), lowest_v)
    return tmp_path


def run(*words: object) -> tuple[int, str]:
    result = CliRunner().invoke(command, [str(w) for w in words], standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    return int(result.return_value or 0), result.output


def test_a_flight_enters_the_logbook(folder: Path) -> None:
    _, text = run(folder, "--pack", "P07")
    assert "P07" in text
    assert "  1 flight, " in text
    kept = load_pack(folder, "P07")
    assert kept is not None
    assert kept.logbook[0].airborne_s > 800.0
    lowest_v = min(kept.logbook[0].lowest_cell_v or 0.0, 9.0)
    assert 3.0 < lowest_v < 4.0
    assert f"lowest cell {lowest_v:.2f} V (2.9 V wanted)" in text
    assert json.loads(run(folder, "--json")[1])[0]["state"] == "fit"


def test_the_next_sortie_is_on_with_a_full_pack_and_not_with_an_empty_one(folder: Path) -> None:
    code, text = run(folder, "--next", EXAMPLE, "--charge", 95, "--temperature", 25)
    assert (code, "ON: 95 % in P07 at 25 °C" in text) == (0, True)
    assert "turn back by (at 99 %, reaction kept): not within plan" in text
    code, text = run(folder, "--next", EXAMPLE, "--charge", 15, "--json")
    told = json.loads(text)
    assert code == 1
    assert 0.2 < told["least_charge"] < 0.7


def test_a_sortie_with_conditions_says_on_what_it_hangs_as_the_budget_does(folder: Path) -> None:
    """The whole plan is two to one at this charge: ON alone would send it out without a word."""
    line = [folder, "--next", LONGER, "--charge", 97]
    code, text = run(*line)
    told = json.loads(run(*line, "--json")[1])
    assert (code, told["verdict"]) == (0, "go-with-conditions")
    assert ": ON, WITH CONDITIONS: 97 % in P07" in text
    assert told["conditions"]
    assert told["turn_back"] in text
    assert " ".join(told["conditions"][0].split()) in " ".join(text.split())


def test_a_pack_that_sagged_but_has_not_aged_is_not_told_to_be_smaller(tmp_path: Path) -> None:
    kept = book(row(lowest_cell_v=2.69, min_cell_v=2.9))
    pack_path(tmp_path, "P07").write_text(kept.model_dump_json())
    text = run(tmp_path)[1]
    assert "lowest cell 2.69 V (2.9 V wanted)" in text
    assert "a cell fell below the voltage wanted" in text
    assert "put capacity_ah" not in text


def test_an_old_pack_says_what_to_write(tmp_path: Path) -> None:
    kept = book(row(), row(), row(), row(capacity_ah=18.0))
    pack_path(tmp_path, "P07").write_text(kept.model_dump_json())
    text = run(tmp_path)[1]
    assert "DERATE" in text
    assert "capacity_ah = 18.00" in text


def test_flight_is_not_changed() -> None:
    before = replace(FLIGHT)
    next_sortie(FLIGHT, 0.5, 20.0, on_from(0.8))  # type: ignore[arg-type]
    assert before == FLIGHT

"""Branches of a flight: what turning back at other times would have led to."""

from __future__ import annotations

import json
import math

import pytest
import still

from sim import truth
from sim.flight import Flight
from sim.scenario import load

RESERVE_WH = 87.0
KEPT_WH = 250.0  # so large a reserve that the round is too long for it


@pytest.fixture(scope="module")
def flight() -> Flight:
    return Flight(load("estuary"), 1)


@pytest.fixture(scope="module")
def t_star_s(flight: Flight) -> float:
    found = truth.latest_turn_back_s(flight, KEPT_WH, 2.9)
    assert found is not None
    return found


def test_final_reserve_is_three_minutes_of_the_measured_hover_and_the_packs_own_loss(
    flight: Flight,
) -> None:
    """By hand from 20 to 10 % charge: a cell gives 32.5 W at a mean E of 3.39 V through about

    34 mohm (relaxations half grown): I = 10.7 A, 48 x 3.39 V x 10.7 A for 3 min is 87 Wh.
    """
    assert truth.final_reserve_wh(flight) == pytest.approx(87.0, abs=3.0)


def test_turning_at_t_star_lands_with_the_reserve_and_later_does_not(
    flight: Flight, t_star_s: float
) -> None:
    on_time, late = flight.fork(), flight.fork()
    on_time.advance(t_star_s)
    late.advance(t_star_s + 10.0)
    assert truth.fly_home(on_time).good(KEPT_WH, 2.9)
    assert not truth.fly_home(late).good(KEPT_WH, 2.9)


def test_a_large_reserve_turns_the_round_before_its_last_gauge(
    flight: Flight, t_star_s: float
) -> None:
    there = flight.fork()
    there.advance(t_star_s)
    assert 30e3 < there.distance_home_m < 48e3


def test_turning_before_take_off_is_staying(flight: Flight) -> None:
    stayed = truth.fly_home(flight)
    assert stayed.landed
    assert stayed.energy_left_wh == flight.pack.energy_left_wh
    assert 4.0 < stayed.lowest_cell_v < 4.3


def test_the_flight_is_not_changed_by_asking(flight: Flight) -> None:
    assert flight.t_s == 0.0
    assert flight.pack.ledger.total_wh == 0.0


def test_a_short_plan_is_covered_whole() -> None:
    short = still.routed([(5e3, 0.0), (5e3, 5e3)])
    assert truth.latest_turn_back_s(short, RESERVE_WH, 2.9) == math.inf


def test_no_turn_back_is_good_when_the_reserve_is_more_than_the_pack() -> None:
    short = still.routed([(5e3, 0.0)])
    assert truth.latest_turn_back_s(short, 2000.0, 2.9, step_s=300.0) is None


def test_grid_runs_to_the_plans_own_return_and_falls(flight: Flight) -> None:
    grid = truth.turn_back_grid(flight, 600.0)
    assert [o.turn_s for o in grid] == pytest.approx([600.0 * k for k in range(len(grid))], abs=1.0)
    left = [o.energy_left_wh for o in grid if o.landed]
    assert left == sorted(left, reverse=True)


def test_document_is_json_with_its_series() -> None:
    short = still.routed([(4e3, 0.0)])
    walker, rows = short.fork(), []
    while not walker.done:
        walker.advance(walker.t_s + 1.0)
        rows.append(truth.row(walker.state))
    document = truth.document(short, rows, walker.state, 200.0)
    told = json.loads(json.dumps(document, allow_nan=False))
    assert told["t_star_s"] == "whole-plan"
    assert told["landed"]
    assert len(told["columns"]) == len(told["series"][0])
    assert told["series"][10][0] == pytest.approx(11.0)
    assert told["landing_energy_wh"] == pytest.approx(walker.pack.energy_left_wh)
    assert len(told["turn_backs"]) >= 2

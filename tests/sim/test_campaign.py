"""The campaign end to end, small: a flight judged, a crew that resumes, a page that shows it."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from sim import campaign, crew
from sim.campaign import Record, Task
from sim.campaign_report import page, plain, write_csv
from sim.scoring import table
from supervisor.cli.campaign import command

TASK = Task("estuary", 4, members=60, points=12, checks=1, stretched=True, sweep=False)


@pytest.fixture(scope="module")
def record() -> Record:
    return campaign.fly(TASK)


def test_a_flight_is_judged(record: Record) -> None:
    assert record.t_star_s is not None
    assert math.isfinite(record.t_star_s)
    assert 0.5 * record.t_star_s < record.alert_s < 1.2 * record.t_star_s
    assert {name for name, *_ in record.checks} >= {"landing_energy_wh", "hover_cell_v"}
    times = [row[0] for row in record.series]
    assert times == sorted(times)
    assert record.series[-1][3] > 50.0  # watt-hours used


def test_tasks_take_turns_and_record_their_seeds() -> None:
    tasks = crew.tasks_of(7, 9, ["a", "b"], members=50, points=10, bound=2, futures=5)
    assert [t.scenario for t in tasks] == ["a", "b", "a", "b", "a", "b", "a"]
    assert [t.seed for t in tasks] == [9_000_000 + i for i in range(7)]
    assert [t.stretched for t in tasks] == [True, True, True, True, False, False, True]
    assert sum(t.futures > 0 for t in tasks) == 2


def test_a_campaign_goes_on_where_it_was_cut_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    flown: list[int] = []

    def fly(task: Task) -> Record:
        flown.append(task.seed)
        if task.seed == 3:
            raise RuntimeError("broken")
        return Record(task.scenario, task.seed, t_star_s=100.0)

    def here(tasks: list[Task], workers: int | None) -> object:  # noqa: ARG001
        return (crew.safely(task) for task in tasks)

    monkeypatch.setattr(crew, "fly", fly)
    monkeypatch.setattr(crew, "_by_processes", here)
    tasks = [replace(TASK, seed=k) for k in range(1, 5)]
    results = tmp_path / "results.jsonl"
    crew.run(tasks[:2], results)
    with results.open("a") as file:
        file.write('{"task": {"scenario": "est')  # power cut
    results.write_text(results.read_text() + "\n")
    records = crew.run(tasks, results)
    assert flown == [1, 2, 3, 4]
    assert [r.seed for r in records] == [1, 2, 4]
    assert crew.errors(results) == ["RuntimeError: broken"]


def test_the_page_and_the_csv(record: Record, tmp_path: Path) -> None:
    full = table([record, record])
    text = page(full, b"png", {"flights": 2})
    assert text.count("<table>") >= 4
    assert "estuary" in text
    write_csv([record], tmp_path / "flights.csv")
    head, row = (tmp_path / "flights.csv").read_text().splitlines()
    assert head.split(",")[:2] == ["scenario", "seed"]
    assert row.split(",")[:2] == ["estuary", "4"]
    assert json.loads(json.dumps(plain(full), allow_nan=False))["flights"] == 2


def test_an_unknown_scenario_is_refused() -> None:
    result = CliRunner().invoke(command, ["--scenario", "nowhere"])
    assert result.exit_code != 0
    assert "nowhere" in str(result.exception)

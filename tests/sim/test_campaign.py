"""The campaign end to end, small: a flight judged, a crew that resumes, a page that shows it."""

from __future__ import annotations

import csv
import json
import math
import sys
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from sim import campaign, crew
from sim.campaign import Record, Task
from sim.campaign_report import page, plain, write_tables
from sim.cli.campaign import command
from sim.scoring import table

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

    def here(work: Any, tasks: list[Task], workers: int | None) -> object:  # noqa: ARG001
        return (work(task) for task in tasks)

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


def test_a_truth_found_before_is_not_searched_for_again(
    record: Record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another supervisor, the same flights: only what it says is new."""
    results = tmp_path / "results.jsonl"
    results.write_text(json.dumps({"task": asdict(TASK), "record": asdict(record)}) + "\n")
    unknown = replace(TASK, seed=5)
    known, still_unknown = crew.with_truths([TASK, unknown], results)
    assert still_unknown == unknown
    (kept,) = crew.run([known], results)  # it is the same flight: nothing is flown
    assert kept.alerts == record.alerts
    monkeypatch.setattr(campaign, "_truth", None)
    again = campaign.fly(known)
    assert again.t_star_s == record.t_star_s
    assert again.alerts == record.alerts
    assert again.checks == record.checks


def test_the_page(record: Record) -> None:
    full = table([record, record])
    text = page(full, b"png", {"flights": 2})
    assert text.count("<table>") >= 6
    assert "estuary" in text
    assert "<img" in text
    assert "<img" not in page(full, None, {})
    assert json.loads(json.dumps(plain(full), allow_nan=False))["flights"] == 2


def test_flights_and_checks_as_parquet(record: Record, tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    flights, checks = write_tables([record, record], tmp_path)
    rows = parquet.read_table(flights).to_pylist()
    assert [row["seed"] for row in rows] == [4, 4]
    assert rows[0]["t_star_s"] == record.t_star_s
    assert rows[0]["alert_s"] == record.alert_s
    quantities = parquet.read_table(checks)["quantity"].to_pylist()
    assert quantities == [name for name, *_ in record.checks] * 2


def test_flights_and_checks_as_csv_without_pyarrow(
    record: Record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    flights, checks = write_tables([record], tmp_path)
    with flights.open() as file:
        (row,) = csv.DictReader(file)
    assert (row["scenario"], row["seed"]) == ("estuary", "4")
    assert float(row["t_star_s"]) == record.t_star_s
    assert checks.name == "checks.csv"


# What the machine face promises, key by key.
KEYS = {
    "late_rate", "late_rate_interval", "efficiency_p05", "efficiency_p50", "false_alarms_per_h",
    "coverage_p05_p95", "baselines", "clairvoyant", "bound", "operating_curve",
    "verification_2_3_min",
}  # fmt: skip


@pytest.mark.parametrize(("at_most", "status"), [(1.0, 0), (-1.0, 1)])
def test_an_expectation_judges_the_table(
    at_most: float, status: int, record: Record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def here(work: Any, items: list[Any], workers: int | None) -> object:  # noqa: ARG001
        yield from (
            {"task": asdict(i), "record": asdict(replace(record, seed=i.seed))} for i in items
        )

    monkeypatch.setattr(crew, "_by_processes", here)
    expected = tmp_path / "expected.toml"
    expected.write_text(f"schema = 1\n[probability.late_rate]\nat_most = {at_most}\n")
    args = ["--flights", "2", "--scenario", "estuary", "--verify", "0", "--out", str(tmp_path)]
    args += ["--expect", str(expected), "--junit", str(tmp_path / "judged.xml")]
    result = CliRunner().invoke(command, args, standalone_mode=False)
    assert result.return_value == status, result.output
    assert ("<failure" in (tmp_path / "judged.xml").read_text()) is bool(status)


def test_the_machine_face(record: Record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The command from end to end, its flights replaced by one flown before."""
    swept = {c: record.alert_s - 60.0 * k for k, c in enumerate(("0.999", "0.99", "0.9"))}
    known = replace(record, alerts=swept, swept=True, bound_s=record.t_star_s or 0.0)
    flown: list[Task] = []

    def here(work: Any, items: list[Any], workers: int | None) -> object:  # noqa: ARG001
        for item in items:
            if isinstance(item, Task):
                flown.append(item)
                row = asdict(replace(known, seed=item.seed))
                yield {"task": asdict(item), "record": row}
            else:
                yield {"seed": item, "alarm_s": 150.0}

    monkeypatch.setattr(crew, "_by_processes", here)
    args = ["--flights", "3", "--seed", "8", "--scenario", "estuary", "--verify", "4", "--json"]
    for _ in range(2):  # the second time everything is there already
        result = CliRunner().invoke(command, [*args, "--out", str(tmp_path)], standalone_mode=False)
        assert result.return_value == 0, result.output
    assert [task.seed for task in flown] == [8_000_000, 8_000_001, 8_000_002]
    answer = json.loads(result.stdout)
    assert set(answer) >= KEYS
    low, high = answer["late_rate_interval"]
    assert 0.0 <= low <= answer["late_rate"] <= high <= 1.0
    assert [row["confidence"] for row in answer["operating_curve"]] == [0.9, 0.99, 0.999]
    assert all({"late_rate", "efficiency_p05", "efficiency_p50"} <= set(r) for r in
               answer["operating_curve"])  # fmt: skip
    assert set(answer["baselines"]) == {
        "fixed-percentage", "distance-proportional", "average-consumption",
    }  # fmt: skip
    assert set(answer["coverage_p05_p95"]) >= {"landing_energy_wh", "hover_cell_v"}
    assert answer["verification_2_3_min"]["within"] == 1.0
    assert answer["bound"]["flights"] == 3
    assert json.loads((tmp_path / "table.json").read_text())["settings"]["seed"] == 8
    assert "8000001" in (tmp_path / "results.jsonl").read_text()
    assert (tmp_path / "campaign.html").stat().st_size > 20_000


def test_an_unknown_scenario_is_refused() -> None:
    result = CliRunner().invoke(command, ["--scenario", "nowhere"])
    assert result.exit_code != 0
    assert "nowhere" in str(result.exception)

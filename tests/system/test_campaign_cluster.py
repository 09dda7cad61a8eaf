"""The campaign on a Dask cluster of two workers: the same flights, the same results."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import pytest

from sim import crew
from sim.campaign import Task
from sim.crew import Hands
from sim.scenario import FOLDER

distributed = pytest.importorskip("distributed")
pytestmark = pytest.mark.system


def short_scenario(folder: Path) -> str:
    """The demo's flight cut to its first gauge, six kilometres away: a few minutes in the air."""
    for name in ("scenario.toml", "flight.toml"):
        text = (FOLDER / "estuary" / name).read_text(encoding="utf-8")
        lines = text.splitlines(keepends=True)
        later = ('  { name = "gauge 2"', '  { name = "gauge 3"', '  { name = "mouth"',
                 '  { name = "Farrow"')  # fmt: skip
        kept = [line for line in lines if not line.startswith(later)]
        (folder / name).write_text("".join(kept), encoding="utf-8")
    return str(folder)


def test_two_workers_find_what_two_processes_find(tmp_path: Path) -> None:
    folder = tmp_path / "short"
    folder.mkdir()
    scenario = short_scenario(folder)
    tasks = [Task(scenario, seed, members=20, points=5, checks=1, sweep=False) for seed in (1, 2)]
    here = crew.run(tasks, tmp_path / "here.jsonl", Hands(workers=2))
    assert len(here) == 2, crew.errors(tmp_path / "here.jsonl")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        hands = Hands(scheduler=cluster.scheduler_address)
        there = crew.run(tasks, tmp_path / "there.jsonl", hands)
        alarms = crew.alarms(2, 7, tmp_path / "alarms.jsonl", hands)
    assert json.dumps([asdict(r) for r in there]) == json.dumps([asdict(r) for r in here])
    assert here[0].airborne_s > 200.0
    assert here[0].checks != here[1].checks  # two seeds, two flights
    assert alarms == crew.alarms(2, 7, tmp_path / "again.jsonl", Hands(workers=1))

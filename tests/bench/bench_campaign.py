"""Flights of the campaign: what one costs, and whether two processes fly twice as many."""

from __future__ import annotations

import resource
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from statistics import median

from sim import crew
from sim.campaign import Task, fly
from sim.flight import Flight
from sim.scenario import load
from tests.bench.row import Aim, Form, Row, cpu_s, growth

SCENARIO = "estuary"
MEMBERS = (50, 100, 200)
POINTS = 30


def rows(form: Form) -> list[Row]:
    """Sizes are members."""
    if form is Form.QUICK:  # a flight takes seconds: a short one, and nothing is scaled
        return [_one("fault-payload-stuck", MEMBERS[:1], checks=0)]
    return [_one(SCENARIO, MEMBERS), _two(form.pick(1, 4, 16), form.pick(1, 2, 3))]


def _one(scenario: str, members: tuple[int, ...], checks: int = 2) -> Row:
    tasks = [Task(scenario, 1, members=m, points=POINTS, checks=checks) for m in members]
    flown_s = 0.0

    def bare() -> None:
        nonlocal flown_s
        flight = Flight(load(scenario), 1)
        while not flight.done and flight.t_s < 4 * 3600.0:
            flight.step()
        flown_s = flight.t_s

    *costs, reference = cpu_s(*(partial(fly, task) for task in tasks), bare, rounds=1)
    return Row(
        f"campaign, one flight judged ({members[-1]} x {POINTS})",
        costs[-1],
        "CPU s",
        reference,
        f"the bare simulated flight to its end ({flown_s / 3600.0:.1f} h), no supervisor",
        growth=growth("members", members, costs),
        note=f"{1.0 / costs[-1]:.2f} flights a second a core",
    )


@dataclass(frozen=True, slots=True)
class Spent:
    """Wall and processor seconds of this process's children."""

    wall_s: float
    cpu_s: float


def _two(flights: int, rounds: int) -> Row:
    """Efficiency: one process's wall time over twice that of two.

    A plain loop is run the same way: on a machine that others use, or whose cores share caches,
    not even that gets twice as much done by two.
    """
    runs: dict[tuple[str, int], list[Spent]] = {}
    for _ in range(rounds):
        for workers in (1, 2):
            runs.setdefault(("flights", workers), []).append(_spent(_campaign, flights, workers))
            runs.setdefault(("loops", workers), []).append(_spent(_loops, flights, workers))

    def wall(kind: str, workers: int) -> float:
        return median(spent.wall_s for spent in runs[kind, workers])

    def cpu(workers: int) -> float:
        return median(spent.cpu_s for spent in runs["flights", workers])

    plain = wall("loops", 1) / (2.0 * wall("loops", 2))
    ours_s, alone_s = 2.0 * wall("flights", 2) / flights, wall("flights", 1) / flights
    return Row(
        "campaign over 2 processes, core seconds a flight",
        ours_s,
        "s",
        alone_s / plain,
        "1 process, times what a plain loop loses here over 2 processes",
        Aim("ratio", 0.85),
        note=f"efficiency {alone_s / ours_s:.2f}, of the plain loop {plain:.2f}; "
        f"by processor time {cpu(1) / cpu(2):.2f}",
    )


def _spent(work: Callable[[int, int], None], flights: int, workers: int) -> Spent:
    before, start = _children_s(), time.perf_counter()
    work(flights, workers)
    return Spent(time.perf_counter() - start, _children_s() - before)


def _children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def _campaign(flights: int, workers: int) -> None:
    tasks = [Task(SCENARIO, seed, members=50, points=8) for seed in range(1, flights + 1)]
    with tempfile.TemporaryDirectory() as place:
        records = crew.run(tasks, Path(place) / "results.jsonl", crew.Hands(workers))
    assert len(records) == flights, "not all flights were flown"


def _loop(count: int) -> float:
    total = 0.0
    for number in range(count):
        total += number * 0.5
    return total


def _loops(flights: int, workers: int) -> None:
    with ProcessPoolExecutor(workers) as pool:
        list(pool.map(_loop, [20_000_000] * flights))

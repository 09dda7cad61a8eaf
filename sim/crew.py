"""Who flies the campaign: processes of this machine, or the workers of a Dask cluster.

Results are appended line by line as they come, so that a campaign cut off anywhere goes on where it
was: what is in the file is not flown again.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from sim.campaign import Record, Task, Truth, fly
from sim.verification import alarm_before_limit_s

Progress = Callable[[int, int], None]
Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Hands:
    """Who flies: ``workers`` processes (None: one a core), or the Dask cluster at an address."""

    workers: int | None = None
    scheduler: str | None = None


HERE = Hands()


def tasks_of(
    flights: int,
    seed: int,
    scenarios: list[str],
    *,
    members: int,
    points: int,
    bound: int,
    futures: int,
) -> list[Task]:
    """The flights of a campaign. Scenarios take turns; two rounds of three hold their last point.

    The seed of flight i is ``seed * 1_000_000 + i``. The first ``bound`` flights that have a held
    point also fly the fresh futures of the perfect-knowledge bound.
    """
    tasks: list[Task] = []
    bounded = 0
    for i in range(flights):
        stretched = i // len(scenarios) % 3 != 2
        wants = stretched and bounded < bound
        bounded += wants
        tasks.append(
            Task(
                scenario=scenarios[i % len(scenarios)],
                seed=seed * 1_000_000 + i,
                members=members,
                points=points,
                futures=futures if wants else 0,
                stretched=stretched,
            )
        )
    return tasks


def with_truths(tasks: list[Task], results: Path) -> list[Task]:
    """``tasks`` with what an earlier campaign of the same seeds found true of its flights."""
    known = {}
    for row in _read(results):
        if "record" in row:
            record = Record(**row["record"])
            truth = Truth(record.t_star_s, record.bound_s, record.fault_s)
            known[record.scenario, record.seed, record.stretched] = truth
    return [
        replace(task, truth=known.get((task.scenario, task.seed, task.stretched))) for task in tasks
    ]


def safely(task: Task) -> Row:
    """A flight's record as a row; a fault of ours becomes a row that says so."""
    try:
        return {"task": asdict(task), "record": asdict(fly(task))}
    except Exception as error:  # one flight must not end the campaign; it is counted and shown
        return {"task": asdict(task), "error": f"{type(error).__name__}: {error}"}


def run(
    tasks: list[Task],
    results: Path,
    hands: Hands = HERE,
    progress: Progress | None = None,
) -> list[Record]:
    """All records of ``tasks``; those already in ``results`` (JSON lines) are not flown again."""
    done = {_key(row["task"]): row for row in _read(results)}
    left = [task for task in tasks if _key(asdict(task)) not in done]
    flown = _spread(safely, left, hands)
    total, count = len(tasks), len(tasks) - len(left)
    if progress:
        progress(count, total)
    with results.open("a", encoding="utf-8") as file:
        for row in flown:
            file.write(json.dumps(row) + "\n")
            file.flush()
            done[_key(row["task"])] = row
            count += 1
            if progress:
                progress(count, total)
    rows = (done[_key(asdict(task))] for task in tasks)
    return [Record(**row["record"]) for row in rows if "record" in row]


def errors(results: Path) -> list[str]:
    """What went wrong in flights that could not be judged."""
    return [row["error"] for row in _read(results) if "error" in row]


def _key(task: Row) -> str:
    """Which flight it is; whether its truth was known before changes nothing of it."""
    return json.dumps({k: v for k, v in task.items() if k != "truth"}, sort_keys=True)


def _read(results: Path) -> Iterator[Row]:
    """Rows of an earlier run; a last line cut off by an interruption is left out."""
    if not results.exists():
        return
    for line in results.read_text(encoding="utf-8").splitlines():
        try:
            yield json.loads(line)
        except json.JSONDecodeError:
            continue


def alarms(
    runs: int,
    seed: int,
    kept: Path,
    hands: Hands = HERE,
    progress: Progress | None = None,
) -> list[float]:
    """Seconds from alarm to limit in ``runs`` runs of the published verification, resumed alike."""
    seeds = [seed * 1_000_000 + i for i in range(runs)]
    done = {row["seed"]: row["alarm_s"] for row in _read(kept)}
    left = [one for one in seeds if one not in done]
    with kept.open("a", encoding="utf-8") as file:
        for row in _spread(_alarm, left, hands):
            file.write(json.dumps(row) + "\n")
            file.flush()
            done[row["seed"]] = row["alarm_s"]
            if progress:
                progress(sum(one in done for one in seeds), runs)
    return [done[one] for one in seeds]


def _alarm(seed: int) -> Row:
    return {"seed": seed, "alarm_s": alarm_before_limit_s(seed)}


def _spread(work: Callable[[Any], Row], items: list[Any], hands: Hands) -> Iterator[Row]:
    """``work`` done on every item, in the order in which it gets done."""
    if not items:
        return iter(())
    if hands.scheduler:
        return _by_dask(work, items, hands.scheduler)
    return _by_processes(work, items, hands.workers)


def _by_processes(
    work: Callable[[Any], Row], items: list[Any], workers: int | None
) -> Iterator[Row]:
    # One thread of linear algebra each: the processes share the cores already.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with ProcessPoolExecutor(workers or os.cpu_count()) as pool:
        for future in as_completed([pool.submit(work, item) for item in items]):
            yield future.result()


def _by_dask(work: Callable[[Any], Row], items: list[Any], scheduler: str) -> Iterator[Row]:
    from distributed import Client
    from distributed import as_completed as completed

    with Client(scheduler) as client:
        for future in completed(client.map(work, items, pure=False)):
            yield future.result()
            future.release()

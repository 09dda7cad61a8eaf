"""What a benchmark says: one row, always beside something else measured in the same run."""

from __future__ import annotations

import math
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Any, Literal

ROOT = Path(__file__).resolve().parents[2]


class Form(Enum):
    """How much is measured: ``QUICK`` only shows that it runs, ``LONG`` takes minutes a row."""

    QUICK = "quick"
    USUAL = "usual"
    LONG = "long"

    def pick(self, quick: Any, usual: Any, long: Any = None) -> Any:
        """The value for this form; the long one is the usual one unless given."""
        return {
            Form.QUICK: quick,
            Form.USUAL: usual,
            Form.LONG: usual if long is None else long,
        }[self]


@dataclass(frozen=True, slots=True)
class Aim:
    """What we want: a ratio of at least ``bound``, or a cost of ours of at most ``bound``."""

    of: Literal["ratio", "ours"]
    bound: float


@dataclass(frozen=True, slots=True)
class Growth:
    """Our whole cost at several sizes of one thing."""

    of: str
    sizes: tuple[float, ...]
    costs: tuple[float, ...]

    @property
    def exponent(self) -> float:
        """Slope of log cost over log size, least squares: 1 is linear, 0 constant."""
        x = [math.log(size) for size in self.sizes]
        y = [math.log(cost) for cost in self.costs]
        mean_x, mean_y = statistics.fmean(x), statistics.fmean(y)
        rise = sum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True))
        return rise / sum((a - mean_x) ** 2 for a in x)


def growth(of: str, sizes: Sequence[float], costs: Sequence[float]) -> Growth | None:
    """The growth over these sizes; None of a single one, which shows none."""
    return Growth(of, tuple(sizes), tuple(costs)) if len(sizes) > 1 else None


@dataclass(frozen=True, slots=True)
class Row:
    """One thing measured: our cost in ``unit``, and the reference's in the same unit."""

    name: str
    ours: float
    unit: str
    reference: float
    against: str
    aim: Aim | None = None
    growth: Growth | None = None
    note: str = ""

    @property
    def ratio(self) -> float:
        """How many times cheaper ours is than the reference; below 1 it is dearer."""
        return self.reference / self.ours

    @property
    def reached(self) -> bool | None:
        """Whether the aim is reached; None without one."""
        if self.aim is None:
            return None
        if self.aim.of == "ratio":
            return self.ratio >= self.aim.bound
        return self.ours <= self.aim.bound

    def plain(self) -> dict[str, Any]:
        """For machines."""
        return {
            "name": self.name,
            "ours": self.ours,
            "unit": self.unit,
            "reference": self.reference,
            "against": self.against,
            "ratio": self.ratio,
            "aim": None if self.aim is None else {"of": self.aim.of, "bound": self.aim.bound},
            "reached": self.reached,
            "growth": None if self.growth is None else {
                "of": self.growth.of,
                "sizes": self.growth.sizes,
                "costs": self.growth.costs,
                "exponent": self.growth.exponent,
            },
            "note": self.note,
        }  # fmt: skip


def cpu_s(*works: Callable[[], object], rounds: int = 5) -> list[float]:
    """Median processor time of each, run in turns so that a busy machine is unfair to none."""
    times: list[list[float]] = [[] for _ in works]
    for _ in range(rounds):
        for own, work in zip(times, works, strict=True):
            start = time.process_time()
            work()
            own.append(time.process_time() - start)
    return [statistics.median(own) for own in times]


@dataclass(frozen=True, slots=True)
class Ran:
    """What a command took: wall and processor seconds, largest resident memory."""

    wall_s: float
    cpu_s: float
    peak_mb: float
    out: str


def ran(command: Sequence[str | Path], *, status: int = 0) -> Ran:
    """Run a command in the project's folder, on one core as far as numpy is concerned."""
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": _path()}
    start = time.perf_counter()
    process = subprocess.Popen(
        [str(word) for word in command], cwd=ROOT, env=environment, stdout=subprocess.PIPE
    )
    assert process.stdout is not None
    out = process.stdout.read()
    _, code, usage = os.wait4(process.pid, 0)
    wall_s = time.perf_counter() - start
    process.returncode = os.waitstatus_to_exitcode(code)
    assert process.returncode == status, f"{command}: exit status {process.returncode}"
    used_s = usage.ru_utime + usage.ru_stime
    return Ran(wall_s, used_s, usage.ru_maxrss / 1024.0, out.decode())


def ran_in_turns(*commands: Sequence[str | Path], rounds: int = 5) -> list[Ran]:
    """The median run of each command (by processor time), the commands taking turns."""
    runs: list[list[Ran]] = [[] for _ in commands]
    for _ in range(rounds):
        for own, command in zip(runs, commands, strict=True):
            own.append(ran(command))
    return [sorted(own, key=lambda run: run.cpu_s)[len(own) // 2] for own in runs]


def python(*words: str | Path) -> list[str | Path]:
    """A command for this very interpreter."""
    return [sys.executable, *words]


def _path() -> str:
    given = os.environ.get("PYTHONPATH", "")
    return f"{ROOT}{os.pathsep}{given}" if given else str(ROOT)

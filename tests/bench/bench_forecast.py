"""A full forecast: 1,000 members, 60 turn-back points, 4 sites, on one core.

Beside it the same members flown in plain loops (tests/core/plain_loops.py; few of them, scaled up),
and, when progpy is installed, its Monte Carlo to the end of discharge for the pack part alone.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from sim.harness import Harness
from sim.scenario import load
from supervisor.core.belief import Belief
from supervisor.core.forecast import forecaster as module
from supervisor.core.forecast.forecaster import Forecaster
from supervisor.core.plan import Flight
from tests.bench.row import Aim, Form, Growth, Row, cpu_s
from tests.core.plain_loops import Loops

OUT_S = 900.0
POINTS, SITES = 60, 4
FEW, SAMPLES = 4, 10  # how many members in plain loops, how many of progpy's samples


def rows(form: Form) -> list[Row]:
    """Sizes are members of the ensemble."""
    members, out_s = form.pick(((50, 100, 200), 90.0), ((250, 500, 1000), OUT_S))
    rounds = form.pick(2, 9)
    plan, belief = moment(out_s)
    works = [_forecast(plan, belief, n, POINTS) for n in members]
    costs = [1e3 * s for s in cpu_s(*works, rounds=rounds)]
    usual = [1e3 * s for s in cpu_s(_forecast(plan, belief, 400, 40), rounds=rounds)]
    loops = loops_ms(plan, belief, members[-1])
    found = [
        Row(
            f"forecast, {members[-1]} members x {POINTS} points x {SITES} sites",
            costs[-1],
            "CPU ms",
            loops,
            f"the same formulas in plain loops ({FEW} members, scaled)",
            Aim("ratio", 20.0),
            Growth("members", members, tuple(costs)),
            f"as shipped (400 members x 40 points): {usual[0]:.1f} ms",
        )
    ]
    theirs = progpy_ms(1 if form is Form.QUICK else SAMPLES)
    if theirs is not None:
        ways = members[-1] * (POINTS + SITES - 1)
        found.append(
            Row(
                "forecast, one sampled discharge",
                1e3 * costs[-1] / ways,
                "CPU us",
                1e3 * theirs,
                "progpy's Monte Carlo, one sample, one cell to its end in steps of 2 s",
                note="ours: one way home of one member, wind and hover included, in few stretches",
            )
        )
    return found


def _forecast(plan: Flight, belief: Belief, members: int, points: int) -> Callable[[], object]:
    maker = Forecaster(plan, members=members, points=points, explain=False)
    return lambda: maker.forecast(belief)


def moment(out_s: float = OUT_S) -> tuple[Flight, Belief]:
    """Some way out on the demo's flight, as the supervisor believes it; four sites."""
    harness = Harness(load("estuary"), 1, members=20, points=5)
    for heard in harness.run():
        if heard.t_s > out_s:
            break
    belief = harness.belief()
    pad = harness.plan.alternates[0]
    return replace(harness.plan, alternates=(pad,) * (SITES - 1)), belief


def loops_ms(plan: Flight, belief: Belief, members: int) -> float:
    """The same forecast in plain loops: measured on few members, home only, scaled to all."""
    caught: dict[str, Any] = {}
    real_plan, real_ways = module.fly_plan, module.fly_ways

    def fly_plan(*args: Any) -> Any:
        caught.setdefault("plan", args)
        return real_plan(*args)

    def fly_ways(*args: Any) -> Any:
        caught.setdefault("ways", args)
        return real_ways(*args)

    module.fly_plan, module.fly_ways = fly_plan, fly_ways
    try:
        maker = Forecaster(plan, members=FEW, points=POINTS, dtype=np.float64, explain=False)
        run = maker.run(belief)
    finally:
        module.fly_plan, module.fly_ways = real_plan, real_ways
    _, _, _, air, _, winds, gusts = caught["plan"]
    target, wind = caught["ways"][4][0][1], caught["ways"][5]
    pieces = [
        s.along_across(wind, target.ways.north[p], target.ways.east[p], np.float64)
        for p, s in enumerate(target.winds)
    ]
    loops = Loops(run)
    start = time.process_time()
    flown = loops.plan(air, winds, gusts)
    plan_s = time.process_time() - start
    start = time.process_time()
    loops.landings([cells for cells, _ in flown], target, pieces)
    ways_s = time.process_time() - start
    # home from every point, the alternates from where it is now
    ways_s *= 1.0 + (SITES - 1) / POINTS
    return 1e3 * (plan_s + ways_s) * members / FEW


def progpy_ms(samples: int) -> float | None:
    """One sample of progpy's Monte Carlo: its circuit cell to the end of discharge."""
    try:
        from progpy.models import BatteryCircuit
        from progpy.predictors import MonteCarlo
        from progpy.uncertain_data import MultivariateNormalDist
    except ImportError:
        return None
    cell = BatteryCircuit()
    start = cell.initialize()
    state = MultivariateNormalDist(start.keys(), list(start.values()), np.diag([1e-3] * len(start)))

    def drawn(t: float, x: Any = None) -> Any:  # noqa: ARG001
        return cell.InputContainer({"i": 1.0})

    work = MonteCarlo(cell)

    def predict() -> object:
        return work.predict(state, drawn, n_samples=samples, dt=2.0, save_freq=1e6)

    return 1e3 * cpu_s(predict, rounds=1)[0] / samples

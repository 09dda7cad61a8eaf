"""How long a full forecast takes: 1,000 members, 60 turn-back points, 4 sites, on one core.

``OPENBLAS_NUM_THREADS=1 python tests/bench/bench_forecast.py``. Beside it the same members flown in
plain loops (tests/core/plain_loops.py; few of them, scaled up), and, when progpy is installed, its
Monte Carlo to the end of discharge for the pack part alone. Processor time, not wall time.
"""

from __future__ import annotations

import time
from dataclasses import replace
from statistics import median
from typing import Any

import numpy as np

from sim.harness import Harness
from sim.scenario import load
from supervisor.core.belief import Belief
from supervisor.core.forecast import forecaster as module
from supervisor.core.forecast.forecaster import Forecaster
from supervisor.core.plan import Flight
from tests.core.plain_loops import Loops

OUT_S = 900.0


def moment() -> tuple[Flight, Belief]:
    """Fifteen minutes out on the demo's flight, as the supervisor believes it; four sites."""
    harness = Harness(load("estuary"), 1, members=20, points=5)
    for heard in harness.run():
        if heard.t_s > OUT_S:
            break
    belief = harness.monitor._estimator.belief(harness.flight.t_s)
    assert belief is not None
    pad = harness.plan.alternates[0]
    return replace(harness.plan, alternates=(pad, pad, pad)), belief


def timed(work: Any, rounds: int) -> float:
    """Median processor time of one call [ms]."""
    spent = []
    for _ in range(rounds):
        start = time.process_time()
        work()
        spent.append(time.process_time() - start)
    return 1e3 * median(spent)


def loops_ms(plan: Flight, belief: Belief) -> float:
    """The same forecast in plain loops: measured on few members, home only, scaled to all."""
    few, points, sites = 4, 60, 4
    caught: dict[str, Any] = {}
    real_plan, real_ways = module.fly_plan, module.fly_ways

    def fly_plan(*args: Any) -> Any:
        caught["plan"] = args
        return real_plan(*args)

    def fly_ways(*args: Any) -> Any:
        caught["ways"] = args
        return real_ways(*args)

    module.fly_plan, module.fly_ways = fly_plan, fly_ways
    try:
        maker = Forecaster(plan, members=few, points=points, dtype=np.float64, explain=False)
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
    return 1e3 * (plan_s + sites * ways_s) * 1000 / few


def progpy_ms() -> float | None:
    """progpy's Monte Carlo, 100 samples of its circuit cell to the end of discharge."""
    try:
        from progpy.models import BatteryCircuit
        from progpy.predictors import MonteCarlo
        from progpy.uncertain_data import MultivariateNormalDist
    except ImportError:
        return None
    cell = BatteryCircuit()
    start = cell.initialize()
    state = MultivariateNormalDist(start.keys(), list(start.values()), np.diag([1e-3] * len(start)))

    def load(t: float, x: Any = None) -> Any:  # noqa: ARG001
        return cell.InputContainer({"i": 1.0})

    work = MonteCarlo(cell)
    return timed(lambda: work.predict(state, load, n_samples=100, dt=2.0, save_freq=1e6), 1)


def main() -> None:
    plan, belief = moment()
    for members, points, rounds in ((1000, 60, 40), (400, 40, 40), (200, 30, 60)):
        maker = Forecaster(plan, members=members, points=points, explain=False)
        ms = timed(lambda maker=maker: maker.forecast(belief), rounds)
        print(f"forecast, {members} members x {points} points x 4 sites: {ms:.1f} ms")
    maker = Forecaster(plan, members=1000, points=60)
    print(f"... with plan, why and advice: {timed(lambda: maker.forecast(belief), 20):.1f} ms")
    print(f"the same in plain loops: {loops_ms(plan, belief):.0f} ms")
    theirs = progpy_ms()
    if theirs is not None:
        print(f"progpy Monte Carlo, 100 samples, one discharge of one cell: {theirs:.0f} ms")


if __name__ == "__main__":
    main()

"""One observation through the whole belief, and its heavy parts beside plain loops.

A plain loop for the whole would be the whole written twice: the two parts that are matrices, the
step of the pack's filter and the wind field, stand for it.
"""

from __future__ import annotations

import gc
import tracemalloc
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from itertools import islice

import numpy as np

from supervisor.core.estimate import kalman
from supervisor.core.estimate.estimator import Estimator
from supervisor.core.estimate.forecast_wind import ForecastWind
from supervisor.core.estimate.wind_state import WindState
from supervisor.core.estimate.windfield import posterior
from supervisor.core.events import Observation
from tests.bench import plain_belief
from tests.bench.row import Aim, Form, Growth, Row, cpu_s
from tests.core.flights import air, flight, position, report

HZ = 10
STRETCHES = (8, 16, 32)  # of the wind's memory; 32 is the most it keeps
STEPS = 2_000


def observations(start_s: float, seconds: int, *, every: int = 1) -> Iterator[Observation]:
    """Ten of each message a second, with the flicker of real sensors; or one in ``every``."""
    for i in range(0, HZ * seconds, every):
        t = start_s + i / HZ
        flicker = 1e-3 * (i % 7)
        yield position(t, 21.0 * t, velocity=(flicker, 21.0, flicker))
        yield air(t, 21.0 + flicker)
        yield replace(report(t, cell_v=4.0 - 1e-6 * (t + flicker)), temperature_c=20.0)


def rows(form: Form) -> list[Row]:
    """Sizes are minutes of flight: what is learned must not slow down what is still to come."""
    return [
        _observation(form.pick((0.1, 0.2, 0.4), (1.0, 2.0, 4.0))),
        _kalman(form.pick(50, STEPS)),
        _field(form.pick((4, 6, 8), STRETCHES), form.pick(1, 5)),
        _memory(form.pick((0.5, 1.0, 2.0), (30.0, 60.0, 120.0))),
    ]


def _observation(minutes: tuple[float, ...]) -> Row:
    heard = [list(observations(0.0, round(60 * m))) for m in minutes]
    count = len(heard[-1])
    costs = [cpu_s(partial(_observe, part), rounds=3)[0] for part in heard[:-1]]
    works = partial(_observe, heard[-1]), partial(_filterpy_steps, count)
    ours, reference = cpu_s(*works, rounds=3)
    each_us = 1e6 / count
    return Row(
        "belief, one observation",
        ours * each_us,
        "CPU us",
        reference * each_us,
        "filterpy, one predict and one update of four states",
        Aim("ours", 60.0),
        Growth("minutes", minutes, (*costs, ours)),
        "ours: wind, power, pack and phase; a third each positions, air data, pack reports",
    )


def _observe(heard: list[Observation]) -> Estimator:
    estimator = Estimator(flight())
    for observation in heard:
        estimator.observe(observation)
    return estimator


def _filterpy_steps(count: int) -> None:
    from filterpy.kalman import KalmanFilter

    theirs = KalmanFilter(dim_x=4, dim_z=1)
    theirs.H = np.array([[1.0, 0.5, 0.0, 0.0]])
    for _ in range(count):
        theirs.predict()
        theirs.update(np.array([1.0]))


def _kalman(steps: int) -> Row:
    """Eight states, as the pack's filter has; small matrices, in which calls cost most."""
    rng = np.random.default_rng(1)
    f, h = np.eye(8) + 0.01 * rng.normal(size=(8, 8)), rng.normal(size=8)
    x, p, q, z, r = rng.normal(size=8), np.eye(8), 1e-3 * np.eye(8), 0.5, 0.1
    lists = x.tolist(), p.tolist(), f.tolist(), q.tolist(), z, h.tolist(), r

    def step() -> kalman.Updated:
        ahead, wider = kalman.predict(x, p, f, q)
        return kalman.update(ahead, wider, z - float(h.dot(ahead)), h, r)

    same, (plain_x, plain_p) = step(), plain_belief.kalman_step(*lists)
    np.testing.assert_allclose(same.x, plain_x, rtol=1e-9)
    np.testing.assert_allclose(same.p, plain_p, rtol=1e-9, atol=1e-12)
    few = max(steps // 20, 1)
    ours, plain = cpu_s(
        lambda: [step() for _ in range(steps)],
        lambda: [plain_belief.kalman_step(*lists) for _ in range(few)],
    )
    return Row(
        "belief, one Kalman step of 8 states",
        1e6 * ours / steps,
        "CPU us",
        1e6 * plain / few,
        "the same in plain loops",
        Aim("ratio", 20.0),
    )


def _field(sizes: tuple[int, ...], rounds: int) -> Row:
    """The wind field anew, as each look asks for it: all that was flown through, put together."""
    seconds = 60 * (sizes[-1] + 1)  # a stretch is at most 45 s
    wind = _observe(list(observations(0.0, seconds, every=HZ)))._wind
    assert wind is not None
    assert len(wind.evidence) >= sizes[-1], "the flight was too short"
    np.testing.assert_allclose(_ours(wind, sizes[0]), _plain(wind, sizes[0]), rtol=1e-6, atol=1e-9)
    costs = cpu_s(*(partial(_ours, wind, size) for size in sizes), rounds=4 * rounds)
    plain = cpu_s(partial(_plain, wind, sizes[-1]), rounds=rounds)[0]
    return Row(
        f"belief, wind field of {sizes[-1]} stretches",
        1e6 * costs[-1],
        "CPU us",
        1e6 * plain,
        "the same in plain loops",
        Aim("ratio", 20.0),
        Growth("stretches", sizes, tuple(costs)),
        "once a look, and each 15 s; never more than 32",
    )


def _ours(wind: WindState, size: int) -> list[float]:
    seen = wind.evidence[:size]
    field = posterior(ForecastWind(()), wind.kernel, seen, wind.sensor_var, 0.0, 0.0)
    return list(field.beta)


def _plain(wind: WindState, size: int) -> list[float]:
    seen = wind.evidence[:size]
    places, infos = [e.place.tolist() for e in seen], [e.j.tolist() for e in seen]
    tolds = [e.y.tolist() for e in seen]
    both = plain_belief.field(wind.kernel, places, infos, tolds, wind.sensor_var.tolist())
    return [row[0] for row in both]


def _memory(minutes: tuple[float, ...]) -> Row:
    """What the belief holds must not grow with the flight."""
    heard = observations(0.0, round(60 * minutes[-1]) + 1, every=HZ)
    tracemalloc.start()
    estimator, held = Estimator(flight()), []
    for before, until in zip((0.0, *minutes), minutes, strict=False):
        for observation in islice(heard, 3 * round(60 * (until - before))):
            estimator.observe(observation)
        gc.collect()
        held.append(tracemalloc.get_traced_memory()[0] / 1e3)
    kept = list(observations(0.0, 60, every=HZ))
    each_kb = (tracemalloc.get_traced_memory()[0] / 1e3 - held[-1]) / len(kept)
    tracemalloc.stop()
    return Row(
        f"belief, memory after {minutes[-1]:.0f} min at 3 observations a second",
        held[-1],
        "kB",
        each_kb * 3 * 60 * minutes[-1],
        "keeping the observations",
        growth=Growth("minutes", minutes, tuple(held)),
    )

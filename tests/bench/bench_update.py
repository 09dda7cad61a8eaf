"""One observation through the whole belief, against one Kalman step of a reference library."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial

import numpy as np

from supervisor.core.estimate.estimator import Estimator
from supervisor.core.events import Observation
from tests.bench.row import Aim, Form, Growth, Row, cpu_s
from tests.core.flights import air, flight, position, report

HZ = 10


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
    minutes = form.pick((0.1, 0.2, 0.4), (1.0, 2.0, 4.0))
    heard = [list(observations(0.0, round(60 * m))) for m in minutes]
    count = len(heard[-1])
    costs = [cpu_s(partial(_observe, part), rounds=3)[0] for part in heard[:-1]]
    works = partial(_observe, heard[-1]), partial(_filterpy_steps, count)
    ours, reference = cpu_s(*works, rounds=3)
    each_us = 1e6 / count
    return [
        Row(
            "belief, one observation",
            ours * each_us,
            "CPU us",
            reference * each_us,
            "filterpy, one predict and one update of four states",
            Aim("ours", 60.0),
            Growth("minutes", minutes, (*costs, ours)),
            "ours: wind, power, pack and phase; a third each positions, air data, pack reports",
        )
    ]


def _observe(heard: list[Observation]) -> None:
    estimator = Estimator(flight())
    for observation in heard:
        estimator.observe(observation)


def _filterpy_steps(count: int) -> None:
    from filterpy.kalman import KalmanFilter

    kalman = KalmanFilter(dim_x=4, dim_z=1)
    kalman.H = np.array([[1.0, 0.5, 0.0, 0.0]])
    for _ in range(count):
        kalman.predict()
        kalman.update(np.array([1.0]))

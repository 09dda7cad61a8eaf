"""What is held does not grow with the flight: neither in the belief nor in the simulated truth."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator

from sim.flight import Flight
from sim.scenario import load
from supervisor.core.estimate.estimator import Estimator
from supervisor.core.events import Observation
from tests.bench.bench_update import HZ, observations
from tests.core.flights import flight


def once_a_second(start_s: float, seconds: int) -> Iterator[Observation]:
    return observations(start_s, seconds, every=HZ)


def test_the_belief_does_not_grow() -> None:
    """The wind's memory fills up to its 32 stretches in half an hour, and stays."""
    estimator = Estimator(flight())
    for obs in once_a_second(0.0, 2000):
        estimator.observe(obs)
    tracemalloc.start()
    sizes = []
    for k in range(3):
        for obs in once_a_second(2000.0 + 300.0 * k, 300):
            estimator.observe(obs)
        sizes.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    assert sizes[2] - sizes[1] < 30e3


def test_the_simulated_flight_does_not_grow() -> None:
    flight = Flight(load("inspection"), 1)
    flight.advance(600.0)
    tracemalloc.start()
    flight.advance(1200.0)
    early, _ = tracemalloc.get_traced_memory()
    flight.advance(5400.0)
    late, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert late - early < 20_000
    assert peak < 200_000

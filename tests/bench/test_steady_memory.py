"""What is held does not grow with the flight: neither in the belief nor in the simulated truth."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator
from pathlib import Path

from sim.flight import Flight
from sim.framefile import CHUNK_BYTES, FrameFile
from sim.headless import Sortie
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


def test_the_stream_does_not_grow(tmp_path: Path) -> None:
    """Telemetry written to a file: held after 20 min is what was held after 10."""
    sortie = Sortie(load("inspection"), 1)
    flight, telemetry = sortie.begin()
    telemetry.begin(flight.state)
    with FrameFile(tmp_path / "flown.mcap", sortie.metadata()) as file:

        def held_at(until_s: float) -> int:
            while flight.t_s < until_s:
                for t_s, frame in telemetry.frames(flight.step()):
                    file.write(t_s, frame)
            return tracemalloc.get_traced_memory()[0]

        held_at(300.0)
        tracemalloc.start()
        early = held_at(600.0)
        late = held_at(1200.0)
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
    assert late - early < CHUNK_BYTES + 60_000  # a chunk, and blocks of noise, fill up and go
    assert peak < 8 * CHUNK_BYTES

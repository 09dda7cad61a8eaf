"""What is held does not grow with the flight: neither in the belief nor in the simulated truth.

And what a look has used is kept for the next, not fetched from the system again.
"""

from __future__ import annotations

import platform
import resource
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import pytest

from sim.flight import Flight
from sim.framefile import CHUNK_BYTES, FrameFile
from sim.headless import Sortie
from sim.scenario import load
from supervisor.core.estimate.estimator import Estimator
from supervisor.core.events import Observation
from supervisor.core.forecast.forecaster import Forecaster
from tests.bench.bench_update import HZ, observations
from tests.core.flights import flight
from tests.core.plain_flights import SteadyWind, overhead_home


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


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="another C library's allocator")
@pytest.mark.parametrize(("members", "points"), [(400, 40), (1000, 60)])
def test_a_look_asks_the_system_for_no_memory(members: int, points: int) -> None:
    """One look touches some 600 pages; without ``keep_memory`` each of them is fetched anew."""
    forecaster = Forecaster(flight(), members=members, points=points)
    belief = overhead_home(flight(), SteadyWind(3.0, 4.0))
    for _ in range(2):
        forecaster.forecast(belief)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    for _ in range(5):
        forecaster.forecast(belief)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before < 5 * 60

"""What a simulated flight costs: with and without telemetry, and what a frame costs.

Run: ``python tests/bench/bench_flight.py`` prints the rows as JSON.
"""

from __future__ import annotations

import json
import resource
import sys
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from sim.flight import Flight
from sim.scenario import load
from sim.telemetry import Telemetry

SCENARIO, SEED = "estuary", 1
LONGEST_S = 4 * 3600.0


def _flight_s(telemetry: Telemetry | None) -> tuple[float, float, int]:
    """(CPU seconds, simulated seconds, frames) of one flight to its end."""
    flight, frames = Flight(load(SCENARIO), SEED), 0
    start = time.process_time()
    while not flight.done and flight.t_s < LONGEST_S:
        state = flight.step()
        if telemetry is not None:
            frames += len(telemetry.frames(state))
    return time.process_time() - start, flight.t_s, frames


def _bare_s() -> tuple[float, float]:
    flight = Flight(load(SCENARIO), SEED)
    start = time.process_time()
    flight.advance(LONGEST_S)
    return time.process_time() - start, flight.t_s


def rows() -> list[dict[str, Any]]:
    """One row a subject; scaled to a flight of 2.5 h."""
    bare_s, flown_s = _bare_s()
    told_s, _, frames = _flight_s(Telemetry(load(SCENARIO), SEED))
    to_full = 9000.0 / flown_s
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    return [
        {"subject": "flight of 2.5 h, no telemetry", "value": bare_s * to_full, "unit": "CPU s"},
        {"subject": "flight of 2.5 h, telemetry", "value": told_s * to_full, "unit": "CPU s"},
        {"subject": "frames a simulated second", "value": frames / flown_s, "unit": "1/s"},
        {"subject": "one frame", "value": 1e6 * (told_s - bare_s) / frames, "unit": "CPU us"},
        {"subject": "memory at the most", "value": peak_mb, "unit": "MB"},
    ]


if __name__ == "__main__":
    print(json.dumps(rows(), indent=2))

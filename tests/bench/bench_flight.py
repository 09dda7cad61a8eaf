"""What the simulator costs: a flight, its telemetry, and a fork of it."""

from __future__ import annotations

import time
from functools import partial

from sim.flight import Flight
from sim.headless import Sortie
from sim.scenario import load
from sim.telemetry import Telemetry
from tests.bench.row import Aim, Form, Growth, Row, cpu_s
from tests.bench.traffic import stream

LONG_FLIGHT = "inspection"  # still flying after 2.5 h
FORKS = 200


def rows(form: Form) -> list[Row]:
    """Sizes are hours of flight."""
    hours = form.pick((0.01, 0.02, 0.04), (0.625, 1.25, 2.5))
    costs = cpu_s(*(partial(_fly, h) for h in hours), rounds=3)
    loop = cpu_s(partial(_bare_steps, hours[-1]), rounds=3)[0]
    fork, state = cpu_s(_forks, partial(_flights, 20), rounds=3)
    return [
        Row(
            f"simulated flight of {hours[-1]} h, no telemetry",
            costs[-1],
            "CPU s",
            loop,
            "as many steps of a Python loop with one sum each",
            Aim("ours", 1.0 * hours[-1] / 2.5),
            Growth("hours", hours, tuple(costs)),
        ),
        Row(
            f"simulated flight of {hours[-1]} h, with its telemetry",
            cpu_s(partial(_told, hours[-1]), rounds=3)[0],
            "CPU s",
            costs[-1],
            "the same flight without it",
            Aim("ours", 4.0 * hours[-1] / 2.5),
        ),
        _frames(hours),
        Row(
            "fork of a flight under way",
            1e6 * fork / FORKS,
            "CPU us",
            1e6 * state / 20,
            "beginning the flight anew, before its first step",
            Aim("ours", 1000.0),
        ),
    ]


def _fly(hours: float) -> None:
    flight = Flight(load(LONG_FLIGHT), 1)
    flight.advance(hours * 3600.0)
    assert flight.t_s > hours * 3600.0 - 1.0, "landed before the time"


def _told(hours: float) -> None:
    flight, telemetry = Sortie(load(LONG_FLIGHT), 1).begin()
    telemetry.begin(flight.state)
    while flight.t_s < hours * 3600.0:
        telemetry.frames(flight.step())


def _bare_steps(hours: float) -> None:
    flight = Flight(load(LONG_FLIGHT), 1)
    before = flight.t_s
    flight.step()
    total = 0.0
    for _ in range(round(hours * 3600.0 / (flight.t_s - before))):
        total += 1.0


def _flights(count: int) -> None:
    scenario = load("estuary")
    for seed in range(count):
        Flight(scenario, seed)


def _forks() -> None:
    flight = Flight(load("estuary"), 1)
    flight.advance(60.0)
    for _ in range(FORKS):
        flight.fork()


def _frames(hours: tuple[float, ...]) -> Row:
    """What the stream adds to the flight, a frame; the reference library packs the like."""
    costs, counts = [], []
    for h in hours:
        flight, telemetry = Flight(load(LONG_FLIGHT), 1), Telemetry(load(LONG_FLIGHT), 1)
        spent, frames = 0.0, 0
        while flight.t_s < h * 3600.0 / 4.0:
            state = flight.step()
            start = time.process_time()
            frames += len(telemetry.frames(state))
            spent += time.process_time() - start
        costs.append(spent)
        counts.append(frames)
    theirs = cpu_s(lambda: stream(5_000, with_unused=False), rounds=3)[0] / 5_000
    return Row(
        "simulated telemetry, one frame",
        1e6 * costs[-1] / counts[-1],
        "CPU us",
        1e6 * theirs,
        "pymavlink packing frames of random values",
        growth=Growth("hours", tuple(h / 4.0 for h in hours), tuple(costs)),
        note="ours: with the errors of every instrument",
    )

"""A flight's frames, recorded once, to be sent in real time from any moment on."""

from __future__ import annotations

import functools
import socket
from collections.abc import Iterator
from itertools import pairwise

from sim import scenario
from sim.flight import Flight
from sim.telemetry import Telemetry

NAME = "estuary"
FLIGHT = scenario.FOLDER / NAME / "flight.toml"
# What the daemon asks for comes to about fifty a second; a hundred has some things twice as often.
FAST_IDS = (30, 33, 74, 147)


def free_udp_port() -> int:
    """A port of loopback that nobody listens on."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def frames_at(start_s: float, seconds: float, hz: float = 26.0) -> Iterator[tuple[float, bytes]]:
    """(seconds since ``start_s``, frame), ``hz`` of them a second."""
    yield from _frames(start_s, seconds, hz)


@functools.lru_cache(maxsize=8)
def _frames(start_s: float, seconds: float, hz: float) -> tuple[tuple[float, bytes], ...]:
    flight, telemetry = _flown_to(start_s)
    slow_hz = sum(
        1e6 / interval
        for message in range(1000)
        if message not in FAST_IDS and (interval := telemetry.interval_us(message)) > 0
    )
    each_hz = max(hz - slow_hz, 4.0) / len(FAST_IDS)
    for message in FAST_IDS:
        telemetry.set_interval(message, round(1e6 / each_hz))
    found = []
    while flight.t_s < start_s + seconds:
        found += telemetry.frames(flight.step())
    begin_s = found[0][0]
    return tuple((t_s - begin_s, raw) for t_s, raw in found)


def _flown_to(start_s: float) -> tuple[Flight, Telemetry]:
    world = scenario.load(NAME)
    flight, telemetry = Flight(world, 1), Telemetry(world, 1)
    telemetry.begin(flight.state)
    while flight.t_s < start_s:
        telemetry.frames(flight.step())
    return flight, telemetry


def rate_hz(frames: Iterator[tuple[float, bytes]]) -> float:
    """Mean rate of a stream."""
    times = [t_s for t_s, _ in frames]
    gaps = [b - a for a, b in pairwise(times)]
    return len(gaps) / sum(gaps)

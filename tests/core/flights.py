"""What the belief's tests share: the demo's flight, and observations that agree with a truth."""

from __future__ import annotations

import functools
import math
from pathlib import Path

from supervisor.core.events import AirData, Heartbeat, Observation, PackReport, Position
from supervisor.core.plan import Flight
from supervisor.flightfile import parse_flight

ROOT = Path(__file__).resolve().parents[2]
NAN = math.nan


@functools.cache
def flight() -> Flight:
    """The gauge round of the demo, two gauges further out: more than the pack can do."""
    path = ROOT / "sim" / "scenarios" / "estuary" / "flight.toml"
    return parse_flight(further_out(path.read_text(encoding="utf-8")), str(path))


def further_out(text: str) -> str:
    """The flight file with two more points behind its last one, 76 km from home."""
    route, rest = text.split("\n]\n\n[return]", 1)
    more = "".join(
        f'\n  {{ name = "outer {n}", lat_deg = {lat}, lon_deg = {lon}, height_m = 120.0 }},'
        for n, lat, lon in ((1, 44.13, -27.80), (2, 44.15, -27.65))
    )
    return f"{route}{more}\n]\n\n[return]{rest}"


def position(
    t_s: float, east_m: float = 0.0, *, height_m: float = 100.0, north_m: float = 0.0,
    velocity: tuple[float, float, float] = (0.0, 21.0, 0.0), heading_rad: float = math.pi / 2,
) -> Position:  # fmt: skip
    """A fix near home, on a sphere (the tests that use it do not care about metres)."""
    home = flight().home
    lat = home.lat_rad + north_m / 6371000.0
    lon = home.lon_rad + east_m / 6371000.0 / math.cos(home.lat_rad)
    return Position(t_s, lat, lon, home.elevation_m + height_m, height_m, *velocity, heading_rad)


def air(t_s: float, cas_mps: float = 21.0, heading_rad: float = math.pi / 2) -> AirData:
    return AirData(t_s, cas_mps, 21.0, heading_rad, 0.5, 0.0)


def report(t_s: float, power_w: float = 385.0, cell_v: float = 4.0, cells: int = 12) -> PackReport:
    """A pack at a steady voltage; ``cells`` 0 gives the total only."""
    total = 12 * cell_v
    return PackReport(t_s, total, (cell_v,) * cells, power_w / total, NAN, 20.0, NAN)


def cruise(start_s: float, seconds: int) -> list[Observation]:
    """Level flight east at 21 m/s in still air, one of each message a second."""
    out: list[Observation] = []
    for i in range(seconds):
        t = start_s + i
        out += [Heartbeat(t, True, 4), air(t), position(t, 21.0 * i)]
        # a hair of movement, as real monitors have
        out.append(report(t, cell_v=4.0 - 1e-5 * i))
    return out

"""A plain world for tests: nominal aircraft, no spread, a wind that is just what is asked for."""

from __future__ import annotations

import math
from dataclasses import replace

from sim.flight import Flight
from sim.plan import Plan, Waypoint
from sim.scenario import TRUTH_DEFAULTS, Scenario, Weather, WindRow, load

NOMINAL = TRUTH_DEFAULTS | {
    "cell_capacity_sd": (0.0, 0.0),
    "cell_resistance_sd": (0.0, 0.0),
    "cold_sensitivity": (1.0, 1.0),
}


def steady(from_deg: float = 0.0, speed_mps: float = 0.0, gusts: float = 0.0) -> Weather:
    """The same wind at every height, place and time."""
    rows = (WindRow(0.0, from_deg, speed_mps),)
    return Weather(rows=rows, exponent=0.0, drift_sd_mps=0.0, gust_factor=gusts, temperature_c=15.0)


def waypoint(plan: Plan, north_m: float, east_m: float, **more: object) -> Waypoint:
    """A point of the route on the map around home."""
    home = plan.home
    lat = home.lat_deg + math.degrees(north_m / 6.3675e6)
    lon = home.lon_deg + math.degrees(east_m / (6.388e6 * math.cos(math.radians(home.lat_deg))))
    values: dict[str, object] = {
        "name": "wp", "lat_deg": lat, "lon_deg": lon, "height_m": 100.0, "airspeed_mps": math.nan,
        "loiter_s": 0.0, "land": False, "elevation_m": home.elevation_m, "drop_kg": 0.0,
        "ground_s": 0.0,
    }  # fmt: skip
    return Waypoint(**(values | more))  # type: ignore[arg-type]


def scenario(weather: Weather | None = None, **more: object) -> Scenario:
    """The estuary's aircraft, exactly as its builder says, in ``weather`` (still air)."""
    loaded = load("estuary")
    changed = replace(loaded, truth=dict(NOMINAL), weather=weather or steady())
    return replace(changed, **more)  # type: ignore[arg-type]


def routed(
    points: list[tuple[float, float]], weather: Weather | None = None, **more: object
) -> Flight:
    """A flight along points (north, east) [m] around home."""
    base = scenario(weather)
    route = tuple(waypoint(base.plan, n, e, **more) for n, e in points)
    return Flight(replace(base, plan=replace(base.plan, route=route)), 1)

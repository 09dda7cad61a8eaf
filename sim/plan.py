"""What the builder believes: the flight file as the simulator reads it.

A small reader of its own (the supervisor validates the same file with its own models). Degrees and
minutes of the file become radians and seconds here; a missing key raises :class:`ScenarioError`
with the file and the key.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROUTE_HEIGHT_M = 100.0  # above home, of a route that states no height; the flight file's default


class ScenarioError(Exception):
    """A scenario or flight file the simulator cannot use."""

    def __init__(self, path: Path, where: str, problem: str) -> None:
        super().__init__(f"{path}: {where}: {problem}")
        self.path = path
        self.where = where
        self.problem = problem


@dataclass(frozen=True, slots=True)
class Site:
    """A place to land."""

    name: str
    lat_deg: float
    lon_deg: float
    elevation_m: float


@dataclass(frozen=True, slots=True)
class Waypoint:
    """One point of the route; height above home. ``airspeed_mps`` NaN: the cruise speed."""

    name: str
    lat_deg: float
    lon_deg: float
    height_m: float
    airspeed_mps: float
    loiter_s: float
    land: bool
    elevation_m: float
    drop_kg: float
    ground_s: float


@dataclass(frozen=True, slots=True)
class Builder:
    """The builder's aircraft figures, as far as physics needs them."""

    aircraft_id: str
    mass_kg: float
    payload_kg: float
    wing_area_m2: float
    wing_span_m: float
    stall_mps: float
    cruise_mps: float
    climb_mps: float
    descent_mps: float
    rotors: int
    rotor_diameter_m: float
    avionics_w: float
    hover_power_w: float
    hover_mass_kg: float
    hover_temperature_c: float
    hover_elevation_m: float
    cruise_mass_kg: float
    cruise_temperature_c: float
    cruise_elevation_m: float
    cruise_points: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class PackFigures:
    """The pack as the builder states it."""

    cell: str
    series: int
    parallel: int
    capacity_ah: float
    initial_charge: float
    temperature_c: float


@dataclass(frozen=True, slots=True)
class ReturnPlan:
    """How the autopilot is set to come home; ``via`` in degrees, for a corridor."""

    style: str
    height_m: float
    airspeed_mps: float
    climb_mps: float
    descent_mps: float
    landing_hover_s: float
    via: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Plan:
    """One flight file. ``final_reserve_wh`` NaN until the aircraft's hover power is known."""

    path: Path
    name: str
    builder: Builder
    pack: PackFigures
    reserve: tuple[str, float]
    min_cell_v: float
    home: Site
    alternates: tuple[Site, ...]
    route: tuple[Waypoint, ...]
    return_plan: ReturnPlan
    temperature_c: float


class Table:
    """A TOML table that knows where it stands, so that errors can say it."""

    def __init__(self, path: Path, where: str, content: dict[str, Any]) -> None:
        self.path, self.where, self.content = path, where, content

    def table(self, key: str) -> Table:
        """Sub-table ``key``; empty when absent."""
        return Table(self.path, f"{self.where}.{key}".lstrip("."), self._typed(key, dict, {}))

    def tables(self, key: str) -> list[Table]:
        """Array of tables ``key``; empty when absent."""
        rows = self._typed(key, list, [])
        return [
            Table(self.path, f"{self.where}.{key}[{i}]".lstrip("."), row)
            for i, row in enumerate(rows)
        ]

    def number(self, key: str, default: float | None = None) -> float:
        """Number ``key``; an error when absent without default, or not finite."""
        value = self.content.get(key, default)
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise self.error(key, "a number is needed" if value is not None else "missing")
        if key in self.content and not math.isfinite(value):
            raise self.error(key, "a finite number is needed")
        return float(value)

    def text(self, key: str, default: str | None = None) -> str:
        """Text ``key``."""
        value = self.content.get(key, default)
        if not isinstance(value, str):
            raise self.error(key, "a text is needed" if value is not None else "missing")
        return value

    def flag(self, key: str) -> bool:
        """True or false, false when absent."""
        return bool(self._typed(key, bool, False))

    def error(self, key: str, problem: str) -> ScenarioError:
        """The error for ``key`` of this table."""
        return ScenarioError(self.path, f"{self.where}.{key}".lstrip("."), problem)

    def refuse_others(self, *allowed: str) -> None:
        """An error for a key that nobody reads: a typing slip must not pass for a default."""
        for key in self.content:
            if key not in allowed:
                raise self.error(key, f"unknown; known here: {', '.join(sorted(allowed))}")

    def _typed(self, key: str, kind: type, default: Any) -> Any:
        value = self.content.get(key, default)
        if not isinstance(value, kind):
            raise self.error(key, f"a {kind.__name__} is needed")
        return value


def read_table(path: Path) -> Table:
    """The TOML file at ``path``."""
    try:
        return Table(path, "", tomllib.loads(path.read_text(encoding="utf-8")))
    except (OSError, tomllib.TOMLDecodeError) as error:
        raise ScenarioError(path, "file", str(error)) from error


def _builder(table: Table) -> Builder:
    hover, cruise = table.table("measured_hover"), table.table("measured_cruise")
    mass_kg = table.number("mass_kg")
    return Builder(
        aircraft_id=table.text("id"),
        mass_kg=mass_kg,
        payload_kg=table.number("payload_kg", 0.0),
        wing_area_m2=table.number("wing_area_m2"),
        wing_span_m=table.number("wing_span_m"),
        stall_mps=table.number("stall_mps"),
        cruise_mps=table.number("cruise_mps"),
        climb_mps=table.number("climb_mps", 2.5),
        descent_mps=table.number("descent_mps", 2.5),
        rotors=int(table.number("rotors")),
        rotor_diameter_m=table.number("rotor_diameter_m"),
        avionics_w=table.number("avionics_w"),
        hover_power_w=hover.number("power_w"),
        hover_mass_kg=hover.number("mass_kg", mass_kg),
        hover_temperature_c=hover.number("temperature_c", 15.0),
        hover_elevation_m=hover.number("elevation_m", 0.0),
        cruise_mass_kg=cruise.number("mass_kg", mass_kg),
        cruise_temperature_c=cruise.number("temperature_c", 15.0),
        cruise_elevation_m=cruise.number("elevation_m", 0.0),
        cruise_points=tuple(
            (row.number("airspeed_mps"), row.number("power_w")) for row in cruise.tables("points")
        ),
    )


def _site(table: Table) -> Site:
    return Site(
        table.text("name", "site"),
        table.number("lat_deg"),
        table.number("lon_deg"),
        table.number("elevation_m", 0.0),
    )


def _waypoint(table: Table, route: Table, home: Site) -> Waypoint:
    """Height and airspeed are the route's own where the point does not give them."""
    return Waypoint(
        name=table.text("name", "waypoint"),
        lat_deg=table.number("lat_deg"),
        lon_deg=table.number("lon_deg"),
        height_m=table.number("height_m", route.number("height_m", ROUTE_HEIGHT_M)),
        airspeed_mps=table.number("airspeed_mps", route.number("airspeed_mps", math.nan)),
        loiter_s=table.number("loiter_s", 0.0),
        land=table.flag("land"),
        elevation_m=table.number("ground_elevation_m", home.elevation_m),
        drop_kg=table.number("drop_kg", 0.0),
        ground_s=table.number("ground_s", 0.0),
    )


def _route(table: Table, home: Site) -> tuple[Waypoint, ...]:
    rows = table.tables("waypoints")
    if not rows:
        raise table.error("waypoints", "at least one point is needed (the simulator reads no map)")
    return tuple(_waypoint(row, table, home) for row in rows)


def _via(table: Table) -> tuple[tuple[float, float], ...]:
    return tuple((p.number("lat_deg"), p.number("lon_deg")) for p in table.tables("via"))


def _return_plan(table: Table, builder: Builder) -> ReturnPlan:
    return ReturnPlan(
        style=table.text("style", "direct"),
        height_m=table.number("height_m"),
        airspeed_mps=table.number("airspeed_mps", builder.cruise_mps),
        climb_mps=table.number("climb_mps", builder.climb_mps),
        descent_mps=table.number("descent_mps", builder.descent_mps),
        landing_hover_s=table.number("landing_hover_s", 60.0),
        via=_via(table),
    )


def _pack(table: Table) -> PackFigures:
    return PackFigures(
        cell=table.text("cell"),
        series=int(table.number("series")),
        parallel=int(table.number("parallel")),
        capacity_ah=table.number("capacity_ah"),
        initial_charge=table.number("initial_charge_percent", 100.0) / 100.0,
        temperature_c=table.number("temperature_c", 20.0),
    )


def read_plan(path: Path) -> Plan:
    """The flight file at ``path``."""
    root = read_table(path)
    builder, home = _builder(root.table("aircraft")), _site(root.table("home"))
    policy = root.table("policy")
    reserve = policy.table("final_reserve").content
    if len(reserve) != 1:
        raise policy.error("final_reserve", "exactly one way to state it")
    ((kind, amount),) = reserve.items()
    return Plan(
        path=path,
        name=root.text("name"),
        builder=builder,
        pack=_pack(root.table("pack")),
        reserve=(kind, float(amount)),
        min_cell_v=policy.number("min_cell_v", 2.9),
        home=home,
        alternates=tuple(_site(row) for row in root.tables("alternate")),
        route=_route(root.table("route"), home),
        return_plan=_return_plan(root.table("return"), builder),
        temperature_c=root.table("weather").number("temperature_c", 15.0),
    )

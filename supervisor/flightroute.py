"""The route of a flight file: listed in it, or drawn elsewhere as GeoJSON (RFC 7946)."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from supervisor.core import geodesy, plan
from supervisor.errors import InputError
from supervisor.flightmodels import FlightFile, WaypointRow

POSITION = "[longitude, latitude] or [longitude, latitude, height]"
BOUNDS = "degrees within 180 and 90, 0 to 4000 m above home"
AT_HOME_M = 50.0  # nearer than this a point of the route is home


def read_route(file: FlightFile, folder: Path, where: str) -> tuple[plan.Waypoint, ...]:
    """The route points of the flight file; ``folder`` is where relative paths start."""
    given = file.route
    rows = given.waypoints
    if given.geojson is not None:
        rows = read_geojson(folder / given.geojson, given.third_coordinate, file.home.elevation_m)
    rows = _without_home(rows, file, given.geojson is not None)
    default_mps = given.airspeed_mps or file.aircraft.cruise_mps
    dropped_kg = sum(row.drop_kg for row in rows)
    if dropped_kg > file.aircraft.payload_kg + 1e-9:
        raise InputError(
            where,
            f"route: drops add up to {dropped_kg:g} kg",
            allowed=f"at most aircraft.payload_kg = {file.aircraft.payload_kg:g}",
        )
    home_m = file.home.elevation_m
    return tuple(
        _waypoint(i, row, given.height_m, default_mps, home_m) for i, row in enumerate(rows)
    )


def _without_home(
    rows: tuple[WaypointRow, ...], file: FlightFile, drawn: bool
) -> tuple[WaypointRow, ...]:
    """Take-off and the landing at home belong to every flight; what lists them says nothing new.

    A last point that lands at home is left to the return plan; a drawn line that starts or ends at
    home is cut there.
    """

    def at_home(row: WaypointRow) -> bool:
        angles = (file.home.lat_deg, file.home.lon_deg, row.lat_deg, row.lon_deg)
        return geodesy.inverse(*map(math.radians, angles))[0] < AT_HOME_M

    if len(rows) > 1 and at_home(rows[-1]) and (rows[-1].land or drawn):
        rows = rows[:-1]
    if len(rows) > 1 and drawn and at_home(rows[0]):
        rows = rows[1:]
    return rows


def _waypoint(
    index: int, row: WaypointRow, height_m: float, airspeed_mps: float, home_m: float
) -> plan.Waypoint:
    ground_m = row.ground_elevation_m
    return plan.Waypoint(
        name=row.name or f"wp {index + 1}",
        lat_rad=math.radians(row.lat_deg),
        lon_rad=math.radians(row.lon_deg),
        height_m=height_m if row.height_m is None else row.height_m,
        airspeed_mps=row.airspeed_mps or airspeed_mps,
        loiter_s=row.loiter_s,
        land=row.land,
        drop_kg=row.drop_kg,
        ground_s=row.ground_s,
        ground_m=math.nan if ground_m is None else ground_m - home_m,
    )


def read_geojson(path: Path, third: str, home_elevation_m: float) -> tuple[WaypointRow, ...]:
    """The first LineString of a GeoJSON file (RFC 7946: longitude comes first)."""
    try:
        line = first_line(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise InputError(str(path), f"cannot be read: {error.strerror}") from None
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError) as error:
        raise InputError(str(path), f"is not JSON: {error}") from None
    if not line:
        raise InputError(str(path), "has no LineString", allowed="a GeoJSON LineString (RFC 7946)")
    return tuple(_position(path, i, p, third, home_elevation_m) for i, p in enumerate(line))


def first_line(text: str) -> list[Any]:
    """Coordinates of the first LineString in a GeoJSON text; none: an empty list."""
    line = next(iter(_lines_in(json.loads(text))), None)
    return line if isinstance(line, list) else []


def _lines_in(data: Any) -> Iterable[Any]:
    if not isinstance(data, dict):
        return
    if data.get("type") == "LineString":
        yield data.get("coordinates")
    lists = [data.get(key) for key in ("features", "geometries")]
    inside = [inner for many in lists if isinstance(many, list) for inner in many]
    for inner in (data.get("geometry"), *inside):
        yield from _lines_in(inner)


def _position(
    path: Path, index: int, position: Any, third: str, home_elevation_m: float
) -> WaypointRow:
    where = f"{path} coordinates[{index}]"
    try:
        lon_deg, lat_deg, *rest = (float(x) for x in position)
    except (TypeError, ValueError):
        raise InputError(where, f"{position!r}", allowed=POSITION) from None
    height_m = None
    if rest and third != "ignore":
        height_m = rest[0] - (home_elevation_m if third == "elevation" else 0.0)
    try:
        return WaypointRow(lat_deg=lat_deg, lon_deg=lon_deg, height_m=height_m)
    except ValidationError as error:
        key = error.errors()[0]["loc"][-1]
        meant = {"lat_deg": lat_deg, "lon_deg": lon_deg, "height_m": height_m}[str(key)]
        told = f" (with route.third_coordinate = {third!r})" if key == "height_m" else ""
        raise InputError(
            where, f"{position!r} means {key} = {meant:g}{told}", allowed=f"{POSITION}; {BOUNDS}"
        ) from None

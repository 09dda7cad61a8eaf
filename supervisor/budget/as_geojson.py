"""The budget as GeoJSON (RFC 7946): route, way home, places, turn-back points, footprint."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np

from supervisor.budget.answer import Budget, PointOnPlan
from supervisor.budget.footprint import Footprint, footprint
from supervisor.budget.text import ADVICE
from supervisor.core.geodesy import LocalMap
from supervisor.core.plan import Site

Position = list[float]


def to_geojson(budget: Budget, area: Footprint | None = None) -> str:
    """One FeatureCollection; longitude first, seven digits (a centimetre)."""
    area = area or footprint(budget.flight, budget.prior)
    flight = budget.flight
    chart = LocalMap(flight.home.lat_rad, flight.home.lon_rad)
    features = [
        _feature("Polygon", [_ring(chart, area, area.safe_m)], kind="covered-at-confidence"),
        _feature("Polygon", [_ring(chart, area, area.paper_m)], kind="covered-on-paper"),
        _feature("LineString", _route(budget), kind="route", flight=flight.name),
        _feature("LineString", _way_home(budget, chart), kind="home-leg"),
        _site(flight.home, "home"),
        *(_site(site, "alternate") for site in flight.alternates),
        *_waypoints(budget),
        *_turning(budget),
    ]
    document = {"type": "FeatureCollection", "caution": ADVICE, "features": features}
    return json.dumps(document, ensure_ascii=False, indent=1)


def _feature(shape: str, coordinates: Any, **properties: Any) -> dict[str, Any]:
    geometry = {"type": shape, "coordinates": coordinates}
    return {"type": "Feature", "geometry": geometry, "properties": properties}


def _place(lat_rad: float, lon_rad: float) -> Position:
    return [round(math.degrees(lon_rad), 7), round(math.degrees(lat_rad), 7)]


def _ring(chart: LocalMap, area: Footprint, distances_m: tuple[float, ...]) -> list[Position]:
    """Counter-clockwise, as section 3.1.6 asks of an outer ring."""
    return [_place(*chart.to_place(*p)) for p in reversed(area.points(distances_m))]


def _route(b: Budget) -> list[Position]:
    home = b.flight.home
    return [_place(home.lat_rad, home.lon_rad)] + [
        _place(w.lat_rad, w.lon_rad) for w in b.flight.route
    ]


def _way_home(b: Budget, chart: LocalMap) -> list[Position]:
    track = b.track
    points = np.column_stack([track.north_m, track.east_m])[track.home_from :]
    line = [_place(*chart.to_place(float(n), float(e))) for n, e in points]
    return [p for i, p in enumerate(line) if i == 0 or p != line[i - 1]]


def _site(site: Site, kind: str) -> dict[str, Any]:
    where = _place(site.lat_rad, site.lon_rad)
    return _feature("Point", where, kind=kind, name=site.name, elevation_m=site.elevation_m)


def _waypoints(b: Budget) -> list[dict[str, Any]]:
    return [
        _feature(
            "Point",
            _place(w.lat_rad, w.lon_rad),
            kind="waypoint",
            name=w.name,
            height_m=w.height_m,
            energy_wh=round(t.energy_wh, 1),
            landing_wh=round(t.landing_wh, 1),
            chance=round(t.chance, 4),
        )
        for w, t in zip(b.flight.route, b.turns, strict=True)
    ]


def _turning(b: Budget) -> list[dict[str, Any]]:
    named: tuple[tuple[str, PointOnPlan | None], ...] = (
        ("turn-back-on-paper", b.turn_back_paper),
        ("turn-back-at-confidence", b.turn_back_safe),
        ("equal-time-point", None if b.equal_time_beyond else b.equal_time),
    )
    return [
        _feature("Point", _place(p.lat_rad, p.lon_rad), kind=kind, after_s=round(p.after_s, 1))
        for kind, p in named
        if p is not None
    ]

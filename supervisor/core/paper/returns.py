"""The return from every point of a sortie, to home and to the alternates, on paper."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from supervisor.core.belief import Array
from supervisor.core.forecast.ahead import Ahead
from supervisor.core.forecast.discharge import Charge
from supervisor.core.forecast.legs import Kind, Stretch
from supervisor.core.forecast.members import air_at
from supervisor.core.forecast.way import Departures, Destination, Landings, fly_ways
from supervisor.core.forecast.way_geometry import Ways, ways_to
from supervisor.core.forecast.wind_nodes import Query, ask_ways
from supervisor.core.paper.paper import ForecastOnly
from supervisor.core.paper.sortie import Paper, Sortie, course_of
from supervisor.core.plan import Site


@dataclass(frozen=True, slots=True)
class Returns:
    """What turning at every point of a sortie comes to; arrays are (points,).

    ``landing_wh`` is the energy left at touch-down; ``needed_wh`` what the way takes;
    ``hover_v`` the mean cell in the landing hover; ``head_mps`` the mean headwind on the way.
    """

    site: Site
    seconds: Array
    distance_m: Array
    landing_wh: Array
    needed_wh: Array
    hover_v: Array
    lowest_v: Array
    head_mps: Array


def returns_from(paper: Paper, sortie: Sortie) -> tuple[Returns, ...]:
    """The ways from every point: to home first, then to each alternate."""
    sites = (paper.flight.home, *paper.flight.alternates)
    query, points = Query(), _departures(paper, sortie)
    targets = [_destination(paper, sortie, site, query) for site in sites]
    wind = query.draw(ForecastOnly(paper.wind), np.random.default_rng(0), 1)
    away = replace(points, fly=np.ones(len(points.fly)), land=np.ones(len(points.land)))
    to = [(points if site is paper.flight.home else away) for site in sites]
    fates = fly_ways(
        paper.flight,
        paper.table,
        paper.member,
        sortie.ahead,
        list(zip(to, targets, strict=True)),
        wind,
        paper.habits,
    )
    rows = zip(sites, targets, fates, strict=True)
    return tuple(_returns(paper, sortie, *row) for row in rows)


def home_parts(paper: Paper, sortie: Sortie, phases: tuple[str, ...]) -> Array:
    """(points, phases) energy [Wh] of the home leg by phase, from every point.

    ``fly_ways`` tells phases apart at its first point only; so every point is made the first once.
    """
    home, query = paper.flight.home, Query()
    points = _departures(paper, sortie)
    target = _destination(paper, sortie, home, query)
    wind = query.draw(ForecastOnly(paper.wind), np.random.default_rng(0), 1)
    result = np.zeros((len(sortie.t_s), len(phases)))
    for k in range(len(sortie.t_s)):
        to = [(_one(points, k), _one_target(target, k))]
        fate = fly_ways(
            paper.flight,
            paper.table,
            paper.member,
            _one_ahead(sortie.ahead, k),
            to,
            wind,
            paper.habits,
        )[0]
        taken = [float(np.ravel(fate.parts_wh.get(name, np.zeros(1)))[0]) for name in phases]
        result[k] = taken
    return result


def _one(points: Departures, k: int) -> Departures:
    cut = slice(k, k + 1)
    drop = points.dropped_kg if len(points.dropped_kg) == 1 else points.dropped_kg[cut]
    return Departures(
        points.height_m[cut], drop, points.lift_s[cut], points.fly[cut], points.land[cut]
    )


def _one_target(target: Destination, k: int) -> Destination:
    ways, cut = target.ways, slice(k, k + 1)
    one = Ways(
        ways.length_m[:, cut],
        ways.north[:, cut],
        ways.east[:, cut],
        ways.share[:, cut],
        ways.mid_n_m[:, cut],
        ways.mid_e_m[:, cut],
        ways.turn_rad[cut],
    )
    winds = [replace(w, weights=w.weights[:, cut]) for w in target.winds]
    return replace(target, ways=one, winds=winds)


def _one_ahead(ahead: Ahead, k: int) -> Ahead:
    cut = (slice(None), slice(k, k + 1))
    charge = Charge(ahead.charge.u[cut], ahead.charge.v1[cut], ahead.charge.v2[cut])
    return replace(
        ahead,
        t_s=ahead.t_s[cut],
        charge=charge,
        warmth_k=ahead.warmth_k[cut],
        lowest_v=ahead.lowest_v[cut],
    )


def _returns(
    paper: Paper, sortie: Sortie, site: Site, target: Destination, fate: Landings
) -> Returns:
    count = len(sortie.t_s)

    def row(values: NDArray[np.floating[Any]]) -> Array:
        wide = values if values.ndim == 2 else values[None, :]
        return np.array(np.broadcast_to(wide, (1, count))[0], dtype=float)

    left = row(fate.u) * float(paper.member.to_wh[0, 0])
    return Returns(
        site=site,
        seconds=row(fate.seconds),
        distance_m=np.asarray(target.ways.total_m),
        landing_wh=left,
        needed_wh=sortie.energy_wh - left,
        hover_v=row(fate.hover_v),
        lowest_v=row(fate.lowest_v),
        head_mps=row(fate.head_mps),
    )


def _destination(paper: Paper, sortie: Sortie, site: Site, query: Query) -> Destination:
    flight = paper.flight
    ground_m = site.elevation_m - flight.home.elevation_m
    low_m = ground_m + flight.aircraft.transition_height_m
    cruise_m = max(flight.return_plan.height_m, low_m)
    first = sortie.steps[0].stretch
    places = [(first.start, first.waypoint, (0.0, 0.0))]
    places += [(s.stretch.end, s.stretch.waypoint, course_of(s.stretch)) for s in sortie.steps]
    ways = ways_to(flight, paper.chart, paper.route, places, site)
    pace = _pace(paper, sortie, ways, cruise_m)
    winds = ask_ways(query, ways, sortie.t_s, pace, cruise_m)
    return Destination(
        ways=ways,
        winds=winds,
        cruise_m=cruise_m,
        ground_m=ground_m,
        cruise_air=air_at(flight, paper.belief, np.array([cruise_m]), np.float64),
        ground_air=air_at(flight, paper.belief, np.array([ground_m + 10.0]), np.float64),
    )


def _pace(paper: Paper, sortie: Sortie, ways: Ways, height_m: float) -> Array:
    """Expected ground speed on each whole way [m/s]: it only says when the wind is asked for."""
    cas = paper.flight.return_plan.airspeed_mps
    height = np.full(len(sortie.t_s), height_m)
    wind = paper.wind.at(sortie.north_m, sortie.east_m, height, sortie.t_s)
    tail = ((wind[:, 0] * ways.north + wind[:, 1] * ways.east) * ways.length_m).sum(axis=0)
    pace: Array = np.maximum(cas + tail / np.maximum(ways.total_m, 1.0), 0.3 * cas)
    return pace


def _departures(paper: Paper, sortie: Sortie) -> Departures:
    craft = paper.flight.aircraft
    on_rotors = np.array([True] + [_stands(s.stretch) for s in sortie.steps])
    top_m = craft.transition_height_m + np.array([0.0] + [s.stretch.ground_m for s in sortie.steps])
    climb_m = np.maximum(top_m - sortie.height_m, 0.0)
    lift_s = np.where(on_rotors, climb_m / craft.hover_climb_mps + craft.transition_s, 0.0)
    height = np.where(on_rotors, np.maximum(sortie.height_m, top_m), sortie.height_m)
    once = np.ones(len(lift_s))
    fly, land = once.copy(), once.copy()
    fly[0] = land[0] = 0.0  # on the ground at home: nothing to fly
    return Departures(height, sortie.dropped_kg, lift_s, fly, land)


def _stands(s: Stretch) -> bool:
    """On the rotors or the ground, and the transition still to come."""
    if s.kind is Kind.GROUND:
        return True
    return s.kind is Kind.HOVER and s.start_height_m != s.end_height_m


def last_covered(values: Array, margin: Array) -> tuple[float, bool]:
    """(value where ``margin`` first falls below zero, whether it does); linear between points."""
    failed = np.flatnonzero(margin < 0.0)
    if not len(failed):
        return float(values[-1]), False
    k = int(failed[0])
    if k == 0:
        return float(values[0]), True
    share = margin[k - 1] / (margin[k - 1] - margin[k])
    return float(values[k - 1] + share * (values[k] - values[k - 1])), True

"""The ground below what is flown, as far as the flight file states it.

It is stated at landing sites, at route points (``ground_elevation_m``) and at the spot heights of
``[terrain]``. Between two stated places along a leg it is taken as a straight slope; what stands
there in truth nobody has told, and the report says so.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from supervisor.budget.answer import Finding, Weight
from supervisor.core.belief import Array
from supervisor.core.forecast.legs import Kind
from supervisor.core.paper.sortie import Paper, Sortie, Step
from supervisor.core.paper.sortie_home import way_home
from supervisor.flightmodels import FlightFile

LEAST_ABOVE_GROUND_M = 30.0
SITE_GROUND_M = 1000.0  # so far around a site its elevation stands for the ground
POINT_GROUND_M = 50.0  # the same around a route point whose ground is stated


@dataclass(frozen=True, slots=True)
class Stated:
    """Ground that the file states: where on the map, how high above home, how far it holds."""

    whose: str
    north_m: float
    east_m: float
    ground_m: float
    reach_m: float


@dataclass(frozen=True, slots=True)
class Line:
    """Something flown on the wing: points with their heights above home, along it in metres."""

    name: str
    north_m: Array
    east_m: Array
    height_m: Array

    @property
    def along_m(self) -> Array:
        steps = np.hypot(np.diff(self.north_m), np.diff(self.east_m))
        return np.concatenate([[0.0], np.cumsum(steps)])


@dataclass(frozen=True, slots=True)
class Profile:
    """The ground under one line between the first and the last stated place."""

    line: Line
    at_m: Array  # along the line
    above_m: Array  # the aircraft over the ground
    known: tuple[tuple[float, str], ...]  # (along, whose)

    def between(self, k: int) -> str:
        """What the ground at sample ``k`` was taken from."""
        at = float(self.at_m[k])
        before = [whose for along, whose in self.known if along <= at + 0.5]
        after = [whose for along, whose in self.known if along >= at - 0.5]
        if before[-1] == after[0]:
            return f"over {after[0]}"
        return f"between {before[-1]} and {after[0]}, the ground taken as a straight slope"

    def at_end(self, k: int) -> bool:
        """Whether sample ``k`` is at an end of the line, where the route point's check stands."""
        at = float(self.at_m[k])
        return min(at, float(self.line.along_m[-1]) - at) < POINT_GROUND_M

    @property
    def blind_m(self) -> float:
        """The longest stretch of the line without any stated ground."""
        ends = [0.0, *(along for along, _ in self.known), float(self.line.along_m[-1])]
        return max(b - a for a, b in itertools.pairwise(ends))


def check_ground(file: FlightFile, paper: Paper, sortie: Sortie) -> Iterator[Finding]:
    """Legs and returns against the ground between the places where it is stated."""
    rules = file.rules
    least = LEAST_ABOVE_GROUND_M if rules.min_above_ground_m is None else rules.min_above_ground_m
    stated = list(stated_ground(file, paper))
    flown = [profile(line, stated) for line in legs_of(paper, sortie)]
    for p in flown:
        yield from _too_near(p, least)
        yield from _too_far(p, rules.max_above_ground_m)
    yield from _returns(paper, sortie, stated, least)
    yield from _unknown(file, paper, flown)


def stated_ground(file: FlightFile, paper: Paper) -> Iterator[Stated]:
    """Every place whose ground the file states."""
    flight, chart, home_m = paper.flight, paper.chart, paper.flight.home.elevation_m
    for site in (flight.home, *flight.alternates):
        place = chart.to_map(site.lat_rad, site.lon_rad)
        yield Stated(site.name, *place, site.elevation_m - home_m, SITE_GROUND_M)
    for point, place in zip(flight.route, paper.route, strict=True):
        if math.isfinite(point.ground_m):
            yield Stated(point.name, *place, point.ground_m, POINT_GROUND_M)
    for spot in flight.terrain:
        place = chart.to_map(spot.lat_rad, spot.lon_rad)
        yield Stated(spot.name, *place, spot.elevation_m - home_m, file.terrain.near_m)


def legs_of(paper: Paper, sortie: Sortie) -> Iterator[Line]:
    """What is flown on the wing, leg by leg, the way home last."""
    names = [f"to {w.name}" for w in paper.flight.route] + ["home"]
    for leg, group in itertools.groupby(sortie.steps, key=lambda s: s.leg):
        yield from _line(names[leg], group)


def _line(name: str, steps: Iterable[Step]) -> Iterator[Line]:
    """One line, if there is any wing in it."""
    wing = [s.stretch for s in steps if s.stretch.kind is Kind.WING]
    if wing:
        places = [wing[0].start, *(s.end for s in wing)]
        heights = [wing[0].start_height_m, *(s.end_height_m for s in wing)]
        north, east = np.array(places, dtype=float).T
        yield Line(name, north, east, np.array(heights, dtype=float))


def profile(line: Line, stated: list[Stated]) -> Profile:
    """The aircraft over the ground wherever that lies between stated places (or at one)."""
    highest: dict[int, tuple[float, float, str]] = {}  # of what lies side by side, within a metre
    for one in sorted(_beside(line, stated), key=lambda f: f[1]):
        highest[round(one[0])] = one
    found = sorted(highest.values())
    if not found:
        return Profile(line, np.empty(0), np.empty(0), ())
    known_at, ground = np.array([f[0] for f in found]), np.array([f[1] for f in found])
    along = line.along_m
    inside = along[(along > known_at[0]) & (along < known_at[-1])]
    at = np.union1d(known_at, inside)
    above = np.interp(at, along, line.height_m) - np.interp(at, known_at, ground)
    return Profile(line, at, above, tuple((f[0], f[2]) for f in found))


def _beside(line: Line, stated: list[Stated]) -> Iterator[tuple[float, float, str]]:
    """(along the line, ground, whose) of every stated place that the line passes in its reach."""
    start = np.column_stack([line.north_m, line.east_m])[:-1]
    step = np.column_stack([np.diff(line.north_m), np.diff(line.east_m)])
    length = np.hypot(step[:, 0], step[:, 1])
    for s in stated:
        to = np.array([s.north_m, s.east_m]) - start
        share = np.clip((to * step).sum(axis=1) / np.maximum(length**2, 1e-9), 0.0, 1.0)
        away = np.hypot(*(to - share[:, None] * step).T)
        k = int(np.argmin(away))
        if away[k] <= s.reach_m:
            yield float(line.along_m[k] + share[k] * length[k]), s.ground_m, s.whose


def _too_near(p: Profile, least_m: float, what: str = "") -> Iterator[Finding]:
    """Where the line is nearer to the ground than wanted, unless at its own ends (said there)."""
    if not len(p.at_m):
        return
    k = int(np.argmin(p.above_m))
    if p.above_m[k] < least_m and not p.at_end(k):
        yield Finding(
            Weight.FAULT if p.above_m[k] <= 0.0 else Weight.CAUTION,
            "ground",
            f"{what or f'The leg {p.line.name}'} is {_over(p, k)} "
            f"(at least {least_m:.0f} m wanted).",
        )


def _too_far(p: Profile, most_m: float | None) -> Iterator[Finding]:
    if most_m is None or not len(p.at_m):
        return
    k = int(np.argmax(p.above_m))
    if p.above_m[k] > most_m + 0.1 and not p.at_end(k):
        yield Finding(
            Weight.FAULT,
            "ground",
            f"The leg {p.line.name} is {_over(p, k)}; rules.max_above_ground_m is {most_m:.0f} m.",
        )


def _over(p: Profile, k: int) -> str:
    return f"{p.above_m[k]:.0f} m above the ground after {p.at_m[k] / 1000:.1f} km ({p.between(k)})"


def _returns(
    paper: Paper, sortie: Sortie, stated: list[Stated], least_m: float
) -> Iterator[Finding]:
    """The way home from every route point but the last, which is flown: the worst is told."""
    if len(stated) <= 1:  # home alone
        return
    worst: tuple[float, Finding] | None = None
    low = paper.flight.aircraft.transition_height_m
    for index, point in enumerate(paper.flight.route[:-1]):
        k = sortie.end_of(index)
        if k == 0 or sortie.steps[k - 1].stretch.end_height_m < low:
            continue
        home = way_home(paper, sortie.steps[k - 1], float(sortie.t_s[k]))
        for line in _line("home", home):
            p = profile(line, stated)
            for finding in _too_near(p, least_m, f"The return from {point.name}"):
                if worst is None or float(p.above_m.min()) < worst[0]:
                    worst = float(p.above_m.min()), finding
    if worst is not None:
        yield worst[1]


def _unknown(file: FlightFile, paper: Paper, flown: list[Profile]) -> Iterator[Finding]:
    """What was not checked. A caution where the user asks for a height above ground."""
    route = paper.flight.route
    blind = [p for p in flown if p.blind_m > 2.0 * SITE_GROUND_M]
    if not blind:
        return
    longest = max(blind, key=lambda p: p.blind_m)
    bare = sum(math.isnan(point.ground_m) for point in route)
    rules = file.rules
    asked = rules.min_above_ground_m is not None or rules.max_above_ground_m is not None
    yield Finding(
        Weight.CAUTION if asked else Weight.NOTE,
        "ground",
        f"The ground is not known everywhere: it is not stated at {bare} of {len(route)} route "
        f"points (ground_elevation_m), and {len(blind)} of {len(flown)} legs have long stretches "
        f"without a spot height ([terrain]), the longest {longest.blind_m / 1000:.1f} km "
        f"({longest.line.name}). Hills, masts and trees there were not seen.",
    )

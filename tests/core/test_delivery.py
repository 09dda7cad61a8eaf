"""A delivery: land, drop, take off again, home by a corridor; and the alternate on the way.

Chances and voltages against plain loops over every member, on the hill flight of the scenarios.
"""

from __future__ import annotations

import functools
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from supervisor.core.belief import Belief
from supervisor.core.conclusions import Phase
from supervisor.core.events import Position
from supervisor.core.forecast import forecaster as module
from supervisor.core.forecast.forecaster import Forecaster
from supervisor.core.forecast.legs import Kind
from supervisor.core.forecast.run import Run
from supervisor.core.forecast.way_geometry import ways_to
from supervisor.core.paper.paper import paper_belief
from supervisor.core.plan import Flight
from supervisor.flightfile import load_flight
from tests.core.plain_flights import AS_PLANNED, SteadyWind
from tests.core.plain_loops import Loops

PATH = Path(__file__).resolve().parents[2] / "sim" / "scenarios" / "highsite" / "flight.toml"


@functools.cache
def hill() -> Flight:
    """The pad is 620 m above home; 1.2 kg stay there."""
    return load_flight(PATH)


def on_the_way(charge: float) -> Belief:
    """Over the valley, 1.2 kg of payload on board, the pad ahead."""
    plan = hill()
    belief, (lat, lon) = paper_belief(plan), (plan.route[1].lat_rad, plan.route[1].lon_rad)
    north, east = Forecaster(plan, members=2, points=2, explain=False).chart.to_map(lat, lon)
    fix = Position(900.0, lat, lon, plan.home.elevation_m + 320.0, 320.0, 18.0, 10.0, 0.0, 0.5)
    pack = replace(
        belief.pack,
        mean=np.array([charge, 0.02, 0.03, 0.3, -0.02, 0.0, -0.2]),
        cov=np.diag(np.square([0.02, 0.003, 0.008, 0.15, 0.04, 0.02, 0.3])),
        weak_r=1.1, weak_r_sd=0.05, weak_capacity=0.02, weak_capacity_sd=0.01,
    )  # fmt: skip
    log_cov = np.diag(np.square([0.06, 0.06, 0.04, 0.15, 0.1, 0.1]))
    power = replace(belief.power, log_cov=log_cov, mass_sd_kg=0.1, gust_w_sd=20.0)
    return replace(
        belief, t_s=900.0, phase=Phase.CRUISE, airborne_s=880.0, position=fix, north_m=north,
        east_m=east, mission_seq=3, cas_mps=21.0, wind=SteadyWind(3.0, 4.0, 1.5), pack=pack,
        power=power,
    )  # fmt: skip


def both(
    belief: Belief, monkeypatch: pytest.MonkeyPatch
) -> tuple[Run, list[list[tuple[np.ndarray, np.ndarray]]]]:
    """A run, and for each site and member the loops' (u, lowest voltage) at every point."""
    caught: dict[str, list[tuple[Any, ...]]] = {"fly_plan": [], "fly_ways": []}
    for name in ("fly_plan", "fly_ways"):
        real = getattr(module, name)

        def wrapped(*args: Any, real: Any = real, name: str = name) -> Any:
            caught[name].append(args)
            return real(*args)

        monkeypatch.setattr(module, name, wrapped)
    maker = Forecaster(hill(), members=60, points=12, dtype=np.float64, explain=False)
    run = maker.run(belief)
    loops = Loops(run)
    ((_, _, _, air, _, along_across, gusts),) = caught["fly_plan"]
    cells = [c for c, _ in loops.plan(air, along_across, gusts)]
    to = [target for call in caught["fly_ways"] for target in call[4]]
    wind = caught["fly_ways"][0][5]
    sites = []
    for site, (_, target) in enumerate(to):
        ways = target.ways
        pieces = [
            spread.along_across(wind, ways.north[p], ways.east[p], np.float64)
            for p, spread in enumerate(target.winds)
        ]
        fates = loops.landings(cells, target, pieces, site)
        sites.append(
            [(np.array([u for u, _, _ in f]), np.array([v for _, _, v in f])) for f in fates]
        )
    return run, sites


def good(run: Run, member: int, fate: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """At each point: lands with the reserve and no cell was below the limit on the way."""
    policy, m = run.flight.policy, run.members
    left_wh = (fate[0] - m.empty_u[member, 0]) * m.to_wh[member, 0]
    return (left_wh >= policy.final_reserve_wh) & (fate[1] >= policy.min_cell_v)


# Charges chosen so that some members make it, some do not, and none by less than a tenth of a Wh.
@pytest.mark.parametrize("charge", [0.67, 0.72])
def test_completion_with_a_landing_on_the_way(
    charge: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    run, sites = both(on_the_way(charge), monkeypatch)
    kinds = [s.kind for s in run.course.stretches]
    assert Kind.GROUND in kinds
    assert run.course.stretches[-1].dropped_kg == 1.2
    through = [good(run, i, fate).all() for i, fate in enumerate(sites[0])]
    assert 0.05 < np.mean(through) < 0.95
    assert run.summary().numbers.completion == pytest.approx(np.mean(through))


def test_chance_at_the_alternate(monkeypatch: pytest.MonkeyPatch) -> None:
    run, sites = both(on_the_way(0.38), monkeypatch)
    there = [good(run, i, fate)[0] for i, fate in enumerate(sites[1])]
    at_home = [good(run, i, fate)[0] for i, fate in enumerate(sites[0])]
    forecast = run.summary()
    (pasture,) = forecast.alternates
    assert pasture.name == "Lower pasture"
    assert pasture.covered == pytest.approx(np.mean(there))
    assert forecast.numbers.covered == pytest.approx(np.mean(at_home))
    assert pasture.covered > forecast.numbers.covered + 0.2  # home is 23 km away, the pasture 3


def test_the_pad_stands_on_its_own_ground() -> None:
    """Down from 720 m to a pad 620 m up, and from there to the return height of 700 m.

    By arithmetic: reckoned from the height of home, the climb of the second take-off would be
    660 m on the wing instead of 40 m, 620 m x 11.6 kg x g = 19.6 Wh before any efficiency.
    """
    stretches = Forecaster(hill(), members=2, points=2).run(on_the_way(0.9)).course.stretches
    heights = [s.end_height_m for s in stretches if s.kind in (Kind.HOVER, Kind.GROUND)]
    assert min(heights) == pytest.approx(620.0)
    assert max(heights) == pytest.approx(660.0)

    flat = replace(hill(), route=tuple(replace(w, ground_m=math.nan) for w in hill().route))
    left = [
        float(Forecaster(f, members=2, points=12, explain=False).run(still()).margins()[0][0, -1])
        for f in (hill(), flat)
    ]
    assert left[0] - left[1] > 19.6


def still() -> Belief:
    """Without doubts."""
    belief = on_the_way(0.9)
    exact = replace(belief.pack, cov=np.zeros((7, 7)), weak_r_sd=0.0, weak_capacity_sd=0.0)
    power = replace(belief.power, log_cov=np.zeros((6, 6)), mass_sd_kg=0.0, gust_w_sd=0.0)
    return replace(belief, pack=exact, power=power, wind=SteadyWind(3.0, 4.0))


def test_what_was_dropped_is_not_flown_home() -> None:
    """Hover power goes with mass^1.5 (momentum theory), induced drag with its square (Traub 2011).

    What both save between the drop and the touch-down at home, added up by hand; the pack's own
    losses on top of it, a quarter at the most at these currents.
    """
    plan = hill()
    keep = replace(plan, route=tuple(replace(w, drop_kg=0.0) for w in plan.route))
    sure: dict[str, Any] = {"members": 2, "points": 12, "explain": False}
    sure["unforeseen"] = AS_PLANNED
    runs = [Forecaster(f, **sure).run(still()) for f in (plan, keep)]
    lighter, heavier = (float(run.margins()[0][0, -1]) for run in runs)

    craft, density, speed = plan.aircraft, 1.16, 21.7  # 660 to 740 m, 12 degC; true airspeed
    hover_w = [
        (kg * 9.81) ** 1.5 / math.sqrt(2.0 * density * craft.disk_area_m2) / craft.hover_efficiency
        for kg in (12.8, 11.6)
    ]
    induced_w = [
        2.0 * craft.k * (kg * 9.81) ** 2 / (density * speed * craft.wing_area_m2)
        / craft.cruise_efficiency
        for kg in (12.8, 11.6)
    ]  # fmt: skip
    hover_s = 16.0 + 12.0 + 69.0  # of a landing 60 s are stated
    wing_s = float(np.ravel(runs[0].landings[0].seconds)[-1]) - 69.0
    saved_j = hover_s * (hover_w[0] - hover_w[1]) + wing_s * (induced_w[0] - induced_w[1])
    assert 1.0 < (lighter - heavier) * 3600.0 / saved_j < 1.25


def test_what_is_passed_of_a_bent_way_home_is_not_flown_again() -> None:
    """Homeward between the two points of the corridor: on to the second, then home."""
    maker = Forecaster(hill(), members=2, points=2, dtype=np.float64, explain=False)
    (n1, e1), (n2, e2) = (maker.chart.to_map(*p) for p in hill().return_plan.via)
    north, east = n1 + 0.4 * (n2 - n1), e1 + 0.4 * (e2 - e1)
    to_second, second_home = 0.6 * math.hypot(n2 - n1, e2 - e1), math.hypot(n2, e2)
    course = ((n2 - n1) / to_second * 0.6 * 20.0, (e2 - e1) / to_second * 0.6 * 20.0)
    belief = on_the_way(0.8)
    fix = replace(belief.position, height_m=700.0, vn_mps=course[0], ve_mps=course[1])
    belief = replace(belief, north_m=north, east_m=east, position=fix, wind=SteadyWind(0.0, 0.0))
    at = [((north, east), 3, (course[0] / 20.0, course[1] / 20.0))]
    ways = ways_to(hill(), maker.chart, maker.route, at, hill().home, underway=True)
    assert ways.total_m[0] == pytest.approx(to_second + second_home, abs=1.0)
    seconds = float(np.ravel(maker.run(replace(belief, homeward=True)).landings[0].seconds)[0])
    # 21 m/s of calibrated airspeed at 740 m on a 12 degC day are 21.6 m/s; 69 s of landing.
    assert seconds == pytest.approx((to_second + second_home) / 21.6 + 69.0, rel=0.03)

"""The nearest ground that the flight file tells of, and how far the charge still carries."""

from __future__ import annotations

import functools
import math
from dataclasses import replace
from pathlib import Path

import pytest

from supervisor.core.belief import Belief
from supervisor.core.decide.nearest import nearest_ground, range_left_m
from supervisor.core.forecast.forecaster import Forecaster
from supervisor.core.geodesy import inverse
from supervisor.core.paper.paper import paper_belief
from supervisor.core.plan import Flight
from supervisor.flightfile import load_flight
from tests.core.plain_flights import SteadyWind, certain_maker, overhead_home, plain_flight

PATH = Path(__file__).resolve().parents[2] / "sim" / "scenarios" / "highsite" / "flight.toml"


@functools.cache
def hill() -> Flight:
    return load_flight(PATH)


def at(lat_deg: float, lon_deg: float, height_m: float) -> Belief:
    belief = paper_belief(hill())
    lat, lon = math.radians(lat_deg), math.radians(lon_deg)
    north, east = Forecaster(hill(), members=2, points=2, explain=False).chart.to_map(lat, lon)
    fix = replace(belief.position, lat_rad=lat, lon_rad=lon, height_m=height_m)
    return replace(belief, position=fix, north_m=north, east_m=east)


# Which is nearest is read off the flight file: home, the lower pasture, the saddle with its 660 m.
@pytest.mark.parametrize(
    ("lat_deg", "lon_deg", "name", "elevation_m"),
    [
        (44.57, -29.90, "Bracken landing", 40.0),
        (44.73, -29.70, "Lower pasture", 180.0),
        (44.82, -29.62, "saddle", 660.0),
    ],
)
def test_nearest_known_ground(
    lat_deg: float, lon_deg: float, name: str, elevation_m: float
) -> None:
    ground = nearest_ground(hill(), at(lat_deg, lon_deg, 700.0))
    assert ground.name == name
    assert ground.below_m == pytest.approx(740.0 - elevation_m)
    sites = (hill().home, *hill().alternates, hill().route[2])
    to = next(s for s in sites if s.name == name)
    # the geodesic on the ellipsoid; the flat map around home is within 0.5 % here
    metres, bearing, *_ = inverse(
        math.radians(lat_deg), math.radians(lon_deg), to.lat_rad, to.lon_rad
    )
    assert ground.distance_m == pytest.approx(metres, rel=0.005)
    assert math.cos(ground.bearing_rad - bearing) > 0.999


def test_points_without_a_known_ground_are_no_places_to_go() -> None:
    over_the_valley = at(44.74, -29.72, 320.0)  # the point "valley" itself
    assert nearest_ground(hill(), over_the_valley).name == "Lower pasture"


def test_range_left_is_charge_over_the_price_of_the_way() -> None:
    """300 W at 22 m/s: 600 Wh carry 158.4 km, as distance = energy x speed / power has it."""
    plan = plain_flight(22.0, 2.0, 0.3, 60_000.0, power_w=300.0)
    wind = SteadyWind(0.0, 0.0)
    belief = replace(overhead_home(plan, wind), north_m=20_000.0, east_m=0.0)
    run = certain_maker(plan).run(belief)
    assert range_left_m(belief, run.summary()) == pytest.approx(158_400.0, rel=0.005)
    assert math.isnan(range_left_m(overhead_home(plan, wind), run.summary()))

"""Scenario and flight files: all that ship are read; what is wrong is named."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from sim import faults
from sim.flight import Flight
from sim.geodesy import inverse
from sim.plan import ScenarioError, read_plan
from sim.scenario import FOLDER, Fault, load, names, read_scenario
from sim.state import Phase
from supervisor.flightfile import load_flight

ESTUARY = (FOLDER / "estuary" / "scenario.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", names())
def test_every_scenario_is_read(name: str) -> None:
    scenario = load(name)
    assert scenario.title
    assert scenario.description
    assert scenario.seeds
    assert len(scenario.plan.route) >= 3
    for fault in scenario.faults:
        assert fault.kind in faults.KINDS


def test_there_is_a_scenario_for_each_fault() -> None:
    shown = {fault.kind for name in names() for fault in load(name).faults}
    assert shown == set(faults.KINDS)


def test_the_long_inspection_goes_beyond_a_hundred_kilometres() -> None:
    plan = load("inspection").plan
    far = max(
        inverse(*map(math.radians, (plan.home.lat_deg, plan.home.lon_deg, p.lat_deg, p.lon_deg)))[0]
        for p in plan.route
    )
    assert far > 100e3


def test_the_survey_lasts_two_hours() -> None:
    """Seeds 1 to 5: 1:59 to 2:03."""
    flight = Flight(load("survey"), 1)
    flight.advance(3 * 3600.0)
    assert flight.state.phase is Phase.LANDED
    assert flight.t_s / 3600.0 == pytest.approx(2.0, abs=0.05)


def test_the_delivery_goes_to_a_high_site_forty_kilometres_away() -> None:
    plan = load("highsite").plan
    (site,) = [point for point in plan.route if point.land]
    angles = (plan.home.lat_deg, plan.home.lon_deg, site.lat_deg, site.lon_deg)
    assert inverse(*map(math.radians, angles))[0] == pytest.approx(40e3, abs=1e3)
    assert site.elevation_m - plan.home.elevation_m > 500.0
    assert site.drop_kg == 1.2


@pytest.mark.parametrize(
    ("own", "height_m", "airspeed_mps"),
    [("", 80.0, 19.0), (", height_m = 120.0, airspeed_mps = 22.0", 120.0, 22.0)],
)
def test_a_point_without_height_or_airspeed_has_the_routes_own(
    tmp_path: Path, own: str, height_m: float, airspeed_mps: float
) -> None:
    text = (FOLDER / "beacons" / "flight.toml").read_text(encoding="utf-8")
    head, _, rest = text.partition("[route]")
    rows = "[route]\nheight_m = 80.0\nairspeed_mps = 19.0\nwaypoints = [\n"
    row = f'  {{ name = "one", lat_deg = 44.24, lon_deg = -32.88{own} }},\n]\n'
    path = tmp_path / "flight.toml"
    path.write_text(head + rows + row + rest[rest.index("[return]") :], encoding="utf-8")
    (point,) = read_plan(path).route
    assert (point.height_m, point.airspeed_mps) == (height_m, airspeed_mps)
    (believed,) = load_flight(path).route
    assert (believed.height_m, believed.airspeed_mps) == (height_m, airspeed_mps)


def _broken(tmp_path: Path, old: str, new: str) -> Path:
    assert old in ESTUARY
    folder = tmp_path / "broken"
    folder.mkdir()
    flight = (FOLDER / "estuary" / "flight.toml").read_text(encoding="utf-8")
    (folder / "flight.toml").write_text(flight, encoding="utf-8")
    path = folder / "scenario.toml"
    path.write_text(ESTUARY.replace(old, new), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("old", "new", "where"),
    [
        ("hover_power", "hover_pwoer", "truth.hover_pwoer"),
        ('title = "', 'titel = "', "titel"),
        ("latency_s = 0.08", 'latency_s = "long"', "link.latency_s"),
        ("speed_mps = 4.5", "speed = 4.5", "weather.wind[0].speed_mps"),
        ("speed_mps = 4.5", "speed_mps = nan", "weather.wind[0].speed_mps"),
        ("exponent = 0.11", "exponnet = 0.11", "weather.exponnet"),
        ("[link]", '[[fault]]\nkind = "gremlins"\n[link]', "fault[0].kind"),
    ],
)
def test_a_wrong_scenario_is_told_with_file_and_key(
    tmp_path: Path, old: str, new: str, where: str
) -> None:
    path = _broken(tmp_path, old, new)
    with pytest.raises(ScenarioError) as caught:
        read_scenario(path)
    assert caught.value.where == where
    assert str(path) in str(caught.value)


def test_an_unknown_scenario_says_which_there_are() -> None:
    with pytest.raises(ScenarioError, match="estuary"):
        load("atlantis")


def test_a_missing_key_of_the_flight_file_is_named(tmp_path: Path) -> None:
    text = (FOLDER / "estuary" / "flight.toml").read_text(encoding="utf-8")
    path = tmp_path / "flight.toml"
    path.write_text(text.replace("wing_area_m2 = 0.60", ""), encoding="utf-8")
    with pytest.raises(ScenarioError, match=r"aircraft\.wing_area_m2: missing"):
        read_plan(path)


def test_faults_grow_over_their_ramp_and_end() -> None:
    fault = Fault("drag-rise", at_s=100.0, end_s=500.0, amount=1.5, ramp_s=100.0)
    found = [faults.factor([fault], "drag-rise", t) for t in (0.0, 150.0, 300.0, 600.0)]
    assert found == pytest.approx([1.0, 1.25, 1.5, 1.0])
    assert faults.amount_of(Fault("pusher")) == 0.85
    assert not faults.active([fault], "pusher", 300.0)

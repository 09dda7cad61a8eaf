"""Plans that nobody would fly, and curves that nobody could have measured: an answer in words."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from supervisor.cli import group
from supervisor.core.geodesy import inverse
from supervisor.errors import InputError
from supervisor.flightfile import load_flight, parse_flight

EXAMPLE = Path(__file__).parents[2] / "sim/scenarios/estuary/flight.toml"
TEXT = EXAMPLE.read_text(encoding="utf-8")
CORRIDOR = (
    'style = "corridor"\nvia = [{ lat_deg = 44.15, lon_deg = -28.2 }, '
    "{ lat_deg = 44.17, lon_deg = -28.4 }]"
)
ODD = {
    "gale": [("speed_mps = 4.0", "speed_mps = 45.0"), ("speed_mps = 5.0", "speed_mps = 45.0")],
    "corridor": [('style = "direct"', CORRIDOR)],
    "retrace": [('style = "direct"', 'style = "retrace"')],
    "nearly empty": [("initial_charge_percent = 100.0", "initial_charge_percent = 2.0")],
    "first point is home": [("44.1950, lon_deg = -28.5300", "44.2, lon_deg = -28.6")],
    "two points in one": [("44.1950, lon_deg = -28.5300", "44.1800, lon_deg = -28.4400")],
    "ten hours of loiter": [("loiter_s = 120.0", "loiter_s = 36000.0")],
    "arctic": [("temperature_c = 14.0", "temperature_c = -40.0"), ("18.0\n", "-40.0\n")],
    "five missed landings": [("missed_landings = 0", "missed_landings = 5")],
    "return along the ground": [("height_m = 100.0\nairspeed", "height_m = 0.0\nairspeed")],
    "high plateau": [("elevation_m = 8.0", "elevation_m = 3000.0")],
}


@pytest.mark.parametrize("changes", ODD.values(), ids=ODD.keys())
@pytest.mark.filterwarnings("error")
def test_an_odd_plan_gets_an_answer(tmp_path: Path, changes: list[tuple[str, str]]) -> None:
    text = TEXT
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    path = tmp_path / "odd.toml"
    path.write_text(text)
    result = CliRunner().invoke(group, ["budget", str(path), "--json"], standalone_mode=False)
    assert result.exception is None, result.exception
    answer = json.loads(result.output)
    assert answer["verdict"] in ("go", "go-with-conditions", "no-go")
    assert all(row["used_wh"] > -0.01 for row in answer["legs"])
    assert answer["duration_s"] > 0.0


def test_an_alternate_kept_costs_its_leg() -> None:
    """36.8 km at 21.1 m/s and 360 W are 175 Wh; climb, landing hover and the pack's loss on top."""
    text = TEXT.replace(
        "missed_landings = 0", 'missed_landings = 0\nalternate = "Farrow lighthouse pad"'
    )
    flight = parse_flight(text, "flight.toml")
    site = flight.alternates[0]
    distance_m, _ = inverse(flight.home.lat_rad, flight.home.lon_rad, site.lat_rad, site.lon_rad)
    cruise_wh = 360.0 * distance_m / 21.07 / 3600.0
    assert cruise_wh < flight.policy.alternate_wh < 1.4 * cruise_wh
    assert math.isclose(distance_m, 36.8e3, rel_tol=0.01)
    assert parse_flight(TEXT, "flight.toml").policy.alternate_wh == 0.0


def chances(folder: Path, text: str) -> tuple[dict[str, Any], float]:
    path = folder / "flight.toml"
    path.write_text(text)
    result = CliRunner().invoke(group, ["budget", str(path), "--json"], standalone_mode=False)
    answer = json.loads(result.output)
    return answer["chances"], answer["policy"]["alternate_wh"]


def test_an_alternate_kept_counts_like_so_much_more_reserve(tmp_path: Path) -> None:
    """On arrival at home: alternate leg plus final reserve (EASA CAT.OP.MPA.181, from memory)."""
    plain = TEXT.replace("{ hover_min = 3.0 }", "{ energy_wh = 60.0 }")
    kept = plain.replace("reaction_s", 'alternate = "Farrow lighthouse pad"\nreaction_s', 1)
    with_leg, leg_wh = chances(tmp_path, kept)
    more, none = chances(tmp_path, plain.replace("wh = 60.0", f"wh = {60.0 + leg_wh}"))
    without, _ = chances(tmp_path, plain)
    assert leg_wh > 100.0
    assert none == 0.0
    assert with_leg["reserve"] == pytest.approx(more["reserve"], abs=0.0026)  # a member of 400
    assert with_leg["completion"] == pytest.approx(more["completion"], abs=0.0026)
    assert with_leg["reserve"] < without["reserve"] - 0.05


@pytest.mark.parametrize(("from_deg", "ground_mps"), [(270.0, 31.2), (90.0, 10.7), (0.0, 20.5)])
def test_the_alternate_leg_is_flown_in_the_forecast_wind(
    from_deg: float, ground_mps: float
) -> None:
    """102 deg true, 21.1 m/s in 10.5 m/s: ground speeds by the wind triangle, drawn by hand."""
    text = TEXT.replace("reaction_s", 'alternate = "Farrow lighthouse pad"\nreaction_s', 1)
    text = text.replace("from_deg = 270.0", f"from_deg = {from_deg}")
    for speed in (4.0, 5.0):
        text = text.replace(f"speed_mps = {speed}", "speed_mps = 10.5")
    still = 21.07
    calm = TEXT.replace("reaction_s", 'alternate = "Farrow lighthouse pad"\nreaction_s', 1)
    calm = calm.replace("speed_mps = 4.0", "speed_mps = 0.0").replace("mps = 5.0 }", "mps = 0.0 }")
    blown, at_rest = (parse_flight(t, "f").policy.alternate_wh for t in (text, calm))
    cruise_wh = 368.0 * 36.8e3 / 3600.0  # 360 W and the pack's own loss, per m/s
    expected = cruise_wh / ground_mps - cruise_wh / still
    assert blown - at_rest == pytest.approx(expected, abs=0.05 * abs(expected) + 2.0)


GOOD = "charge_percent,voltage_v\n0,2.6\n10,3.3\n50,3.75\n100,4.2\n"
CURVES = [
    (
        "charge,voltage_v\n0,2.6\n",
        ("line 1", "columns charge, voltage_v", "charge_percent or used_ah"),
    ),
    (GOOD.replace("3.75", "3,75"), ("line 4",)),
    (GOOD.replace("3.75", "45.0"), ("line 4", "voltage_v = 45", "not a pack")),
    (GOOD.replace("3.75", "3.2"), ("does not rise",)),
    (GOOD.replace("50,", "150,"), ("line 4", "150%")),
    (GOOD.replace("50,3.75\n", ""), ("3 points", "4 or more")),
    (GOOD.replace("100,4.2", "90,4.2"), ("from 0% to 90%",)),
    (GOOD.replace("50,", "10,"), ("same charge",)),
]


@pytest.mark.parametrize(("curve", "words"), CURVES, ids=lambda v: str(v)[-20:])
def test_a_wrong_curve_is_refused_in_words(
    tmp_path: Path, curve: str, words: tuple[str, ...]
) -> None:
    (tmp_path / "own.csv").write_text(curve)
    path = tmp_path / "flight.toml"
    path.write_text(TEXT.replace('cell = "nmc', 'curve = "own.csv"\ncell = "nmc'))
    with pytest.raises(InputError) as caught:
        load_flight(path)
    for word in words:
        assert word in str(caught.value)


def test_a_right_curve_takes_the_table_s_place(tmp_path: Path) -> None:
    (tmp_path / "own.csv").write_text(GOOD)
    path = tmp_path / "flight.toml"
    path.write_text(TEXT.replace('cell = "nmc', 'curve = "own.csv"\ncell = "nmc'))
    cell = load_flight(path).pack.cell
    assert cell.ocv_v == (2.6, 3.3, 3.75, 4.2)
    assert "own curve" in cell.source

"""The ground between route points: a straight slope between what the file states, and no more."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from geographiclib.geodesic import Geodesic

from supervisor.cli import group

EXAMPLE = Path(__file__).parents[2] / "sim/scenarios/estuary/flight.toml"
TEXT = EXAMPLE.read_text(encoding="utf-8").replace("speed_mps = 4.0", "speed_mps = 0.0")
TEXT = TEXT.replace("speed_mps = 5.0 }", "speed_mps = 0.0 }")
HOME_M = 8.0  # above sea level
A, B = (44.20, -28.50), (44.20, -28.40)  # home at 44.2, -28.6; 8.0 km apart
A_B = Geodesic.WGS84.Inverse(*A, *B)


def after(metres: float, beside_m: float = 0.0) -> tuple[float, float]:
    """(lat, lon) of a place along the leg from A to B, so far to the right of it."""
    on = Geodesic.WGS84.Direct(*A, A_B["azi1"], metres)
    off = Geodesic.WGS84.Direct(on["lat2"], on["lon2"], on["azi2"] + 90.0, beside_m)
    return off["lat2"], off["lon2"]


def flight(
    spots: list[tuple[float, float, float]], a: str = "height_m = 100.0", extra: str = ""
) -> str:
    """Home, A, B, home at 100 m; ``spots`` (metres after A, beside, above home)."""
    b = f"lat_deg = {B[0]}, lon_deg = {B[1]}, height_m = 100.0"
    rows = f"""waypoints = [
  {{ name = "A", lat_deg = {A[0]}, lon_deg = {A[1]}, {a} }},
  {{ name = "B", {b} }},
]
"""
    points = "".join(
        f"  {{ lat_deg = {lat:.7f}, lon_deg = {lon:.7f}, elevation_m = {up + HOME_M} }},\n"
        for (along, beside, up) in spots
        for lat, lon in [after(along, beside)]
    )
    start, end = TEXT.index("waypoints = ["), TEXT.index("[return]")
    terrain = f"[terrain]\npoints = [\n{points}]\n"
    return TEXT[:start] + rows + "\n" + extra + terrain + TEXT[end:]


def found(tmp_path: Path, text: str) -> tuple[str, dict[str, list[str]]]:
    """(verdict, sentences about the ground by weight)."""
    path = tmp_path / "flight.toml"
    path.write_text(text)
    result = CliRunner().invoke(group, ["budget", str(path), "--json"], standalone_mode=False)
    assert result.exception is None, result.exception
    answer: dict[str, Any] = json.loads(result.output)
    told: dict[str, list[str]] = {"fault": [], "caution": [], "note": []}
    for finding in answer["findings"]:
        if finding["what"] == "ground":
            told[finding["weight"]].append(finding["sentence"])
    return answer["verdict"], told


@pytest.mark.parametrize(
    ("up_m", "beside_m", "weight"),
    [(100.0, 0.0, "fault"), (80.0, 0.0, "caution"), (65.0, 0.0, None), (80.0, 400.0, None)],
)
def test_a_hill_on_the_leg(
    tmp_path: Path, up_m: float, beside_m: float, weight: str | None
) -> None:
    """100 m above home, 30 m wanted; 300 m beside the line a spot no longer counts."""
    _, told = found(tmp_path, flight([(4000.0, beside_m, up_m)]))
    for name in ("fault", "caution"):
        legs = [s for s in told[name] if s.startswith("The leg to B")]
        assert bool(legs) is (weight == name), told
    if weight:
        assert f"is {100.0 - up_m:.0f} m above the ground after 4.0 km (over spot 1)" in str(told)


def test_of_two_spots_side_by_side_the_higher_counts(tmp_path: Path) -> None:
    for spots in ([(60.0, 150.0), (80.0, -150.0)], [(80.0, 150.0), (60.0, -150.0)]):
        _, told = found(tmp_path, flight([(4000.0, beside, up) for up, beside in spots]))
        assert "is 20 m above the ground after 4.0 km" in str(told["caution"])


def test_between_two_stated_places_it_is_a_slope(tmp_path: Path) -> None:
    """From 200 m at A down to 100 m, 2.5 m/s at 21.1 m/s: level after 844 m. The ground falls from
    180 m at A to 0 m after 4 km, so 142 m there: the leg would be 42 m inside the slope."""
    at_a = "height_m = 200.0, ground_elevation_m = 188.0"
    verdict, told = found(tmp_path, flight([(4000.0, 0.0, 0.0)], at_a))
    (sentence,) = [s for s in told["fault"] if s.startswith("The leg to B")]
    assert verdict == "no-go"
    above = re.search(r"is (-?\d+) m above the ground after ([\d.]+) km", sentence)
    assert above is not None
    assert float(above[1]) == pytest.approx(-42.0, abs=2.0)
    assert float(above[2]) == pytest.approx(0.84, abs=0.06)
    assert "between A and spot 1, the ground taken as a straight slope" in sentence


def test_a_gorge_below_the_leg_breaks_the_limit_above_ground(tmp_path: Path) -> None:
    rules = "[rules]\nmax_above_ground_m = 120.0\n"
    for up_m, verdict in ((-30.0, "no-go"), (-15.0, "go-with-conditions")):
        said, told = found(tmp_path, flight([(4000.0, 0.0, up_m)], extra=rules))
        assert said == verdict
        assert ("The leg to B is 130 m above the ground" in str(told["fault"])) is (up_m < -20.0)


def test_the_return_from_a_point_on_the_way_is_checked_too(tmp_path: Path) -> None:
    """A kilometre south of the line home stands a hill; only the return from C passes over it."""
    c = Geodesic.WGS84.Direct(*A, 180.0, 5000.0)
    text = flight([]).replace(
        '  { name = "B"',
        f'  {{ name = "C", lat_deg = {c["lat2"]:.6f}, lon_deg = {c["lon2"]:.6f} }},\n'
        '  { name = "B"',
    )
    home = Geodesic.WGS84.Inverse(c["lat2"], c["lon2"], 44.2, -28.6)
    hill = Geodesic.WGS84.Direct(c["lat2"], c["lon2"], home["azi1"], 4000.0)
    spot = f"points = [\n{{ lat_deg = {hill['lat2']:.6f}, lon_deg = {hill['lon2']:.6f}, "
    text = text.replace("points = [\n]", spot + f"elevation_m = {90.0 + HOME_M} }}]")
    _, told = found(tmp_path, text)
    (sentence,) = [s for s in told["caution"] if s.startswith("The return from")]
    assert sentence.startswith("The return from C is 10 m above the ground after 4.0 km")


def test_what_is_not_known_is_said(tmp_path: Path) -> None:
    """A note; a caution where a height above ground is asked for; nothing when all is told."""
    _, told = found(tmp_path, flight([]))
    (note,) = told["note"]
    assert "2 of 2 route points" in note
    assert "3 of 3 legs" in note
    _, told = found(tmp_path, flight([], extra="[rules]\nmin_above_ground_m = 50.0\n"))
    assert "not known everywhere" in str(told["caution"])
    every = [(float(d), 0.0, 0.0) for d in range(-8000, 9000, 1500)]
    _, told = found(tmp_path, flight(every))
    assert told == {"fault": [], "caution": [], "note": []}

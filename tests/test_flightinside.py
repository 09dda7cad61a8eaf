"""A recording carries what its flight file names, and can be replayed without it."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from click.testing import CliRunner

from sim.scenario import load
from supervisor.anonymous import Mover, stripped_metadata
from supervisor.cli.replay import command as replay
from supervisor.edge.recorder import Recorder
from supervisor.errors import InputError
from supervisor.flightfile import load_flight
from supervisor.flightinside import BESIDE, TEXT, flight_inside, packed

LINE = {
    "type": "Feature",
    "properties": {"name": "the secret weir"},
    "geometry": {
        "type": "LineString",
        "coordinates": [[-28.53, 44.195, 100.0], [-28.44, 44.18, 110.0], [-28.32, 44.155, 120.0]],
    },
}
CURVE = "used_ah,voltage_v\n" + "".join(
    f"{4.9 * k / 20:.3f},{4.15 - 1.15 * k / 20 - 0.2 * (k == 20):.3f}\n" for k in range(21)
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A flight file beside whose folder lie its route and its curve."""
    text = load("estuary").flight_path.read_text(encoding="utf-8")
    start, end = text.index("waypoints = ["), text.index("[return]")
    text = text[:start] + 'geojson = "drawn/weir.geojson"\n\n' + text[end:]
    curve = 'curve = "drawn/cell7.csv"\ncurve_current_a = 1.0'
    text = text.replace('cell = "nmc-21700-5ah"', curve)
    (tmp_path / "drawn").mkdir()
    (tmp_path / "drawn" / "weir.geojson").write_text(json.dumps(LINE))
    (tmp_path / "drawn" / "cell7.csv").write_text(CURVE)
    (tmp_path / "flight.toml").write_text(text)
    return tmp_path


def test_the_flight_inside_is_the_flight(folder: Path) -> None:
    inside = packed(folder / "flight.toml")
    assert set(inside) == {TEXT, BESIDE + "weir.geojson", BESIDE + "cell7.csv"}
    again, first = flight_inside(inside, "recording"), load_flight(folder / "flight.toml")
    assert again.route == first.route
    assert again.pack.cell.ocv_v == pytest.approx(first.pack.cell.ocv_v)


def test_a_replay_needs_nothing_beside_the_recording(folder: Path) -> None:
    recorder = Recorder(folder / "f.mcap", {"flight": "x", **packed(folder / "flight.toml")})
    recorder.close()
    for name in ("weir.geojson", "cell7.csv"):
        (folder / "drawn" / name).unlink()
    result = CliRunner().invoke(replay, [str(folder / "f.mcap")], standalone_mode=False)
    assert result.exception is None, result.output


def test_a_named_file_that_is_not_there_is_told(folder: Path) -> None:
    (folder / "drawn" / "cell7.csv").unlink()
    with pytest.raises(InputError, match=r"cell7\.csv"):
        packed(folder / "flight.toml")


def test_what_is_shared_names_no_place(folder: Path) -> None:
    inside = packed(folder / "flight.toml")
    first = flight_inside(inside, "recording")
    shared = stripped_metadata(inside, Mover.of(first))
    for word in ("weir", "secret", "44.", "-28.", "cell7"):
        assert word not in "".join((*shared, *shared.values())), word
    moved = flight_inside(shared, "shared")
    assert math.degrees(moved.home.lon_rad) == pytest.approx(-30.0)
    assert [w.height_m for w in moved.route] == [w.height_m for w in first.route]
    assert moved.pack.cell.ocv_v == pytest.approx(first.pack.cell.ocv_v)

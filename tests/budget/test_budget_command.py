"""The command: verdicts, exit status, what stands on the page."""

from __future__ import annotations

import json
import math
import re
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from flights import further_out

from supervisor.budget.charts import apart, aside
from supervisor.budget.starter import QUESTIONS
from supervisor.celltable import built_in
from supervisor.cli import group, main
from supervisor.core.plan import Flight
from supervisor.flightfile import load_flight, parse_flight

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "sim/scenarios/estuary/flight.toml"
TEXT = EXAMPLE.read_text(encoding="utf-8")
# The first gauges only: a plan that fits the pack with room to spare.
NEAR = TEXT[: TEXT.index('  { name = "mouth"')] + TEXT[TEXT.index("]\n\n[return]") :]
NEAR = NEAR.replace("[home]", "[rules]\nmin_final_reserve = { hover_min = 2.0 }\n[home]", 1)

# A landing site 330 m from gauge 2, on ground 72 m above home: the route point is 28 m above it.
PAD_BY_GAUGE_2 = "44.1830\nlon_deg = -28.4400\nelevation_m = 80.0"


def run(*args: str) -> Result:
    return CliRunner().invoke(group, ["budget", *args], standalone_mode=False)


@pytest.fixture
def near(tmp_path: Path) -> Path:
    path = tmp_path / "near.toml"
    path.write_text(NEAR)
    return path


def test_a_plan_that_fits_is_a_go(near: Path) -> None:
    result = run(str(near), "--json")
    answer = json.loads(result.output)
    assert (answer["verdict"], result.return_value) == ("go", 0)
    assert answer["chances"]["completion"] >= 0.99
    assert answer["turn_back"]["on_paper"] is None


def test_a_plan_beyond_the_pack_is_a_no_go_and_exits_1(tmp_path: Path) -> None:
    """150 km on 850 Wh against 5 m/s: 360 W / 16 m/s x 75 km is 470 Wh for the way home alone."""
    far = tmp_path / "far.toml"
    far.write_text(further_out(EXAMPLE.read_text(encoding="utf-8")), encoding="utf-8")
    result = run(str(far), "--json")
    answer = json.loads(result.output)
    assert (answer["verdict"], result.return_value) == ("no-go", 1)
    assert answer["measures"][0]["name"].startswith("turn at ")
    assert answer["measures"][0]["completion"] >= 0.99


def test_the_ledger_adds_up(near: Path) -> None:
    answer = json.loads(run(str(near), "--json").output)
    assert sum(answer["ledger_wh"].values()) == pytest.approx(
        answer["pack"]["take_off_wh"], abs=0.1
    )
    used = sum(row["used_wh"] for row in answer["legs"])
    assert answer["pack"]["take_off_wh"] - used == pytest.approx(answer["landing_wh"], abs=0.1)


def test_the_pack_has_two_energies_each_by_its_name_and_shares_are_of_today_s(near: Path) -> None:
    """19.6 Ah at 18 degC: 0.42 % a kelvin below 25 degC are not there today."""
    page = run(str(near)).output
    pack = json.loads(run(str(near), "--json").output)["pack"]
    assert pack["take_off_wh"] == pytest.approx(pack["nameplate_wh"] * (1 - 7 * 0.0042), rel=1e-3)
    assert f"{pack['nameplate_wh']:.0f} Wh nameplate, {pack['take_off_wh']:.0f} Wh today" in page
    ledger = page[page.index("Ledger") : page.index("Legs")]
    assert f"% of today's {pack['take_off_wh']:.0f} Wh" in ledger
    shares = [float(x) for x in re.findall(r" Wh +(-?[0-9.]+) %", ledger)]
    assert len(shares) == 4
    assert sum(shares) == pytest.approx(100.0, abs=0.21)


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ("hover_min = 2.0", "hover_min = 5.0", "reserve"),
        ("[rules]", "[rules]\nmax_height_m = 90.0", "height"),
        ("[rules]", "[rules]\nmax_distance_home_m = 20000.0", "distance"),
        ("[rules]", "[rules]\nmax_mass_kg = 12.0", "mass"),
        ("airspeed_mps = 21.0\nclimb", "airspeed_mps = 15.0\nclimb", "stall"),
        ("m = 110.0, loiter", "m = 110.0, ground_elevation_m = 130.0, loiter", "ground"),
        ("height_m = 100.0\nairspeed_mps = 21.0", "height_m = 0.0\nairspeed_mps = 21.0", "ground"),
    ],
)
def test_a_broken_rule_forbids(near: Path, old: str, new: str, what: str) -> None:
    assert old in NEAR
    near.write_text(NEAR.replace(old, new, 1))
    answer = json.loads(run(str(near), "--json").output)
    assert answer["verdict"] == "no-go"
    assert what in [f["what"] for f in answer["findings"] if f["weight"] == "fault"]


def test_a_valley_below_a_point_breaks_the_limit_above_ground(near: Path) -> None:
    """110 m above home, home 8 m above the sea, the valley's floor at 2 m: 116 m above it.

    Within the limit there remains a condition: elsewhere the file does not tell the ground.
    """
    text = NEAR.replace("m = 110.0, loiter", "m = 110.0, ground_elevation_m = 2.0, loiter", 1)
    for limit, verdict in ((115.0, "no-go"), (117.0, "go-with-conditions")):
        near.write_text(text.replace("[rules]", f"[rules]\nmax_above_ground_m = {limit}", 1))
        assert json.loads(run(str(near), "--json").output)["verdict"] == verdict


def test_a_landing_on_a_hill_wants_its_ground_stated(near: Path) -> None:
    """The pad 640 m away lies 72 m above home: a landing level with home would be wrong."""
    text = NEAR.replace("-28.1500\nelevation_m = 15.0", "-28.1500\nelevation_m = 80.0")
    text = text.replace("44.1550, lon_deg = -28.3200", "44.1380, lon_deg = -28.1460, land = true")
    for more, told in (("", True), (", ground_elevation_m = 80.0", False)):
        near.write_text(text.replace("land = true", f"land = true{more}", 1))
        answer = json.loads(run(str(near), "--json").output)
        sentences = [f["sentence"] for f in answer["findings"] if f["what"] == "ground"]
        assert any("reckoned level with home" in s for s in sentences) is told


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ("[rules]", "[rules]\ncoverage_max_height_m = 105.0", "coverage"),
        ("height_m = 110.0, loiter", "height_m = 360.0, loiter", "height"),
        ("[rules]", "[rules]\ncorridor_half_width_m = 50.0", "corridor"),
        ("after_h = 2.0", "after_h = 0.2", "wind"),
        ("airspeed_mps = 21.0\nclimb", "airspeed_mps = 16.0\nclimb", "stall"),
        ("m = 110.0, loiter", "m = 110.0, ground_elevation_m = 100.0, loiter", "ground"),
        ("-28.1500\nelevation_m = 15.0", "-28.1500\nelevation_m = 80.0", "ground"),
        ("44.1330\nlon_deg = -28.1500\nelevation_m = 15.0", PAD_BY_GAUGE_2, "ground"),
        ("height_m = 100.0\nairspeed_mps = 21.0", "height_m = 30.0\nairspeed_mps = 21.0", "height"),
        ("airspeed_mps = 21.0\nclimb", "airspeed_mps = 28.0\nclimb", "measured"),
    ],
)  # fmt: skip
def test_a_caution_makes_conditions(near: Path, old: str, new: str, what: str) -> None:
    assert old in NEAR
    near.write_text(NEAR.replace(old, new, 1))
    answer = json.loads(run(str(near), "--json").output)
    assert answer["verdict"] == "go-with-conditions"
    assert what in [f["what"] for f in answer["findings"] if f["weight"] == "caution"]


@pytest.mark.parametrize("reserve", ["hover_min = 0.0", "energy_wh = 0.0", "hover_min = 0.9"])
def test_a_reserve_that_holds_no_landing_is_a_condition(near: Path, reserve: str) -> None:
    near.write_text(NEAR.replace("hover_min = 3.0", reserve).replace("hover_min = 2.0", reserve))
    answer = json.loads(run(str(near), "--json").output)
    assert answer["verdict"] == "go-with-conditions"
    assert "less than a minute of hover" in answer["conditions"][0]


def test_the_page_is_at_most_100_columns_and_says_who_decides(near: Path) -> None:
    for path in (near, EXAMPLE):
        page = run(str(path)).output
        assert max(map(len, page.splitlines())) <= 100
        assert "The remote pilot decides" in page
        assert "local" in page


def test_every_report_says_who_decides(near: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.geojson"
    said = json.loads(run(str(near), "--json", "--geojson", str(out)).output)
    for document in (said, json.loads(out.read_text(encoding="utf-8"))):
        assert "The remote pilot decides" in document["caution"]
        assert "local rules and the licence bind" in document["caution"]


def test_every_refusal_is_one_line_and_exit_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "bad.toml"
    path.write_text(TEXT.replace("capacity_ah = 19.6", "capacity_ah = 19600"))
    for args in ([str(path)], [str(tmp_path / "none.toml")], ["--new"], []):
        with pytest.raises(SystemExit) as left:
            main(["budget", *args])
        assert left.value.code == 2
        assert "Traceback" not in capsys.readouterr().err


def test_the_report_is_one_file_without_outside_addresses(near: Path, tmp_path: Path) -> None:
    pytest.importorskip("matplotlib")
    pytest.importorskip("jinja2")
    page = tmp_path / "report.html"
    run(str(near), "--html", str(page))
    text = page.read_text(encoding="utf-8")
    addresses = re.findall(r"(?:src|href)\s*=\s*[\"'](?!#)|url\((?!#)|@import", text)
    assert not addresses
    assert text.count("<svg") == 3
    assert "The remote pilot decides" in text
    assert "@page" in text


def test_equal_time_that_the_pack_does_not_live_to_see_is_no_point() -> None:
    """An open-ended search: on and home would take alike after four hours of a two-hour pack."""
    search = str(ROOT / "sim/scenarios/search/flight.toml")
    assert re.search(r"equal time on and home +beyond endurance\n", run(search).output)
    answer = json.loads(run(search, "--json").output)
    assert answer["equal_time_point"] is None
    assert answer["pack_empty"] is not None


def test_numbers_of_route_points_keep_apart() -> None:
    """Of places 3 m apart along a line every second is 5 m from the one before."""
    line = [(3.0 * k, 0.0) for k in range(7)]
    assert apart(line, 5.0) == [0, 2, 4, 6]
    assert apart([*line, (0.0, 5.0)], 5.0) == [0, 2, 4, 6, 7]


def test_a_number_stands_outside_the_bend_or_across_a_straight_line() -> None:
    """Places are (north, east), the answer is (east, north), as pictures want it."""
    meander = [(0.0, 10.0), (0.0, 20.0), (1.0, 20.0), (1.0, 10.0), (2.0, 10.0)]
    east, north = aside(meander, 1)  # out of the corner in the south-east
    assert (east, north) == pytest.approx((10 / math.hypot(10, 1), -1 / math.hypot(10, 1)))
    assert aside(meander, 3)[0] < -0.9  # on the west side to the west
    straight = [(0.0, 10.0), (0.0, 20.0), (0.0, 30.0)]
    assert [aside(straight, i) for i in range(3)] == [pytest.approx((0.0, 1.0))] * 3  # above it


def test_geojson_goes_out_and_comes_in_again(near: Path, tmp_path: Path) -> None:
    """Its route, read back as a flight's route, leads over the same points (7 digits: 1 cm)."""
    out = tmp_path / "out.geojson"
    run(str(near), "--geojson", str(out))
    start, end = NEAR.index("waypoints = ["), NEAR.index("[return]")
    near.write_text(NEAR[:start] + 'geojson = "out.geojson"\n' + NEAR[end:])
    again, first = load_flight(near), parse_flight(NEAR, "near")
    assert places(again) == pytest.approx(places(first), abs=2e-9)
    kinds = {f["properties"]["kind"] for f in json.loads(out.read_text())["features"]}
    assert {"route", "home-leg", "covered-at-confidence", "covered-on-paper"} <= kinds


def places(flight: Flight) -> list[float]:
    return [x for w in flight.route for x in (w.lat_rad, w.lon_rad)]


HOME = ("home_lat_deg=44.2", "home_lon_deg=-28.6", "home_elevation_m=5")
WIND = ("wind_from_deg=270", "wind_mps=5")


def new(path: Path, *answers: str) -> Result:
    return run(str(path), "--new", *(word for a in answers for word in ("--set", a)))


def by_questions(path: Path, first: str) -> Result:
    """Answers to the first two questions, Enter for the others but for where home is."""
    more = [q.key for q in QUESTIONS].index("home_lat_deg") - 2
    answers = first + "\n" * more + "44.2\n-28.6\n\n5\n" + "\n" * 5
    command = ["budget", str(path), "--new"]
    return CliRunner().invoke(group, command, input=answers, standalone_mode=False)


def test_a_new_file_is_a_flight(tmp_path: Path) -> None:
    path = tmp_path / "new.toml"
    result = new(path, *HOME, *WIND, "mass_kg=7.5", "hover_w=900")
    assert result.return_value == 0
    assert load_flight(path).aircraft.mass_kg == 7.5
    assert json.loads(run(str(path), "--json").output)["verdict"] == "go-with-conditions"
    again = new(path, "mass_kg=7.5")
    assert "exists already" in str(again.exception)


def test_a_new_file_by_questions(tmp_path: Path) -> None:
    path = tmp_path / "asked.toml"
    asked = by_questions(path, "petrel\n6.5\n")
    craft = load_flight(path).aircraft
    assert (craft.aircraft_id, craft.mass_kg) == ("petrel", 6.5)
    assert asked.output.count("Home: elevation above sea level") == 2  # Enter is no answer there
    assert all(name in asked.output for name in built_in())  # which cells there are to choose from
    left = asked.output[asked.output.index("Examples stand here") :]
    assert "wing_area_m2 = 0.50" in left
    assert "mass_kg" not in left


def test_no_example_is_anybody_s_home(tmp_path: Path) -> None:
    path = tmp_path / "new.toml"
    said = str(new(path, "mass_kg=7.5", *HOME[1:]).exception)
    assert "missing: home_lat_deg (allowed: --set home_lat_deg=VALUE)" in said
    assert not path.exists()


def test_a_wind_that_nobody_forecast_is_a_condition(tmp_path: Path) -> None:
    path = tmp_path / "new.toml"
    assert "wind_mps without the other" in str(new(path, *HOME, WIND[1]).exception)
    assert new(path, *HOME, "hover_w=900", "cruise_w=260", "parallel=4").return_value == 0
    assert load_flight(path).weather.wind == ()
    answer = json.loads(run(str(path), "--json").output)
    assert any("No wind forecast is given" in words for words in answer["conditions"])


def test_a_capacity_that_nobody_gave_is_derated_and_a_condition(tmp_path: Path) -> None:
    """As new, every budget of a used pack would be too bright: 80 % is the end of its life."""
    path = tmp_path / "new.toml"
    new(path, *HOME, *WIND, "hover_w=900", "cruise_w=260")
    assert load_flight(path).pack.capacity_ah == pytest.approx(0.9 * 16.0)
    answer = json.loads(run(str(path), "--json").output)
    told = [words for words in answer["conditions"] if "pack.capacity_ah" in words]
    assert "14.4 Ah, 90 % of the 16 Ah of a new pack" in told[0]
    assert "One figure is an estimate" in told[0]


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ("mass_kg=4500", ("mass_kg = 4500", "grams")),
        ("mass_kg=-6", ("mass_kg = -6", "above 0.3")),
        ("mass_kg=4,5", ("4,5", "decimal point")),
        ("mass_kg", ("no value", "mass_kg=VALUE")),
        ("mas_kg=4", ("did you mean 'mass_kg'",)),
        ("id=two words", ("aircraft.id", "two words")),
        ("cell=lipo-16ah", ("lipo-16ah-15c",)),
        ("cruise_mps=80", ("cruise_mps = 80", "km/h or knots")),
    ],
)
def test_a_wrong_answer_is_refused_and_nothing_written(
    tmp_path: Path, wrong: str, words: tuple[str, ...]
) -> None:
    path = tmp_path / "new.toml"
    said = str(run(str(path), "--new", "--set", wrong).exception)
    assert all(word in said for word in words), said
    assert not path.exists()


def test_a_wrong_answer_is_asked_for_again(tmp_path: Path) -> None:
    path = tmp_path / "asked.toml"
    asked = by_questions(path, "two words\npetrel\n6500\nsix\n6.5\n")
    craft = load_flight(path).aircraft
    assert (craft.aircraft_id, craft.mass_kg) == ("petrel", 6.5)
    assert asked.output.count("Take-off mass on the scale") == 3
    assert "grams" in asked.output


@pytest.mark.parametrize(
    ("coordinates", "words"),
    [
        ("[[44.2, -28.5], [44.2, -28.4]]", ("swapped",)),
        ("[[-28.5, 44.2, 2.0]]", ("height_m = -6", "third_coordinate = 'elevation'")),
        ("[[-28.5, 144.2]]", ("lat_deg = 144.2",)),
        ("[[NaN, 44.2]]", ("lon_deg = nan",)),
        ('[["a", "b"]]', ("[longitude, latitude]",)),
        ("null", ("has no LineString",)),
    ],
)
def test_a_drawn_route_is_refused_in_words(
    near: Path, tmp_path: Path, coordinates: str, words: tuple[str, ...]
) -> None:
    line = f'{{"type": "LineString", "coordinates": {coordinates}}}'
    (tmp_path / "route.geojson").write_text(line)
    start, end = NEAR.index("waypoints = ["), NEAR.index("[return]")
    route = 'geojson = "route.geojson"\nthird_coordinate = "elevation"\n'
    near.write_text(NEAR[:start] + route + NEAR[end:])
    said = str(run(str(near)).exception)
    assert all(word in said for word in words), said


def test_pictures_are_not_imported_unless_asked_for() -> None:
    code = (
        "import sys; from supervisor.cli.budget import command\n"
        f"command.main([{str(EXAMPLE)!r}, '--json'], standalone_mode=False)\n"
        "heavy = {'matplotlib', 'jinja2', 'rich', 'scipy', 'pymavlink'} & set(sys.modules)\n"
        "sys.exit(','.join(heavy) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr

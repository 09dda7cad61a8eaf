"""The flight file: what it becomes, and how it refuses."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from supervisor.core.atmosphere import density_kgpm3, tas_per_cas
from supervisor.core.plan import ReturnStyle
from supervisor.core.power import hover_w, wing_w
from supervisor.errors import InputError
from supervisor.flightfile import load_flight, parse_flight

EXAMPLE = Path(__file__).parent.parent / "sim/scenarios/estuary/flight.toml"
TEXT = EXAMPLE.read_text(encoding="utf-8")


def edited(old: str, new: str, text: str = TEXT) -> str:
    assert old in text, old
    return text.replace(old, new, 1)


def refusal(text: str) -> str:
    with pytest.raises(InputError) as caught:
        parse_flight(text, "flight.toml")
    return str(caught.value)


def test_the_example_is_read_whole() -> None:
    flight = load_flight(EXAMPLE)
    assert flight.guessed == ()
    assert [w.name for w in flight.route][-1] == "Farrow"
    assert flight.home.lat_rad == pytest.approx(math.radians(44.2))
    assert flight.return_plan.style is ReturnStyle.DIRECT
    assert flight.policy.soon_lead_s == 300.0
    assert flight.route[2].loiter_s == 120.0
    assert flight.route[0].airspeed_mps == flight.aircraft.cruise_mps


def test_wind_from_the_west_blows_east() -> None:
    row = load_flight(EXAMPLE).weather.wind[0]
    assert (row.n_mps, row.e_mps) == pytest.approx((0.0, 4.0), abs=1e-12)


def test_the_model_gives_back_the_measured_hover() -> None:
    craft = load_flight(EXAMPLE).aircraft
    power = float(hover_w(craft, 12.2, density_kgpm3(10.0, 0.065)))
    assert power + craft.avionics_w == pytest.approx(1560.0, rel=1e-3)


def test_the_model_passes_near_the_measured_cruise() -> None:
    """Three points and two unknowns: within 3 % of each."""
    craft, density = load_flight(EXAMPLE).aircraft, density_kgpm3(100.0, 0.65)
    for cas, watts in ((18.0, 325.0), (21.0, 360.0), (24.0, 425.0)):
        tas = cas * tas_per_cas(density)
        assert float(wing_w(craft, 12.2, density, tas)) + 25.0 == pytest.approx(watts, rel=0.03)


@given(cd0=st.floats(0.015, 0.08), k=st.floats(0.03, 0.07))
def test_a_polar_is_found_again_from_its_own_points(cd0: float, k: float) -> None:
    """Unit round trip: watts made by the polar give the polar back (efficiency by convention)."""
    density, weight = density_kgpm3(100.0, 0.65), 12.2 * 9.80665
    points = []
    for cas in (17.0, 21.0, 26.0):
        tas = cas * tas_per_cas(density)
        shaft = 0.5 * density * tas**3 * 0.6 * cd0 + 2.0 * k * weight**2 / (density * tas * 0.6)
        points.append(f"{{ airspeed_mps = {cas}, power_w = {shaft / 0.6 + 25.0} }}")
    start, end = TEXT.index("points = ["), TEXT.index("[pack]")
    text = TEXT[:start] + f"points = [{', '.join(points)}]\n" + TEXT[end:]
    craft = parse_flight(text, "flight.toml").aircraft
    assert (craft.cd0, craft.k) == pytest.approx((cd0, k), rel=1e-6)


def test_one_cruise_point_leaves_k_to_the_span_and_says_so() -> None:
    start, end = TEXT.index("points = ["), TEXT.index("[pack]")
    point = "points = [{ airspeed_mps = 21.0, power_w = 360.0 }]\n"
    flight = parse_flight(TEXT[:start] + point + TEXT[end:], "flight.toml")
    assert any("induced drag" in g for g in flight.guessed)
    ratio = 0.6 / (math.pi * 0.8 * 2.6**2)  # k = 1/(pi e AR), e = 0.8
    assert flight.aircraft.k == pytest.approx(ratio)


def test_nothing_measured_is_guessed_on_the_safe_side() -> None:
    start, end = TEXT.index("[aircraft.measured_hover]"), TEXT.index("[pack]")
    known, guess = load_flight(EXAMPLE), parse_flight(TEXT[:start] + TEXT[end:], "flight.toml")
    assert len(guess.guessed) == 2
    for craft in (known.aircraft, guess.aircraft):
        assert craft.mass_kg == 12.2
    assert guess.aircraft.hover_sd > known.aircraft.hover_sd
    assert guess.aircraft.cruise_sd > known.aircraft.cruise_sd
    for speed in (18.0, 21.0, 25.0):
        drawn = [float(wing_w(f.aircraft, 12.2, 1.2, speed)) for f in (known, guess)]
        assert drawn[1] > drawn[0]
    assert float(hover_w(guess.aircraft, 12.2, 1.2)) > float(hover_w(known.aircraft, 12.2, 1.2))


@pytest.mark.parametrize(
    ("given_as", "key"),
    [("hover_min = 3.0", "hover"), ("nameplate_percent = 10.0", "%"), ("cruise_min = 15.0", "cr")],
)
def test_the_reserve_is_the_same_in_any_unit(given_as: str, key: str) -> None:
    del key
    one = parse_flight(edited("hover_min = 3.0", given_as), "flight.toml").policy.final_reserve_wh
    again = edited("{ hover_min = 3.0 }", f"{{ energy_wh = {one} }}")
    assert parse_flight(again, "flight.toml").policy.final_reserve_wh == pytest.approx(one)


def test_minutes_of_hover_hold_that_long() -> None:
    """3 min at 1.56 kW are 78 Wh at the motors; the pack's own loss comes on top, below 20 %."""
    reserve = load_flight(EXAMPLE).policy.final_reserve_wh
    assert 78.0 < reserve < 1.2 * 78.0


def test_geojson_route_and_its_heights(tmp_path: Path) -> None:
    line = {"type": "LineString", "coordinates": [[-28.5, 44.2, 60.0], [-28.4, 44.21, 90.0]]}
    document = {"type": "FeatureCollection", "features": [{"type": "Feature", "geometry": line}]}
    (tmp_path / "route.geojson").write_text(json.dumps(document))
    start, end = TEXT.index("waypoints = ["), TEXT.index("[return]")
    route = 'geojson = "route.geojson"\nthird_coordinate = "elevation"\n'
    path = tmp_path / "flight.toml"
    path.write_text(TEXT[:start] + route + TEXT[end:])
    first, second = load_flight(path).route
    assert math.degrees(first.lon_rad) == pytest.approx(-28.5)
    assert second.height_m == 82.0  # 90 m above the sea, home at 8 m


def test_own_curve_becomes_an_open_circuit_one(tmp_path: Path) -> None:
    """Taken at 2 A over 9 mohm sustained (a LiPo class): 18 mV are added back."""
    rows = "charge_percent,voltage_v\n0,3.2\n10,3.6\n50,3.8\n100,4.15\n"
    (tmp_path / "own.csv").write_text(rows)
    text = edited('cell = "nmc-21700-5ah"', 'curve = "own.csv"\ncurve_current_a = 2.0')
    text = edited(
        "parallel = 4", "parallel = 1", edited("capacity_ah = 19.6", "capacity_ah = 5.0", text)
    )
    text = edited("hover_min = 3.0", "nameplate_percent = 10.0", text)
    text = text[: text.index('  { name = "gauge 2"')] + text[text.index("]\n\n[return]") :]
    text = text.replace("[[alternate]]", "[[alternate]]").replace(
        "lon_deg = -28.1500", "lon_deg = -28.55"
    )
    path = tmp_path / "flight.toml"
    path.write_text(text)
    cell = load_flight(path).pack.cell
    assert cell.charge_grid == (0.0, 0.1, 0.5, 1.0)
    assert cell.ocv_v[2] == pytest.approx(3.8 + 2.0 * 0.009, abs=1e-3)


# what is wrong, with what, and which words the refusal must hold (key, value, help)
WRONG = [
    ("mass_kg = 12.2 ", "mass_kgs = 12.2 ", ("aircraft.mass_kgs", "did you mean 'mass_kg'")),
    ("[policy]", "[polcy]", ("polcy", "did you mean 'policy'")),
    ("capacity_ah = 19.6", "capacity_ah = 19600", ("pack.capacity_ah", "19600", "mAh")),
    ("capacity_ah = 19.6", "capacity_ah = -19.6", ("= -19.6: ", "greater than 0.1", "above 0.1")),
    ("capacity_ah = 19.6", "capacity_ah = 80.0", ("pack.capacity_ah", "80", "parallel = 4")),
    ("mass_kg = 12.2 ", "mass_kg = 12200 ", ("aircraft.mass_kg", "grams")),
    ("cruise_mps = 21.0", "cruise_mps = 76.0", ("aircraft.cruise_mps", "km/h")),
    ("cruise_mps = 21.0", "cruise_mps = 13.0", ("aircraft.cruise_mps", "13", "stall")),
    ("rotor_diameter_m = 0.5588", "rotor_diameter_m = 22", ("rotor_diameter_m", "inches")),
    ("confidence = 0.99", "confidence = 99", ("policy.confidence", "percent")),
    ("initial_charge_percent = 100.0", "initial_charge_percent = 1.0", ("fraction",)),
    ("min_cell_v = 2.9 ", "min_cell_v = 34.8 ", ("policy.min_cell_v", "of the pack")),
    ("power_w = 1560.0", "power_w = 1.56", ("measured_hover.power_w", "1.56", "kW")),
    ("power_w = 1560.0", "power_w = 700.0", ("measured_hover.power_w", "700", "even ideal")),
    ("lat_deg = 44.2000", "lat_deg = 442000000", ("home.lat_deg", "1e7")),
    ("lat_deg = 44.2000", "lat_deg = 44.95", ("waypoints[0]", "starts 84 km from home")),
    ("lat_deg = 44.1950, lon_deg = -28.5300", "lat_deg = -28.53, lon_deg = 44.195", ("swapped",)),
    ("height_m = 110.0, loiter", "height_m = 36000.0, loiter", ("height_m", "feet")),
    ('cell = "nmc-21700-5ah"', 'cell = "nmc-21700-5a"', ("pack.cell", "nmc-21700-5ah")),
    ("{ hover_min = 3.0 }", "{ hover_min = 3.0, energy_wh = 90.0 }", ("exactly one of",)),
    ("{ hover_min = 3.0 }", "{ hover_min = 60.0 }", ("final_reserve", "70 %")),
    ('style = "direct"', 'style = "corridor"', ("return", "via")),
    ('style = "direct"', 'style = "straight"', ("return.style", "'straight'", "'retrace'")),
    ("payload_kg = 0.6", "payload_kg = 11.0", ("payload_kg", "part of mass_kg")),
    ("from_deg = 270.0, speed_mps = 4.0", "from_deg = 400, speed_mps = 4.0", ("from_deg", "360")),
    ("temperature_c = 14.0", "temperature_c = 287.0", ("weather.temperature_c", "kelvin")),
    ("series = 12", 'series = "twelve"', ("pack.series", "twelve")),
    ("missed_landings = 0", "missed_landings = 0\nalternate = 'Faro'", ("'Faro'", "Farrow")),
    ("loiter_s = 120.0", "drop_kg = 2.0", ("drops add up", "payload_kg")),
    ("schema = 1", "schema = 2", ("schema", "2")),
    ("schema = 1\n", "schema = 1\nschema = 1\n", ("TOML", "'schema = 1'")),
    ("mass_kg = 12.2 ", "mass_kg = 0 ", ("aircraft.mass_kg = 0", "above 0.3 to 150")),
    ("mass_kg = 12.2 ", "mass_kg = nan ", ("aircraft.mass_kg = nan", "no finite number", "0.3")),
    ("mass_kg = 12.2 ", 'mass_kg = "12.2" ', ("aircraft.mass_kg = '12.2'", "not a number", "150")),
    ("mass_kg = 12.2 ", "mass_kg = true ", ("aircraft.mass_kg = True", "not a number")),
    ("mass_kg = 12.2 ", "mass_kg = 12,2 ", ("TOML", "12,2", "decimal point")),
    ("capacity_ah = 19.6", "capacity_ah = inf", ("pack.capacity_ah = inf", "no finite number")),
    ("avionics_w = 25.0", "avionics_w = -1.0", ("aircraft.avionics_w = -1.0", "from 0 to 1000")),
    ("rotors = 4", "rotors = 4.5", ("aircraft.rotors = 4.5", "not a whole number", "1 to 24")),
    ("lat_deg = 44.1950", "lat_deg = nan", ("route.waypoints[0].lat_deg = nan", "-90 to 90")),
    ('{ name = "gauge 1"', '3, { name = "gauge 1"', ("route.waypoints[0] = 3", "a table")),
    ("{ hover_min = 3.0 }", "{ hover_min = 3.0, energy_wh = 9.0 }", ("energy_wh = 9.0",)),
    ("lon_deg = -28.5300", "lon_deg = 28.5300", ("waypoints[0]", "sign of the longitude")),
    ("[home]", "[rules]\nmin_height_m = 90.0\nmax_height_m = 50.0\n[home]", ("rules", "90", "50")),
    (
        "[home]",
        "[terrain]\npoints = [{ lat_deg = 44.2, lon_deg = 8.0, elevation_m = 3.0 }]\n[home]",
        ("terrain.points[0]", "km from home"),
    ),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "words"), WRONG, ids=lambda v: str(v)[:30])
def test_a_refusal_names_file_key_and_value(old: str, new: str, words: tuple[str, ...]) -> None:
    said = refusal(edited(old, new))
    assert said.startswith("flight.toml")
    for word in words:
        assert word in said, said


@pytest.mark.parametrize("missing", ["[home]", "[return]", "[weather]", "[policy]"])
def test_a_missing_section_is_named(missing: str) -> None:
    at = TEXT.index(missing)
    after = TEXT.find("\n[", at + 1)
    said = refusal(TEXT[:at] + (TEXT[after:] if after > 0 else ""))
    assert missing.strip("[]") in said
    assert "missing" in said


def test_what_is_no_text_or_endless_is_refused_in_words(tmp_path: Path) -> None:
    path = tmp_path / "flight.toml"
    for data in (bytes(range(256)), TEXT.encode("utf-16"), b'name = "Fl\xfcge"'):
        path.write_bytes(data)
        with pytest.raises(InputError, match="not UTF-8"):
            load_flight(path)
    assert "nested" in refusal("a = " + 5000 * "[")
    assert "missing: schema" in refusal("")
    with pytest.raises(InputError, match="directory"):
        load_flight(tmp_path)


@given(st.binary(max_size=200))
def test_any_bytes_are_refused_in_words(data: bytes) -> None:
    with pytest.raises(InputError):
        parse_flight(data.decode("latin-1"), "flight.toml")


@given(data=st.data())
def test_a_number_changed_at_random_is_read_or_refused_never_worse(data: st.DataObject) -> None:
    """Any one number of the example, replaced by any other."""
    import re

    numbers = [m.span() for m in re.finditer(r"(?<== )-?\d+(?:\.\d+)?", TEXT)]
    begin, end = data.draw(st.sampled_from(numbers))
    value = data.draw(
        st.floats(allow_nan=False, allow_infinity=False) | st.integers(-(10**6), 10**6)
    )
    try:
        flight = parse_flight(TEXT[:begin] + repr(value) + TEXT[end:], "flight.toml")
    except InputError:
        return
    assert np.isfinite(flight.policy.final_reserve_wh)
    assert 0.0 < flight.aircraft.hover_efficiency < 1.0

"""``homeleg budget --new``: a commented flight file from the few questions that matter."""

from __future__ import annotations

import difflib
import shlex
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import click

from supervisor.celltable import built_in, find_cell
from supervisor.errors import InputError
from supervisor.flightfile import parse_file, to_flight


@dataclass(frozen=True, slots=True)
class Question:
    """``key`` is also the name for --set. ``default`` shows the form of the answer; without one
    the question must be answered: no example is anybody's home."""

    key: str
    words: str
    default: str


QUESTIONS: tuple[Question, ...] = (
    Question("id", "Name of the aircraft (letters, digits, - and _)", "my-aircraft"),
    Question("mass_kg", "Take-off mass on the scale, all included [kg]", "8.0"),
    Question("payload_kg", "Part of it that is payload [kg]", "0.5"),
    Question("wing_area_m2", "Wing area [m2]", "0.50"),
    Question("wing_span_m", "Wing span [m]", "2.4"),
    Question("stall_mps", "Stall speed, wings level, at that mass [m/s]", "12.0"),
    Question("cruise_mps", "Cruise airspeed [m/s]", "18.0"),
    Question("rotors", "Number of lift rotors", "4"),
    Question("rotor_diameter_m", "Diameter of one lift rotor [m]", "0.46"),
    Question("hover_w", "Measured hover power of the whole aircraft [W]", "none"),
    Question("cruise_w", "Measured power in level cruise at that airspeed [W]", "none"),
    Question("cell", f"Cell type: {', '.join(sorted(built_in()))}", "lipo-16ah-15c"),
    Question("series", "Cells in series", "6"),
    Question("parallel", "Cells in parallel", "1"),
    Question("capacity_ah", "Capacity of the whole pack as last measured [Ah]", "none"),
    Question("reserve_hover_min", "Final reserve, in minutes of hover", "3.0"),
    Question("min_cell_v", "Lowest voltage of a cell allowed under load [V]", "3.2"),
    Question("home_lat_deg", "Home: latitude [deg, south negative]", ""),
    Question("home_lon_deg", "Home: longitude [deg, west negative]", ""),
    Question("home_elevation_m", "Home: elevation above sea level [m]", ""),
    Question("temperature_c", "Air temperature at home [degC]", "15"),
    Question("wind_from_deg", "Forecast wind: from [deg]", "none"),
    Question("wind_mps", "Forecast wind: speed at 100 m [m/s]", "none"),
)  # fmt: skip

WORDS = ("id", "cell")  # every other answer is a number
NOT_MEASURED = ("hover_w", "cruise_w", "capacity_ah")
NO_FORECAST = ("wind_from_deg", "wind_mps")
# What a file is tried with while its other answers are still to come.
EXAMPLE = {q.key: q.default or "0" for q in QUESTIONS}


def write_starter(path: Path | None, answers: tuple[str, ...]) -> None:
    """Ask (or, with any ``KEY=VALUE``, take defaults for the rest) and write ``path``."""
    given = _given(answers)
    if path is None:
        raise click.UsageError("give the name of the file to write: homeleg budget --new FLIGHT")
    if path.exists():
        raise InputError(str(path), "exists already", allowed="a new file name")
    values = {q.key: given.get(q.key, q.default) for q in QUESTIONS} if answers else _asked()
    try:
        values |= {key: _checked(key, value) for key, value in values.items() if value}
        _complete(values)
        text = starter(values)
        to_flight(parse_file(text, str(path)), path.parent, str(path))  # never write a wrong file
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(str(path), f"cannot be written: {error.strerror}") from None
    except InputError:
        if not answers:  # so that nobody has to answer everything again
            click.echo(
                f"To answer again: homeleg budget {path} --new {_as_flags(values)}", err=True
            )
        raise
    click.echo(f"{path} written. Put the route in, then: homeleg budget {path}")
    left = [f"{q.key} = {q.default}" for q in QUESTIONS if values[q.key] == q.default]
    left = [text for text in left if text.partition(" ")[0] not in given]
    if left:
        click.echo(f"Examples stand here, put yours in: {', '.join(left)}.")


def _complete(values: Mapping[str, str]) -> None:
    """What has no default is answered, and of the wind both or none."""
    missing = [key for key, value in values.items() if not value]
    if missing:
        flags = " ".join(f"--set {key}=VALUE" for key in missing)
        raise InputError("--set", f"missing: {', '.join(missing)}", allowed=flags)
    known = [key for key in NO_FORECAST if values[key] != "none"]
    if len(known) == 1:
        raise InputError(
            "--set", f"{known[0]} without the other", allowed=" and ".join(NO_FORECAST)
        )


def _asked() -> dict[str, str]:
    click.echo("Enter takes what stands in brackets; 'none' is: not measured, or no forecast.")
    return {
        q.key: click.prompt(q.words, q.default or None, value_proc=_answer(q.key))
        for q in QUESTIONS
    }


def _answer(key: str) -> Callable[[str], str]:
    """Makes the prompt ask once more where a number is wanted and none is given."""

    def proc(text: str) -> str:
        try:
            return _checked(key, text)
        except InputError as error:
            raise click.UsageError(f"{error.problem}; {error.allowed}") from None

    return proc


def _checked(key: str, text: str) -> str:
    """``text`` as it will stand in the file; refused as the file would be with it alone."""
    text = text.strip()
    if key not in WORDS and not (text == "none" and key in NOT_MEASURED + NO_FORECAST):
        _number(key, text)
    if key == "cell":
        find_cell(text, "--set")
    parse_file(starter(EXAMPLE | {key: text}), "--set")
    return text


def _as_flags(values: dict[str, str]) -> str:
    return " ".join(f"--set {shlex.quote(f'{key}={value}')}" for key, value in values.items())


def _given(answers: tuple[str, ...]) -> dict[str, str]:
    known = [q.key for q in QUESTIONS]
    given: dict[str, str] = {}
    for answer in answers:
        key, equals, value = answer.partition("=")
        if key in known and not equals:
            raise InputError("--set", f"{answer!r} has no value", allowed=f"{key}=VALUE")
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            raise InputError("--set", f"{answer!r}{hint}", allowed=", ".join(known))
        given[key] = value
    return given


def starter(values: dict[str, str]) -> str:
    """The text of the file."""
    return TEMPLATE.format(
        **values,
        hover=_hover(values),
        cruise=_cruise(values),
        capacity=_capacity(values),
        wind=_wind(values),
        cells=", ".join(sorted(built_in())),
        far_lat_deg=_toward_equator(_number("home_lat_deg", values["home_lat_deg"])),
    )


def _toward_equator(lat_deg: float) -> float:
    """A first point 5.6 km away, on the side where there are always places."""
    return lat_deg - 0.05 if lat_deg > 0.0 else lat_deg + 0.05


def _number(key: str, text: str) -> float:
    try:
        return float(text)
    except ValueError:
        allowed = "a number, with a decimal point" if "," in text else "a number"
        raise InputError("--set", f"{key} = {text!r}", allowed=allowed) from None


def _hover(values: dict[str, str]) -> str:
    if values["hover_w"] == "none":
        return (
            "# [aircraft.measured_hover]    # one steady hover, out of ground effect, whole "
            "aircraft\n# power_w = 1200.0\n# mass_kg = {mass_kg}".format(**values)
        )
    return (
        "[aircraft.measured_hover]      # one steady hover, out of ground effect, whole aircraft\n"
        "power_w = {hover_w}\nmass_kg = {mass_kg}\ntemperature_c = {temperature_c}\n"
        "elevation_m = {home_elevation_m}".format(**values)
    )


def _cruise(values: dict[str, str]) -> str:
    mark = "# " if values["cruise_w"] == "none" else ""
    power = "300.0" if mark else values["cruise_w"]
    lines = [
        "[aircraft.measured_cruise]     # level, steady; electrical power of the whole aircraft",
        f"mass_kg = {values['mass_kg']}",
        f"temperature_c = {values['temperature_c']}",
        "# three airspeeds, 1.2 times and more apart from slowest to fastest, show the drag polar",
        f"points = [{{ airspeed_mps = {values['cruise_mps']}, power_w = {power} }}]",
    ]
    return "\n".join(line if line.startswith("#") else mark + line for line in lines)


def _capacity(values: dict[str, str]) -> str:
    if values["capacity_ah"] == "none":
        return "# capacity_ah = 15.0           # of the whole pack, as last measured"
    return (
        f"capacity_ah = {values['capacity_ah']}             # of the whole pack, as last measured"
    )


def _wind(values: dict[str, str]) -> str:
    """The forecast; of none an example that is commented out."""
    known = "none" not in [values[key] for key in NO_FORECAST]
    from_deg, mps = (values[key] for key in NO_FORECAST) if known else ("270", "5")
    rows = [
        f"  {{ after_h = {hours}, height_m = 100.0, from_deg = {from_deg}, speed_mps = {mps} }},"
        for hours in (0.0, 3.0)
    ]
    head = "wind = [                          # hours from take-off; degrees the wind blows FROM"
    trust = "wind_sd_mps = 2.5                 # how far you trust it (1 sigma, each component)"
    lines = [head, *rows, "]", trust]
    return "\n".join(line if known else f"# {line}" for line in lines)


TEMPLATE = """\
# A flight, as Homeleg reads it before take-off (homeleg budget) and aboard (homeleg run).
# Homeleg advises; the remote pilot decides; local rules and the licence bind.
schema = 1
name = "first flight"

[aircraft]
id = "{id}"
mass_kg = {mass_kg}               # take-off mass on the scale, pack and payload included
payload_kg = {payload_kg}
wing_area_m2 = {wing_area_m2}
wing_span_m = {wing_span_m}
stall_mps = {stall_mps}           # calibrated airspeed, wings level, at mass_kg
cruise_mps = {cruise_mps}
climb_mps = 2.5                   # vertical speeds on the wing
descent_mps = 2.5
rotors = {rotors}
rotor_diameter_m = {rotor_diameter_m}
avionics_w = 20.0                 # everything that is always on
# Without the two measurements below conservative estimates are taken, and marked as such.
{hover}
{cruise}

[pack]
id = "P01"
cell = "{cell}"                   # {cells}
# curve = "my-cell.csv"           # own discharge curve of one cell: charge_percent,voltage_v
series = {series}
parallel = {parallel}
{capacity}
# resistance_scale = 1.0          # of a new cell's; as measured together with the capacity
initial_charge_percent = 100.0
# temperature_c = 20.0            # of the pack at take-off; the air's when left out

[policy]
final_reserve = {{ hover_min = {reserve_hover_min} }} # or energy_wh, nameplate_percent, cruise_min
contingency_percent = 5.0
missed_landings = 0               # landings begun anew that the reserve must not pay for
confidence = 0.99                 # how sure the way home must be
min_cell_v = {min_cell_v}         # of the weakest cell, under load, anywhere on the way
reaction_s = 30.0                 # pilot's reaction and link delay
soon_lead_min = 5.0
# alternate = "name of an [[alternate]]"   # keep its leg from home on top of the reserve

# [rules]                         # your limits, from local rules, licence and network; checked
# max_height_m = 120.0
# min_final_reserve = {{ hover_min = 2.0 }}
# coverage_max_height_m = 100.0

[home]
name = "home"
lat_deg = {home_lat_deg}
lon_deg = {home_lon_deg}
elevation_m = {home_elevation_m}

# [[alternate]]
# name = "field by the road"
# lat_deg = {home_lat_deg}
# lon_deg = {home_lon_deg}
# elevation_m = 0.0

# [terrain]                       # ground that you read off a map; checked along legs and returns
# points = [{{ lat_deg = {home_lat_deg}, lon_deg = {home_lon_deg}, elevation_m = 0.0 }}]

[route]
height_m = 100.0                  # above home, where a point does not say otherwise
# geojson = "route.geojson"       # instead of waypoints: its first LineString
waypoints = [                     # also: airspeed_mps, loiter_s, land, ground_s, drop_kg
  {{ name = "first point", lat_deg = {far_lat_deg:.6g}, lon_deg = {home_lon_deg} }},
]

[return]                          # as the autopilot is set to fly it
style = "direct"                  # or "retrace", or "corridor" with via = [{{ lat_deg, lon_deg }}]
height_m = 100.0
airspeed_mps = {cruise_mps}
landing_hover_s = 60.0            # from back-transition to touch-down

[weather]
temperature_c = {temperature_c}
{wind}
"""

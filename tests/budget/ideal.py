"""Flights whose answer is known in closed form: no losses, no hover, constant power.

The pack's curve is flat and its resistance next to nothing, so its usable energy is series x 4 V x
capacity; take-off and landing take no time. What is left is the textbook's aeroplane.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from click.testing import CliRunner
from geographiclib.geodesic import Geodesic

from supervisor.cli.budget import command

RHO0, G0 = 1.225, 9.80665  # ISO 2533
MASS_KG, AREA_M2, CD0, K, CHAIN = 12.0, 0.6, 0.03, 0.05, 0.6
SERIES, CELL_V = 32, 4.0
HOME = (44.2, -28.6)  # open sea


def cruise_power_w(tas_mps: float) -> float:
    """Traub, J. Aircraft 48(2) 2011, eq. 4, over the chain's efficiency."""
    weight = MASS_KG * G0
    drag_w = 0.5 * RHO0 * tas_mps**3 * AREA_M2 * CD0
    lift_w = 2.0 * K * weight**2 / (RHO0 * tas_mps * AREA_M2)
    return (drag_w + lift_w) / CHAIN


def flight_text(
    tas_mps: float,
    course_deg: float,
    distance_m: float,
    wind_from_deg: float,
    wind_mps: float,
    usable_wh: float,
) -> str:
    """One straight line out, with a point on the way; energy, wind and speeds as asked for."""
    near, far = (
        Geodesic.WGS84.Direct(*HOME, course_deg, share * distance_m) for share in (0.1, 1.0)
    )
    capacity_ah = usable_wh / (SERIES * CELL_V)
    return f"""
schema = 1
name = "textbook"
[aircraft]
id = "ideal"
mass_kg = {MASS_KG}
wing_area_m2 = {AREA_M2}
wing_span_m = 2.6
stall_mps = {max(0.6 * tas_mps, 9.0)}
cruise_mps = {tas_mps}
climb_mps = 15.0
descent_mps = 15.0
rotors = 4
rotor_diameter_m = 0.5588
avionics_w = 0.0
hover_climb_mps = 10.0
transition_s = 0.0
transition_height_m = 0.1
bank_deg = 60.0
polar = {{ cd0 = {CD0}, k = {K}, efficiency = {CHAIN} }}
[pack]
id = "flat"
curve = "flat.csv"
series = {SERIES}
capacity_ah = {capacity_ah}
temperature_c = 25.0
[policy]
final_reserve = {{ energy_wh = 0.0 }}
contingency_percent = 0.0
confidence = 0.5
min_cell_v = 3.5
[home]
name = "home"
lat_deg = {HOME[0]}
lon_deg = {HOME[1]}
[route]
height_m = 0.2
waypoints = [{{ name = "near", lat_deg = {near["lat2"]}, lon_deg = {near["lon2"]} }},
             {{ name = "far", lat_deg = {far["lat2"]}, lon_deg = {far["lon2"]} }}]
[return]
height_m = 0.2
landing_hover_s = 0.0
[weather]
temperature_c = 15.0
wind = [{{ height_m = 10.0, from_deg = {wind_from_deg % 360.0}, speed_mps = {wind_mps} }},
        {{ height_m = 0.0, from_deg = {wind_from_deg % 360.0}, speed_mps = {wind_mps} }}]
wind_sd_mps = 0.5
"""


FLAT = "charge_percent,voltage_v,resistance_mohm\n0,3.9997,0.001\n30,3.9999,0.001\n" + (
    "70,4.0001,0.001\n100,4.0003,0.001\n"
)


def run_budget(folder: Path, text: str) -> dict[str, Any]:
    """The command's own JSON for a flight file."""
    path = folder / "flight.toml"
    path.write_text(text)
    (folder / "flat.csv").write_text(FLAT)
    result = CliRunner().invoke(command, [str(path), "--json"], standalone_mode=False)
    assert result.exception is None, result.exception
    answer: dict[str, Any] = json.loads(result.output)
    return answer

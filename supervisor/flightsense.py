"""Does the flight file make sense? Wrong units seen by their magnitude, and contradictions.

These are errors, not hints: a pack of 19600 Ah or a route on another continent is never meant.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from supervisor.core.atmosphere import day_offset_k, density_kgpm3, tas_per_cas
from supervisor.core.constants import G0_MPS2
from supervisor.core.geodesy import inverse
from supervisor.core.plan import Flight, Site, Waypoint
from supervisor.core.power import wing_w
from supervisor.errors import InputError

# A first point farther than this share of the whole range leaves nothing to fly the route with.
FIRST_SHARE = 0.4
# Lift coefficient at the stall: plain wings reach 1 to 2; in knots for m/s it would be 0.4.
LEAST_LIFT, MOST_LIFT = 0.5, 4.0


@dataclass(frozen=True, slots=True)
class Hint:
    """A value whose unit is suspected."""

    problem: str
    allowed: str


@dataclass(frozen=True, slots=True)
class Magnitude:
    """``key`` (dotted, * for every row) beyond ``low``..``high`` looks like another unit."""

    key: str
    low: float
    high: float
    unit: str
    above: str = ""
    below: str = ""


SWAPPED = "latitude and longitude swapped? 1e7 units?"

MAGNITUDES: tuple[Magnitude, ...] = (
    Magnitude("aircraft.mass_kg", 0.3, 150.0, "kg", "grams?"),
    Magnitude("aircraft.payload_kg", 0.0, 100.0, "kg", "grams?"),
    Magnitude("aircraft.wing_area_m2", 0.02, 20.0, "m2", "square decimetres?"),
    Magnitude("aircraft.wing_span_m", 0.3, 15.0, "m", "centimetres or millimetres?"),
    Magnitude("aircraft.rotor_diameter_m", 0.05, 4.0, "m", "inches or millimetres?"),
    Magnitude("aircraft.stall_mps", 3.0, 40.0, "m/s", "km/h or knots?"),
    Magnitude("aircraft.cruise_mps", 4.0, 60.0, "m/s", "km/h or knots?"),
    Magnitude("return.airspeed_mps", 4.0, 60.0, "m/s", "km/h or knots?"),
    Magnitude("route.airspeed_mps", 4.0, 60.0, "m/s", "km/h or knots?"),
    Magnitude("route.waypoints.*.airspeed_mps", 4.0, 60.0, "m/s", "km/h or knots?"),
    Magnitude("pack.capacity_ah", 0.1, 400.0, "Ah", "mAh?", "Wh per cell?"),
    Magnitude("pack.initial_charge_percent", 1.001, 100.0, "%", below="a fraction?"),
    Magnitude("policy.min_cell_v", 1.5, 4.2, "V of one cell", "of the pack? or mV?"),
    Magnitude("policy.confidence", 0.5, 0.9999, "as a fraction", "percent?"),
    Magnitude("weather.temperature_c", -40.0, 52.0, "degC", "kelvin or Fahrenheit?"),
    Magnitude("pack.temperature_c", -40.0, 60.0, "degC", "kelvin or Fahrenheit?"),
    Magnitude("weather.wind.*.speed_mps", 0.0, 45.0, "m/s", "km/h or knots?"),
    Magnitude("weather.wind.*.after_h", 0.0, 96.0, "h", "seconds or minutes?"),
    Magnitude("aircraft.measured_hover.power_w", 20.0, 60000.0, "W", "mW?", "kW?"),
    Magnitude("aircraft.measured_cruise.points.*.power_w", 5.0, 20000.0, "W", "mW?", "kW?"),
    Magnitude("home.lat_deg", -90.0, 90.0, "deg", SWAPPED, SWAPPED),
    Magnitude("home.lon_deg", -180.0, 180.0, "deg", "1e7 units?", "1e7 units?"),
    Magnitude("alternate.*.lat_deg", -90.0, 90.0, "deg", SWAPPED, SWAPPED),
    Magnitude("route.waypoints.*.lat_deg", -90.0, 90.0, "deg", SWAPPED, SWAPPED),
    Magnitude("route.waypoints.*.lon_deg", -180.0, 180.0, "deg", "1e7 units?", "1e7 units?"),
    Magnitude("alternate.*.lon_deg", -180.0, 180.0, "deg", "1e7 units?", "1e7 units?"),
    Magnitude("terrain.points.*.lat_deg", -90.0, 90.0, "deg", SWAPPED, SWAPPED),
    Magnitude("terrain.points.*.lon_deg", -180.0, 180.0, "deg", "1e7 units?", "1e7 units?"),
    Magnitude("route.waypoints.*.height_m", 0.0, 4000.0, "m above home", "feet or elevation?"),
)


def suspect_units(data: dict[str, Any]) -> Hint | None:
    """The first value that looks like another unit, before anything else is said about it."""
    for rule in MAGNITUDES:
        for key, value in _values(data, rule.key.split("."), ""):
            if not isinstance(value, int | float) or isinstance(value, bool):
                continue
            if math.isinf(value):  # no unit makes it right
                continue
            if value <= 0.0 <= rule.low:  # nor this: the key's own bounds say what would
                continue
            guess = rule.above if value > rule.high else rule.below if value < rule.low else ""
            if guess:
                return Hint(
                    f"{key} = {value:g}: {guess}", f"{rule.low:g}..{rule.high:g} {rule.unit}"
                )
    return None


def _values(data: Any, parts: list[str], key: str) -> list[tuple[str, Any]]:
    if not parts:
        return [(key, data)]
    head, *rest = parts
    if head == "*":
        rows = data if isinstance(data, list) else []
        return [v for i, row in enumerate(rows) for v in _values(row, rest, f"{key}[{i}]")]
    if not isinstance(data, dict) or head not in data:
        return []
    return _values(data[head], rest, f"{key}.{head}" if key else head)


def contradictions(flight: Flight, where: str) -> None:
    """InputError when two parts of the file cannot both be true."""
    _names(flight, where)
    _speeds(flight, where)
    _capacity(flight, where)
    _payload(flight, where)
    _distances(flight, where)


def _names(flight: Flight, where: str) -> None:
    """Advice names a site; two of one name would be one."""
    names = [flight.home.name]
    for i, site in enumerate(flight.alternates):
        if site.name in names:
            other = "an alternate's name of its own"
            raise InputError(where, f"alternate[{i}].name = {site.name!r} twice", allowed=other)
        names.append(site.name)


def _speeds(flight: Flight, where: str) -> None:
    stall = flight.aircraft.stall_mps
    asked = [("aircraft.cruise_mps", flight.aircraft.cruise_mps)]
    asked.append(("return.airspeed_mps", flight.return_plan.airspeed_mps))
    for i, point in enumerate(flight.route):
        asked.append((f"route.waypoints[{i}].airspeed_mps", point.airspeed_mps))
    for key, speed in asked:
        if not stall < speed <= 4.0 * stall:
            raise InputError(
                where,
                f"{key} = {speed:g} with aircraft.stall_mps = {stall:g}",
                allowed=f"above the stall, up to {4 * stall:g} m/s (km/h or knots?)",
            )
    loading = flight.aircraft.mass_kg * G0_MPS2 / flight.aircraft.wing_area_m2
    lift = 2.0 * loading / (1.225 * stall * stall)
    if not LEAST_LIFT <= lift <= MOST_LIFT:
        raise InputError(
            where,
            f"aircraft.stall_mps = {stall:g} with this mass and wing means a lift coefficient of "
            f"{lift:.2f}",
            allowed=f"{LEAST_LIFT:g}..{MOST_LIFT:g} (mass_kg, wing_area_m2, m/s?)",
        )


def _capacity(flight: Flight, where: str) -> None:
    pack = flight.pack
    table_ah = pack.cell.capacity_ah * pack.parallel
    own_curve = pack.cell.source.startswith("own curve")
    if not own_curve and not 0.4 * table_ah <= pack.capacity_ah <= 1.3 * table_ah:
        raise InputError(
            where,
            f"pack.capacity_ah = {pack.capacity_ah:g} with parallel = {pack.parallel} of "
            f"{pack.cell.name} ({pack.cell.capacity_ah:g} Ah each)",
            allowed=f"{0.4 * table_ah:g}..{1.3 * table_ah:g} Ah of the whole pack",
        )
    ocv = pack.cell.ocv_v
    if not ocv[0] - 0.6 <= flight.policy.min_cell_v < ocv[-1] - 0.2:
        raise InputError(
            where,
            f"policy.min_cell_v = {flight.policy.min_cell_v:g} with {pack.cell.name}",
            allowed=f"{ocv[0] - 0.6:.2f}..{ocv[-1] - 0.2:.2f} V",
        )


def _payload(flight: Flight, where: str) -> None:
    aircraft = flight.aircraft
    if aircraft.payload_kg >= 0.8 * aircraft.mass_kg:
        raise InputError(
            where,
            f"aircraft.payload_kg = {aircraft.payload_kg:g} of mass_kg = {aircraft.mass_kg:g}",
            allowed="payload is a part of mass_kg, less than 80 % of it",
        )


def still_air_reach_m(flight: Flight) -> float:
    """As far as the whole pack would carry it one way in still air, cruise alone [m]."""
    home, aircraft = flight.home, flight.aircraft
    offset = day_offset_k(flight.weather.temperature_c, home.elevation_m)
    density = density_kgpm3(home.elevation_m, offset)
    tas = aircraft.cruise_mps * tas_per_cas(density)
    light_kg = aircraft.mass_kg - aircraft.payload_kg
    power_w = float(wing_w(aircraft, light_kg, density, tas)) + aircraft.avionics_w
    return flight.pack.nameplate_wh * 3600.0 / power_w * tas


def _distances(flight: Flight, where: str) -> None:
    reach = still_air_reach_m(flight)
    if flight.route:
        first = flight.route[0]
        key, what = "route.waypoints[0]", "the route starts"
        _within(flight.home, first, key, FIRST_SHARE * reach, where, what)
    for i, point in enumerate(flight.route):
        _within(flight.home, point, f"route.waypoints[{i}]", reach, where, "it is")
    for i, site in enumerate(flight.alternates):
        _within(flight.home, site, f"alternate[{i}]", reach, where, "it is")
    for i, spot in enumerate(flight.terrain):
        _within(flight.home, spot, f"terrain.points[{i}]", reach, where, "it is")


def _within(
    home: Site, place: Waypoint | Site, key: str, reach_m: float, where: str, what: str
) -> None:
    distance_m, _ = inverse(home.lat_rad, home.lon_rad, place.lat_rad, place.lon_rad)
    if distance_m <= reach_m:
        return
    raise InputError(
        where,
        f"{key} = {place.name!r} at {math.degrees(place.lat_rad):.4f}, "
        f"{math.degrees(place.lon_rad):.4f}: {what} {distance_m / 1000:.0f} km from home"
        f"{_misread(home, place, reach_m)}",
        allowed=f"within {reach_m / 1000:.0f} km (the pack's whole still-air range is the measure)",
    )


def _misread(home: Site, place: Waypoint | Site, reach_m: float) -> str:
    """The way of reading ``place`` (or home) that would bring it within reach, if there is one."""
    lat, lon = place.lat_rad, place.lon_rad
    readings = {
        "latitude and longitude swapped, here or of home?": (lon, lat),
        "the sign of the longitude?": (lat, -lon),
        "the sign of the latitude?": (-lat, lon),
    }
    for words, (other_lat, other_lon) in readings.items():
        if abs(other_lat) > math.pi / 2:
            continue
        if inverse(home.lat_rad, home.lon_rad, other_lat, other_lon)[0] <= reach_m:
            return f" ({words})"
    return ""

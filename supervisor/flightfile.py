"""The flight file: read once, validated, turned into the core's :class:`Flight`.

Every refusal is an :class:`InputError` with the file, the key, the value and what is allowed.
"""

from __future__ import annotations

import math
import re
import tomllib
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from supervisor import flightsense
from supervisor.celltable import built_in, find_cell, scaled, with_curve
from supervisor.core import plan
from supervisor.errors import InputError
from supervisor.fileerrors import explain
from supervisor.flightmodels import FlightFile, WeatherSection
from supervisor.flightroute import read_route
from supervisor.reduction import disk_area_m2, reduce_figures
from supervisor.reserves import alternate_leg_wh, reserve_wh

# Without the builder's own word on it. A forecast for a day: 2.5 m/s a component (from memory, the
# usual error of a short-range forecast of wind at 100 m); none at all: what a breeze may be.
FORECAST_SD_MPS, NO_FORECAST_SD_MPS = 2.5, 5.0
KEPT_OF_ROUTE = ("height_m", "airspeed_mps")  # of a route whose points come from elsewhere
STAND_IN = "lipo-5ah-25c"  # lends resistance and heat to a curve without a cell type
RESISTANCE_SD, CAPACITY_SD = 0.15, 0.02
# A capacity that nobody gives: packs fly from new to 80 % of that, and few makers' figures are met
# at a hover's current, so the middle of that life is taken. Common practice, no source.
GUESSED_CAPACITY, GUESSED_CAPACITY_SD = 0.90, 0.08


def load_flight(path: Path) -> plan.Flight:
    """The flight of one file."""
    return to_flight(load_file(path), path.parent, str(path))


def parse_flight(text: str, where: str, folder: Path = Path()) -> plan.Flight:
    """The flight of a text; ``where`` names it in errors; paths in it start from ``folder``."""
    return to_flight(parse_file(text, where), folder, where)


def load_file(path: Path, route: tuple[dict[str, Any], ...] = ()) -> FlightFile:
    """The validated file as the builder wrote it; ``route`` rows replace its own route."""
    try:
        text = path.read_text(encoding="utf-8-sig")  # some editors put a mark before the text
    except OSError as error:
        raise InputError(str(path), f"cannot be read: {error.strerror}") from None
    except UnicodeDecodeError:
        raise InputError(str(path), "is not UTF-8 text", allowed="a text file (TOML)") from None
    return parse_file(text, str(path), route)


def parse_file(text: str, where: str, route: tuple[dict[str, Any], ...] = ()) -> FlightFile:
    """The same from a text."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(where, f"is not TOML: {error}{_line_of(error, text)}") from None
    except RecursionError:
        raise InputError(where, "is nested too deeply") from None
    if route:
        own = data.get("route")
        kept = {k: own[k] for k in KEPT_OF_ROUTE if k in own} if isinstance(own, dict) else {}
        data["route"] = kept | {"waypoints": list(route)}
    return validated(data, where)


def _line_of(error: tomllib.TOMLDecodeError, text: str) -> str:
    """The line that is not TOML, since a person looks for a line, not for a column."""
    number = re.search(r"at line (\d+)", str(error))
    lines = text.splitlines()
    if number is None or int(number[1]) > len(lines):
        return ""
    line = lines[int(number[1]) - 1].strip()
    comma = "; a decimal point, not a comma?" if re.search(r"=\s*\d+,\d+\s*(#|$)", line) else ""
    return f": {line[:60]!r}{comma}"


def validated(data: dict[str, Any], where: str) -> FlightFile:
    """The same from parsed TOML."""
    hint = flightsense.suspect_units(data)
    if hint:
        raise InputError(where, hint.problem, allowed=hint.allowed)
    try:
        return FlightFile.model_validate(data)
    except ValidationError as error:
        raise explain(error, where, FlightFile) from None


# --- to the core -------------------------------------------------------------------------------


def to_flight(file: FlightFile, folder: Path, where: str) -> plan.Flight:
    """The core's flight; ``folder`` is where relative paths of the file start."""
    aircraft, guessed = _aircraft(file, where)
    pack, pack_guessed = _pack(file, folder, where)
    home = _site(file.home)
    alternates = tuple(_site(place) for place in file.alternate)
    weather, weather_guessed = _weather(file.weather)
    route = read_route(file, folder, where)
    return_plan = _return(file)
    policy = _policy(file, where, aircraft, pack, home, alternates, return_plan, weather.wind)
    flight = plan.Flight(
        name=file.name,
        aircraft=aircraft,
        pack=pack,
        policy=policy,
        home=home,
        alternates=alternates,
        route=route,
        return_plan=return_plan,
        weather=weather,
        guessed=guessed + pack_guessed + weather_guessed,
        terrain=tuple(_site(p, f"spot {i + 1}") for i, p in enumerate(file.terrain.points)),
    )
    flightsense.contradictions(flight, where)
    return flight


def _aircraft(file: FlightFile, where: str) -> tuple[plan.Aircraft, tuple[str, ...]]:
    given = file.aircraft
    figures = reduce_figures(given, where)
    cruise = given.measured_cruise
    aircraft = plan.Aircraft(
        aircraft_id=given.id,
        name=given.name or given.id,
        mass_kg=given.mass_kg,
        payload_kg=given.payload_kg,
        wing_area_m2=given.wing_area_m2,
        wing_span_m=given.wing_span_m,
        stall_mps=given.stall_mps,
        cruise_mps=given.cruise_mps,
        climb_mps=given.climb_mps,
        descent_mps=given.descent_mps,
        disk_area_m2=disk_area_m2(given),
        hover_efficiency=figures.hover_efficiency,
        cd0=figures.cd0,
        k=figures.k,
        cruise_efficiency=figures.cruise_efficiency,
        avionics_w=figures.avionics_w,
        hover_climb_mps=given.hover_climb_mps,
        hover_descent_mps=given.hover_descent_mps,
        transition_s=given.transition_s,
        transition_height_m=given.transition_height_m,
        bank_rad=math.radians(given.bank_deg),
        hover_sd=figures.hover_sd,
        cruise_sd=figures.cruise_sd,
        gust_cost=cruise.gust_cost_percent / 100.0 if cruise else 0.0,
    )
    return aircraft, figures.guessed


def _pack(file: FlightFile, folder: Path, where: str) -> tuple[plan.Pack, tuple[str, ...]]:
    given = file.pack
    cell = built_in()[STAND_IN] if given.cell is None else find_cell(given.cell, where)
    guessed: list[str] = []
    capacity_ah = given.capacity_ah
    if capacity_ah is None:
        if given.cell is None:
            raise InputError(where, "pack.capacity_ah: missing (a curve alone does not give it)")
        new_ah = cell.capacity_ah * given.parallel
        capacity_ah = round(GUESSED_CAPACITY * new_ah, 6)
        guessed.append(
            f"pack.capacity_ah: {capacity_ah:g} Ah, {100 * GUESSED_CAPACITY:g} % of the "
            f"{new_ah:g} Ah of a new pack, half-way through its life"
        )
    share_ah = capacity_ah / given.parallel
    if given.cell is None:
        cell = scaled(cell, share_ah)
        guessed.append(f"pack.cell: resistance and heat as of {STAND_IN}, scaled to the capacity")
    if given.curve is not None:
        cell = with_curve(cell, folder / given.curve, given.curve_current_a, share_ah)
    temperature_c = given.temperature_c
    if temperature_c is None:
        temperature_c = file.weather.temperature_c
        guessed.append(f"pack.temperature_c: {temperature_c:g}, as the air")
    pack = plan.Pack(
        pack_id=given.id,
        cell=cell,
        series=given.series,
        parallel=given.parallel,
        capacity_ah=capacity_ah,
        resistance_scale=given.resistance_scale,
        initial_charge=given.initial_charge_percent / 100.0,
        temperature_c=temperature_c,
        capacity_sd=GUESSED_CAPACITY_SD if given.capacity_ah is None else CAPACITY_SD,
        resistance_sd=RESISTANCE_SD if given.cell is not None else 2.0 * RESISTANCE_SD,
    )
    return pack, tuple(guessed)


def _site(place: Any, unnamed: str = "") -> plan.Site:
    lat_rad, lon_rad = math.radians(place.lat_deg), math.radians(place.lon_deg)
    return plan.Site(place.name or unnamed, lat_rad, lon_rad, place.elevation_m)


def _policy(
    file: FlightFile,
    where: str,
    aircraft: plan.Aircraft,
    pack: plan.Pack,
    home: plan.Site,
    alternates: tuple[plan.Site, ...],
    return_plan: plan.ReturnPlan,
    wind: tuple[plan.WindRow, ...],
) -> plan.Policy:
    given, asked = file.policy, file.policy.return_request
    kept = None
    if given.alternate is not None:
        kept = next((site for site in alternates if site.name == given.alternate), None)
        if kept is None:
            names = ", ".join(site.name for site in alternates) or "none is given"
            raise InputError(where, f"policy.alternate = {given.alternate!r}", allowed=names)
    temperature_c = file.weather.temperature_c
    reserve = reserve_wh(given.final_reserve, aircraft, pack, home.elevation_m, temperature_c)
    if reserve >= 0.7 * pack.nameplate_wh:
        raise InputError(
            where,
            f"policy.final_reserve is {reserve:.0f} Wh of a {pack.nameplate_wh:.0f} Wh pack",
            allowed="less than 70 % of the pack",
        )
    leg_wh = 0.0
    if kept is not None:
        leg_wh = alternate_leg_wh(aircraft, pack, home, kept, return_plan, temperature_c, wind)
    return plan.Policy(
        final_reserve_wh=reserve,
        contingency=given.contingency_percent / 100.0,
        alternate_wh=leg_wh,
        missed_landings=given.missed_landings,
        confidence=given.confidence,
        min_cell_v=given.min_cell_v,
        reaction_s=given.reaction_s,
        soon_lead_s=given.soon_lead_min * 60.0,
        return_request=plan.ReturnRequest(asked.after_s, asked.countdown_s) if asked else None,
    )


def _return(file: FlightFile) -> plan.ReturnPlan:
    given, aircraft = file.return_, file.aircraft
    return plan.ReturnPlan(
        style=plan.ReturnStyle(given.style),
        height_m=given.height_m,
        airspeed_mps=given.airspeed_mps or aircraft.cruise_mps,
        climb_mps=given.climb_mps or aircraft.climb_mps,
        descent_mps=given.descent_mps or aircraft.descent_mps,
        landing_hover_s=given.landing_hover_s,
        via=tuple((math.radians(p.lat_deg), math.radians(p.lon_deg)) for p in given.via),
    )


def _weather(given: WeatherSection) -> tuple[plan.Weather, tuple[str, ...]]:
    guessed = []
    rows = sorted(given.wind, key=lambda row: (row.after_h, row.height_m))
    sd_mps = given.wind_sd_mps
    if sd_mps is None:
        sd_mps = FORECAST_SD_MPS if rows else NO_FORECAST_SD_MPS
        guessed.append(f"weather.wind_sd_mps: {sd_mps:g} m/s")
    if not rows:
        guessed.append("weather.wind: no forecast, calm")
    return plan.Weather(tuple(_wind(row) for row in rows), sd_mps, given.temperature_c), tuple(
        guessed
    )


def _wind(row: Any) -> plan.WindRow:
    """The wind blows from ``from_deg``; the core wants where it blows to."""
    toward = math.radians(row.from_deg) + math.pi
    nowhere = math.nan
    return plan.WindRow(
        after_s=row.after_h * 3600.0,
        height_m=row.height_m,
        n_mps=row.speed_mps * math.cos(toward),
        e_mps=row.speed_mps * math.sin(toward),
        lat_rad=nowhere if row.lat_deg is None else math.radians(row.lat_deg),
        lon_rad=nowhere if row.lon_deg is None else math.radians(row.lon_deg),
    )

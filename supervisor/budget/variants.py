"""The plan with one thing changed: what a worse day would do, and what would help."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from supervisor.core.atmosphere import day_offset_k, density_kgpm3
from supervisor.core.geodesy import LocalMap
from supervisor.core.plan import Flight, ReturnStyle, WindRow
from supervisor.core.power import best_range_speed_mps

CALM_MPS = 0.5
FLOOR_M = 40.0  # no measure proposes to fly lower
STALL_MARGIN = 1.25
PACK_WARM_C = 25.0


@dataclass(frozen=True, slots=True)
class Change:
    """A named change, and the flight with it. Of one ``kind`` only the best is proposed."""

    name: str
    flight: Flight
    kind: str = ""


# --- a worse day -------------------------------------------------------------------------------


def worse_days(flight: Flight) -> list[Change]:
    """Wind plus 3 and 6 m/s, pack less 10 %, temperature less 15 K, payload plus 20 %."""
    changes = [
        Change("wind plus 3 m/s", more_wind(flight, 3.0)),
        Change("wind plus 6 m/s", more_wind(flight, 6.0)),
        Change("pack minus 10 %", smaller_pack(flight, 0.90)),
        Change("temperature minus 15 °C", colder(flight, 15.0)),
    ]
    if flight.aircraft.payload_kg > 0.0:
        more_kg = 0.2 * flight.aircraft.payload_kg
        name = f"payload plus 20 % ({more_kg:.2g} kg)"
        changes.append(Change(name, heavier(flight, more_kg)))
    return changes


def more_wind(flight: Flight, more_mps: float) -> Flight:
    """Every row stronger in its own direction; a calm forecast blows against the way home."""
    rows = flight.weather.wind or (WindRow(0.0, 100.0, 0.0, 0.0),)
    out_n, out_e = _outward(flight)

    def stronger(row: WindRow) -> WindRow:
        speed = math.hypot(row.n_mps, row.e_mps)
        if speed < CALM_MPS:
            return replace(row, n_mps=more_mps * out_n, e_mps=more_mps * out_e)
        share = 1.0 + more_mps / speed
        return replace(row, n_mps=share * row.n_mps, e_mps=share * row.e_mps)

    wind = tuple(stronger(row) for row in rows)
    return replace(flight, weather=replace(flight.weather, wind=wind))


def _outward(flight: Flight) -> tuple[float, float]:
    """Unit vector from home to the farthest route point; wind along it is a headwind home."""
    chart = LocalMap(flight.home.lat_rad, flight.home.lon_rad)
    places = [chart.to_map(w.lat_rad, w.lon_rad) for w in flight.route] or [(1.0, 0.0)]
    north, east = max(places, key=lambda p: math.hypot(*p))
    norm = math.hypot(north, east) or 1.0
    return north / norm, east / norm


def smaller_pack(flight: Flight, share: float) -> Flight:
    """``share`` of the capacity."""
    pack = replace(flight.pack, capacity_ah=share * flight.pack.capacity_ah)
    return replace(flight, pack=pack)


def colder(flight: Flight, less_k: float) -> Flight:
    """Air and pack colder by ``less_k``."""
    air = replace(flight.weather, temperature_c=flight.weather.temperature_c - less_k)
    pack = replace(flight.pack, temperature_c=flight.pack.temperature_c - less_k)
    return replace(flight, weather=air, pack=pack)


def heavier(flight: Flight, more_kg: float) -> Flight:
    """``more_kg`` more payload (or less, when negative); the stall goes with the root of mass."""
    craft = flight.aircraft
    mass = craft.mass_kg + more_kg
    changed = replace(
        craft,
        mass_kg=mass,
        payload_kg=max(craft.payload_kg + more_kg, 0.0),
        stall_mps=craft.stall_mps * math.sqrt(mass / craft.mass_kg),
    )
    return replace(flight, aircraft=changed)


# --- what helps --------------------------------------------------------------------------------


def helps(flight: Flight) -> Iterator[Change]:
    """Everything a pilot could still decide today, one at a time."""
    yield from _charge_and_warmth(flight)
    yield from _speeds(flight)
    yield from _heights(flight)
    yield from _less_payload(flight)
    yield from _other_start(flight)
    yield from _shorter_stay(flight)
    yield from _other_return(flight)


def turned_at(flight: Flight, index: int) -> Change:
    """Home from route point ``index`` instead of going on."""
    name = f"turn at {flight.route[index].name}"
    return Change(name, replace(flight, route=flight.route[: index + 1]))


def _charge_and_warmth(flight: Flight) -> Iterator[Change]:
    pack = flight.pack
    if pack.initial_charge < 0.985:
        full = replace(pack, initial_charge=1.0)
        yield Change("charge the pack fully", replace(flight, pack=full), "charge")
    if pack.temperature_c < PACK_WARM_C - 5.0:
        warm = replace(pack, temperature_c=PACK_WARM_C)
        name = f"take off with the pack at {PACK_WARM_C:.0f} °C"
        yield Change(name, replace(flight, pack=warm), "warmth")


def _speeds(flight: Flight) -> Iterator[Change]:
    """Best-range airspeed in still air, a little more (headwind), and faster home."""
    craft = flight.aircraft
    density = density_kgpm3(
        flight.home.elevation_m, day_offset_k(flight.weather.temperature_c, flight.home.elevation_m)
    )
    best = best_range_speed_mps(craft, craft.mass_kg, density) * math.sqrt(density / 1.225)
    least = STALL_MARGIN * craft.stall_mps
    for speed in sorted({round(max(x * best, least), 1) for x in (1.0, 1.1, 1.2)}):
        if abs(speed - craft.cruise_mps) > 0.4:
            route = tuple(replace(w, airspeed_mps=speed) for w in flight.route)
            plan = replace(flight.return_plan, airspeed_mps=speed)
            name = f"fly at {speed:.1f} m/s all the way"
            yield Change(name, replace(flight, route=route, return_plan=plan), "speed")
        if abs(speed - flight.return_plan.airspeed_mps) > 0.4:
            plan = replace(flight.return_plan, airspeed_mps=speed)
            name = f"return at {speed:.1f} m/s"
            yield Change(name, replace(flight, return_plan=plan), "speed")


def _heights(flight: Flight) -> Iterator[Change]:
    low = min((w.height_m for w in flight.route), default=FLOOR_M)
    for name, metres in (("lower", -30.0), ("higher", 30.0)):
        if min(low, flight.return_plan.height_m) + metres < FLOOR_M:
            continue
        route = tuple(replace(w, height_m=w.height_m + metres) for w in flight.route)
        plan = replace(flight.return_plan, height_m=flight.return_plan.height_m + metres)
        changed = replace(flight, route=route, return_plan=plan)
        yield Change(f"fly {abs(metres):.0f} m {name} all the way", changed, "height")


def _less_payload(flight: Flight) -> Iterator[Change]:
    """All of it that is not dropped on the way."""
    dropped = sum(w.drop_kg for w in flight.route)
    spare = flight.aircraft.payload_kg - dropped
    if spare > 0.05:
        yield Change(f"leave {spare:.2g} kg of payload", heavier(flight, -spare), "payload")


def _other_start(flight: Flight) -> Iterator[Change]:
    """Later by whole hours, as far as the forecast reaches."""
    rows = flight.weather.wind
    last_s = max((row.after_s for row in rows), default=0.0)
    for hours in (1, 2, 3, 4, 6):
        if hours * 3600.0 > last_s:
            return
        shifted = tuple(replace(row, after_s=row.after_s - hours * 3600.0) for row in rows)
        weather = replace(flight.weather, wind=shifted)
        yield Change(f"start {hours} h later", replace(flight, weather=weather), "start")


def _shorter_stay(flight: Flight) -> Iterator[Change]:
    loiter = sum(w.loiter_s for w in flight.route)
    if loiter > 30.0:
        route = tuple(replace(w, loiter_s=0.0) for w in flight.route)
        name = f"no loitering (saves {loiter / 60:.0f} min)"
        yield Change(name, replace(flight, route=route), "loiter")


def _other_return(flight: Flight) -> Iterator[Change]:
    plan = flight.return_plan
    if plan.style is not ReturnStyle.DIRECT:
        direct = replace(plan, style=ReturnStyle.DIRECT, via=())
        name = "return directly (where that is allowed)"
        yield Change(name, replace(flight, return_plan=direct), "return")
    if plan.landing_hover_s > 45.0:
        brief = replace(plan, landing_hover_s=plan.landing_hover_s - 15.0)
        yield Change("land in 15 s less hover", replace(flight, return_plan=brief), "landing")

"""Checks of the plan against itself and against the limits that the user states.

Homeleg knows no law: what a height, a distance or a reserve must be, the user writes into
``[rules]`` from his local rules, his licence and his network's coverage.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator

import numpy as np

from supervisor.budget.answer import Finding, Weight
from supervisor.budget.ground import check_ground
from supervisor.budget.heights import check_heights, check_points
from supervisor.core.paper.sortie import Paper, Sortie
from supervisor.core.plan import Flight, ReturnStyle
from supervisor.flightmodels import FlightFile, Reserve
from supervisor.reserves import reserve_wh

STALL_FAULT, STALL_CAUTION = 1.1, 1.2  # airspeed over stall; common practice, no source
BEYOND_MEASURED = 1.15  # airspeed over the fastest measured, or under the slowest
THIN_RESERVE = Reserve(hover_min=1.0)  # less does not hold one landing begun anew; ours
HEADWIND_SHARE = 0.6  # of the airspeed, beyond which small errors of the wind double the energy


def check_plan(file: FlightFile, paper: Paper, sortie: Sortie) -> list[Finding]:
    """Every finding, the worst first."""
    flight = paper.flight
    found = [
        *check_heights(file, flight),
        *check_points(file, flight),
        *check_ground(file, paper, sortie),
        *_distance(file, paper),
        *_corridor(file, paper),
        *_stall(flight),
        *_measured_speeds(file, flight),
        *_reserve(file, flight),
        *_mass(file, flight),
        *_wind(paper, sortie),
        *_guesses(flight),
    ]
    order = list(Weight)
    return sorted(found, key=lambda f: order.index(f.weight))


def _distance(file: FlightFile, paper: Paper) -> Iterator[Finding]:
    limit = file.rules.max_distance_home_m
    if limit is None:
        return
    for point, place in zip(paper.flight.route, paper.route, strict=True):
        distance = math.hypot(*place)
        if distance > limit:
            yield Finding(
                Weight.FAULT,
                "distance",
                f"{point.name} is {distance / 1000:.1f} km from home; rules.max_distance_home_m is "
                f"{limit / 1000:.1f} km.",
            )


def _corridor(file: FlightFile, paper: Paper) -> Iterator[Finding]:
    """How far a direct return strays from the route flown out."""
    width = file.rules.corridor_half_width_m
    if width is None or paper.flight.return_plan.style is not ReturnStyle.DIRECT:
        return
    line = [(0.0, 0.0), *paper.route]
    worst, where = 0.0, ""
    for point, place in zip(paper.flight.route, paper.route, strict=True):
        for share in np.linspace(0.05, 0.95, 19):
            away = _distance_to_line((share * place[0], share * place[1]), line)
            if away > worst:
                worst, where = away, point.name
    if worst > width:
        yield Finding(
            Weight.CAUTION,
            "corridor",
            f"The direct return from {where} strays {worst:.0f} m from the route; "
            f"rules.corridor_half_width_m is {width:.0f} m.",
        )


def _distance_to_line(p: tuple[float, float], line: list[tuple[float, float]]) -> float:
    best = math.inf
    for (an, ae), (bn, be) in itertools.pairwise(line):
        dn, de = bn - an, be - ae
        norm = dn * dn + de * de
        share = ((p[0] - an) * dn + (p[1] - ae) * de) / norm if norm > 0.0 else 0.0
        share = min(max(share, 0.0), 1.0)
        best = min(best, math.hypot(p[0] - an - share * dn, p[1] - ae - share * de))
    return best


def _stall(flight: Flight) -> Iterator[Finding]:
    """At the heaviest mass; the stall in a turn rises with the root of the load factor."""
    craft = flight.aircraft
    turning = craft.stall_mps / math.sqrt(math.cos(craft.bank_rad))
    speeds = {"return leg": flight.return_plan.airspeed_mps}
    speeds |= {point.name: point.airspeed_mps for point in flight.route}
    for name, speed in speeds.items():
        if speed < STALL_CAUTION * craft.stall_mps or speed < 1.05 * turning:
            fault = speed < STALL_FAULT * craft.stall_mps or speed < turning
            yield Finding(
                Weight.FAULT if fault else Weight.CAUTION,
                "stall",
                f"{name} at {speed:.1f} m/s is {speed / craft.stall_mps:.2f} times the stall at "
                f"{craft.mass_kg:.1f} kg ({turning:.1f} m/s in a turn).",
            )


def _measured_speeds(file: FlightFile, flight: Flight) -> Iterator[Finding]:
    """Planned airspeeds at which nobody has measured the power."""
    measured = file.aircraft.measured_cruise
    if measured is None:
        return
    speeds = [p.airspeed_mps for p in measured.points]
    planned = [flight.return_plan.airspeed_mps, *(w.airspeed_mps for w in flight.route)]
    if max(planned) > BEYOND_MEASURED * max(speeds) or min(planned) < min(speeds) / BEYOND_MEASURED:
        yield Finding(
            Weight.CAUTION,
            "measured",
            f"Planned airspeeds run from {min(planned):.1f} to {max(planned):.1f} m/s; power was "
            f"measured from {min(speeds):.1f} to {max(speeds):.1f} m/s only.",
        )


def _reserve(file: FlightFile, flight: Flight) -> Iterator[Finding]:
    policy, least = flight.policy, file.rules.min_final_reserve
    thin = _in_wh(THIN_RESERVE, flight)
    if policy.final_reserve_wh < thin - 0.05:
        yield Finding(
            Weight.CAUTION,
            "reserve",
            f"The final reserve is {policy.final_reserve_wh:.0f} Wh, less than a minute of hover "
            f"({thin:.0f} Wh): nothing is kept for a landing that must be begun anew.",
        )
    if least is not None:
        wanted = _in_wh(least, flight)
        if policy.final_reserve_wh < wanted - 0.05:
            yield Finding(
                Weight.FAULT,
                "reserve",
                f"The final reserve is {policy.final_reserve_wh:.0f} Wh; the minimum you stated "
                f"from your local rules is {wanted:.0f} Wh.",
            )
    else:
        yield Finding(
            Weight.NOTE,
            "reserve",
            "No minimum reserve from local rules is stated (rules.min_final_reserve).",
        )
    if policy.confidence < 0.9:
        yield Finding(
            Weight.CAUTION,
            "confidence",
            f"The policy's confidence is {policy.confidence:.0%}: one flight in "
            f"{1 / (1 - policy.confidence):.0f} may land below the reserve.",
        )


def _in_wh(reserve: Reserve, flight: Flight) -> float:
    craft, pack, air_c = flight.aircraft, flight.pack, flight.weather.temperature_c
    return reserve_wh(reserve, craft, pack, flight.home.elevation_m, air_c)


def _mass(file: FlightFile, flight: Flight) -> Iterator[Finding]:
    limit = file.rules.max_mass_kg
    if limit is not None and flight.aircraft.mass_kg > limit:
        yield Finding(
            Weight.FAULT,
            "mass",
            f"Take-off mass {flight.aircraft.mass_kg:.2f} kg; rules.max_mass_kg is {limit:.2f} kg.",
        )


def _wind(paper: Paper, sortie: Sortie) -> Iterator[Finding]:
    flight = paper.flight
    rows = flight.weather.wind
    last_s = max((row.after_s for row in rows), default=0.0)
    if 0.0 < last_s < sortie.t_s[-1] - 60.0:
        yield Finding(
            Weight.CAUTION,
            "wind",
            f"The wind table ends {last_s / 3600:.1f} h after take-off, the flight lasts "
            f"{sortie.t_s[-1] / 3600:.1f} h.",
        )
    strongest = max((math.hypot(row.n_mps, row.e_mps) for row in rows), default=0.0)
    if strongest > HEADWIND_SHARE * flight.return_plan.airspeed_mps:
        yield Finding(
            Weight.CAUTION,
            "wind",
            f"Wind of {strongest:.0f} m/s against an airspeed of "
            f"{flight.return_plan.airspeed_mps:.0f} m/s: small changes of wind cost much.",
        )
    if not rows:
        yield Finding(Weight.CAUTION, "wind", "No wind forecast is given; calm was assumed.")


def _guesses(flight: Flight) -> Iterator[Finding]:
    for guess in flight.guessed:
        yield Finding(Weight.NOTE, "guessed", f"Not given, so estimated: {guess}.")

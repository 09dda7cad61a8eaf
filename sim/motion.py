"""How the aircraft moves: a point mass on its wing (carried by its rotors: ``sim/lift.py``).

The air-relative motion is integrated with the inertial force of a changing wind, so that every
watt-hour of climb, acceleration, turn and gust is paid for by thrust: T V = D V + d/dt(m g h +
m V^2/2) in still air.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sim.aircraft import Aircraft
from sim.atmosphere import G0_MPS2, RHO0_KGPM3
from sim.geodesy import moved

ROLL_TIME_S = 0.8
CLIMB_TIME_S = 1.5
SPEED_TIME_S = 8.0
THRUST_TIME_S = 1.5  # an autothrottle follows the filtered airspeed, not each gust
SINK_TIME_S = 4.0  # height is held against the mean updraught, gusts just carry the aircraft
MAX_ACCELERATION_MPS2 = 1.2
LEVEL_PITCH_RAD = 0.03  # incidence of the wing at cruise, seen as nose-up


@dataclass(slots=True)
class Order:
    """What the pilot asks for, one step at a time. ``mode``: ground, lift or wing.

    On the wing: ground ``course_rad`` with ``turn_rate`` fed forward, ``climb_mps`` wanted and
    ``cas_mps``. In lift: ground velocity wanted; ``nose_rad`` where the pusher pushes.
    """

    mode: str = "ground"
    course_rad: float = 0.0
    turn_rate: float = 0.0
    climb_mps: float = 0.0
    cas_mps: float = 0.0
    vn_mps: float = 0.0
    ve_mps: float = 0.0
    nose_rad: float = math.nan
    pushing: bool = False
    fixed_thrust_n: float = math.nan


@dataclass(slots=True)
class Effects:
    """What faults do to the aircraft at this moment."""

    parasite: float = 1.0
    weak_motor: float = 1.0
    pusher: float = 1.0


@dataclass(slots=True)
class Work:
    """Where the mechanical energy went [Wh]; the winged part must balance."""

    thrust_wh: float = 0.0
    drag_wh: float = 0.0
    pusher_wh: float = 0.0  # electrical, pusher
    rotors_wh: float = 0.0
    avionics_wh: float = 0.0


@dataclass(slots=True)
class Body:
    """Where the aircraft is and how it moves; ground velocities north, east, climb up."""

    lat: float
    lon: float
    height_m: float = 0.0
    ground_m: float = 0.0
    vn: float = 0.0
    ve: float = 0.0
    climb: float = 0.0
    air_climb: float = 0.0  # through the air
    felt_sink: float = 0.0  # downdraught the height loop has noticed
    tas: float = 0.0
    heading: float = 0.0
    roll: float = 0.0
    pitch: float = 0.0
    mass_kg: float = 0.0
    wind_n: float = 0.0
    wind_e: float = 0.0
    wind_d: float = 0.0
    density: float = RHO0_KGPM3
    viscosity: float = 1.79e-5
    temperature_k: float = 288.15
    pressure_pa: float = 101325.0
    throttle: float = 0.0
    thrust_n: float = 0.0
    usual_thrust_n: float = 0.0  # mean of the last minutes on the wing, level
    rotor_w: float = 0.0
    pusher_w: float = 0.0


def thrust_limit_n(craft: Aircraft, body: Body, cache: dict[tuple[int, int], float]) -> float:
    """Greatest thrust of the pusher, for the middle of a class of airspeed and density.

    Never for the very state that asked first: what is cached must not depend on who asked.
    """
    key = int(body.tas), int(body.density * 50.0)
    found = cache.get(key)
    if found is None:
        tas, density = key[0] + 0.5, (key[1] + 0.5) / 50.0
        found = cache[key] = craft.pusher.max_thrust_n(tas, density)
    return found


def pusher_power(craft: Aircraft, body: Body, thrust_n: float, effects: Effects) -> float:
    """Electrical power [W] of the pusher."""
    if thrust_n <= 0.0:
        return 0.0
    shaft_w = craft.pusher.shaft_w(thrust_n, body.tas, body.density) * craft.pusher_scale
    return craft.pusher.drive.electrical_w(shaft_w / effects.pusher)


def fly_wing(
    body: Body,
    craft: Aircraft,
    order: Order,
    effects: Effects,
    work: Work,
    wind: tuple[float, float, float],
    dt: float,
    cache: dict[tuple[int, int], float],
) -> None:
    """One step on the wing."""
    tas, mass_kg = body.tas, body.mass_kg
    _turn(body, craft, order, dt)
    sin_g, slowest = _path(body, craft, order, wind[2], dt)
    cos_g = math.sqrt(1.0 - sin_g * sin_g)
    weight_n = mass_kg * G0_MPS2
    drag_n = craft.polar.drag_n(
        weight_n * cos_g / math.cos(body.roll),
        tas,
        body.density,
        body.viscosity,
        craft.parasite_scale * effects.parasite,
        craft.induced_scale,
    )
    sin_h, cos_h = math.sin(body.heading), math.cos(body.heading)
    shear = ((wind[0] - body.wind_n) * cos_h + (wind[1] - body.wind_e) * sin_h) / dt
    steady_n = drag_n + weight_n * sin_g
    target = max(order.cas_mps * math.sqrt(RHO0_KGPM3 / body.density), slowest)
    want = min(max((target - tas) / SPEED_TIME_S, -1.0), MAX_ACCELERATION_MPS2)
    asked_n = steady_n + mass_kg * want
    if order.fixed_thrust_n == order.fixed_thrust_n:  # not NaN: no airspeed to go by
        asked_n = order.fixed_thrust_n + weight_n * sin_g
    limit_n = thrust_limit_n(craft, body, cache)
    thrust_n = body.thrust_n + (asked_n - body.thrust_n) * (1.0 - math.exp(-dt / THRUST_TIME_S))
    thrust_n = min(max(thrust_n, 0.0), limit_n)
    body.tas = max(tas + ((thrust_n - steady_n) / mass_kg - shear) * dt, 5.0)
    mean_tas = 0.5 * (tas + body.tas)
    work.thrust_wh += thrust_n * mean_tas * dt / 3600.0
    work.drag_wh += drag_n * mean_tas * dt / 3600.0
    across, climb = mean_tas * cos_g, mean_tas * sin_g - wind[2]
    move(body, across * cos_h + wind[0], across * sin_h + wind[1], climb, dt)
    body.pitch = math.asin(sin_g) + LEVEL_PITCH_RAD
    body.thrust_n = thrust_n
    body.usual_thrust_n += (drag_n - body.usual_thrust_n) * dt / 60.0
    body.throttle = thrust_n / limit_n if limit_n > 0.0 else 0.0
    body.pusher_w = pusher_power(craft, body, thrust_n, effects)
    body.rotor_w = 0.0


def _path(body: Body, craft: Aircraft, order: Order, sink: float, dt: float) -> tuple[float, float]:
    """(sine of the path angle through the air, slowest true airspeed the autopilot flies).

    Speed goes before height: below the slowest airspeed the climb is given up, a metre a second
    for each metre a second that is missing.
    """
    lift_n = body.mass_kg * G0_MPS2 / math.cos(body.roll)
    slowest = craft.stall_margin * craft.polar.stall_mps(lift_n, body.density)
    body.felt_sink += (sink - body.felt_sink) * dt / SINK_TIME_S
    wanted = order.climb_mps + body.felt_sink - max(slowest - body.tas, 0.0)
    body.air_climb += (wanted - body.air_climb) * (1.0 - math.exp(-dt / CLIMB_TIME_S))
    return min(max(body.air_climb / body.tas, -0.3), 0.3), slowest


def _turn(body: Body, craft: Aircraft, order: Order, dt: float) -> None:
    """Roll toward the bank that turns onto the course: psi_dot = g tan(phi)/V (coordinated)."""
    cross = body.wind_e * math.cos(order.course_rad) - body.wind_n * math.sin(order.course_rad)
    drift = math.asin(min(max(cross / body.tas, -0.9), 0.9))
    error = math.remainder(order.course_rad - drift - body.heading, math.tau)
    rate = 0.4 * error + order.turn_rate
    limit = min(craft.bank_limit_rad, math.radians(25.0))
    bank = min(max(math.atan(rate * body.tas / G0_MPS2), -limit), limit)
    body.roll += (bank - body.roll) * (1.0 - math.exp(-dt / ROLL_TIME_S))
    turned = G0_MPS2 * math.tan(body.roll) / body.tas * dt
    body.heading = math.remainder(body.heading + turned, math.tau)


def move(body: Body, vn: float, ve: float, climb: float, dt: float) -> None:
    """Advance the position with the mean of old and new ground velocity."""
    body.lat, body.lon = moved(
        body.lat, body.lon, 0.5 * (vn + body.vn) * dt, 0.5 * (ve + body.ve) * dt
    )
    body.height_m += climb * dt
    body.vn, body.ve, body.climb = vn, ve, climb

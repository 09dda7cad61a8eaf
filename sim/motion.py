"""How the aircraft moves: a point mass on its wing, or carried by its rotors.

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
LIFT_ACCELERATION_MPS2 = 2.0
HOVER_CLIMB_MPS2 = 1.0
HOVER_TURN_RADPS = 0.6
LEAST_ROTOR_THRUST, MOST_ROTOR_THRUST = 0.03, 1.8  # of the weight
TRANSITION_CL_SHARE, HOVER_CL_SHARE = 0.8, 0.25  # of the greatest lift coefficient


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


def _toward(value: float, target: float, step: float) -> float:
    return min(max(target, value - step), value + step)


def _thrust_limit_n(craft: Aircraft, body: Body, cache: dict[tuple[int, int], float]) -> float:
    """Greatest thrust of the pusher, for the middle of a class of airspeed and density.

    Never for the very state that asked first: what is cached must not depend on who asked.
    """
    key = int(body.tas), int(body.density * 50.0)
    found = cache.get(key)
    if found is None:
        tas, density = key[0] + 0.5, (key[1] + 0.5) / 50.0
        found = cache[key] = craft.pusher.max_thrust_n(tas, density)
    return found


def _pusher_power(craft: Aircraft, body: Body, thrust_n: float, effects: Effects) -> float:
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
    limit_n = _thrust_limit_n(craft, body, cache)
    thrust_n = body.thrust_n + (asked_n - body.thrust_n) * (1.0 - math.exp(-dt / THRUST_TIME_S))
    thrust_n = min(max(thrust_n, 0.0), limit_n)
    body.tas = max(tas + ((thrust_n - steady_n) / mass_kg - shear) * dt, 5.0)
    mean_tas = 0.5 * (tas + body.tas)
    work.thrust_wh += thrust_n * mean_tas * dt / 3600.0
    work.drag_wh += drag_n * mean_tas * dt / 3600.0
    across, climb = mean_tas * cos_g, mean_tas * sin_g - wind[2]
    _move(body, across * cos_h + wind[0], across * sin_h + wind[1], climb, dt)
    body.pitch = math.asin(sin_g) + LEVEL_PITCH_RAD
    body.thrust_n = thrust_n
    body.usual_thrust_n += (drag_n - body.usual_thrust_n) * dt / 60.0
    body.throttle = thrust_n / limit_n if limit_n > 0.0 else 0.0
    body.pusher_w = _pusher_power(craft, body, thrust_n, effects)
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


def _move(body: Body, vn: float, ve: float, climb: float, dt: float) -> None:
    """Advance the position with the mean of old and new ground velocity."""
    body.lat, body.lon = moved(
        body.lat, body.lon, 0.5 * (vn + body.vn) * dt, 0.5 * (ve + body.ve) * dt
    )
    body.height_m += climb * dt
    body.vn, body.ve, body.climb = vn, ve, climb


def fly_lift(
    body: Body,
    craft: Aircraft,
    order: Order,
    effects: Effects,
    wind: tuple[float, float, float],
    dt: float,
    cache: dict[tuple[int, int], float],
) -> None:
    """One step carried by the rotors: hover, transition either way, vertical landing.

    The wing takes what lift it can at the airspeed it has; the rotors carry the rest and, tilted
    with the aircraft, push where the pusher does not.
    """
    dvn, dve = _toward_ground_speed(body, order, dt)
    climb = _toward(body.climb, order.climb_mps, HOVER_CLIMB_MPS2 * dt)
    vn, ve = body.vn + dvn, body.ve + dve
    un, ue = vn - wind[0], ve - wind[1]
    body.tas = tas = math.hypot(un, ue)
    _face_the_air(body, un, ue, dt)
    along = max(un * math.cos(body.heading) + ue * math.sin(body.heading), 0.0)
    wing_n, drag_n = _wing_in_hover(body, craft, order.pushing, along)
    weight_n, mass_kg = body.mass_kg * G0_MPS2, body.mass_kg
    upward_n = max(
        weight_n - wing_n + mass_kg * (climb - body.climb) / dt, LEAST_ROTOR_THRUST * weight_n
    )
    # Along the air's flow: what must be pushed against drag and inertia.
    ahead_n = mass_kg * (dvn * un + dve * ue) / (dt * max(tas, 0.1)) + drag_n
    most_n = _thrust_limit_n(craft, body, cache) if order.pushing else 0.0
    body.thrust_n = min(max(ahead_n, 0.0), most_n)
    tilt_n = abs(ahead_n - body.thrust_n)
    rotor_n = math.hypot(upward_n, tilt_n)
    _move(body, vn, ve, climb, dt)
    body.air_climb, body.roll = climb, 0.0
    body.pitch = 0.0 if order.pushing else -math.atan2(tilt_n, upward_n)
    body.rotor_w = craft.rotors.electrical_w(
        rotor_n, body.density, climb + wind[2], tas, craft.hover_scale, effects.weak_motor
    )
    body.pusher_w = _pusher_power(craft, body, body.thrust_n, effects)
    body.throttle = min(rotor_n / (MOST_ROTOR_THRUST * weight_n), 1.0)


def _toward_ground_speed(body: Body, order: Order, dt: float) -> tuple[float, float]:
    """Change of ground velocity (north, east) in this step, within the acceleration limit."""
    dvn, dve = order.vn_mps - body.vn, order.ve_mps - body.ve
    scale = min(LIFT_ACCELERATION_MPS2 * dt / max(math.hypot(dvn, dve), 1e-9), 1.0)
    return dvn * scale, dve * scale


def _face_the_air(body: Body, un: float, ue: float, dt: float) -> None:
    """A hovering aircraft with a tail turns its nose into the air that comes at it."""
    if math.hypot(un, ue) > 2.0:
        turn = math.remainder(math.atan2(ue, un) - body.heading, math.tau)
        turned = body.heading + _toward(0.0, turn, HOVER_TURN_RADPS * dt)
        body.heading = math.remainder(turned, math.tau)


def _wing_in_hover(
    body: Body, craft: Aircraft, pushing: bool, along_mps: float
) -> tuple[float, float]:
    """(lift, drag) [N] at ``along_mps`` from ahead while the rotors run.

    Under the pusher the aircraft is level: wing near its best lift, parasite drag plus that of the
    running rotors. Held by tilt alone it is nose-down: little lift, the wing's face in the flow.
    """
    polar, weight_n = craft.polar, body.mass_kg * G0_MPS2
    pressure_n = 0.5 * body.density * along_mps * along_mps * polar.area_m2
    share = TRANSITION_CL_SHARE if pushing else HOVER_CL_SHARE
    lift_n = min(pressure_n * share * polar.cl_max, (1.0 - LEAST_ROTOR_THRUST) * weight_n)
    q = 0.5 * body.density * body.tas * body.tas
    if not pushing:
        return lift_n, q * craft.hover_drag_area_m2
    induced_n = polar.k * lift_n * lift_n / pressure_n if along_mps > 4.0 else 0.0
    skin_m2 = polar.cd0 * craft.parasite_scale * polar.area_m2 + craft.rotor_drag_area_m2
    return lift_n, q * skin_m2 + induced_n

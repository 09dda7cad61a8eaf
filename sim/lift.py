"""Carried by the rotors: hover, transition either way, vertical landing.

The wing takes what lift it can at the airspeed and the pitch it has; the rotors carry the rest and,
tilted with the aircraft, push against drag. What a small tilt cannot push, the pusher does: nose
far down, the wing would press the aircraft toward the ground.
"""

from __future__ import annotations

import math

from sim.aircraft import Aircraft
from sim.atmosphere import G0_MPS2
from sim.motion import LEVEL_PITCH_RAD, Body, Effects, Order, move, pusher_power, thrust_limit_n

ACCELERATION_MPS2 = 2.0
CLIMB_MPS2 = 1.0
TURN_RADPS = 0.6
PITCH_TIME_S = 0.5  # attitude follows the wanted tilt
MOST_TILT = math.tan(math.radians(8.0))  # nose down; common practice, no source
NOSE_UP_RAD = math.radians(15.0)
LEAST_ROTOR_THRUST, MOST_ROTOR_THRUST = 0.03, 1.8  # of the weight
TRANSITION_CL_SHARE = 0.8  # of the greatest lift coefficient, level under the pusher
LEAST_CL_SHARE = -0.5  # a cambered wing stalls early upside down (common practice, no source)


def fly_lift(
    body: Body,
    craft: Aircraft,
    order: Order,
    effects: Effects,
    wind: tuple[float, float, float],
    dt: float,
    cache: dict[tuple[int, int], float],
) -> None:
    """One step carried by the rotors."""
    weight_n, mass_kg = body.mass_kg * G0_MPS2, body.mass_kg
    climb = _toward(body.climb, order.climb_mps, CLIMB_MPS2 * dt)
    un, ue = body.vn - wind[0], body.ve - wind[1]
    tas = math.hypot(un, ue)
    _face_the_air(body, un, ue, dt)
    along = max(un * math.cos(body.heading) + ue * math.sin(body.heading), 0.0)
    wing_n, drag_n = _wing(body, craft, order.pushing, along, tas)
    upward_n = max(
        weight_n - wing_n + mass_kg * (climb - body.climb) / dt, LEAST_ROTOR_THRUST * weight_n
    )
    dvn, dve = _change(body, order, un, ue, -drag_n / mass_kg * dt, dt)
    # Along the air's flow: what must be pushed against drag and inertia.
    ahead_n = mass_kg * (dvn * un + dve * ue) / (dt * max(tas, 0.1)) + drag_n
    asked_n = ahead_n if order.pushing else ahead_n - MOST_TILT * upward_n
    body.thrust_n = min(max(asked_n, 0.0), thrust_limit_n(craft, body, cache))
    tilt_n = ahead_n - body.thrust_n  # below zero: nose up, braking
    rotor_n = math.hypot(upward_n, tilt_n)
    move(body, body.vn + dvn, body.ve + dve, climb, dt)
    body.tas = math.hypot(body.vn - wind[0], body.ve - wind[1])
    body.air_climb, body.roll = climb, 0.0
    pitch = 0.0 if order.pushing else min(-math.atan2(tilt_n, upward_n), NOSE_UP_RAD)
    body.pitch += (pitch - body.pitch) * (1.0 - math.exp(-dt / PITCH_TIME_S))
    # The tilted disk meets part of the flow from above: that is how drag is paid for.
    through_mps = climb + wind[2] + tas * tilt_n / rotor_n
    body.rotor_w = craft.rotors.electrical_w(
        rotor_n, body.density, through_mps, tas, craft.hover_scale, effects.weak_motor
    )
    body.pusher_w = pusher_power(craft, body, body.thrust_n, effects)
    body.throttle = min(rotor_n / (MOST_ROTOR_THRUST * weight_n), 1.0)


def _toward(value: float, target: float, step: float) -> float:
    return min(max(target, value - step), value + step)


def _change(
    body: Body, order: Order, un: float, ue: float, coast_mps: float, dt: float
) -> tuple[float, float]:
    """Change of ground velocity (north, east) in this step, within the acceleration limit.

    Whoever is to lose airspeed lets the air do it: ``coast_mps`` [m/s, below zero] is what drag
    alone changes along the flow in this step. Nothing holds the aircraft against that but the
    speed that was ordered.
    """
    dvn, dve = order.vn_mps - body.vn, order.ve_mps - body.ve
    scale = min(ACCELERATION_MPS2 * dt / max(math.hypot(dvn, dve), 1e-9), 1.0)
    tas = math.hypot(un, ue)
    if order.pushing or tas < 1.0:
        return dvn * scale, dve * scale
    whole = (dvn * un + dve * ue) / tas
    more = min(0.0, max(coast_mps, whole) - scale * whole) / tas
    return dvn * scale + more * un, dve * scale + more * ue


def _face_the_air(body: Body, un: float, ue: float, dt: float) -> None:
    """A hovering aircraft with a tail turns its nose into the air that comes at it."""
    if math.hypot(un, ue) > 2.0:
        turn = math.remainder(math.atan2(ue, un) - body.heading, math.tau)
        turned = body.heading + _toward(0.0, turn, TURN_RADPS * dt)
        body.heading = math.remainder(turned, math.tau)


def _wing(
    body: Body, craft: Aircraft, pushing: bool, along_mps: float, tas_mps: float
) -> tuple[float, float]:
    """(lift, drag) [N] at ``along_mps`` from ahead while the rotors run.

    Under the pusher the aircraft is level: wing near its best lift, parasite drag plus that of the
    running rotors. Held by tilt alone the wing has the incidence that the tilt leaves it, C_L =
    a (pitch - pitch at no lift).
    """
    polar, weight_n = craft.polar, body.mass_kg * G0_MPS2
    pressure_n = 0.5 * body.density * along_mps * along_mps * polar.area_m2
    cl, skin_m2 = TRANSITION_CL_SHARE * polar.cl_max, craft.hover_drag_area_m2
    if pushing:
        skin_m2 = polar.cd0 * craft.parasite_scale * polar.area_m2 + craft.rotor_drag_area_m2
    else:
        rigged = craft.level_cl + polar.lift_slope * (body.pitch - LEVEL_PITCH_RAD)
        cl = min(max(rigged, LEAST_CL_SHARE * polar.cl_max), cl)
    lift_n = min(pressure_n * cl, (1.0 - LEAST_ROTOR_THRUST) * weight_n)
    induced_n = polar.k * lift_n * lift_n / pressure_n if along_mps > 4.0 else 0.0
    return lift_n, 0.5 * body.density * tas_mps * tas_mps * skin_m2 + induced_n

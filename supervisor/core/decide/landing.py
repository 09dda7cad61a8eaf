"""Is the flight over? A landing on the way is not its end: from there the way home still counts.

Over it is on the ground at home or at an alternate; elsewhere, once the motors are disarmed, when
the plan has no landing there. A planned stop is never the end, disarmed or not: the aircraft has
to come home from it. A take-off, or arming anew after having been disarmed, opens it again. A hop
of less than a minute (motors tried on the ground may look like one) begins and ends nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from supervisor.core.belief import Belief, PackBelief
from supervisor.core.conclusions import FlightEnd, Phase, Spread
from supervisor.core.forecast.discharge import u_of_charge
from supervisor.core.forecast.tail import spread
from supervisor.core.geodesy import LocalMap
from supervisor.core.plan import Flight, Pack, Site, Waypoint

HERE_M = 300.0  # ours: a box, its field and the error of a fix; below the distance of two sites
LEAST_FLOWN_S = 60.0  # ours: as long as a climb from the box takes
DRAWS = 4000  # of the pack, once a look after the landing: the bounds to a part in three hundred


@dataclass(frozen=True, slots=True)
class Landing:
    """``place``: where the flight ended, in words; empty while it has not.

    ``stopped``: on the ground with the flight still to go on. ``up_s``: in the air since then.
    ``flown``, ``disarmed``: so seen, on the ground; ``begins``: armed again where it had ended.
    """

    place: str = ""
    stopped: bool = False
    up_s: float = math.nan
    flown: bool = False
    disarmed: bool = False
    begins: bool = False


def watch(state: Landing, flight: Flight, belief: Belief, armed: bool) -> Landing:
    """(state, look) -> state. ``armed`` as the autopilot's heartbeat says."""
    if belief.phase is Phase.UNKNOWN:
        return state
    if belief.phase is not Phase.GROUND:
        rising = state.flown or math.isnan(state.up_s)
        return Landing(up_s=belief.t_s if rising else state.up_s)
    if not state.flown and not belief.t_s - state.up_s >= LEAST_FLOWN_S:
        return Landing()
    if state.begins or (state.place and state.disarmed and armed):
        return Landing(flown=True, begins=True)
    state = replace(state, flown=True, disarmed=state.disarmed or not armed)
    place = state.place or _place(flight, belief, state.disarmed)
    return replace(state, place=place, stopped=not place)


def _place(flight: Flight, belief: Belief, disarmed: bool) -> str:
    """In words, where the flight has ended; empty when it goes on from here."""
    if _near(flight, belief, flight.home):
        return f"at {flight.home.name}"
    if any(stop.land and _near(flight, belief, stop) for stop in flight.route):
        return ""
    for site in flight.alternates:
        if _near(flight, belief, site):
            return f"at {site.name}"
    return "away from every planned site" if disarmed else ""


def _near(flight: Flight, belief: Belief, place: Site | Waypoint) -> bool:
    chart = LocalMap(flight.home.lat_rad, flight.home.lon_rad)
    north, east = chart.to_map(place.lat_rad, place.lon_rad)
    return math.hypot(north - belief.north_m, east - belief.east_m) < HERE_M


def flight_end(state: Landing, flight: Flight, belief: Belief | None) -> FlightEnd | None:
    """Where it ended and with what; None while the flight is not over."""
    if not state.place or belief is None:
        return None
    left, reserve_wh = energy_left_wh(flight.pack, belief.pack), flight.policy.final_reserve_wh
    above = (left.p05 - reserve_wh, left.p50 - reserve_wh, left.p95 - reserve_wh)
    return FlightEnd(state.place, left, Spread(*above))


def energy_left_wh(spec: Pack, pack: PackBelief) -> Spread:
    """Open-circuit energy [Wh] that could be taken out before the weakest cell is empty.

    Over all that is not known of that, as the forecast tells it of a landing now: the last word in
    the air and the first on the ground are the same figure.
    """
    drawn = pack.draw(np.random.default_rng(0), DRAWS)
    above_empty = u_of_charge(spec.cell, drawn.charge) - u_of_charge(spec.cell, drawn.weak_lost)
    return spread(np.maximum(above_empty, 0.0) * drawn.capacity_ah * spec.series)
